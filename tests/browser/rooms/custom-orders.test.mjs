// Custom orders and deposits, from the agreement with the customer to the piece that they collect.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { Hand } from "../house/hand.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

/** The most inputs from an open order to a deposit paid in cash. */
const MOST_FOR_DEPOSIT = 4;
/** The most inputs from the made piece to the receipt, with the deposit and the rest by card. */
const MOST_TO_COLLECT = 5;

const isReceipt = /\/counter\/sales\/\d+/;
const button = (page, name) => page.getByRole("button", { name, exact: true });
const link = (page, name) => page.getByRole("link", { name, exact: true });

/** A day so many days from now, as a field of a date takes it. */
const inDays = (days) => new Date(Date.now() + days * 86_400_000).toISOString().slice(0, 10);

/** Takes an order of a ridge beanie, and stays on its page. */
async function ordered(page, due = inDays(30)) {
  await page.goto("/counter");
  await link(page, "Custom orders").first().click();
  await link(page, "New custom order").click();
  await page.getByLabel("Customer’s name").fill("Ada Moss");
  await page.locator("select[name=style]").selectOption("ridge beanie");
  await page.getByLabel("Size", { exact: true }).fill("M");
  await page.getByLabel("Colors", { exact: true }).fill("fawn, moss");
  await page.getByLabel("Due date").fill(due);
  await button(page, "Save custom order").click();
  await page.getByRole("heading", { name: "Custom order: ridge beanie, fawn, moss, M" }).waitFor();
}

for (const javaScriptEnabled of [true, false]) {
  onEachEngine(test, `a deposit is taken, the piece made and collected ${javaScriptEnabled ? "with" : "without"} scripts`, async (t, engine) => {
    const shop = await Shop.open(t, engine);
    const page = await shop.page({ javaScriptEnabled });
    await ordered(page);
    const order = page.url();
    let hand = new Hand(page);
    await hand.fill(page.getByLabel("Amount", { exact: true }), "20.00");
    await hand.press(button(page, "Take deposit"));
    await page.getByRole("heading", { name: "Sale for Ada Moss" }).waitFor();
    await hand.press(button(page, "Cash"));
    await hand.press(button(page, "Complete sale"));
    await page.waitForURL(isReceipt);
    assert.ok(hand.inputs <= MOST_FOR_DEPOSIT, `${hand.inputs} inputs`);
    assert.ok((await page.locator("main").innerText()).includes("Deposit for ridge beanie"));

    await page.goto(order);
    await link(page, "Make the piece").click();
    assert.equal(await page.locator("select[name=style]").inputValue(), "ridge beanie");
    assert.equal(await page.getByLabel("Colors", { exact: true }).inputValue(), "fawn, moss");
    await page.getByLabel("Scale reading").fill("6.35 oz");
    await button(page, "Save and print tag").click();
    await page.getByRole("heading", { name: "The tag is ready" }).waitFor();

    await page.goto(order);
    await page.getByText("Ready to collect for").waitFor();
    hand = new Hand(page);
    await hand.press(button(page, "Ring up"));
    await page.getByText("it pays $20.00, and $28.00 is left to pay").waitFor();
    assert.equal(await page.locator("#pay button").first().innerText(), "Deposit", "the first way to pay");
    await hand.press(button(page, "Deposit"));
    await hand.press(button(page, "Use deposit"));
    await page.locator(".sum", { hasText: "$28.00" }).waitFor();
    await hand.press(link(page, "Card"));
    await hand.press(button(page, "Complete sale"));
    await page.waitForURL(isReceipt);
    assert.ok(hand.inputs <= MOST_TO_COLLECT, `${hand.inputs} inputs`);
    await page.goto(order);
    await page.getByText("Collected for").waitFor();
    const [sale] = await shop.sales(page);
    assert.deepEqual(sale.tenders.map(({ kind, amount }) => [kind, amount]), [["deposit", "20.00"], ["card", "28.00"]]);
  });
}

onEachEngine(test, "what is left of a deposit is told of until it is refunded", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 2 });
  const page = await shop.page();
  await ordered(page, inDays(3));
  const order = page.url();
  await page.getByLabel("Amount", { exact: true }).fill("20.00");
  await button(page, "Take deposit").click();
  await button(page, "Card").click();
  await button(page, "Complete sale").click();
  await page.waitForURL(isReceipt);
  await page.goto("/");
  await page.getByText("1 custom order is overdue or due within a week").waitFor();

  await page.goto(order);
  await page.getByText("Cancel this order").click();
  await page.getByLabel("Reason").fill("changed their mind");
  await button(page, "Cancel order").click();
  await page.getByText("$20.00 of the deposit is left.").waitFor();
  await page.goto("/");
  await page.getByText("1 deposit is left of what has ended").waitFor();
  await link(page, "Review deposits").click();
  await page.getByRole("link", { name: "Ada Moss: $20.00" }).click();
  await page.getByText("What this deposit was paid for has ended").waitFor();
  assert.equal(await page.locator("select[name=by]").inputValue(), "card", "in the way it was paid");
  const refund = page.locator("form[action$='/refund']");
  await refund.getByLabel("Amount", { exact: true }).fill("5.00");
  await refund.getByLabel("Reason").fill("a part now");
  await button(page, "Refund deposit").click();
  await page.locator(".change .price", { hasText: "$15.00" }).waitFor();

  await page.getByText("Forfeit this deposit").click();
  const forfeit = page.locator("form[action$='/forfeit']");
  await forfeit.getByLabel("Reason").fill("as agreed");
  await button(page, "Forfeit deposit").click();
  await page.locator(".change .price", { hasText: "$0.00" }).waitFor();
  await page.goto("/");
  assert.equal(await page.getByText("of what has ended").count(), 0);
  await page.goto(`/books/month/${new Date().toISOString().slice(0, 7)}`);
  await page.getByRole("heading", { name: "Other income" }).waitFor();
  assert.ok((await page.locator("main").innerText()).includes("as agreed"));
});

test("a deposit for what is on hold is asked about when the hold is released", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  await page.goto("/counter");
  await page.locator("#tags button[name=code]").first().click();
  await page.locator("#slip > ol > li").first().waitFor();
  await page.getByText("Discount, hold or discard").click();
  await page.locator("#slip input[name=forWhom]").fill("Ash Fen");
  await button(page, "Hold for customer").click();
  await page.locator("#on-hold").getByRole("link", { name: /^Deposit/ }).click();
  await page.getByRole("heading", { name: "Deposit of Ash Fen" }).waitFor();
  await page.getByLabel("Amount", { exact: true }).fill("7.00");
  await button(page, "Take deposit").click();
  await button(page, "Cash").click();
  await button(page, "Complete sale").click();
  await page.waitForURL(isReceipt);
  await page.goto("/shelf/holds");
  await page.getByRole("button", { name: /^Release hold/ }).click();
  await page.waitForURL(/\/counter\/deposits\/\d+$/);
  await page.getByText("What this deposit was paid for has ended").waitFor();
});
