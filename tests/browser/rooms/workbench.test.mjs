// The Workbench: a piece is weighed, priced while somebody types, and gets its tag.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { Hand } from "../house/hand.mjs";
import { late } from "../house/late.mjs";
import { printed } from "../house/look.mjs";
import { png } from "../house/picture.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

/** The most inputs from the scale to the tag. */
const MOST_INPUTS = 4;

onEachEngine(test, "from the scale to the tag in at most 4 inputs", async (t, engine) => {
  const shop = await Shop.open(t, engine);
  const page = await shop.page();
  await page.goto("/workbench");
  const hand = new Hand(page);
  await hand.type("6.35");
  // 6.35 oz × 7.50 = 47.625, 47.63 to the cent, ended at a whole: 48.00.
  await page.locator("#slip .price", { hasText: "48.00" }).waitFor();
  assert.match(await page.locator("#slip .calculation").innerText(), /6\.35 oz.*7\.50.*47\.63/, "the calculation is told before it is kept");
  await hand.fill(page.getByLabel("Colors", { exact: true }), "heather");
  await hand.press(page.getByRole("button", { name: "Save and print tag" }));
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  assert.ok(hand.inputs <= MOST_INPUTS, `${hand.inputs} inputs`);
  const tag = page.locator("li.tag");
  assert.match(await tag.innerText(), /48\.00/);
  assert.match(await tag.innerText(), /6\.35 oz/);
  assert.equal(await tag.locator("svg[role=img]").count(), 1, "its bars");
  await page.getByRole("link", { name: "Weigh the next piece" }).click();
  assert.equal(await page.locator("select[name=style]").inputValue(), "ridge beanie", "style and yarn are kept for the next");
  assert.equal(await page.getByLabel("Colors", { exact: true }).inputValue(), "heather");
  assert.equal(await page.getByLabel("Scale reading").inputValue(), "", "its weight is not");
});

test("the empty bowl is taken off, and a scale may show pounds and ounces", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("2 oz");
  await page.getByRole("button", { name: "Use reading as tare" }).click();
  await page.getByLabel("Scale reading").fill("1 lb 0.5 oz");
  // 16.5 − 2 = 14.5 oz × 7.50 = 108.75, ended at 109.00.
  await page.locator("#slip .price", { hasText: "109.00" }).waitFor();
});

test("a price by hand needs its reason", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.getByText("Price override, cost and listing text").click();
  await page.getByLabel("Price override").fill("55");
  await page.getByLabel("Cost to make").fill("20");
  await page.locator("#slip", { hasText: "35.00" }).waitFor();
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("alert").waitFor();
  assert.equal(await page.getByLabel("Scale reading").inputValue(), "6.35 oz", "what was typed is still there");
  await page.getByLabel("Reason").fill("silk in the border");
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  assert.match(await page.locator("li.tag").innerText(), /55\.00/);
});

test("a photograph goes with the piece; a file that is none is refused in words", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  const files = page.locator("input[name=photographs]");
  await files.setInputFiles({ name: "hat.png", mimeType: "image/png", buffer: Buffer.from("this is a letter") });
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("alert").waitFor();
  await page.locator("input[name=photographs]").setInputFiles({ name: "hat.png", mimeType: "image/png", buffer: png(320, 240) });
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  const width = await page.locator("li.tag img").evaluate((image) => image.naturalWidth);
  assert.ok(width > 0, "its photograph is shown on the screen");
});

test("twenty pieces are pasted from a spreadsheet", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench/sheet");
  const rows = Array.from({ length: 20 }, (_, row) => [`${(4 + row / 10).toFixed(2)} oz`, "ridge beanie", "M", "peat"].join("\t"));
  rows[7] = ["heavy", "ridge beanie", "M", "peat"].join("\t");
  await page.getByLabel("Scale reading, row 1", { exact: true }).evaluate((cell, text) => {
    const data = new DataTransfer();
    data.setData("text/plain", text);
    cell.dispatchEvent(new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
  }, rows.join("\n"));
  await page.getByRole("button", { name: "Save and print tags" }).click();
  await page.getByRole("status").filter({ hasText: "19 pieces were saved" }).waitFor();
  const wrong = page.locator("input[aria-invalid=true]");
  assert.equal(await wrong.first().inputValue(), "heavy", "the wrong row stays, with what was typed");
  await wrong.first().fill("4.70 oz");
  await page.getByRole("button", { name: "Save and print tags" }).click();
  await page.locator("li.tag").first().waitFor();
  await page.goto("/shelf");
  await page.getByRole("heading", { name: "Shelf", level: 1 }).waitFor();
  const shelf = JSON.parse(shop.run(["shelf", "--format", "json"]));
  assert.ok(JSON.stringify(shelf).includes("ridge beanie"));
});

test("only tags come out of the printer", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  await page.emulateMedia({ media: "print" });
  assert.equal(await page.getByRole("navigation", { name: "Main menu" }).isVisible(), false);
  assert.equal(await page.getByRole("heading", { name: "The tag is ready" }).isVisible(), false);
  assert.equal(await page.locator("li.tag").isVisible(), true);
  const { drawn, pages } = printed(await page.pdf({ preferCSSPageSize: true }));
  assert.ok(drawn > 0, "the paper has words on it");
  assert.equal(pages, 1);
});

test("the sheet names its first fault, puts the cursor there, and warns of an odd weight", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 6 });
  const page = await shop.page();
  await page.goto("/workbench/sheet");
  const cell = (name, row) => page.locator(`#cell-${row}-${name}`);
  await cell("weight", 1).fill("44 oz");
  await cell("style", 1).fill("tarn cowl");
  await cell("weight", 2).fill("4.2 oz");
  await cell("style", 2).fill("tarn cowl");
  await cell("price", 2).fill("40.00");
  await page.getByRole("button", { name: "Calculate prices" }).click();
  await page.getByRole("alert").getByText(/^Row 2, Reason/).waitFor();
  assert.equal(await page.evaluate(() => document.activeElement?.id), "cell-2-reason");
  await page.getByText("Row 1: check the scale reading.").waitFor();
  await cell("reason", 2).fill("a flaw");
  await page.getByRole("button", { name: "Save and print tags" }).click();
  await page.waitForURL(/\/workbench\/tags/);
});

test("what was chosen before the scripts arrived is seen: photographs and the sizes of a style", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  const arrives = await late(page, /(workbench|sizes)[^/]*\.js/);
  await page.goto("/workbench", { waitUntil: "commit" });
  await page.locator("input[name=photographs]").setInputFiles({ name: "hat.png", mimeType: "image/png", buffer: png(320, 240) });
  assert.equal(await page.locator("#sizes option").count(), 3);
  await page.locator("select[name=style]").selectOption("tarn cowl");
  arrives();
  await page.getByRole("button", { name: "Remove hat.png" }).waitFor();
  await page.waitForFunction(() => document.querySelectorAll("#sizes option").length === 0);
});

test("a price is no page to sign in on", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench");
  await page.context().clearCookies();
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.locator("#slip", { hasText: "can’t be calculated right now" }).waitFor();
  assert.equal(await page.locator("#slip form").count(), 0);
});

test("Enter in the sheet saves nothing before the script arrives", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page({ javaScriptEnabled: false });
  await page.goto("/workbench/sheet");
  await page.locator("#cell-1-style").fill("ridge beanie");
  await page.locator("#cell-1-weight").fill("6.35 oz");
  await page.locator("#cell-1-weight").press("Enter");
  await page.getByRole("cell", { name: "$48.00" }).waitFor();
  await page.goto("/shelf");
  await page.getByText("The shelf is empty.").waitFor();
});

test("an odd weight is saved only after a warning", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 6 });
  const page = await shop.page();
  await page.goto("/workbench/sheet");
  await page.locator("#cell-1-weight").fill("44 oz");
  await page.locator("#cell-1-style").fill("tarn cowl");
  await page.getByRole("button", { name: "Save and print tags" }).click();
  await page.getByRole("alert").getByText("Nothing is saved yet.").waitFor();
  await page.getByText("Row 1: check the scale reading.").waitFor();
  await page.getByRole("button", { name: "Save and print tags" }).click();
  await page.waitForURL(/\/workbench\/tags/);
});
