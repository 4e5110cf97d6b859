// What a clerk may not do alone, and what anybody may undo: with scripts and without.

import assert from "node:assert/strict";
import path from "node:path";
import test from "node:test";
import { WIDTHS } from "../house/browser.mjs";
import "../house/end.mjs";
import { Hand } from "../house/hand.mjs";
import { faultsByAxe, smallTargets, tooWide } from "../house/look.mjs";
import { enter, onEachEngine, OWNER, Shop } from "../house/shop.mjs";

/** The folder for pictures of pages, if somebody wants to look at them. */
const SHOTS = process.env.FLEECEFOLD_SHOTS;
const CLERK = { name: "Bo Gill", password: "the mill is at the beck" };

/** The owner adds a clerk, and registers the tablet if it is one. */
async function hire(shop) {
  const owner = await shop.page();
  await owner.goto("/settings/people");
  const form = owner.locator("form[action='/settings/people']");
  await form.getByLabel("Name").fill(CLERK.name);
  await form.locator("select[name=role]").selectOption("counter");
  await form.getByLabel(/^Password/).fill(CLERK.password);
  await form.getByRole("button", { name: "Add person" }).click();
  await owner.getByRole("link", { name: CLERK.name }).waitFor();
  return owner;
}

/** The clerk, at the counter with these codes on a sale. */
async function clerk(shop, codes, options) {
  const page = await shop.page({ anonymous: true, ...options });
  await page.goto("/sign-in");
  await enter(page, CLERK);
  await page.goto("/counter");
  for (const code of codes) {
    await page.locator("#code").fill(code);
    await page.locator("#code").press("Enter");
    await page.locator("#slip > ol > li", { hasText: code }).waitFor();
  }
  return page;
}

/** The page in each width, in both schemes. */
async function look(page, name) {
  for (const [width, viewport] of Object.entries(WIDTHS)) {
    await page.setViewportSize(viewport);
    for (const colorScheme of ["light", "dark"]) {
      await page.emulateMedia({ colorScheme });
      if (SHOTS) await page.screenshot({ path: path.join(SHOTS, `${name}-${width}-${colorScheme}.png`), fullPage: true });
      assert.deepEqual(await faultsByAxe(page), [], `${name} in ${colorScheme} at ${width}`);
      assert.deepEqual(await tooWide(page), [], `${name} at ${width}`);
    }
    if (width === "phone") assert.deepEqual(await smallTargets(page), [], name);
  }
  await page.setViewportSize(WIDTHS.tablet);
  await page.emulateMedia({ colorScheme: "light" });
}

const ask = (page) => page.locator("form.approve");

for (const javaScriptEnabled of [true, false]) {
  const how = javaScriptEnabled ? "with scripts" : "without scripts";
  onEachEngine(test, `a discount above the clerk's limit is approved by the owner, ${how}`, async (t, engine) => {
    const shop = await Shop.open(t, engine, { count: 2 });
    await hire(shop);
    const page = await clerk(shop, ["P-001", "P-002"], { javaScriptEnabled });
    const line = page.locator("#slip > ol > li", { hasText: "P-001" });
    await line.locator("summary").click();
    await line.getByLabel(/^Discount/).fill("40%");
    await line.getByLabel("Reason").fill("moth hole");
    await line.getByRole("button", { name: "Save" }).click();
    await ask(page).getByText(/They approve a discount of [\d.]+% here, once/).waitFor();
    if (javaScriptEnabled && engine === "SQLite") await look(page, "approval");
    await ask(page).getByLabel("Their password").fill("three blue ewes and a ran");
    await ask(page).getByRole("button", { name: "Approve and continue" }).click();
    await page.locator("#fault-approval").waitFor();
    if (javaScriptEnabled && engine === "SQLite") await look(page, "approval-refused");
    await ask(page).getByLabel("Their password").fill(OWNER.password);
    await ask(page).getByRole("button", { name: "Approve and continue" }).click();
    await page.getByText("40% discount: moth hole").waitFor();
    await page.getByRole("button", { name: "Card", exact: true }).click();
    await page.getByRole("button", { name: "Complete sale", exact: true }).click();
    await page.waitForURL(/\/counter\/sales\/\d+/);
    assert.match(await page.locator("nav, header").first().innerText(), /Bo Gill|Fleece|Farm/);
    const [sale] = await shop.sales(await shop.page());
    assert.ok(JSON.stringify(sale).includes("approved by Ada Fell"), JSON.stringify(sale));
  });

  onEachEngine(test, `the last change to a sale is undone, ${how}`, async (t, engine) => {
    const shop = await Shop.open(t, engine, { count: 2 });
    await hire(shop);
    const page = await clerk(shop, ["P-001", "P-002"], { javaScriptEnabled });
    await page.getByRole("button", { name: "Undo" }).focus();
    await page.keyboard.press("Enter");
    await page.getByText("Undone: removed Beck cowl 2").waitFor();
    assert.equal(await page.locator("#slip > ol > li").count(), 1);
    if (javaScriptEnabled && engine === "SQLite") await look(page, "undo");
  });
}

onEachEngine(test, "one line of three is refunded in at most 4 inputs", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  await hire(shop);
  const page = await clerk(shop, ["P-001", "P-002", "P-003"]);
  await page.getByRole("button", { name: "Cash", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  const hand = new Hand(page);
  await hand.press(page.getByRole("link", { name: "Refund or exchange" }));
  await hand.fill(page.getByRole("row", { name: /Beck cowl 2/ }).getByRole("textbox"), "1");
  await hand.fill(page.getByLabel("Reason"), "too small");
  await hand.press(page.getByRole("button", { name: "Refund items" }));
  await page.getByText("$20.02 on").waitFor();
  assert.ok(hand.inputs <= 4, `${hand.inputs} inputs`);
});

test("a refund in another way than the sale was paid asks, and goes on with what was typed", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  await hire(shop);
  const page = await clerk(shop, ["P-001"]);
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  await page.getByRole("link", { name: "Refund or exchange" }).click();
  assert.equal(await page.getByLabel("Refund by").inputValue(), "card", "as it was paid");
  await page.getByLabel("Refund by").selectOption("cash");
  await page.getByLabel("Reason").fill("too small");
  await page.getByRole("button", { name: "Refund items" }).click();
  await ask(page).waitFor();
  await look(page, "approval-refund");
  await ask(page).getByLabel("Their password").fill(OWNER.password);
  await ask(page).getByRole("button", { name: "Approve and continue" }).click();
  await page.getByText("$20.01 on").waitFor();
  const owner = await shop.page();
  await owner.goto("/settings/activity");
  const row = owner.getByRole("row", { name: /approved/ });
  assert.match(await row.innerText(), /Ada Fell[\s\S]*Bo Gill[\s\S]*a refund of \$20\.01 by cash/);
  assert.doesNotMatch(await owner.locator("main").innerText(), /\d{15,}/, "no identifiers");
});
