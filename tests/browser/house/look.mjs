// The checks of every page: axe-core's rules, the width, the print.

import { createRequire } from "node:module";
import { inflateSync } from "node:zlib";
import { WIDTHS } from "./browser.mjs";

const require = createRequire(import.meta.url);
const axe = require("axe-core");

/** Every rule that axe-core has: WCAG 2.2 A, AA and AAA, its best practices, and its experiments, in light and in dark. */
const RULES = { runOnly: { type: "rule", values: axe.getRules().map(({ ruleId }) => ruleId) }, resultTypes: ["violations"] };

/** What axe-core finds on a page, in light and dark. It is injected like a debugger's script, which the page's policy does not block. */
export async function faultsByAxe(page) {
  const debugging = await page.context().newCDPSession(page);
  await debugging.send("Runtime.evaluate", { expression: `${axe.source}; void 0` });
  await debugging.detach();
  await page.emulateMedia({ colorScheme: "light" });
  const light = await faults(page, RULES);
  await page.emulateMedia({ colorScheme: "dark" });
  const dark = await faults(page, RULES);
  await page.emulateMedia({ colorScheme: "light" });
  return [...light, ...dark.map((fault) => `dark: ${fault}`)];
}

/** A line for each fault. */
async function faults(page, rules) {
  const found = await page.evaluate((rules) => window.axe.run(document, rules), rules);
  return found.violations.flatMap((fault) => fault.nodes.map((node) => `${fault.id}: ${fault.help}: ${node.html.slice(0, 160)} (${(node.any[0] ?? node.all[0] ?? node.none[0])?.message ?? ""})`));
}

/** What makes a page wider than its window; empty if nothing does. */
export function tooWide(page) {
  return page.evaluate(() => {
    const room = document.documentElement.clientWidth;
    if (document.documentElement.scrollWidth <= room) return [];
    const scrolls = (element) => {
      for (let over = element.parentElement; over; over = over.parentElement) {
        if (getComputedStyle(over).overflowX !== "visible" && over !== document.documentElement) return true;
      }
      return false;
    };
    const wide = [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > room + 0.5 && !scrolls(e));
    const told = wide.slice(-3).map((e) => e.outerHTML.slice(0, 120));
    return [`${document.documentElement.scrollWidth} px in ${room}`, ...told];
  });
}

/** The most madder buttons on a page. */
const MOST_MADDER = 2;

/** What is wrong with a page's filled buttons: they have one dye, and madder is rare. */
export async function primaryFaults(page) {
  const counts = await page.evaluate(() => {
    const probe = document.body.appendChild(document.createElement("i"));
    const dye = (name) => {
      probe.style.backgroundColor = `var(--${name})`;
      return getComputedStyle(probe).backgroundColor;
    };
    const dyes = new Map(["madder", "woad"].map((name) => [dye(name), name]));
    probe.remove();
    const pressed = [...document.querySelectorAll("main :is(button, a)")].filter((element) => element.checkVisibility());
    const found = { madder: 0, woad: 0 };
    for (const element of pressed) {
      const name = dyes.get(getComputedStyle(element).backgroundColor);
      if (name) found[name] += 1;
    }
    return found;
  });
  const faults = counts.madder > 0 && counts.woad > 0 ? [`buttons of two dyes: ${JSON.stringify(counts)}`] : [];
  return counts.madder > MOST_MADDER ? [...faults, `${counts.madder} madder buttons`] : faults;
}

/** Whether a keyboard user sees the focus. */
export function focusIsSeen(page) {
  return page.evaluate(() => {
    const here = document.activeElement;
    if (!here || here === document.body) return false;
    const style = getComputedStyle(here);
    return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
  });
}

/** How many pieces of text a PDF draws (ISO 32000-1, 9.4.3: Tj and TJ), on how many pages. */
export function printed(pdf) {
  const bytes = pdf.toString("latin1");
  let drawn = 0;
  for (const found of bytes.matchAll(/stream\r?\n/g)) {
    const start = (found.index ?? 0) + found[0].length;
    const end = bytes.indexOf("endstream", start);
    try {
      const text = inflateSync(pdf.subarray(start, end)).toString("latin1");
      drawn += text.match(/\bT[jJ]\b/g)?.length ?? 0;
    } catch {
      // Not a text stream: a font, for example.
    }
  }
  return { drawn, pages: bytes.match(/\/Type\s*\/Page\b/g)?.length ?? 0 };
}

/** Each width, in turn. */
export async function atEachWidth(page, look) {
  for (const [name, size] of Object.entries(WIDTHS)) {
    await page.setViewportSize(size);
    await look(name);
  }
}

/** The least size of what a finger presses, in CSS pixels each way. */
const FINGER = 44;

/**
 * What is too small for a finger on this page. A link within running text may be as high as its line, and of a box
 * to tick its label counts.
 */
export function smallTargets(page) {
  return page.evaluate((least) => {
    const inText = (link) => link.matches("a:not([class])") && [...link.parentElement.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && /[\p{L}\p{N}]/u.test(node.textContent));
    const pressed = [...document.querySelectorAll("a[href], button, summary, input:not([type=hidden]), select, textarea")];
    const seen = pressed.filter((element) => element.checkVisibility({ visibilityProperty: true }) && !element.matches(".skip") && !inText(element));
    return seen.flatMap((element) => {
      const box = element.matches("[type=checkbox], [type=radio]") ? (element.closest("label") ?? element) : element;
      const { width, height } = box.getBoundingClientRect();
      return width >= least - 0.5 && height >= least - 0.5 ? [] : [`${Math.round(width)} × ${Math.round(height)}: ${element.outerHTML.slice(0, 110)}`];
    });
  }, FINGER);
}
