// With the keyboard only.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { scan } from "../house/hand.mjs";
import { focusIsSeen } from "../house/look.mjs";
import { OWNER, Shop } from "../house/shop.mjs";

/** More Tab presses than any page needs from one element to the next one used. */
const MOST_TABS = 60;

/** Presses Tab until the element with this name has the focus, which must be visible at every step. */
async function tabTo(page, called) {
  for (let tabs = 0; tabs < MOST_TABS; tabs += 1) {
    await page.keyboard.press("Tab");
    // After the last element of a page comes the browser's own frame, and then the first element again.
    if (await isOutside(page)) continue;
    assert.ok(await focusIsSeen(page), `the focus cannot be seen on ${await here(page)}`);
    if (called.test(await here(page))) return;
  }
  assert.fail(`${called} is not reached by Tab`);
}

/** Whether the focus has left the page. */
const isOutside = (page) => page.evaluate(() => document.activeElement === document.body);

/** The focused element, in words. */
function here(page) {
  return page.evaluate(() => {
    const element = document.activeElement;
    const label = element?.labels?.[0]?.textContent ?? element?.textContent ?? "";
    return `${element?.getAttribute("aria-label") ?? label}`.replace(/\s+/g, " ").trim();
  });
}

test("coming in, weighing a piece, ringing it up, giving the counter back", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page({ anonymous: true });
  await page.goto("/sign-in");
  await tabTo(page, /^Name/);
  await page.keyboard.type(OWNER.name);
  await tabTo(page, /^Password/);
  await page.keyboard.type(OWNER.password);
  await page.keyboard.press("Enter");
  await page.waitForURL(/\/today/);

  await tabTo(page, /^Skip to content$/);
  await tabTo(page, /^Workbench$/);
  await page.keyboard.press("Enter");
  await page.waitForURL(/\/workbench/);
  assert.equal(await here(page), "Scale reading", "the scale's field has the focus");
  await page.keyboard.type("6.35 oz");
  await tabTo(page, /^Colors/);
  await page.keyboard.type("peat");
  await page.keyboard.press("Enter");
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();

  await page.goto("/counter");
  await scan(page, "P-001");
  await page.locator("#slip > ol > li").first().waitFor();
  await scan(page, "P-002");
  await page.locator("#slip > ol > li").nth(1).waitFor();
  await tabTo(page, /^Cash$/);
  await page.keyboard.press("Enter");
  await page.getByRole("heading", { name: "Take payment" }).waitFor();
  await tabTo(page, /^Complete sale$/);
  await page.keyboard.press("Enter");
  await page.waitForURL(/\/counter\/sales\/\d+/);

  await tabTo(page, /^Sign out$/);
  await page.keyboard.press("Enter");
  await page.waitForURL(/\/sign-in/);
});

test("the first Tab of a page leads past the rooms", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/books");
  await page.keyboard.press("Tab");
  assert.equal(await here(page), "Skip to content");
  await page.keyboard.press("Enter");
  assert.equal(await page.evaluate(() => location.hash), "#page");
});
