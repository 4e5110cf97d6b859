// The Counter: scanning, paying, and everything that may go wrong in between.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { Hand, scan } from "../house/hand.mjs";
import { printed } from "../house/look.mjs";
import { onEachEngine, Shop, sum } from "../house/shop.mjs";

/** The most inputs for three scanned pieces, paid in cash: three scans (the Enter after each is the scanner's), Cash
 * and Complete sale, with the full amount taken unless another is typed. */
const CASH_INPUTS = 5;
/** The most inputs for an exchange. */
const EXCHANGE_INPUTS = 6;

const lines = (page) => page.locator("#slip > ol > li");
const title = (page, number) => lines(page).filter({ hasText: `P-${String(number).padStart(3, "0")}` });
const cash = (page) => page.getByRole("button", { name: "Cash", exact: true });
const done = (page) => page.getByRole("button", { name: "Complete sale", exact: true });
const taking = (page) => page.getByRole("heading", { name: "Take payment", level: 1 });
const isReceipt = /\/counter\/sales\/\d+/;

/** At the counter, with these pieces on a new slip. */
async function withSlip(shop, numbers, options) {
  const page = await shop.page(options);
  await page.goto("/counter");
  for (const number of numbers) {
    await scan(page, `P-${String(number).padStart(3, "0")}`);
    await title(page, number).waitFor();
  }
  return page;
}

onEachEngine(test, "three scanned pieces for cash in 5 inputs", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 5 });
  const page = await shop.page();
  await page.goto("/counter");
  const hand = new Hand(page);
  for (const number of [1, 2, 3]) {
    await hand.scan(`P-00${number}`);
    await title(page, number).waitFor();
  }
  await page.locator("#slip .sum", { hasText: sum(1, 2, 3) }).waitFor();
  await hand.press(cash(page));
  await taking(page).waitFor();
  await hand.press(done(page));
  await page.waitForURL(isReceipt);
  assert.equal(hand.inputs, CASH_INPUTS);
  assert.ok((await page.locator("main").innerText()).includes(sum(1, 2, 3)), "the receipt says what was paid");
  const sales = await shop.sales(page);
  assert.equal(sales.length, 1);
  assert.deepEqual(sales[0].lines.map((line) => line.sku).sort(), ["P-001", "P-002", "P-003"]);
});

test("scans that come faster than answers are all laid down, each once", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 12 });
  const page = await shop.page();
  await page.goto("/counter");
  for (let number = 1; number <= 12; number += 1) await scan(page, `P-${String(number).padStart(3, "0")}`);
  await page.locator("#slip .sum", { hasText: sum(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12) }).waitFor();
  assert.equal(await lines(page).count(), 12);
});

test("a code that nothing has is said, and the next scan goes on", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await withSlip(shop, [1]);
  await scan(page, "P-999");
  await page.getByText(/P-999/).first().waitFor();
  await page.locator("#code").fill("");
  await scan(page, "P-002");
  await title(page, 2).waitFor();
  assert.equal(await lines(page).count(), 2);
});

onEachEngine(test, "two counters race for one piece: one gets it, the other is told", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const pages = [await withSlip(shop, [1, 2]), await withSlip(shop, [3, 2])];
  await Promise.all(pages.map((page) => cash(page).click()));
  const told = pages.map((page) => page.locator("main").getByText(/Not charged/).filter({ visible: true }).first());
  const taken = await Promise.all(pages.map((page, at) => Promise.race([taking(page).waitFor().then(() => true), told[at].waitFor().then(() => false)])));
  assert.equal(taken.filter(Boolean).length, 1, "exactly one may take the money");
  const winner = pages[taken.indexOf(true)];
  await done(winner).click();
  await winner.waitForURL(isReceipt);
  const sold = (await shop.sales(winner)).flatMap((sale) => sale.lines.map((line) => line.sku));
  assert.equal(sold.filter((sku) => sku === "P-002").length, 1);
  assert.equal(sold.length, 2);
});

onEachEngine(test, "a piece that sells online while it lies on the slip says so by itself", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 2 });
  const page = await withSlip(shop, [1, 2]);
  await page.waitForTimeout(1000);
  shop.order("H-1182", "P-002");
  const gone = page.locator("#slip li.gone");
  await gone.waitFor({ timeout: 5000 });
  assert.match(await gone.innerText(), /Sold .*online.* order H-1182\. Not charged\./is);
  await page.locator("#slip .sum", { hasText: sum(1) }).waitFor();
  await cash(page).click();
  await taking(page).waitFor();
  await done(page).click();
  await page.waitForURL(isReceipt);
  const sold = (await shop.sales(page)).filter((sale) => sale.channel === "store").flatMap((sale) => sale.lines.map((line) => line.sku));
  assert.deepEqual(sold, ["P-001"]);
});

onEachEngine(test, "the network is cut before the money is booked: the basket is there again, and sold once", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await withSlip(shop, [1, 2, 3]);
  await cash(page).click();
  await taking(page).waitFor();
  const here = page.url();
  await page.context().setOffline(true);
  await done(page).click();
  await page.waitForTimeout(500);
  await page.context().setOffline(false);
  await goBackTo(page, here);
  await done(page).click();
  await page.waitForURL(isReceipt);
  assert.deepEqual((await shop.sales(page)).map((sale) => sale.lines.length), [3]);
});

onEachEngine(test, "the answer to the payment is lost: pressing again sells nothing twice", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await withSlip(shop, [1, 2, 3]);
  await cash(page).click();
  await taking(page).waitFor();
  const here = page.url();
  let lost = 0;
  await page.route("**/tender", async (route) => {
    await route.fetch({ maxRedirects: 0 });
    lost += 1;
    await route.abort("connectionreset");
  });
  await done(page).click();
  await page.waitForTimeout(1500);
  assert.ok(lost > 0, "the sale was booked, and nobody was told");
  await page.unroute("**/tender");
  await goBackTo(page, here);
  if (!isReceipt.test(page.url()) && (await done(page).count()) > 0) await done(page).click();
  await page.locator("main").getByText(sum(1, 2, 3)).first().waitFor();
  assert.deepEqual((await shop.sales(page)).map((sale) => sale.lines.length), [3]);
});

/** What people do on a browser's page for a lost connection: go back, or reload. */
async function goBackTo(page, address) {
  if (page.url().startsWith("chrome-error") || !page.url().includes("/counter/")) await page.goto(address);
  else await page.reload().catch(() => page.goto(address));
}

test("scans without a connection wait, and are laid down once when it is back", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 4 });
  const page = await withSlip(shop, [1]);
  await page.context().setOffline(true);
  await scan(page, "P-002");
  await scan(page, "P-003");
  await page.waitForTimeout(500);
  assert.ok(page.url().includes("/counter"), "the page stays");
  await page.context().setOffline(false);
  await title(page, 2).waitFor();
  await title(page, 3).waitFor();
  await scan(page, "P-004");
  await title(page, 4).waitFor();
  await page.locator("#slip .sum", { hasText: sum(1, 2, 3, 4) }).waitFor();
  assert.equal(await lines(page).count(), 4);
});

test("a slip outlives its browser", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await withSlip(shop, [1, 2]);
  await page.context().close();
  const other = await shop.page();
  await other.goto("/counter");
  await other.getByRole("heading", { name: "Open sales" }).waitFor();
  await other.locator(".lying a").first().click();
  await title(other, 2).waitFor();
});

test("two tenders, change, a receipt on paper, and money back", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await withSlip(shop, [1, 2]);
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await taking(page).waitFor();
  await page.locator("input[name=amount]").fill("10.00");
  await done(page).click();
  await page.getByRole("navigation", { name: "Other ways to pay" }).getByRole("link", { name: "Cash" }).click();
  // 40.03 − 10.00 = 30.03; 50 given: 19.97 back.
  await page.locator("input[name=amount]").fill("50");
  await done(page).click();
  await page.waitForURL(isReceipt);
  assert.match(await page.locator("main").innerText(), /19\.97/);
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.getByRole("navigation", { name: "Main menu" }).isVisible(), false);
  assert.match(await page.locator("main").innerText(), /40\.03/);
  assert.ok(printed(await page.pdf()).drawn > 0, "the receipt's paper has words on it");
  await page.emulateMedia({ media: "screen" });
  const sale = /sales\/(\d+)/.exec(page.url())?.[1];
  await page.goto(`/counter/sales/${sale}/refund`);
  assert.match(await page.locator("main").innerText(), /Beck cowl 1/);
});

onEachEngine(test, "a piece is exchanged for another in at most 6 inputs, with one sum and one receipt", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 2 });
  const page = await withSlip(shop, [2]);
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await taking(page).waitFor();
  await done(page).click();
  await page.waitForURL(isReceipt);
  const hand = new Hand(page);
  await hand.press(page.getByRole("link", { name: "Refund or exchange" }));
  await hand.press(page.getByRole("button", { name: "Exchange items" }));
  await page.locator("#slip .sum", { hasText: "Pay back" }).waitFor();
  await hand.scan("P-001");
  await title(page, 1).waitFor();
  await page.locator("#slip .sum", { hasText: "$0.01" }).waitFor();
  await hand.press(cash(page));
  await page.getByRole("heading", { name: "Pay back", level: 1 }).waitFor();
  await hand.press(page.getByRole("button", { name: "Complete exchange" }));
  await page.getByRole("heading", { name: "Exchange complete" }).waitFor();
  assert.ok(hand.inputs <= EXCHANGE_INPUTS, `${hand.inputs} inputs`);
  const receipt = await page.locator("main").innerText();
  for (const words of ["Paid back: Cash", "$0.01", "Returned in exchange", "-$20.02"]) assert.ok(receipt.includes(words), words);
  assert.equal((await shop.sales(page)).length, 2);
});

onEachEngine(test, "a gift certificate is sold, printed, spent in part and told of", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 2 });
  const page = await shop.page();
  await page.goto("/counter");
  await page.getByText("Sell a gift certificate or take a deposit").click();
  await page.getByLabel("Amount", { exact: true }).fill("25.00");
  await page.getByLabel("Gift certificate for").fill("Rowan");
  await page.getByRole("button", { name: "Add to sale" }).click();
  await page.locator("#slip .sum", { hasText: "$25.00" }).waitFor();
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await taking(page).waitFor();
  await done(page).click();
  await page.waitForURL(isReceipt);
  await page.getByRole("link", { name: "Print gift certificate" }).click();
  const number = (await page.locator(".certificate-paper .number").innerText()).trim();
  assert.match(number, /^[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{5}$/);
  const paper = await page.locator(".certificate-paper").innerText();
  for (const words of ["For Rowan", "$25.00"]) assert.ok(paper.includes(words), words);

  await page.goto("/counter");
  await scan(page, "P-001");
  await title(page, 1).waitFor();
  await page.getByRole("button", { name: "Gift certificate", exact: true }).click();
  // A wrong digit is said beside the field, and what was typed stays.
  const field = page.getByLabel("Number of the gift certificate");
  await field.fill(number.replace(/.$/, (last) => (last === "0" ? "1" : "0")));
  await done(page).click();
  await page.locator("#fault-certificate").waitFor();
  await field.fill(number.toLowerCase().replaceAll("-", " "));
  await done(page).click();
  await page.waitForURL(isReceipt);
  const receipt = await page.locator("main").innerText();
  for (const words of ["Gift certificate", `…${number.slice(-4)}`, "$4.99 left"]) assert.ok(receipt.includes(words), words);

  // Too little is left for the second piece: all of it is taken, and the rest by card.
  await page.goto("/counter");
  await scan(page, "P-002");
  await title(page, 2).waitFor();
  await page.getByRole("button", { name: "Gift certificate", exact: true }).click();
  await field.fill(number);
  await done(page).click();
  await page.getByText("Paid: Gift certificate").waitFor();
  await page.getByRole("link", { name: "Card", exact: true }).click();
  await page.getByRole("heading", { name: "Card" }).waitFor();
  await done(page).click();
  await page.waitForURL(isReceipt);

  await page.goto("/counter/certificates");
  await page.getByLabel("Number of the gift certificate").fill(number);
  await page.getByRole("button", { name: "Find gift certificate" }).click();
  const history = await page.locator("main").innerText();
  for (const words of ["$0.00", "Sold", "Spent", "-$20.01", "-$4.99"]) assert.ok(history.includes(words), words);
});

onEachEngine(test, "a drawer turn: counted in, a sale for cash, taken out, counted out short", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 1 });
  const page = await shop.page();
  await page.goto("/counter/drawer");
  await page.getByLabel("$20.00", { exact: true }).fill("5");
  await page.getByRole("button", { name: "Open drawer" }).click();
  await page.getByText("Expected cash").waitFor();
  await page.goto("/counter");
  await scan(page, "P-001");
  await title(page, 1).waitFor();
  await cash(page).click();
  await done(page).click();
  await page.waitForURL(isReceipt);
  await page.goto("/counter/drawer");
  await page.getByLabel("Amount").fill("20");
  await page.getByLabel("Reason").fill("stamps");
  await page.getByRole("button", { name: "Pay out" }).click();
  // 100.00 + 20.01 − 20.00.
  await page.locator(".sum", { hasText: "100.01" }).waitFor();
  await page.getByLabel("$20.00", { exact: true }).fill("5");
  await page.getByLabel("Note on a difference").fill("a penny is gone");
  await page.getByRole("button", { name: "Close drawer" }).click();
  await page.goto("/counter/drawer");
  await page.locator("a[href*='/counter/drawer/']").first().click();
  const turn = await page.locator("main").innerText();
  assert.match(turn, /100\.01/);
  assert.match(turn, /0\.01/);
});

/** Moves the sale by the ribbon, which names where this device sells. */
async function moveTo(page, name) {
  await page.locator(".ribbon").getByText("Move this sale").click();
  await page.locator(".ribbon").getByRole("button", { name }).click();
}

onEachEngine(test, "a device stays at the market from sale to sale, and an open sale moves with it", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await withSlip(shop, [1]);
  await page.getByText("Selling at Farm store").waitFor();
  await moveTo(page, "Market stall");
  await page.getByText("Selling at Market stall").waitFor();
  await title(page, 1).waitFor();
  await scan(page, "P-002");
  await title(page, 2).waitFor();
  await cash(page).click();
  await taking(page).waitFor();
  await page.getByText("Selling at Market stall").waitFor();
  await done(page).click();
  await page.waitForURL(isReceipt);
  await page.getByText("Sold at Market stall").waitFor();
  await scan(page, "P-003");
  await page.waitForURL(/\/counter\/\d+$/);
  await page.getByText("Selling at Market stall").waitFor();
  await page.getByRole("link", { name: "New sale" }).click();
  await page.getByText("Selling at Market stall").waitFor();
  assert.deepEqual((await shop.sales(page)).map((sale) => sale.channel), ["market"]);
});

test("the ribbon follows a sale that is started by a scan or moved on another device", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await withSlip(shop, [1]);
  const other = await shop.page();
  await other.goto(page.url());
  await moveTo(other, "Market stall");
  await page.getByText("Selling at Market stall").waitFor();
  await page.locator("#scan input[name=channel][value=market]").waitFor({ state: "attached" });
});

test("a ribbon that is in use while the first scan is on its way belongs to the new sale", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  await page.goto("/counter");
  await page.locator(".ribbon summary").click();
  let answer = () => {};
  const held = new Promise((done) => (answer = () => done(undefined)));
  await page.route("**/counter/scan", async (route) => {
    await held;
    await route.continue();
  });
  await page.locator("#code").fill("P-001");
  await page.locator("#code").press("Enter");
  const market = page.locator(".ribbon").getByRole("button", { name: "Market stall" });
  await market.focus();
  answer();
  await title(page, 1).waitFor();
  assert.equal(await page.locator("#place-name").innerText(), "Selling at Farm store");
  assert.equal(await page.locator(".ribbon summary").innerText(), "Move this sale");
  await market.click();
  await page.waitForURL(/\/counter\/\d+$/);
  await page.getByText("Selling at Market stall").waitFor();
  await title(page, 1).waitFor();
});

onEachEngine(test, "a double tap keeps the change in view, and sells once", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 1 });
  const page = await withSlip(shop, [1]);
  await cash(page).click();
  await taking(page).waitFor();
  await page.getByLabel("Amount received").fill("50");
  // The first tap: its answer is dropped, because the second tap comes before it.
  await page.evaluate(async () => {
    const form = Array.from(document.forms).find((one) => one.action.endsWith("/tender"));
    await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)), redirect: "manual" });
  });
  await done(page).click();
  await page.waitForURL(isReceipt);
  await page.locator(".change", { hasText: "$29.99" }).waitFor();
  assert.equal((await shop.sales(page)).length, 1);
});

test("a discount above its price is refused beside its field, and what was typed stays", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  const page = await withSlip(shop, [1]);
  await page.locator("#slip li").getByText("Edit").click();
  await page.locator("#slip li input[name=off]").fill("21");
  await page.locator("#slip li input[name=reason]").fill("a flaw");
  await page.locator("#slip li").getByRole("button", { name: "Save" }).click();
  await page.locator("#slip li #fault-off", { hasText: "more than the price" }).waitFor();
  assert.equal(await page.locator("#slip li input[name=off]").inputValue(), "21");
});
