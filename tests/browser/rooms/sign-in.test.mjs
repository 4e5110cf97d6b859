// Access: the first run, signing in, changing users, signing out.

import assert from "node:assert/strict";
import { createHmac } from "node:crypto";
import path from "node:path";
import test from "node:test";
import { WIDTHS } from "../house/browser.mjs";
import "../house/end.mjs";
import { faultsByAxe, tooWide } from "../house/look.mjs";
import { begin, confirm, enter, onEachEngine, OWNER, Shop } from "../house/shop.mjs";

/** The folder for pictures of pages, if somebody wants to look at them. */
const SHOTS = process.env.FLEECEFOLD_SHOTS;

onEachEngine(test, "a new shop is begun once, by its owner", async (t, engine) => {
  const shop = await Shop.untouched(t, engine);
  const page = await shop.page({ anonymous: true });
  await page.goto("/shelf");
  assert.equal(new URL(page.url()).pathname, "/setup", "every page of a new shop leads to its setup");
  await begin(page);
  await page.goto("/setup");
  assert.notEqual(new URL(page.url()).pathname, "/setup", "a shop is set up once");
});

test("setup suggests the browser's own time zone and names every fault at once", async (t) => {
  const shop = await Shop.untouched(t, "SQLite");
  const page = await shop.page({ anonymous: true, timezoneId: "America/Santiago" });
  await page.goto("/setup");
  assert.equal(await page.getByLabel(/^Time zone/).inputValue(), "America/Santiago");
  await page.getByLabel("Shop name").fill(" ");
  await page.getByLabel("Currency").fill("ZZZ");
  await page.getByLabel(/^Time zone/).fill("Atlantis");
  await page.getByLabel("Your name").fill(OWNER.name);
  await page.getByLabel(/^Your password/).fill("password1");
  await page.getByLabel("Repeat password").fill("password2");
  await page.getByRole("button", { name: "Set up shop" }).click();
  await page.locator("#fault-again").waitFor();
  const beside = await page.locator("form .fault").evaluateAll((all) => all.map((one) => one.id));
  assert.deepEqual(beside, ["fault-name", "fault-currency", "fault-zone", "fault-password", "fault-again"]);
});

onEachEngine(test, "one who is not signed in is sent to the sign-in page, and back", async (t, engine) => {
  const shop = await Shop.open(t, engine);
  const page = await shop.page({ anonymous: true });
  await page.goto("/shelf?find=moor");
  assert.equal(new URL(page.url()).pathname, "/sign-in");
  await page.getByLabel("Name").fill(OWNER.name);
  await page.getByLabel("Password", { exact: true }).fill("three blue ewes and a ran");
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.getByRole("alert").waitFor();
  assert.equal(new URL(page.url()).pathname, "/sign-in", "a wrong password lets nobody in");
  await enter(page);
  assert.equal(new URL(page.url()).pathname + new URL(page.url()).search, "/shelf?find=moor");
  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(/\/sign-in/);
  await page.goto("/today");
  assert.equal(new URL(page.url()).pathname, "/sign-in", "whoever left is out");
});

test("a counter clerk sees only the rooms that are theirs", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const owner = await shop.page();
  await owner.goto("/settings/people");
  const hand = { name: "Bo Gill", password: "the mill is at the beck" };
  const form = owner.locator("form[action='/settings/people']");
  await form.getByLabel("Name").fill(hand.name);
  await form.locator("select[name=role]").selectOption("counter");
  await form.getByLabel(/^Password/).fill(hand.password);
  await form.getByRole("button", { name: "Add person" }).click();
  await owner.getByRole("link", { name: hand.name }).waitFor();
  const page = await shop.page({ anonymous: true });
  await page.goto("/sign-in");
  await enter(page, hand);
  const doors = await page.locator("nav.rooms > a").allTextContents();
  assert.deepEqual(doors.map((door) => door.trim()), ["Today", "Shelf", "Counter", "Customers"]);
  const refused = await page.goto("/books");
  assert.equal(refused?.status(), 403);
  assert.match(await page.locator("main").innerText(), /view the books/);
});

test("on an enrolled device hands are changed by a PIN", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/settings/people");
  const form = page.locator("form[action='/settings/people']");
  await form.getByLabel("Name").fill("Bo Gill");
  await form.locator("select[name=role]").selectOption("counter");
  await form.getByLabel(/^Password/).fill("the mill is at the beck");
  await form.getByLabel(/^PIN/).fill("4711");
  await form.getByRole("button", { name: "Add person" }).click();
  await page.getByLabel("Device name").fill("Tablet at the counter");
  await page.getByRole("button", { name: "Register device" }).click();
  await page.getByText("(this one)").waitFor();
  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(/\/sign-in/);
  await page.getByLabel("Bo Gill").check();
  await page.getByLabel("PIN", { exact: true }).fill("4711");
  await page.getByRole("button", { name: "Sign in" }).first().click();
  await page.waitForURL((url) => url.pathname !== "/sign-in");
  assert.match(await page.getByRole("navigation", { name: "Main menu" }).innerText(), /Bo Gill/);
});

/** The present RFC 6238 code for a key in base32. */
async function codeOf(key) {
  const bits = [...key].map((sign) => "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".indexOf(sign).toString(2).padStart(5, "0")).join("");
  const bytes = Buffer.from(bits.match(/.{8}/g).map((byte) => parseInt(byte, 2)));
  const counter = Buffer.alloc(8);
  counter.writeBigUInt64BE(BigInt(Math.floor(Date.now() / 30_000)));
  const hash = createHmac("sha1", bytes).update(counter).digest();
  const at = hash[19] & 15;
  return String((hash.readUInt32BE(at) & 0x7fffffff) % 1_000_000).padStart(6, "0");
}

/** Codes that are broken over two lines, or wider than their box. */
function brokenCodes(list) {
  const isBroken = (code) => {
    const text = document.createRange();
    text.selectNodeContents(code);
    return text.getClientRects().length > 1 || text.getBoundingClientRect().right > list.getBoundingClientRect().right;
  };
  return [...list.querySelectorAll("li")].filter(isBroken).map((code) => code.textContent);
}

for (const javaScriptEnabled of [true, false]) {
  test(`two-step sign-in is turned on, asked for, and turned off, with scripts ${javaScriptEnabled ? "on" : "off"}`, async (t) => {
    const shop = await Shop.open(t, "SQLite");
    const page = await shop.page({ javaScriptEnabled });
    const seen = (name) => (javaScriptEnabled ? look(page, name) : fits(page, name));
    await page.goto("/account");
    await seen("account");
    await page.getByRole("button", { name: "Turn on two-step sign-in" }).click();
    await page.getByRole("img", { name: "QR code of the key below" }).waitFor();
    await seen("two-step-key");
    const key = (await page.locator("#key").innerText()).replaceAll(" ", "");
    await page.getByLabel("Code", { exact: true }).fill("12345");
    await page.getByRole("button", { name: "Turn on" }).click();
    await page.getByRole("alert").waitFor();
    await page.getByLabel("Code", { exact: true }).fill(await codeOf(key));
    await page.getByRole("button", { name: "Turn on" }).click();
    await page.getByRole("heading", { name: "Your recovery codes" }).waitFor();
    await seen("recovery-codes");
    await page.setViewportSize(WIDTHS.phone);
    assert.deepEqual(await page.locator(".codes").evaluate(brokenCodes), [], "each code stands on one line of a phone");
    await page.setViewportSize(WIDTHS.desk);
    const [recovery, another] = await page.locator(".codes li").allInnerTexts();
    await page.getByRole("link", { name: "I saved them" }).click();
    assert.match(await page.locator("main").innerText(), /10 recovery codes are left/);
    await seen("account-two-step");
    await page.getByRole("button", { name: "Sign out everywhere" }).click();
    await page.waitForURL(/\/sign-in/);
    await page.getByLabel("Name").fill(OWNER.name);
    await page.getByLabel("Password", { exact: true }).fill(OWNER.password);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("heading", { name: "Enter your code" }).waitFor();
    await seen("sign-in-code");
    await page.getByLabel(/^Code from your app/).fill(recovery);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("heading", { name: "Today" }).first().waitFor();
    await page.goto("/account");
    assert.match(await page.locator("main").innerText(), /9 recovery codes are left/);
    shop.passwordsWereLongAgo();
    await page.getByRole("button", { name: "Turn off two-step sign-in" }).click();
    await page.getByLabel(/^Code from your app/).fill(another);
    await seen("confirm-two-step");
    await confirm(page);
    await page.getByRole("button", { name: "Turn on two-step sign-in" }).waitFor();
  });
}

onEachEngine(test, "a change waits for the password, and goes on with what was typed", async (t, engine) => {
  const shop = await Shop.open(t, engine, { serve: ["--keys", "keys"] });
  const page = await shop.page();
  await page.goto("/settings/people");
  shop.passwordsWereLongAgo();
  const form = page.locator("form[action='/settings/people']");
  await form.getByLabel("Name").fill("Bo Gill");
  await form.locator("select[name=role]").selectOption("maker");
  await form.getByLabel(/^Password/).fill("the mill is at the beck");
  await form.getByLabel(/^PIN/).fill("4711");
  await form.getByRole("button", { name: "Add person" }).click();
  await page.getByRole("heading", { name: "Confirm it’s you" }).waitFor();
  await look(page, "confirm");
  await page.getByLabel("New password, again").fill("the mill is at the beck");
  await page.getByLabel("New PIN, again").fill("4711");
  await confirm(page, { ...OWNER, password: "three blue ewes and a ran" });
  await page.getByRole("alert").waitFor();
  await look(page, "confirm-refused");
  await page.getByLabel("New password, again").fill("the mill is at the beck");
  await page.getByLabel("New PIN, again").fill("4711");
  await confirm(page);
  const added = page.getByRole("row").filter({ has: page.getByRole("link", { name: "Bo Gill" }) });
  assert.match(await added.innerText(), /maker\s+set/);
  const hand = await shop.page({ anonymous: true });
  await hand.goto("/sign-in");
  await enter(hand, { name: "Bo Gill", password: "the mill is at the beck" });
  await page.getByLabel("Token name").fill("Label printer");
  await page.getByRole("button", { name: "Create token" }).click();
  await page.getByRole("heading", { name: "API token for Label printer" }).waitFor();
  await look(page, "token");
});

/** What axe finds on a page that has no address of its own, and its width; axe itself is a script. */
async function look(page, name) {
  assert.deepEqual(await faultsByAxe(page), [], name);
  await fits(page, name);
}

/** Its width, and a picture to look at. */
async function fits(page, name) {
  for (const width of [360, 820, 1440]) {
    await page.setViewportSize({ width, height: 900 });
    assert.deepEqual(await tooWide(page), [], `${name} at ${width}`);
    if (SHOTS) await page.screenshot({ path: path.join(SHOTS, `${name}-${width}.png`), fullPage: true });
  }
}
