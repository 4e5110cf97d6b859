// Scanning with the camera: the kept reader and the browser's own, and what is said when there is no picture.

import assert from "node:assert/strict";
import test from "node:test";
import "../house/end.mjs";
import { scan } from "../house/hand.mjs";
import { Shop } from "../house/shop.mjs";

/** A camera that sees one picture, drawn from an SVG, and says whether it is on. Runs in the page. */
function pretendCamera({ svg, refused }) {
  delete globalThis.BarcodeDetector;
  globalThis.cameras = [];
  navigator.mediaDevices.getUserMedia = async () => {
    if (refused) throw new DOMException("refused by a person", refused);
    const image = new Image();
    image.src = URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" }));
    await image.decode();
    const canvas = Object.assign(document.createElement("canvas"), { width: 1280, height: 720 });
    const pen = canvas.getContext("2d");
    const draw = () => {
      pen.fillStyle = "#cdb";
      pen.fillRect(0, 0, canvas.width, canvas.height);
      pen.save();
      pen.translate(640, 360);
      pen.rotate(0.05);
      pen.drawImage(image, -350, -200, 700, 400);
      pen.restore();
    };
    draw();
    setInterval(draw, 50);
    const stream = canvas.captureStream(20);
    globalThis.cameras.push(stream.getTracks()[0]);
    return stream;
  };
}

/** The bars on a page, as a picture of their own. */
async function bars(page) {
  const svg = await page.locator("svg.bars").first().evaluate((element) => new XMLSerializer().serializeToString(element));
  return svg.replace(/width="[^"]*" height="[^"]*"/, 'width="700" height="400"').replace("<svg ", '<svg preserveAspectRatio="none" ');
}

/** Notes the addresses that a page asks for. */
function requests(page) {
  const asked = [];
  page.on("request", (request) => asked.push(new URL(request.url()).pathname));
  return asked;
}

const button = (page) => page.getByRole("button", { name: "Scan with camera" });
const dialog = (page) => page.getByRole("dialog", { name: "Scan with camera" });
const lines = (page) => page.locator("#slip > ol > li");
const isOff = (page) => page.evaluate(() => globalThis.cameras.every((track) => track.readyState === "ended"));

/** A receipt's bars and a tag's, from the pages that print them. */
async function printed(shop) {
  const page = await shop.page();
  await page.goto("/workbench/tags?pieces=P-002");
  const tag = await bars(page);
  await page.goto("/counter");
  await scan(page, "P-001");
  await lines(page).first().waitFor();
  await page.getByRole("button", { name: "Card", exact: true }).click();
  await page.getByRole("button", { name: "Complete sale", exact: true }).click();
  await page.waitForURL(/\/counter\/sales\/\d+/);
  return { tag, receipt: await bars(page), sale: new URL(page.url()).pathname };
}

test("a tag and a receipt are read by the kept reader, which is loaded only then", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 3 });
  const { tag, receipt, sale } = await printed(shop);
  const page = await shop.page();
  await page.addInitScript(pretendCamera, { svg: tag });
  const asked = requests(page);
  await page.goto("/counter");
  await button(page).waitFor();
  assert.ok(!asked.some((path) => /zxing|camera-view|camera\.css/.test(path)), `${asked}`);
  await button(page).click();
  await lines(page).filter({ hasText: "Beck cowl 2" }).waitFor();
  assert.equal(await lines(page).count(), 1, "one scan adds one piece");
  await dialog(page).waitFor({ state: "detached" });
  assert.ok(await isOff(page), "the camera is off again");
  assert.ok(asked.some((path) => path.endsWith("/zxing-reader.wasm")), `${asked}`);
  const other = await shop.page();
  await other.addInitScript(pretendCamera, { svg: receipt });
  await other.goto("/counter/sales");
  await button(other).click();
  await other.waitForURL(`**${sale}`);
});

test("the browser's own reader is used where it reads what is needed", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 2 });
  const page = await shop.page();
  await page.addInitScript(pretendCamera, { svg: '<svg xmlns="http://www.w3.org/2000/svg" width="8" height="8"/>' });
  await page.addInitScript(() => {
    globalThis.BarcodeDetector = class {
      static getSupportedFormats = async () => ["ean_13", "ean_8", "upc_a", "upc_e", "code_128", "qr_code"];
      detect = async () => [{ rawValue: "P-002" }];
    };
  });
  const asked = requests(page);
  await page.goto("/counter");
  await button(page).click();
  await lines(page).filter({ hasText: "Beck cowl 2" }).waitFor();
  assert.ok(!asked.some((path) => path.includes("zxing")), `${asked}`);
});

for (const [refused, words] of [
  ["NotAllowedError", /Allow it in your browser’s settings/],
  ["NotFoundError", /No camera was found/],
  ["NotReadableError", /Another program is using the camera/],
]) {
  test(`a camera that answers ${refused} is explained, and the field still takes a code`, async (t) => {
    const shop = await Shop.open(t, "SQLite", { count: 1 });
    const page = await shop.page();
    await page.addInitScript(pretendCamera, { svg: "", refused });
    await page.goto("/counter");
    await button(page).click();
    await dialog(page).getByText(words).waitFor();
    await dialog(page).getByRole("button", { name: "Close" }).click();
    await dialog(page).waitFor({ state: "detached" });
    await page.locator("#code").focus();
    await scan(page, "P-001");
    await lines(page).first().waitFor();
  });
}

test("closing the window turns the camera off, and without cameras there is no button", async (t) => {
  const shop = await Shop.open(t, "SQLite", { count: 1 });
  const page = await shop.page();
  await page.addInitScript(pretendCamera, { svg: '<svg xmlns="http://www.w3.org/2000/svg" width="8" height="8"/>' });
  for (const path of ["/counter", "/shelf", "/counter/sales"]) {
    await page.goto(path);
    await button(page).click();
    await dialog(page).getByText("Hold the barcode in front of the camera.").waitFor();
    await page.keyboard.press("Escape");
    await dialog(page).waitFor({ state: "detached" });
    assert.ok(await isOff(page), path);
  }
  const without = await shop.page();
  await without.addInitScript(() => Object.defineProperty(navigator, "mediaDevices", { value: undefined }));
  await without.goto("/counter");
  await without.locator("#code").waitFor();
  assert.equal(await button(without).count(), 0);
});
