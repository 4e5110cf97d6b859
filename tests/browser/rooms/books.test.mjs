// Books, Today and Settings: reading and saving.

import assert from "node:assert/strict";
import { readFileSync, writeFileSync } from "node:fs";
import test from "node:test";
import "../house/end.mjs";
import { atEachWidth, printed } from "../house/look.mjs";
import { run } from "../house/program.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

onEachEngine(test, "a year, its month, its day, a sale; and the same as a file and on paper", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 2 });
  shop.order("H-7", "P-001", "34.00");
  const page = await shop.page();
  await page.goto("/books");
  assert.match(await page.locator("main").innerText(), /34\.00/);
  const chart = page.locator("figure svg[role=img]").first();
  assert.match((await chart.getAttribute("aria-label")) ?? "", /34\.00/, "a chart says its numbers");
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.getByRole("navigation", { name: "Main menu" }).isVisible(), false);
  assert.ok(printed(await page.pdf()).drawn > 0);
  await page.emulateMedia({ media: "screen" });
  const coming = page.waitForEvent("download");
  await page.locator("a[href*='/books/csv']").first().click();
  const file = readFileSync(await (await coming).path(), "utf8");
  assert.match(file, /^month,channel,sales,units,/);
  assert.match(file, /,34\.00,/);
  await page.goto(`/books/day/${new Date().toISOString().slice(0, 10)}`);
  await page.locator("a[href^='/books/sale/']").first().click();
  assert.match(await page.locator("main").innerText(), /Beck cowl 1/);
});

onEachEngine(test, "settings are kept, a wrong one is said beside its field, and a backup comes as a file", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 2 });
  const page = await shop.page();
  await page.goto("/settings");
  await page.getByLabel("Name", { exact: true }).first().fill("Beck Farm");
  await page.getByLabel(/^Time zone/).fill("Europe/Nowhere");
  await page.getByRole("button", { name: "Save shop" }).click();
  await page.getByRole("alert").waitFor();
  assert.equal(await page.getByLabel("Name", { exact: true }).first().inputValue(), "Beck Farm", "what was typed is still there");
  await page.getByLabel(/^Time zone/).fill("Europe/London");
  await page.getByRole("button", { name: "Save shop" }).click();
  await page.getByRole("status").filter({ hasText: "Saved" }).waitFor();
  assert.match(await page.title(), /Beck Farm/);
  const coming = page.waitForEvent("download");
  await page.getByRole("button", { name: /Download backup/ }).click();
  const bytes = readFileSync(await (await coming).path());
  assert.ok(bytes.length > 100, "the backup has the shop in it");
  const restored = shop.file("restored/backup", "");
  writeFileSync(restored, bytes);
  const elsewhere = `sqlite:${shop.folder}/restored/shop.db`;
  run(elsewhere, ["restore", restored]);
  assert.match(run(elsewhere, ["shop", "show"]), /Beck Farm/);
});

test("today says what waits, and where it is done", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 3 });
  const page = await shop.page();
  await page.goto("/today");
  const task = page.getByRole("region", { name: "Needs attention" }).getByRole("listitem").first();
  assert.match(await task.innerText(), /3 pieces are not listed online/);
  await task.getByRole("link").click();
  await page.getByRole("heading", { name: "Not listed" }).waitFor();
});

test("the books show five columns and the rest on request, none cut, in letters of 12 px or more", async (t) => {
  const shop = await Shop.demo(t);
  const page = await shop.page();
  await page.goto("/books?year=2025");
  await atEachWidth(page, async (width) => {
    for (const isWhole of [false, true]) {
      await page.getByLabel("Show all columns").setChecked(isWhole);
      const row = page.locator(".ledger tbody tr").first();
      assert.equal(await row.locator("td:visible").count(), isWhole ? 15 : 5, width);
      const cut = await page.locator(".ledger").evaluate((ledger) => ledger.scrollWidth - ledger.clientWidth);
      assert.ok(cut <= 0, `${width}, ${isWhole ? "all columns" : "five columns"}: ${cut} px are cut`);
    }
    const least = await page.locator("main").evaluate((main) => Math.min(...[...main.querySelectorAll("th, td, small, figcaption, svg text")].map((element) => {
      const drawing = element.closest("svg");
      const scale = drawing ? drawing.getBoundingClientRect().width / drawing.viewBox.baseVal.width : 1;
      return parseFloat(getComputedStyle(element).fontSize) * scale;
    })));
    assert.ok(least >= 12, `${width}: ${least} px`);
  });
});
