// A browser with its scripts switched off does all the same.

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
  await page.getByLabel("On the scale").fill("6.35 oz");
  await page.getByRole("button", { name: "Only tell me the price" }).click();
  await page.locator("#slip .price", { hasText: "48.00" }).waitFor();
  assert.equal(await page.getByLabel("On the scale").inputValue(), "6.35 oz");
  await page.getByRole("button", { name: "Keep and make its tag" }).click();
  await page.getByRole("heading", { name: "Its tag is ready" }).waitFor();

  await page.goto("/counter");
  for (const code of ["P-001", "P-002", "P-003"]) {
    await page.locator("#code").fill(code);
    await page.locator("#code").press("Enter");
    await page.locator("#slip > ol > li", { hasText: code }).waitFor();
  }
  await page.getByRole("button", { name: "Cash", exact: true }).click();
  await page.getByRole("heading", { name: "Take the money" }).waitFor();
  await page.getByRole("button", { name: "Done", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  assert.ok((await page.locator("main").innerText()).includes(sum(1, 2, 3)));

  await page.goto("/online");
  await page.getByRole("link", { name: /Write the texts/ }).click();
  const coming = page.waitForEvent("download");
  await page.getByRole("button", { name: /download the feed/ }).click();
  assert.match(readFileSync(await (await coming).path(), "utf8"), /P-004/);

  await page.goto("/shelf/items/P-004");
  await page.getByLabel("For whom").fill("Mrs Dale");
  await page.getByRole("button", { name: "Set aside", exact: true }).click();
  await page.getByText("Mrs Dale").first().waitFor();

  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(/\/enter/);
});
