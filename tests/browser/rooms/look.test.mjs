// How the pages look, in figures: fonts, sizes, places, targets.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { WIDTHS } from "../house/browser.mjs";
import { scan } from "../house/hand.mjs";
import { atEachWidth } from "../house/look.mjs";
import { Shop } from "../house/shop.mjs";

/** The most that the fonts of every page weigh together. */
const FONT_BYTES = 90 * 1024;

/** The fonts in which figures on this page are not all of one width; `name: width of 1, width of 8` each. */
function unevenFigures(page) {
  return page.evaluate(() => {
    const text = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    const kinds = new Map();
    for (let node = text.nextNode(); node; node = text.nextNode()) {
      const element = node.parentElement;
      if (!element || !/\d/.test(node.textContent ?? "") || ["SCRIPT", "OPTION"].includes(element.tagName)) continue;
      const { fontFamily, fontSize, fontWeight, fontVariantNumeric } = getComputedStyle(element);
      kinds.set([fontFamily, fontSize, fontWeight, fontVariantNumeric].join(), element);
    }
    const width = (like, words) => {
      const probe = document.createElement("span");
      const { fontFamily, fontSize, fontWeight, fontVariantNumeric } = getComputedStyle(like);
      document.body.append(probe);
      probe.style.cssText = "position: absolute; white-space: nowrap";
      Object.assign(probe.style, { fontFamily, fontSize, fontWeight, fontVariantNumeric });
      probe.textContent = words.repeat(100);
      const measured = probe.getBoundingClientRect().width;
      probe.remove();
      return measured;
    };
    const uneven = [...kinds.values()].map((element) => [element.outerHTML.slice(0, 80), width(element, "1"), width(element, "8")]);
    return { kinds: kinds.size, uneven: uneven.filter(([, one, eight]) => Math.abs(Number(one) - Number(eight)) > 0.5) };
  });
}

test("both fonts come with the program, few bytes at first, and their figures are of one width", async (t) => {
  const shop = await Shop.demo(t);
  const page = await shop.page();
  const loaded = new Map();
  page.on("response", async (response) => {
    const address = new URL(response.url()).pathname;
    if (!address.endsWith(".woff2")) return;
    loaded.set(address.split("/").at(-1), { bytes: Number(response.headers()["content-length"]), keeps: response.headers()["cache-control"] });
  });
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.locator("#slip .price").waitFor();
  await page.evaluate(() => document.fonts.ready);
  assert.deepEqual([...loaded.keys()].sort(), ["vollkorn-latin.woff2", "ysabeau-office-latin.woff2"]);
  const bytes = [...loaded.values()].reduce((sum, font) => sum + font.bytes, 0);
  assert.ok(bytes > 0 && bytes <= FONT_BYTES, `${bytes} bytes`);
  for (const { keeps } of loaded.values()) assert.match(keeps, /immutable/);
  const usable = await page.evaluate(() => ["Vollkorn", "Ysabeau Office"].map((name) => [...document.fonts].some((face) => face.family.replaceAll('"', "") === name && face.status === "loaded")));
  assert.deepEqual(usable, [true, true]);
  for (const address of ["/workbench", "/shelf", "/counter", "/books?year=2025", "/today"]) {
    if (address !== "/workbench") await page.goto(address);
    await page.evaluate(() => document.fonts.ready);
    const { kinds, uneven } = await unevenFigures(page);
    assert.ok(kinds > 0, `${address} shows figures`);
    assert.deepEqual(uneven, [], address);
  }
});

test("letters of other scripts load their own part of a font", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  const loaded = [];
  page.on("response", (response) => loaded.push(new URL(response.url()).pathname.split("/").at(-1)));
  await page.goto("/workbench");
  await page.getByLabel("Private note").fill("Ελλάδα, Київ, Łódź");
  await page.evaluate(() => document.fonts.ready);
  const parts = loaded.filter((name) => /^ysabeau-office-(greek|cyrillic|latin-ext)\.woff2$/.test(name ?? ""));
  assert.deepEqual([...new Set(parts)].sort(), ["ysabeau-office-cyrillic.woff2", "ysabeau-office-greek.woff2", "ysabeau-office-latin-ext.woff2"]);
});

test("the price is the largest on a tag, then the weight, and both are larger than the rest", async (t) => {
  const shop = await Shop.demo(t);
  const page = await shop.page();
  for (const address of ["/shelf", "/counter", "/today"]) {
    await page.goto(address);
    const sizes = await page.locator(".tag").first().evaluate((tag) =>
      ["costs", "weighs", "name"].map((name) => parseFloat(getComputedStyle(tag.getElementsByClassName(name)[0]).fontSize)));
    const [price, weight, name] = sizes;
    assert.ok(price > weight && weight > name, `${address}: ${sizes}`);
  }
});

/** Whether all of it is in the window. */
const inView = (locator) => locator.evaluate((element) => {
  const { top, bottom } = element.getBoundingClientRect();
  return top >= -0.5 && bottom <= innerHeight + 0.5;
});

/** The words that a line break divides. */
const brokenWords = (locator) => locator.evaluateAll((buttons) => buttons.flatMap((button) => {
  const text = [...button.childNodes].find((node) => node.nodeType === Node.TEXT_NODE);
  return [...(text?.textContent ?? "").matchAll(/\S+/g)].flatMap((word) => {
    const range = document.createRange();
    range.setStart(text, word.index);
    range.setEnd(text, word.index + word[0].length);
    return range.getClientRects().length === 1 && button.scrollWidth <= button.clientWidth ? [] : [word[0]];
  });
}));

test("the slip stays in view while the tags scroll, and what is due is large", async (t) => {
  const shop = await Shop.demo(t);
  const page = await shop.page();
  await page.goto("/counter");
  const code = await page.locator("#tags button[name=code]").first().getAttribute("value");
  await scan(page, code);
  await page.locator("#slip > ol > li").first().waitFor();
  await atEachWidth(page, async (width) => {
    const due = page.locator("#slip .sum > :last-child");
    assert.ok(await due.evaluate((sum) => parseFloat(getComputedStyle(sum).fontSize) >= 40), `${width}: large`);
    const ways = page.locator("#pay button");
    assert.equal(await ways.count(), 4, width);
    assert.deepEqual(await brokenWords(ways), [], width);
    for (const far of [0, 300, 600]) {
      await page.evaluate((top) => window.scrollTo(0, top), far);
      if (width === "desk" && far === 0) continue; // below the scan line, before anything has scrolled
      assert.ok(await inView(due), `${width}, scrolled by ${far}: what is due`);
      assert.ok(await inView(ways.last()), `${width}, scrolled by ${far}: the ways to pay`);
    }
    assert.equal(await page.getByRole("button", { name: "On account", exact: true }).isVisible(), false, width);
  });
  await page.getByText("More ways to pay").click();
  await page.getByRole("button", { name: "On account", exact: true }).click();
  await page.getByRole("heading", { name: "On account" }).waitFor();
});

test("a phone has five rooms at the lower edge and the rest behind More, without scripts too", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  for (const javaScriptEnabled of [true, false]) {
    const page = await shop.page({ viewport: WIDTHS.phone, javaScriptEnabled });
    await page.goto("/counter");
    const rooms = page.getByRole("navigation", { name: "Main menu" });
    assert.deepEqual(await rooms.getByRole("link").allInnerTexts(), ["Today", "Workbench", "Shelf", "Counter", "Online"]);
    for (const place of await rooms.getByRole("link").all()) assert.ok(await inView(place));
    assert.deepEqual(await brokenWords(rooms.getByRole("link")), []);
    await rooms.getByRole("button", { name: "More" }).click();
    assert.ok(await inView(rooms.getByRole("button", { name: "Sign out" })));
    await rooms.getByRole("link", { name: "Books" }).click();
    await page.waitForURL(/\/books/);
  }
});

test("the price and Save stay in view above a phone's keyboard", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page({ viewport: { width: 360, height: 380 } });
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.locator("#slip .price").waitFor();
  for (const field of ["Scale reading", "Colors", "Minutes worked", "Private note"]) {
    await page.getByLabel(field, { exact: true }).focus();
    assert.ok(await inView(page.locator("#slip .price")), `${field}: the price`);
    assert.ok(await inView(page.getByRole("button", { name: "Save and print tag" })), `${field}: Save`);
    const [typed, strip] = await Promise.all([page.getByLabel(field, { exact: true }).boundingBox(), page.locator(".beside").boundingBox()]);
    assert.ok(typed && strip && typed.y + typed.height <= strip.y, `${field} is not under the strip`);
  }
});
