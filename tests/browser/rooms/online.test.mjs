// Online: listing many at once, orders, short lines.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";
import "../house/end.mjs";
import { Hand } from "../house/hand.mjs";
import { late } from "../house/late.mjs";
import { onEachEngine, Shop } from "../house/shop.mjs";

/** The most inputs to list 50 new pieces. */
const MOST_INPUTS = 3;

onEachEngine(test, "50 new pieces are listed in at most 3 inputs", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 50 });
  const page = await shop.page();
  await page.goto("/online");
  const hand = new Hand(page);
  await hand.press(page.getByRole("link", { name: /Write 50 listing texts/ }));
  const coming = page.waitForEvent("download");
  await hand.press(page.getByRole("button", { name: /download feed/ }));
  const feed = readFileSync(await (await coming).path(), "utf8");
  assert.ok(hand.inputs <= MOST_INPUTS, `${hand.inputs} inputs`);
  assert.equal(feed.match(/P-0\d\d/g)?.length, 50, "each piece stands in the feed once");
  await page.goto("/online");
  await page.getByText(/Everything that can be listed is/).waitFor();
});

onEachEngine(test, "a line of an order that fell short waits, with what else could go", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 4 });
  shop.order("H-1", "P-001");
  shop.order("H-2", "P-001");
  const page = await shop.page();
  await page.goto("/today");
  assert.match(await page.locator("main").innerText(), /out of stock|attention/i);
  await page.goto("/online/orders");
  await page.getByRole("link", { name: /H-2/ }).click();
  await page.getByRole("heading", { level: 1 }).waitFor();
  assert.match(await page.locator(".choices ~ .tags, form .tags").innerText(), /Beck cowl [234]/, "the closest pieces that are left");
  await page.getByRole("button", { name: /^Substitute/ }).first().click();
  await page.goto("/online/orders");
  await page.getByText("No orders need attention").waitFor();
  await page.goto("/shelf");
  assert.equal(await page.locator("ul.tags > li").count(), 2, "one was sold, one goes in its place");
});

test("a sample file that was chosen before the script arrived is previewed", async (t) => {
  const shop = await Shop.open(t, "SQLite");
  const page = await shop.page();
  const arrives = await late(page, /online[^/]*\.js/);
  await page.goto("/online/layouts/one", { waitUntil: "commit" });
  const csv = "Order,Date,Code,Quantity,Price\nH-77,29/11/2025,P-001,1,20.00\n";
  await page.locator("#file").setInputFiles({ name: "may.csv", mimeType: "text/csv", buffer: Buffer.from(csv) });
  arrives();
  await page.locator("#rows", { hasText: "H-77" }).waitFor();
});

onEachEngine(test, "50 pieces are chosen by ticking and listed in 3 inputs", async (t, engine) => {
  const shop = await Shop.open(t, engine, { count: 50 });
  const page = await shop.page();
  await page.goto("/online");
  const hand = new Hand(page);
  await hand.press(page.getByRole("link", { name: "Choose pieces to list" }));
  await hand.press(page.getByRole("link", { name: "Tick all 50 pieces" }));
  await page.getByText("50 pieces are ticked.").waitFor();
  const coming = page.waitForEvent("download");
  await hand.press(page.getByRole("button", { name: "List ticked pieces" }));
  const feed = readFileSync(await (await coming).path(), "utf8");
  assert.equal(hand.inputs, 3);
  assert.equal(feed.match(/P-0\d\d/g)?.length, 50, "each piece stands in the feed once");
});

test("only what is ticked is listed", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 3 });
  const page = await shop.page();
  await page.goto("/online/choose?tick=all");
  await page.getByText("3 pieces are ticked.").waitFor();
  await page.locator("input[name=piece]").first().uncheck();
  await page.getByText("2 pieces are ticked.").waitFor();
  const coming = page.waitForEvent("download");
  await page.getByRole("button", { name: "List ticked pieces" }).click();
  const feed = readFileSync(await (await coming).path(), "utf8");
  assert.deepEqual(feed.match(/P-0\d\d/g)?.sort(), ["P-001", "P-002"]);
});

test("a file of orders is checked, taken in once, and its rejected orders are downloaded", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 3 });
  const page = await shop.page();
  const rows = ["orderNumber,orderDate,sku,orderQuantity,price", "H-1,2026-05-01,P-001,1,20.01", "H-2,2026-05-01,P-002,1,20.02", "H-3,tomorrow,P-003,1,20.03"];
  const file = shop.file("orders.csv", `${rows.join("\n")}\n`);
  await page.goto("/online/orders");
  await page.getByRole("link", { name: "Take in a file of orders" }).click();
  await page.locator("input[type=file]").setInputFiles(file);
  await page.getByRole("button", { name: "Check file" }).click();
  await page.getByText("3 orders: 2 would be new, 0 would be changed, 0 already here, 1 rejected.").waitFor();
  assert.match(await page.locator("#rows").innerText(), /H-1/);
  assert.equal((await shop.sales(page)).length, 0, "a dry run books nothing");
  await page.getByRole("button", { name: "Take in 2 orders" }).dblclick();
  await page.getByText("3 orders: 2 new, 0 changed, 0 already here, 1 rejected.").waitFor();
  assert.equal((await shop.sales(page)).length, 2);
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("link", { name: "Download rejected orders" }).click()]);
  const text = readFileSync(await download.path(), "utf8");
  assert.ok(text.includes("H-3") && !text.includes("H-1"), text);
});
