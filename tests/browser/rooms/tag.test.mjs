// The printed tag: the shop's color, care words, and no large blank.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { faultsByAxe, printed } from "../house/look.mjs";
import { Shop } from "../house/shop.mjs";

const CARE = "Hand wash cool. Dry flat.";
/** The tallest part of a tag with nothing on it: less than two lines of its text. */
const MOST_BLANK_MM = 9;
const PX_PER_MM = 96 / 25.4;

/** The tallest blank between the parts of a tag, or below the last of them, in millimeters. */
function blank(tag) {
  return tag.evaluate((element, scale) => {
    const own = element.getBoundingClientRect();
    const parts = [...element.children].map((part) => part.getBoundingClientRect()).sort((one, other) => one.top - other.top);
    let [end, most] = [parts[0].bottom, 0];
    for (const part of parts) {
      most = Math.max(most, part.top - end);
      end = Math.max(end, part.bottom);
    }
    return Math.max(most, own.bottom - end) / scale;
  }, PX_PER_MM);
}

test("the rule on tags is in the shop's color, typed or chosen", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  const rule = async () => {
    await page.goto("/workbench/tags?pieces=P-001");
    return page.locator("li.tag .rule rect").evaluate((rect) => getComputedStyle(rect).fill);
  };
  assert.equal(await rule(), "rgb(156, 51, 35)");
  await page.goto("/settings");
  await page.getByLabel("Color of the rule on your tags").fill("2F5F9E");
  await page.getByRole("button", { name: "Save shop" }).click();
  await page.getByText("Saved.").waitFor();
  assert.equal(await page.getByText("faint on white paper").count(), 0);
  assert.equal(await rule(), "rgb(47, 95, 158)");
  await page.goto("/settings");
  await page.getByLabel("Or choose it").fill("#f0dc9a");
  await page.getByRole("button", { name: "Save shop" }).click();
  await page.getByText("faint on white paper").waitFor();
  assert.deepEqual(await faultsByAxe(page), []);
  assert.equal(await rule(), "rgb(240, 220, 154)");
  await page.goto("/settings");
  await page.getByLabel("Color of the rule on your tags").fill("sea green");
  await page.getByRole("button", { name: "Save shop" }).click();
  await page.locator("#fault-color").waitFor();
  assert.equal(await page.getByLabel("Color of the rule on your tags").inputValue(), "sea green");
});

test("care words stand on the tag and the page of each piece of a style", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  await page.goto("/workbench/tags?pieces=P-001");
  assert.equal(await page.locator("li.tag .care").count(), 0, "nothing is made up");
  await page.getByRole("button", { name: "Mark as printed" }).click();
  await page.goto("/shelf/styles");
  await page.getByRole("link", { name: "tarn cowl" }).first().click();
  await page.getByRole("link", { name: "Edit style" }).click();
  await page.getByText("Your local rules come first").waitFor();
  assert.deepEqual(await faultsByAxe(page), []);
  await page.getByLabel("Care words for the tag").fill(CARE);
  await page.getByRole("button", { name: "Save style" }).click();
  await page.getByText(`Care: ${CARE}`).waitFor();
  await page.goto("/shelf/items/P-001");
  assert.match(await page.locator("section.tag").innerText(), /Hand wash cool\. Dry flat\./);
  await page.getByText("Print a new tag").waitFor();
  await page.goto("/workbench/tags?pieces=P-001,P-002");
  const tag = page.locator("li.tag").first();
  assert.match(await tag.innerText(), /Hand wash cool\. Dry flat\./);
  assert.ok((await blank(tag)) < MOST_BLANK_MM, `${await blank(tag)} mm are blank`);
  await page.emulateMedia({ media: "print" });
  const { drawn, pages } = printed(await page.pdf({ format: "Letter" }));
  assert.ok(drawn > 0 && pages === 1, `${pages} pages`);
});
