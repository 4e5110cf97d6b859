// The Shelf: searching, an item, holds, counting.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { scan } from "../house/hand.mjs";
import { late } from "../house/late.mjs";
import { png } from "../house/picture.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

onEachEngine(test, "a piece is found by a word, set aside, and put back", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 8 });
  const page = await shop.page();
  await page.goto("/shelf");
  assert.equal(await page.locator("ul.tags > li").count(), 8);
  await scan(page, "cowl 5");
  await page.waitForURL(/find=/);
  assert.equal(await page.locator("ul.tags > li").count(), 1);
  await page.getByRole("link", { name: /Beck cowl 5/ }).click();
  await page.getByRole("heading", { level: 1, name: "Beck cowl 5" }).waitFor();
  await page.getByLabel("Customer").fill("Mrs Dale");
  await page.getByRole("button", { name: "Hold item", exact: true }).click();
  await page.goto("/shelf/holds");
  await page.getByText("Mrs Dale").first().waitFor();
  await page.getByRole("button", { name: /Release hold/ }).click();
  await page.goto("/shelf/holds");
  assert.equal(await page.getByText("Mrs Dale").count(), 0);
});

test("a scanned code leads to its one item", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 3 });
  const page = await shop.page();
  await page.goto("/shelf");
  await scan(page, "P-003");
  await page.getByText("Beck cowl 3").first().waitFor();
});

onEachEngine(test, "the shelf is counted while it is open: what is missing is named and booked", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await shop.page();
  await page.goto("/shelf/counts");
  await page.getByRole("button", { name: "Start count" }).click();
  await page.waitForURL(/\/shelf\/counts\/\d+/);
  for (const number of [1, 3]) {
    await scan(page, `P-00${number}`);
    await page.locator("main").getByText(`Beck cowl ${number}`).first().waitFor();
  }
  await page.getByRole("link", { name: /Review differences/ }).click();
  await page.getByRole("heading", { name: /Missing: 1/ }).waitFor();
  assert.match(await page.locator("main").innerText(), /Beck cowl 2/);
  await page.getByRole("button", { name: "Apply all differences" }).click();
  await page.goto("/shelf");
  assert.equal(await page.locator("ul.tags > li").count(), 2);
});

test("a style gets a new rate after every changed price was shown", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  await page.goto("/shelf/styles");
  await page.getByRole("link", { name: /ridge beanie/i }).first().click();
  await page.waitForURL(/\/shelf\/styles\/\d+/);
  await page.goto(`${page.url().split("?")[0]}/price`);
  await page.locator("input[name=rate]").fill("8.00");
  await page.locator("input[name=rate]").press("Enter");
  // 6.35 oz × 8.00 = 50.80, ended at 51.00.
  const preview = page.locator("main");
  await preview.getByText("51.00").first().waitFor();
  assert.match(await preview.innerText(), /48\.00/);
});

onEachEngine(test, "a piece weighed wrong is corrected, and one entered by mistake is removed", async (t, engine) => {
  const shop = await Shop.open(t, engine);
  const page = await shop.page();
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.getByRole("button", { name: "Save and print tag" }).click();
  await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
  await page.goto("/shelf?find=ridge");
  await page.locator("ul.tags a").first().click();
  const item = page.url();
  await page.getByRole("link", { name: "Edit item" }).click();
  await page.getByLabel("Scale reading").fill("8.53 oz");
  await page.getByLabel("Tare (bowl or cone)").fill("2 oz");
  // 6.53 oz × 7.50 = 48.975, 48.98 to the cent, ended at 49.00; told before it is saved.
  await page.locator("#slip .price", { hasText: "49.00" }).waitFor();
  assert.match(await page.locator("#slip").innerText(), /6\.53 oz.*7\.50.*48\.98[\s\S]*Price now \$48\.00/);
  await page.getByRole("button", { name: "Save item" }).click();
  await page.getByRole("alert").waitFor();
  assert.equal(await page.getByLabel("Scale reading").inputValue(), "8.53 oz", "what was typed is still there");
  await page.getByLabel(/^Reason/).fill("the bowl was on the scale");
  await page.getByRole("button", { name: "Save item" }).click();
  await page.getByRole("heading", { name: "Stock history" }).waitFor();
  assert.match(await page.locator("main").innerText(), /49\.00/);
  await page.goto("/settings/activity");
  assert.match(await page.locator("main").innerText(), /weight 6\.35 oz → 6\.53 oz.*the bowl was on the scale/);

  await page.goto(item);
  await page.getByLabel("What went wrong").fill("typed twice");
  await page.getByRole("button", { name: "Remove piece" }).click();
  await page.getByText("entered by mistake and removed").waitFor();
  for (const address of ["/shelf", "/shelf?state=all", "/shelf?find=ridge&state=all", "/shelf?state=sold-out"]) {
    await page.goto(address);
    assert.equal(await page.locator(`ul.tags a[href='${new URL(item).pathname}']`).count(), 0, address);
  }
});

test("a style is made in the browser, with the prices of three weights before it is saved", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  await page.goto("/shelf/styles");
  await page.getByRole("link", { name: "Add a style" }).click();
  await page.getByLabel("Name", { exact: true }).fill("Fell hat");
  await page.getByLabel("Rate", { exact: true }).fill("6.90");
  await page.getByLabel("Rounding").selectOption({ label: "Ends in .95" });
  // 3 × 6.90 = 20.70, 6 × 6.90 = 41.40 and 12 × 6.90 = 82.80, each to the nearest that ends in .95.
  const prices = page.locator("#slip ol b");
  await prices.filter({ hasText: "82.95" }).waitFor();
  assert.deepEqual(await prices.allInnerTexts(), ["$20.95", "$40.95", "$82.95"]);
  await page.getByLabel(/^Sizes/).fill("S, M");
  await page.getByRole("button", { name: "Save style" }).click();
  await page.getByRole("heading", { name: "Fell hat" }).waitFor();
  assert.match(await page.locator("main").innerText(), /\$6\.90 an ounce/);
});

test("what was typed before the script arrived is priced all the same", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  const arrives = await late(page, /price[^/]*\.js/);
  await page.goto("/shelf/styles/new", { waitUntil: "commit" });
  await page.getByLabel("Rate", { exact: true }).fill("6.90");
  await page.getByLabel("Rounding").selectOption({ label: "Ends in .95" });
  arrives();
  await page.locator("#slip ol b").filter({ hasText: "82.95" }).waitFor();
});

test("a style chosen before the scripts arrived is priced and has its sizes", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  const page = await shop.page();
  const arrives = await late(page, /(price|sizes)[^/]*\.js/);
  await page.goto("/shelf/items/P-001/edit", { waitUntil: "commit" });
  assert.equal(await page.locator("#sizes option").count(), 0, "a tarn cowl has no sizes");
  await page.locator("select[name=style]").selectOption("ridge beanie");
  arrives();
  await page.locator("#slip .calculation", { hasText: "$7.50" }).waitFor();
  assert.equal(await page.locator("#sizes option").count(), 3);
  await page.locator("select[name=style]").selectOption("tarn cowl");
  assert.equal(await page.locator("#sizes option").count(), 0);
});

for (const javaScriptEnabled of [true, false]) {
  test(`a style is made from the Workbench and the typed piece comes back, ${javaScriptEnabled ? "with" : "without"} scripts`, async (t) => {
    const shop = await Shop.open(t, "SQLite");
    const page = await shop.page({ javaScriptEnabled });
    await page.goto("/workbench");
    await page.getByLabel("Scale reading").fill("6 oz");
    await page.getByLabel("Colors", { exact: true }).fill("moss, fawn");
    await page.getByLabel("Private note").fill("two\nlines");
    await page.locator("input[name=photographs]").setInputFiles({ name: "hat.png", mimeType: "image/png", buffer: png(320, 240) });
    await page.getByRole("button", { name: "Add a style" }).click();
    await page.getByLabel("Name", { exact: true }).fill("Fell hat");
    await page.getByLabel("Rate", { exact: true }).fill("6.90");
    await page.getByRole("button", { name: "Save style" }).click();
    await page.getByText("The style “Fell hat” is saved").waitFor();
    assert.equal(await page.locator("select[name=style]").inputValue(), "Fell hat");
    assert.equal(await page.getByLabel("Scale reading").inputValue(), "6 oz");
    assert.equal(await page.getByLabel("Colors", { exact: true }).inputValue(), "moss, fawn");
    assert.equal(await page.getByLabel("Private note").inputValue(), "two\nlines");
    assert.equal(await page.locator(".thumbs img").count(), 1, "its photograph");
    // 6 × 6.90 = 41.40, ended at a whole.
    assert.match(await page.locator("#slip .price").innerText(), /41\.00/);
    await page.getByLabel("Scale reading").press("Enter");
    await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
    assert.match(await page.locator("li.tag").innerText(), /41\.00/);
  });
}

onEachEngine(test, "tags are printed at any time, and a changed price asks for a new one", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 3 });
  const page = await shop.page();
  await page.addInitScript(() => {
    window.print = () => document.body.append("printed");
  });
  const need = async (missing, outdated) => {
    await page.goto("/shelf/tags");
    await page.getByText(`${missing} without a tag`).waitFor();
    await page.getByText(`${outdated} with an outdated tag`).waitFor();
  };
  const print = async (name, count) => {
    assert.equal(await page.locator("li.tag").count(), count);
    await page.getByRole("button", { name }).click();
    await page.getByText("Marked as printed.").waitFor();
    await page.locator("body", { hasText: /printed$/ }).waitFor();
  };
  await need(3, 0);
  await page.getByRole("link", { name: "Choose pieces on the shelf" }).click();
  await page.getByLabel(/Print tag of Beck cowl 1/).check();
  await page.getByLabel(/Print tag of Beck cowl 3/).check();
  await page.getByRole("button", { name: "Print tags of ticked pieces" }).click();
  await print("Print tags", 2);
  await need(1, 0);
  await page.getByRole("link", { name: /Print these tags.*not printed yet/ }).click();
  await print("Print tag", 1);
  await need(0, 0);
  await page.goto("/shelf?find=P-002");
  await page.getByText(/^Tag printed /).waitFor();
  await page.getByRole("link", { name: "Edit item" }).click();
  await page.getByLabel("Price override").fill("25");
  await page.getByLabel(/^Reason/).fill("silk in the border");
  await page.getByRole("button", { name: "Save item" }).click();
  await page.getByText("Print a new tag: the item changed after the last one ($20.02").waitFor();
  await need(0, 1);
  await page.getByRole("link", { name: /Print these tags.*changed since/ }).click();
  assert.match(await page.locator("li.tag").innerText(), /25\.00/);
  await print("Print tag", 1);
  await need(0, 0);
});

test("tags are marked as printed without scripts", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  const page = await shop.page({ javaScriptEnabled: false });
  await page.goto("/shelf?find=P-001");
  await page.getByRole("link", { name: "Print tag" }).click();
  await page.getByRole("button", { name: "Mark as printed" }).click();
  await page.getByText("1 tag is marked as printed.").waitFor();
});

test("tags are marked only once they were printed, and by who is signed in", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  const page = await shop.page();
  await page.addInitScript(() => {
    window.print = () => document.body.append("printed");
  });
  const arrives = await late(page, /tags[^/]*\.js/);
  await page.goto("/workbench/tags?group=missing", { waitUntil: "commit" });
  await page.getByRole("button", { name: "Mark as printed" }).waitFor();
  const print = page.getByRole("button", { name: "Print tag" });
  assert.equal(await print.count(), 0, "nothing that says “Print” marks without printing");
  arrives();
  await print.waitFor();
  await page.context().clearCookies();
  await print.click();
  await page.getByText("Not marked as printed.").waitFor();
  assert.ok(await print.isEnabled());
});

for (const javaScriptEnabled of [true, false]) {
  test(`ticks stay while one searches on, ${javaScriptEnabled ? "with" : "without"} scripts`, async (t) => {
    const shop = await Shop.open(t, "SQLite", { count: 3 });
    const page = await shop.page({ javaScriptEnabled });
    await page.goto("/shelf?pick=yes");
    await page.getByLabel(/Print tag of Beck cowl 1/).check();
    const search = page.getByLabel("Code, name, style or color");
    await search.fill("cowl 2");
    await search.press("Enter");
    await page.getByRole("heading", { name: "Ticked: 1" }).waitFor();
    await page.getByLabel(/Print tag of Beck cowl 2/).check();
    await search.fill("P-003");
    await search.press("Enter");
    await page.getByRole("heading", { name: "Ticked: 3" }).waitFor();
    await page.getByLabel(/Print tag of Beck cowl 1/).uncheck();
    await page.getByRole("button", { name: "Print tags of ticked pieces" }).click();
    await page.getByRole("heading", { name: "2 tags are ready" }).waitFor();
  });
}

test("photographs are added to an item later, put in order, and shown on the Shelf", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  const page = await shop.page();
  await page.goto("/shelf?find=P-001");
  assert.equal(await page.locator(".tag.one svg.yarn").count(), 1, "its yarn stands in");
  await page.getByRole("link", { name: "Add photographs" }).click();
  assert.equal(await page.getByLabel(/opens the camera/).getAttribute("capture"), "environment");
  await page.getByLabel("Choose photographs").setInputFiles([
    { name: "front.png", mimeType: "image/png", buffer: png(320, 240) },
    { name: "back.png", mimeType: "image/png", buffer: png(240, 320) },
  ]);
  await page.getByRole("button", { name: "Add photographs" }).click();
  const first = page.getByRole("img", { name: "Photograph 1" });
  const height = () => first.evaluate((image) => image.decode().then(() => image.naturalHeight));
  await page.getByRole("img", { name: "Photograph 2" }).waitFor();
  assert.equal(await height(), 240);
  await page.getByRole("button", { name: /Move earlier.*photograph 2/ }).click();
  await page.waitForFunction(() => document.querySelector(".album img")?.naturalHeight === 320);
  await page.goto("/shelf");
  assert.equal(await page.locator("ul.tags a.tag img.yarn").count(), 1);
  await page.goto("/shelf?find=P-001");
  await page.getByRole("link", { name: "Edit photographs" }).click();
  await page.getByRole("button", { name: /Remove.*photograph 1/ }).click();
  await page.waitForFunction(() => document.querySelectorAll(".album img").length === 1);
  assert.equal(await height(), 240);
});
