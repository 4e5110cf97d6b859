// Every page, read from the routes themselves, so that a new page cannot be forgotten.

import { readdirSync, readFileSync } from "node:fs";
import path from "node:path";
import { ROOT } from "./program.mjs";

const PAGES = path.join(ROOT, "services/till/src/pages");

/** Addresses that return something other than a page. */
const NO_PAGE = new Set([
  "/", // leads on to Today
  "/books/csv", // a file
  "/workbench/price", // a part of a page
  "/shelf/styles/prices", // a part of a page
  "/shelf/items/{code}/price", // a part of a page
  "/counter/{basket}/slip", // a part of a page
  "/counter/{basket}/events", // a stream
  "/counter/sales/{sale}/receipt.txt", // a file
  "/counter/refunds/{refund}/slip.txt", // a file
  "/online/order-files/rejects", // a file
  "/pictures/{name}", // a photograph
]);

/** An address that is a named constant in its file. */
function constant(text, name) {
  const found = new RegExp(`const ${name}: &str = "([^"]+)"`).exec(text);
  if (!found) throw new Error(`a route's address ${name} is not written in its file`);
  return found[1];
}

/** The patterns of all pages, those with fewer variables first. */
export function patterns() {
  const files = readdirSync(PAGES, { recursive: true }).filter((file) => String(file).endsWith(".rs"));
  const sources = ["../pages.rs", ...files].map((file) => readFileSync(path.join(PAGES, String(file)), "utf8"));
  const found = sources.flatMap((text) => [...text.matchAll(/Route::get\(\s*(?:"([^"]+)"|([A-Z]+),)/g)].map(([, written, named]) => written ?? constant(text, named)));
  const gaps = (pattern) => pattern.split("{").length;
  return [...new Set(found)].filter((pattern) => !NO_PAGE.has(pattern)).sort((a, b) => gaps(a) - gaps(b) || a.localeCompare(b));
}

/** The pattern of an address; none if it is not a page. */
export function patternOf(all, address) {
  const here = new URL(address, "http://x").pathname;
  if ([...NO_PAGE].some((pattern) => !pattern.includes("{") && pattern === here)) return undefined;
  return all.find((pattern) => new RegExp(`^${pattern.replace(/[.]/g, "\\.").replace(/\{[^}]+\}/g, "[^/]+")}$`).test(here));
}
