// From the scanner's Enter to the line on the screen, in Chromium. To run by hand:
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
        const look = new MutationObserver(() => {
          if (document.querySelectorAll("#slip > ol > li").length <= lines) return;
          look.disconnect();
          // The frame after the next one has certainly been painted with the line.
          requestAnimationFrame(() => requestAnimationFrame(() => resolve(performance.now() - pressed)));
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
