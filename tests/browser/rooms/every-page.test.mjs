// Every page of the demo's shop, in light and dark, on a phone, a tablet and a desktop: axe-core finds
// nothing, nothing is wider than the window, what it loads is small, and a picture is saved for people to look at.

import assert from "node:assert/strict";
import { mkdirSync } from "node:fs";
import path from "node:path";
import test from "node:test";
import "../house/end.mjs";
import { atEachWidth, faultsByAxe, primaryFaults, smallTargets, tooWide } from "../house/look.mjs";
import { ROOT } from "../house/program.mjs";
import { Shop } from "../house/shop.mjs";
import { everyPage, prepare } from "../house/tour.mjs";

/** The most that a page loads into an empty cache: with both fonts, without images. */
const FIRST_BYTES = 120 * 1024;
/** The most that it loads once its style sheets, scripts and fonts are in the cache. */
const LATER_BYTES = 20 * 1024;
/** The most images on a page; the rest is on the next one. */
const MOST_IMAGES = 120;
/** Pictures for whoever changes a page; the folder is not committed. */
const SHOTS = path.join(process.env.FLEECEFOLD_SHOTS ?? path.join(process.env.CARGO_TARGET_DIR ?? path.join(ROOT, "target"), "browser-shots"));

/** Where the tour starts; the demo is made as of November 1, 2025. */
const ROOMS = ["/today", "/workbench", "/shelf", "/counter", "/customers", "/online", "/herd", "/books?year=2025", "/books/day/2025-10-25", "/settings"];

const fileName = (pattern) => pattern.slice(1).replace(/[/{}.]+/g, "-").replace(/-$/, "") || "first";

/** Checks a page in every way; returns everything that is wrong with it. */
async function lookAt(page, pattern) {
  const wrong = [...(await faultsByAxe(page)), ...(await primaryFaults(page))];
  await atEachWidth(page, async (width) => {
    if (width === "phone") wrong.push(...(await smallTargets(page)).map((target) => `too small for a finger: ${target}`));
    const wide = await tooWide(page);
    if (wide.length > 0) wrong.push(`too wide on a ${width}: ${wide.join("; ")}`);
    await page.screenshot({ path: path.join(SHOTS, `${fileName(pattern)}.${width}.png`), fullPage: true, animations: "disabled" });
  });
  await page.emulateMedia({ colorScheme: "dark" });
  await page.screenshot({ path: path.join(SHOTS, `${fileName(pattern)}.dark.png`), animations: "disabled" });
  await page.emulateMedia({ colorScheme: "light" });
  return wrong;
}

/** Bytes transferred for a page and its files, without images: with an empty cache, and once more. */
async function loads(shop, address) {
  const page = await shop.page();
  const network = await page.context().newCDPSession(page);
  await network.send("Network.enable");
  const images = new Set();
  let bytes = 0;
  network.on("Network.responseReceived", ({ requestId, type }) => {
    if (type === "Image" || type === "EventSource") images.add(requestId);
  });
  network.on("Network.loadingFinished", ({ requestId, encodedDataLength }) => {
    if (!images.has(requestId)) bytes += encodedDataLength;
  });
  await page.goto(address, { waitUntil: "load" });
  await page.evaluate(() => document.fonts.ready);
  const first = bytes;
  await page.goto(address, { waitUntil: "load" });
  await page.evaluate(() => document.fonts.ready);
  await page.context().close();
  return { first, later: bytes - first };
}

/** What is wrong with a page's images: each has its size before it arrives, and whatever is far down arrives late. */
function imageFaults(page) {
  return page.evaluate((most) => {
    const images = [...document.querySelectorAll("main img")];
    const unsized = images.filter((image) => !image.hasAttribute("width") || !image.hasAttribute("height"));
    const eager = images.slice(1).filter((image) => image.getAttribute("loading") !== "lazy" && new URL(image.src).protocol !== "blob:");
    const faults = [...unsized.map((image) => `no size: ${image.outerHTML}`), ...eager.map((image) => `not lazy: ${image.outerHTML}`)];
    return images.length > most ? [...faults, `${images.length} images`] : faults;
  }, MOST_IMAGES);
}

test("every page", async (t) => {
  mkdirSync(SHOTS, { recursive: true });
  const shop = await Shop.demo(t);
  const page = await shop.page();
  const { addresses, went } = await prepare(page);
  const { found, missing } = await everyPage(page, [...ROOMS, ...addresses]);
  await t.test("is reached", () => assert.deepEqual({ missing, went }, { missing: [], went: [] }));
  let heaviest = { first: 0, later: 0, pattern: "" };
  for (const [pattern, address] of found) {
    await t.test(pattern, async () => {
      await page.goto(address);
      const wrong = await lookAt(page, pattern);
      wrong.push(...(await imageFaults(page)));
      const { first, later } = await loads(shop, address);
      if (first > heaviest.first) heaviest = { first, later, pattern };
      if (first > FIRST_BYTES) wrong.push(`its first load is ${first} bytes`);
      if (later > LATER_BYTES) wrong.push(`a later load is ${later} bytes`);
      assert.deepEqual(wrong, []);
    });
  }
  t.diagnostic(`most on a first load, images aside: ${heaviest.first} bytes, later ${heaviest.later}, ${heaviest.pattern}`);
  const outside = await shop.page({ anonymous: true });
  for (const address of ["/sign-in", "/attic"]) {
    await t.test(`outside: ${address}`, async () => {
      await outside.goto(address);
      assert.deepEqual(await lookAt(outside, address), []);
    });
  }
});

test("the page of a new shop", async (t) => {
  mkdirSync(SHOTS, { recursive: true });
  const shop = await Shop.untouched(t, "SQLite");
  const page = await shop.page({ anonymous: true });
  await page.goto("/setup");
  assert.deepEqual(await lookAt(page, "/setup"), []);
});

test("rooms of a shop that has nothing yet", async (t) => {
  mkdirSync(SHOTS, { recursive: true });
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  for (const room of ["/today", "/workbench", "/shelf", "/counter", "/online", "/books"]) {
    await t.test(`empty: ${room}`, async () => {
      await page.goto(room);
      assert.deepEqual(await lookAt(page, `${room}-empty`), []);
    });
  }
});
