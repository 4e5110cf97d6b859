// Receipts on paper, and how they find their sale again.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { Hand, scan } from "../house/hand.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

const MM_A_POINT = 25.4 / 72;

/** The sizes of a PDF's pages, in millimeters. */
function sizes(pdf) {
  const boxes = [...pdf.toString("latin1").matchAll(/\/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]/g)];
  return boxes.map(([, width, height]) => [Number(width) * MM_A_POINT, Number(height) * MM_A_POINT]);
}

/** Rings up these pieces by card and waits for the receipt. */
async function sold(page, codes) {
  await page.goto("/counter");
  for (const code of codes) {
    await scan(page, code);
    await page.locator("#slip > ol > li", { hasText: code }).waitFor();
  }
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  return new URL(page.url()).pathname;
}

onEachEngine(test, "a receipt is set up, printed on a roll and on a page, and has its slip after a refund", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await shop.page();
  await page.goto("/settings");
  await page.getByLabel("Address, below the shop’s name").fill("1 Fold Lane\nHillside");
  await page.getByLabel("Return policy (optional)").fill("Unworn pieces within 30 days");
  await page.getByRole("button", { name: "Save receipt texts" }).click();
  await page.locator("#receipts .said").waitFor();
  const sale = await sold(page, ["P-001", "P-002", "P-003"]);
  const paper = page.locator(".receipt");
  for (const words of ["Hillside", "4.11 oz", "Unworn pieces", "Beck cowl 3"]) await paper.getByText(words).first().waitFor();
  assert.equal(await paper.locator("svg.bars").count(), 1);
  await page.getByRole("link", { name: "Print receipt" }).click();
  await page.getByRole("button", { name: "Print", exact: true }).waitFor();
  const roll = sizes(await page.pdf({ preferCSSPageSize: true }));
  assert.equal(roll.length, 1, "one piece of paper, as long as the receipt");
  assert.ok(Math.abs(roll[0][0] - 80) < 1 && roll[0][1] > 80 && roll[0][1] < 290, `${roll[0]}`);
  await page.goto(`${sale}/print?paper=page`);
  const whole = sizes(await page.pdf({ preferCSSPageSize: true, format: "Letter" }));
  assert.ok(Math.abs(whole[0][0] - 215.9) < 1, `${whole[0]}`);
  await page.goto(sale);
  const draft = await page.getByRole("link", { name: "Write e-mail" }).getAttribute("href");
  assert.match(draft ?? "", /^mailto:\?subject=Receipt%201%20from/);
  await page.getByText("Fleecefold sends no mail").waitFor();
  await page.goto(`${sale}/refund`);
  await page.getByLabel("Reason").fill("too big");
  await page.getByRole("button", { name: "Refund everything" }).click();
  await page.getByRole("link", { name: "refund slip" }).click();
  await page.getByRole("heading", { name: "Refund slip" }).waitFor();
  assert.match(await page.locator(".receipt").innerText(), /Refund for receipt 1/);
  assert.ok(Math.abs(sizes(await page.pdf({ preferCSSPageSize: true }))[0][0] - 80) < 1);
});

test("a receipt is scanned at the counter while a sale is rung up, and in past sales", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  const sale = await sold(page, ["P-001"]);
  await page.goto("/counter");
  await scan(page, "P-002");
  await page.locator("#slip > ol > li", { hasText: "P-002" }).waitFor();
  await scan(page, "RCPT000001");
  await page.waitForURL(`**${sale}`);
  await page.goto("/counter/sales");
  const hand = new Hand(page);
  await hand.scan("RCPT000001");
  await page.waitForURL(`**${sale}`);
  assert.equal(hand.inputs, 1);
  await page.goto("/counter/sales");
  await page.getByLabel("Receipt, tag code, item or customer").fill("cowl 1");
  await page.getByLabel("Total").fill("20.01");
  await page.getByRole("button", { name: "Search" }).click();
  assert.equal(await page.locator("tbody tr").count(), 1);
});
