// A shop that is open, and people in it.

import assert from "node:assert/strict";
import { mkdirSync, writeFileSync } from "node:fs";
import path from "node:path";
import { newPage, theBrowser, WIDTHS } from "./browser.mjs";
import { engines, place } from "./places.mjs";
import { run, Serving } from "./program.mjs";

/** The owner of each test's shop. */
export const OWNER = { name: "Ada Fell", password: "three blue ewes and a ram" };

/** The first by name is preselected at the Workbench. 6.35 oz of it: 47.625, shown as 47.63, ended at 48.00. */
export const STYLES = `style,rate,rate.unitCode,ending,minimum,sizes,category
ridge beanie,7.50,ONZ,whole,18.00,S|M|L,hats
tarn cowl,6.80,ONZ,five,15.00,,neck
`;

/** A file of pieces with codes from P-001 on, the first at 20.00 and each a cent more than the previous one. */
export function pieces(count) {
  const rows = ["name,kind,sku,style,color,size,material,weight.value,weight.unitCode,offers.price,cost,description"];
  for (let number = 1; number <= count; number += 1) {
    const sku = `P-${String(number).padStart(3, "0")}`;
    const price = (20 + number / 100).toFixed(2);
    rows.push(`Beck cowl ${number},piece,${sku},tarn cowl,heather,M,100% wool,4.${10 + (number % 90)},ONZ,${price},6.00,Knitted by hand`);
  }
  return `${rows.join("\n")}\n`;
}

/** The sum of their prices. */
export function sum(...numbers) {
  return (numbers.reduce((cents, number) => cents + 2000 + number, 0) / 100).toFixed(2);
}

/** A shop, from an empty place to a signed-in owner. */
export class Shop {
  wrong = [];
  #place;
  #serving;
  #contexts = [];
  #state;

  /** Opens one with this many pieces in stock; it is closed, and its laws verified, at the end of the test `t`. */
  static async open(t, engine, { count = 0, serve = [] } = {}) {
    const shop = new Shop();
    shop.#place = place(engine);
    t.after(() => shop.#close());
    shop.#add("styles", STYLES);
    if (count > 0) shop.#add("items", pieces(count));
    await shop.#serve(["serve", ...serve]);
    await shop.#begin();
    return shop;
  }

  /** The demo's shop, with its own owner. */
  static async demo(t) {
    const shop = new Shop();
    shop.#place = place("SQLite");
    t?.after(() => shop.#close());
    // The last of its days is fixed, so that pages of the books are where tests look for them.
    await shop.#serve(["demo", "--as-of", "2025-11-01"]);
    await shop.#enter(await shop.#printedOwner());
    return shop;
  }

  /** A shop that nobody has visited yet. */
  static async untouched(t, engine) {
    const shop = new Shop();
    shop.#place = place(engine);
    t.after(() => shop.#close());
    await shop.#serve(["serve"]);
    return shop;
  }

  get address() {
    return this.#serving.address;
  }

  get folder() {
    return this.#place.folder;
  }

  /** Writes a file into the shop's folder. */
  file(name, text) {
    const file = path.join(this.folder, name);
    mkdirSync(path.dirname(file), { recursive: true });
    writeFileSync(file, text);
    return file;
  }

  /** Runs a command on this shop while it is open. */
  run(words, options) {
    return run(this.#place.url, words, { cwd: this.folder, ...options });
  }

  /** An order from the online shop for one piece, imported from a feed. */
  order(number, sku, price = "30.00") {
    const date = new Date().toISOString();
    const rows = `orderNumber,orderDate,sku,orderQuantity,price\n${number},${date},${sku},1,${price}\n`;
    this.run(["feed", "in", this.file(`order-${number}.csv`, rows)]);
  }

  /** Another person's browser, or another window: signed in as the owner unless `anonymous`. */
  async context({ anonymous = false, ...options } = {}) {
    const state = anonymous ? {} : { storageState: this.#state };
    const browser = await theBrowser();
    const context = await browser.newContext({ baseURL: this.address, viewport: WIDTHS.tablet, locale: "en-US", ...state, ...options });
    this.#contexts.push(context);
    return context;
  }

  /** As if everybody who is signed in had typed their password an hour ago: the program uses this machine's clock. */
  passwordsWereLongAgo() {
    this.#place.sql("UPDATE session SET confirmed_ms = confirmed_ms - 3600000");
  }

  /** A page in its own context. */
  async page(options) {
    return newPage(await this.context(options), this.wrong);
  }

  /** The shop's sales as the API returns them to the person who is signed in on this page. */
  async sales(page) {
    const answer = await page.request.get("/api/sales");
    assert.equal(answer.status(), 200, await answer.text());
    return (await answer.json()).sales;
  }

  #add(what, text) {
    this.run(["add", what, this.file(`${what}.csv`, text)]);
  }

  async #serve(words) {
    this.#serving = await Serving.start(this.#place.url, words, { cwd: this.folder });
  }

  /** Sets up a new shop, as its owner does. */
  async #begin() {
    const page = await this.page({ anonymous: true });
    await page.goto("/");
    await begin(page);
    await this.#keep(page);
  }

  async #enter(owner) {
    const page = await this.page({ anonymous: true });
    await page.goto("/sign-in");
    await enter(page, owner);
    await this.#keep(page);
  }

  async #keep(page) {
    this.#state = await page.context().storageState();
    await page.context().close();
  }

  /** Two streams are read, so the rest of the output may come after the address. */
  async #printedOwner() {
    for (let tries = 0; tries < 50; tries += 1) {
      const found = /Sign in as (.+?) with the password “(.+?)”/.exec(this.#serving.said);
      if (found) return { name: found[1], password: found[2] };
      await new Promise((resolve) => setTimeout(resolve, 100));
    }
    throw new Error(`the demo did not say who its owner is: ${this.#serving.said}`);
  }

  async #close() {
    try {
      await Promise.all(this.#contexts.map((context) => context.close()));
      await this.#serving?.close();
      this.run(["check"]);
      assert.deepEqual(this.wrong, [], "what browsers found wrong with the pages themselves");
    } finally {
      this.#place.remove();
    }
  }
}

/** Fills in the page of a new shop. */
export async function begin(page, owner = OWNER) {
  await page.getByLabel("Shop name").fill("Browser Farm");
  await page.getByLabel("Your name").fill(owner.name);
  await page.getByLabel(/^Your password/).fill(owner.password);
  await page.getByLabel("Repeat password").fill(owner.password);
  await page.getByRole("button", { name: "Set up shop" }).click();
  await page.waitForURL(/\/today/);
}

/** Signs in with name and password. */
export async function enter(page, owner = OWNER) {
  await page.getByLabel("Name").fill(owner.name);
  await page.getByLabel("Password", { exact: true }).fill(owner.password);
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.waitForURL((url) => url.pathname !== "/sign-in");
}

/** Types the password again where a change asks for it. */
export async function confirm(page, owner = OWNER) {
  await page.getByRole("heading", { name: "Confirm it’s you" }).waitFor();
  await page.getByLabel("Your password").fill(owner.password);
  await page.getByRole("button", { name: "Confirm" }).click();
}

/** Runs a test once on each engine. */
export function onEachEngine(test, name, body) {
  for (const engine of engines()) test(`${name}, on ${engine}`, (t) => body(t, engine));
}
