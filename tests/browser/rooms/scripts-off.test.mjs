// Everything works in a browser without scripts.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";
import "../house/end.mjs";
import { enter, onEachEngine, Shop, sum } from "../house/shop.mjs";

onEachEngine(test, "weigh, ring up, list, set aside and leave without scripts", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 4 });
  const page = await shop.page({ anonymous: true, javaScriptEnabled: false });
  await page.goto("/workbench");
  await enter(page);

  await page.locator("select[name=style]").selectOption("ridge beanie");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.getByRole("button", { name: "Calculate price" }).click();
  await page.locator("#slip .price", { hasText: "48.00" }).waitFor();
  assert.equal(await page.getByLabel("Scale reading").inputValue(), "6.35 oz");
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();

  await page.goto("/counter");
  for (const code of ["P-001", "P-002", "P-003"]) {
    await page.locator("#code").fill(code);
    await page.locator("#code").press("Enter");
    await page.locator("#slip > ol > li", { hasText: code }).waitFor();
  }
  await page.getByRole("button", { name: "Cash", exact: true }).click();
  await page.getByRole("heading", { name: "Take payment", level: 1 }).waitFor();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  assert.ok((await page.locator("main").innerText()).includes(sum(1, 2, 3)));

  await page.goto("/online");
  await page.getByRole("link", { name: /Write .* listing text/ }).click();
  const coming = page.waitForEvent("download");
  await page.getByRole("button", { name: /download feed/ }).click();
  assert.match(readFileSync(await (await coming).path(), "utf8"), /P-004/);

  await page.goto("/shelf/items/P-004");
  await page.getByLabel("Customer").fill("Mrs Dale");
  await page.getByRole("button", { name: "Hold item", exact: true }).click();
  await page.getByText("Mrs Dale").first().waitFor();

  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(/\/sign-in/);
});
