// The README's pictures: four rooms of the demo's shop, as small WebP files. To run by hand:
//   node tests/browser/pictures.mjs [FOLDER, else docs/pictures]

import { mkdirSync, writeFileSync } from "node:fs";
import path from "node:path";
import { endBrowser } from "./house/browser.mjs";
import { scan } from "./house/hand.mjs";
import { ROOT } from "./house/program.mjs";
import { Shop } from "./house/shop.mjs";

/** The most a picture may weigh in the repository. */
const MOST_BYTES = 60 * 1024;
const SIZE = { width: 1024, height: 700 };

const folder = path.resolve(process.argv[2] ?? path.join(ROOT, "docs/pictures"));
mkdirSync(folder, { recursive: true });

/** Saves what is on the screen, at the best quality within the size. */
async function keep(page, name) {
  const debugging = await page.context().newCDPSession(page);
  for (let quality = 90; quality >= 30; quality -= 10) {
    const { data } = await debugging.send("Page.captureScreenshot", { format: "webp", quality });
    const bytes = Buffer.from(data, "base64");
    if (bytes.length > MOST_BYTES) continue;
    writeFileSync(path.join(folder, `${name}.webp`), bytes);
    console.log(`${name}.webp: ${bytes.length} bytes at quality ${quality}`);
    return;
  }
  throw new Error(`${name} does not fit ${MOST_BYTES} bytes`);
}

const ends = [];
const shop = await Shop.demo({ after: (end) => ends.push(end) });
try {
  const page = await shop.page({ viewport: SIZE });
  await page.goto("/workbench");
  await page.getByLabel("Scale reading").fill("6.35 oz");
  await page.locator("#slip .price").waitFor();
  await keep(page, "workbench");

  await page.goto("/counter");
  const codes = await page.locator("#tags button[name=code]").evaluateAll((tags) => tags.slice(0, 3).map((tag) => tag.value));
  for (const [at, code] of codes.entries()) {
    await scan(page, code);
    await page.locator("#slip > ol > li").nth(at).waitFor();
  }
  await keep(page, "counter");

  await page.goto("/shelf");
  await keep(page, "shelf");

  await page.goto("/books?year=2025");
  await keep(page, "books");
} finally {
  for (const end of ends) await end();
  await endBrowser();
}
