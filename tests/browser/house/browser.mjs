// Debian's Chromium, with a temporary profile.

import { chromium } from "playwright-core";

/** So that it contacts nothing but the program. */
const ARGUMENTS = [
  "--no-sandbox",
  "--disable-gpu",
  "--disable-quic",
  "--no-first-run",
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-sync",
];
/** How long a step may take: a debug build on two busy cores. */
export const STEP_MS = 15_000;

/** The widths in which every page must work: a phone, a tablet, a desktop. */
export const WIDTHS = { phone: { width: 360, height: 740 }, tablet: { width: 820, height: 1180 }, desk: { width: 1440, height: 900 } };

/** @type {Promise<import("playwright-core").Browser> | undefined} */
let started;

/** One browser for all tests of a file; each test has its own contexts. */
export function theBrowser() {
  started ??= chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ARGUMENTS, timeout: 60_000 });
  return started;
}

/** Closes it at the end. */
export async function endBrowser() {
  const browser = await started;
  started = undefined;
  await browser?.close();
}

/** Whether a console message means that the page itself is faulty; a refused form does not. */
function isWrong(message) {
  return message.type() === "error" && /Content Security Policy|Uncaught|violates|MIME type/i.test(message.text());
}

/** A page whose faults are collected in `wrong`. */
export async function newPage(context, wrong) {
  const page = await context.newPage();
  page.setDefaultTimeout(STEP_MS);
  page.on("pageerror", (error) => wrong.push(`${page.url()}: ${error.message}`));
  page.on("console", (message) => {
    if (isWrong(message)) wrong.push(`${page.url()}: ${message.text()}`);
  });
  return page;
}
