// Today: a new shop's first steps, what needs attention, and what “listed” means.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { scan } from "../house/hand.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

const needs = (page) => page.getByRole("region", { name: "Needs attention" });
const well = (page) => page.getByText("Nothing needs your attention");

/** Exports everything that changed, as a file. */
async function exportChanges(page) {
  await page.goto("/online/feeds");
  const coming = page.waitForEvent("download");
  await page.getByRole("button", { name: /^Export .* changes?$/ }).click();
  await coming;
}

onEachEngine(test, "a new shop is led from style to sale, and what is done is ticked", async (t, engine) => {
  const shop = await Shop.open(t, engine);
  const page = await shop.page();
  await page.goto("/today");
  const steps = page.getByRole("region", { name: "First steps" });
  await steps.waitFor();
  assert.equal(await well(page).count(), 0, "an empty shop is not told that all is well");
  await steps.getByRole("listitem").filter({ hasText: "Add your first style: done" }).waitFor();
  await steps.getByRole("link", { name: /Weigh your first piece/ }).click();
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  await page.goto("/today");
  await steps.getByRole("listitem").filter({ hasText: "Weigh your first piece: done" }).waitFor();
  await page.getByRole("region", { name: "Newest pieces" }).locator("a.tag").waitFor();
  await steps.getByRole("link", { name: /Make your first sale/ }).click();
  await page.locator("#tags button[name=code]").first().click();
  await page.locator("#slip > ol > li").first().waitFor();
  await page.getByRole("button", { name: "Cash", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  await page.goto("/today");
  await steps.getByRole("listitem").filter({ hasText: "Make your first sale: done" }).waitFor();
  await steps.getByRole("link", { name: /Sell online/ }).waitFor();
  await page.getByRole("region", { name: "Net sales, last seven days" }).getByRole("cell", { name: "$48.00" }).first().waitFor();
});

onEachEngine(test, "all is well only when nothing waits: not listed, still listed, on hold", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await shop.page();
  await page.goto("/counter");
  await scan(page, "P-003");
  await page.locator("#slip > ol > li").first().waitFor();
  await page.getByRole("button", { name: "Cash", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  await page.goto("/today");
  await needs(page).getByText("2 pieces are not listed online").waitFor();
  await needs(page).getByText("2 pieces have no tag").waitFor();
  await needs(page).getByRole("link", { name: "Print tags" }).click();
  await page.getByRole("link", { name: /Print these tags.*not printed yet/ }).click();
  await page.getByRole("button", { name: "Print tags" }).click();
  await page.getByText("Marked as printed.").waitFor();
  await exportChanges(page);
  await page.goto("/today");
  await well(page).waitFor();
  await page.goto("/shelf/items/P-001");
  await page.getByText("Listed in your feed.").waitFor();
  await page.getByLabel("Customer").fill("Mrs Dale");
  await page.getByRole("button", { name: "Hold item", exact: true }).click();
  await page.goto("/counter");
  await scan(page, "P-002");
  await page.locator("#slip > ol > li").first().waitFor();
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  await page.goto("/shelf/items/P-002");
  await page.getByText("Still listed in your feed. The next update removes it.").waitFor();
  await page.goto("/today");
  await needs(page).getByText("1 item is on hold").waitFor();
  await needs(page).getByText("1 listed piece changed since your last feed").waitFor();
  await needs(page).getByText("1 piece should no longer be listed online, and still is").waitFor();
  assert.equal(await well(page).count(), 0);
  await needs(page).getByRole("link", { name: "Export changes" }).first().click();
  await page.getByRole("heading", { name: "Feeds", level: 1 }).waitFor();
  await exportChanges(page);
  await page.goto("/today");
  assert.equal(await needs(page).getByText("still listed online").count(), 0);
});
