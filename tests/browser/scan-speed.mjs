// From the scanner's Enter to the line on the screen, in Chromium. The end is the time at which the browser itself says
// that it painted the line's text (W3C Element Timing, renderTime). To run by hand:
//   FLEECEFOLD_BIN=target/release/fleecefold node tests/browser/scan-speed.mjs

import { endBrowser } from "./house/browser.mjs";
import { scan } from "./house/hand.mjs";
import { Shop } from "./house/shop.mjs";

const SCANS = 200;
/** Lines on one slip before a new one is started. */
const LINES = 10;
/** The aim for 95 of a hundred scans, in milliseconds. */
const AIM_MS = 50;

/** Nearest rank. */
const percentile = (sorted, percent) => sorted[Math.ceil((sorted.length * percent) / 100) - 1];

/** Stands in for the test context of `node:test`. */
const ends = [];
const shop = await Shop.open({ after: (end) => ends.push(end) }, "SQLite", { count: SCANS });
try {
  const page = await shop.page();
  const times = [];
  for (let number = 1; number <= SCANS; number += 1) {
    if (number % LINES === 1) await page.goto("/counter");
    const before = await page.locator("#slip > ol > li").count();
    await page.evaluate((lines) => {
      window.scanned = new Promise((resolve) => {
        let pressed = 0;
        addEventListener("keydown", (event) => { if (event.key === "Enter") pressed = event.timeStamp; }, { capture: true, once: false });
        const painted = new PerformanceObserver((list) => {
          const entry = list.getEntries().find((one) => one.identifier === `line ${lines}`);
          if (!entry) return;
          painted.disconnect();
          resolve(entry.renderTime - pressed);
        });
        painted.observe({ type: "element" });
        const look = new MutationObserver(() => {
          const added = [...document.querySelectorAll("#slip > ol > li")];
          if (added.length <= lines) return;
          look.disconnect();
          // Before its first frame: only then is its painting reported.
          const line = added.at(-1);
          for (const part of [line, ...line.querySelectorAll("*")]) part.setAttribute("elementtiming", `line ${lines}`);
        });
        look.observe(document.documentElement, { childList: true, subtree: true });
      });
    }, before);
    await scan(page, `P-${String(number).padStart(3, "0")}`);
    times.push(await page.evaluate(() => window.scanned));
  }
  times.sort((a, b) => a - b);
  const [middle, most] = [percentile(times, 50), percentile(times, 95)];
  console.log(`${SCANS} scans: from Enter to the painted line, median ${middle.toFixed(1)} ms, p95 ${most.toFixed(1)} ms, longest ${times.at(-1).toFixed(1)} ms (aim: p95 ≤ ${AIM_MS} ms)`);
} finally {
  for (const end of ends) await end();
  await endBrowser();
}
