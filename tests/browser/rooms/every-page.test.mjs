// Every page of the demo's shop, in light and dark, on a phone, a tablet and a desktop: axe-core finds
// nothing, nothing is wider than the window, the first load is small, and a picture is saved for people to look at.

import assert from "node:assert/strict";
import { mkdirSync } from "node:fs";
import path from "node:path";
import test from "node:test";
import "../house/end.mjs";
import { atEachWidth, faultsByAxe, tooWide } from "../house/look.mjs";
import { ROOT } from "../house/program.mjs";
import { Shop } from "../house/shop.mjs";
import { everyPage, prepare } from "../house/tour.mjs";

/** The largest first load of a page, without images (the aim is 60 KB compressed). */
const MOST_BYTES = 60 * 1024;
/** Pictures for whoever changes a page; the folder is not committed. */
const SHOTS = path.join(process.env.FLEECEFOLD_SHOTS ?? path.join(process.env.CARGO_TARGET_DIR ?? path.join(ROOT, "target"), "browser-shots"));

/** Where the tour starts; the demo's last days are in 2025. */
const ROOMS = ["/today", "/workbench", "/shelf", "/counter", "/customers", "/online", "/herd", "/books?year=2025", "/books/day/2025-10-25", "/settings"];

const fileName = (pattern) => pattern.slice(1).replace(/[/{}.]+/g, "-").replace(/-$/, "") || "first";

/** Checks a page in every way; returns everything that is wrong with it. */
async function lookAt(page, pattern) {
  const wrong = await faultsByAxe(page);
  await atEachWidth(page, async (width) => {
    const wide = await tooWide(page);
    if (wide.length > 0) wrong.push(`too wide on a ${width}: ${wide.join("; ")}`);
    await page.screenshot({ path: path.join(SHOTS, `${fileName(pattern)}.${width}.png`), fullPage: true, animations: "disabled" });
  });
  await page.emulateMedia({ colorScheme: "dark" });
  await page.screenshot({ path: path.join(SHOTS, `${fileName(pattern)}.dark.png`), animations: "disabled" });
  await page.emulateMedia({ colorScheme: "light" });
  return wrong;
}

/** Bytes transferred for a page and its files with an empty cache, without images. */
async function firstLoad(shop, address) {
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
  await page.context().close();
  return bytes;
}

test("every page", async (t) => {
  mkdirSync(SHOTS, { recursive: true });
  const shop = await Shop.demo(t);
  const page = await shop.page();
  const { addresses, went } = await prepare(page);
  const { found, missing } = await everyPage(page, [...ROOMS, ...addresses]);
  await t.test("is reached", () => assert.deepEqual({ missing, went }, { missing: [], went: [] }));
  let heaviest = { bytes: 0, pattern: "" };
  for (const [pattern, address] of found) {
    await t.test(pattern, async () => {
      await page.goto(address);
      const wrong = await lookAt(page, pattern);
      const bytes = await firstLoad(shop, address);
      if (bytes > heaviest.bytes) heaviest = { bytes, pattern };
      if (bytes > MOST_BYTES) wrong.push(`its first load is ${bytes} bytes`);
      assert.deepEqual(wrong, []);
    });
  }
  t.diagnostic(`most on a first load, images aside: ${heaviest.bytes} bytes, ${heaviest.pattern}`);
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
