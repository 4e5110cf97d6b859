// Who may enter: the first run, coming in, changing hands, leaving.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { begin, enter, onEachEngine, OWNER, Shop } from "../house/shop.mjs";

onEachEngine(test, "a new shop is begun once, by its owner", async (t, engine) => {
  const shop = await Shop.untouched(t, engine);
  const page = await shop.page({ anonymous: true });
  await page.goto("/shelf");
  assert.equal(new URL(page.url()).pathname, "/begin", "every page of a new shop leads to its set-up");
  await begin(page);
  await page.goto("/begin");
  assert.notEqual(new URL(page.url()).pathname, "/begin", "a shop is begun once");
});

onEachEngine(test, "one who is not in is led to the door, and back to the page", async (t, engine) => {
  const shop = await Shop.open(t, engine);
  const page = await shop.page({ anonymous: true });
  await page.goto("/shelf?find=moor");
  assert.equal(new URL(page.url()).pathname, "/enter");
  await page.getByLabel("Name").fill(OWNER.name);
  await page.getByLabel("Password").fill("three blue ewes and a ran");
  await page.getByRole("button", { name: "Come in" }).click();
  await page.getByRole("alert").waitFor();
  assert.equal(new URL(page.url()).pathname, "/enter", "a wrong password lets nobody in");
  await enter(page);
  assert.equal(new URL(page.url()).pathname + new URL(page.url()).search, "/shelf?find=moor");
  await page.getByRole("button", { name: "Leave" }).click();
  await page.waitForURL(/\/enter/);
  await page.goto("/today");
  assert.equal(new URL(page.url()).pathname, "/enter", "whoever left is out");
});

test("a counter hand sees only the rooms that are theirs", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const owner = await shop.page();
  await owner.goto("/settings/people");
  const hand = { name: "Bo Gill", password: "the mill is at the beck" };
  const form = owner.locator("form[action='/settings/people']");
  await form.getByLabel("Name").fill(hand.name);
  await form.locator("select[name=role]").selectOption("counter");
  await form.getByLabel(/^Password/).fill(hand.password);
  await form.getByRole("button", { name: "Add" }).click();
  await owner.getByRole("link", { name: hand.name }).waitFor();
  const page = await shop.page({ anonymous: true });
  await page.goto("/enter");
  await enter(page, hand);
  const doors = await page.locator("nav[aria-label=Rooms] > a").allTextContents();
  assert.deepEqual(doors.map((door) => door.trim()), ["Today", "Shelf", "Counter"]);
  const refused = await page.goto("/books");
  assert.equal(refused?.status(), 403);
  assert.match(await page.locator("main").innerText(), /may not read the books/);
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
  await form.getByRole("button", { name: "Add" }).click();
  await page.getByLabel("What is it called?").fill("Tablet at the counter");
  await page.getByRole("button", { name: "Enrol it" }).click();
  await page.getByText("(this one)").waitFor();
  await page.getByRole("button", { name: "Leave" }).click();
  await page.waitForURL(/\/enter/);
  await page.getByLabel("Bo Gill").check();
  await page.getByLabel("PIN", { exact: true }).fill("4711");
  await page.getByRole("button", { name: "Come in" }).first().click();
  await page.waitForURL((url) => url.pathname !== "/enter");
  assert.match(await page.getByRole("navigation", { name: "Rooms" }).innerText(), /Bo Gill/);
});
