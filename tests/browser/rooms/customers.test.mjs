// Customers: chosen while ringing up, on their terms, exported and erased.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";
import "../house/end.mjs";
import { Hand } from "../house/hand.mjs";
import { confirm, onEachEngine, Shop, sum } from "../house/shop.mjs";

/** The most inputs for three pieces on account for a wholesale customer. */
const MOST_INPUTS = 9;
const isReceipt = /\/counter\/sales\/\d+/;

const button = (page, name) => page.getByRole("button", { name, exact: true });
const lines = (page) => page.locator("#slip > ol > li");

/** A customer with terms, added on the command line; returns the ID. */
function customer(shop, name, ...terms) {
  const id = shop.run(["customer", "add", name, "--email", `${name.split(" ")[0].toLowerCase()}@example.com`]).trim();
  if (terms.length > 0) shop.run(["customer", "terms", id, ...terms]);
  return id;
}

/** Scans pieces, and waits for each. */
async function scanned(hand, page, numbers) {
  for (const number of numbers) {
    await hand.scan(`P-00${number}`);
    await lines(page).filter({ hasText: `P-00${number}` }).waitFor();
  }
}

onEachEngine(test, "a customer's default discount goes with the sale and can be taken off", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  customer(shop, "Ada Moss", "--discount", "10");
  const page = await shop.page({ javaScriptEnabled: false });
  await page.goto("/counter");
  await page.locator("#code").fill("P-001");
  await page.locator("#code").press("Enter");
  await lines(page).filter({ hasText: "P-001" }).waitFor();
  await page.getByRole("link", { name: "Choose customer" }).click();
  await page.locator("input[name=q]").fill("mos");
  await page.locator("input[name=q]").press("Enter");
  await button(page, "Ada Moss").click();
  await page.getByRole("heading", { name: "Sale for Ada Moss" }).waitFor();
  await page.locator("#slip", { hasText: "10% discount on the sale: customer discount" }).waitFor();
  // 20.01 less 10%.
  await page.locator("#slip .sum", { hasText: "18.01" }).waitFor();
  await page.getByRole("link", { name: "Change customer" }).click();
  await button(page, "Remove Ada Moss from this sale").click();
  await page.locator("#slip .sum", { hasText: sum(1) }).waitFor();
  await page.getByRole("link", { name: "Choose customer" }).click();
  await button(page, "Ada Moss").click();
  await page.locator("#slip .sum", { hasText: "18.01" }).waitFor();
  await button(page, "Card").click();
  await button(page, "Complete sale").click();
  await page.waitForURL(isReceipt);
  const receipt = await page.locator("main").innerText();
  assert.ok(receipt.includes("For Ada Moss") && receipt.includes("18.01"), receipt);
});

test("three pieces on account for a wholesale customer, without typing the name at the payment", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 3 });
  customer(shop, "Bridge Yarns", "--wholesale", "yes", "--certificate", "VT-1", "--keep-until", "2040-12-31");
  for (let others = 0; others < 12; others += 1) customer(shop, `Other${others} Person`);
  const page = await shop.page();
  await page.goto("/counter");
  const hand = new Hand(page);
  await scanned(hand, page, [1, 2, 3]);
  await hand.press(page.getByRole("link", { name: "Choose customer" }));
  await hand.scan("bridge");
  await hand.press(button(page, "Bridge Yarns"));
  await page.locator("#slip", { hasText: "Wholesale, tax-exempt" }).waitFor();
  await hand.press(page.getByText("More ways to pay"));
  await hand.press(button(page, "On account"));
  await page.getByRole("heading", { name: "Take payment", level: 1 }).waitFor();
  assert.equal(await page.getByLabel("Customer").inputValue(), "Bridge Yarns");
  await hand.press(button(page, "Complete sale"));
  await page.waitForURL(isReceipt);
  assert.ok(hand.inputs <= MOST_INPUTS, `${hand.inputs} inputs`);
  const receipt = await page.locator("main").innerText();
  assert.ok(receipt.includes("For Bridge Yarns, Wholesale, tax-exempt") && receipt.includes(sum(1, 2, 3)), receipt);
  await page.goto("/customers?q=bridge");
  await page.getByRole("link", { name: "Bridge Yarns" }).click();
  await page.locator("section", { hasText: "Open balances" }).getByText(sum(1, 2, 3)).first().waitFor();
});

test("a new customer is added from the counter and the sale goes on; a hold is theirs", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  await page.goto("/counter");
  const hand = new Hand(page);
  await scanned(hand, page, [1]);
  await page.getByRole("link", { name: "Choose customer" }).click();
  await hand.scan("Cleo Reed");
  await page.getByText("No customer matches").waitFor();
  assert.equal(await page.getByLabel("Name", { exact: true }).inputValue(), "Cleo Reed", "what found nobody is a new name");
  await page.getByLabel("Email", { exact: true }).fill("nowhere");
  await button(page, "Add customer to this sale").click();
  await page.locator("#fault-email").waitFor();
  await page.getByLabel("Email", { exact: true }).fill("cleo@example.com");
  await button(page, "Add customer to this sale").click();
  await page.getByRole("heading", { name: "Sale for Cleo Reed" }).waitFor();
  assert.equal(await lines(page).count(), 1);
  await page.getByText("Discount, hold or discard").click();
  await button(page, "Hold for customer").click();
  await page.locator("#on-hold", { hasText: "Cleo Reed" }).waitFor();
  await page.goto("/customers?q=cleo");
  await page.getByRole("link", { name: "Cleo Reed" }).click();
  await page.locator("section", { hasText: "On hold" }).getByRole("link", { name: /Beck cowl 1/ }).waitFor();
});

onEachEngine(test, "data is exported and erased, and the receipt keeps its sum", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 1 });
  const id = customer(shop, "Ada Moss");
  const page = await shop.page();
  await page.goto("/counter");
  await scanned(new Hand(page), page, [1]);
  await page.getByRole("link", { name: "Choose customer" }).click();
  await button(page, "Ada Moss").click();
  await button(page, "Card").click();
  await button(page, "Complete sale").click();
  await page.waitForURL(isReceipt);
  const receipt = page.url();
  await page.goto(`/customers/${id}`);
  const coming = page.waitForEvent("download");
  await button(page, "Export data").click();
  const given = JSON.parse(readFileSync(await (await coming).path(), "utf8"));
  assert.deepEqual([given.customer.name, given.sales.length, given.sales[0].total], ["Ada Moss", 1, sum(1)]);
  shop.passwordsWereLongAgo();
  await page.getByRole("link", { name: "Erase data" }).click();
  await button(page, "Erase data").click();
  await confirm(page);
  await page.getByRole("heading", { name: "Erased customer" }).waitFor();
  for (const address of [receipt, "/counter/sales", "/customers", `/customers/${id}`, "/settings/activity", "/today"]) {
    await page.goto(address);
    assert.ok(!(await page.locator("body").innerText()).includes("Ada Moss"), address);
  }
  await page.goto(receipt);
  assert.ok((await page.locator("main").innerText()).includes(sum(1)));
});
