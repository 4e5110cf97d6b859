// @ts-check
/**
 * Reads one code with the camera and sends it with the form that the button stands in, as if it had been typed. The
 * browser's own reader does it where there is one, otherwise a kept one.
 */

/**
 * @typedef {(video: HTMLVideoElement) => Promise<string | undefined>} Reader
 * @typedef {{ detect(image: HTMLVideoElement): Promise<{ rawValue: string }[]> }} Detector
 */

/** What tags, receipts and bought goods carry: as the browser names it, and as the kept reader does. */
const FORMATS = [
  ["ean_13", "EAN13"],
  ["ean_8", "EAN8"],
  ["upc_a", "UPCA"],
  ["upc_e", "UPCE"],
  ["code_128", "Code128"],
];
/** Between two readings: often enough for a steady hand, seldom enough for a phone's battery. */
const PAUSE_MS = 120;
/** Wide enough to tell the bars of a tag apart at a hand's length. */
const WIDTH = 1280;

/** What to do when there is no picture. @param {unknown} error */
function advice(error) {
  const name = error instanceof DOMException ? error.name : "";
  if (name === "NotAllowedError") return "The camera is blocked for this page. Allow it in your browser’s settings for this page, or type the code.";
  if (name === "NotFoundError" || name === "OverconstrainedError") return "No camera was found on this device. Type the code instead.";
  if (name === "NotReadableError") return "Another program is using the camera. Close it and try again, or type the code.";
  return "The camera could not be started. Type the code instead.";
}

/** The browser's own reader, if it reads everything that is needed. @returns {Promise<Reader | undefined>} */
async function ownReader() {
  const Own = /** @type {any} */ (globalThis).BarcodeDetector;
  if (!Own) return undefined;
  const formats = FORMATS.map(([name]) => name);
  const known = await Own.getSupportedFormats().catch(() => []);
  if (!formats.every((name) => known.includes(name))) return undefined;
  /** @type {Detector} */
  const detector = new Own({ formats });
  return async (video) => (await detector.detect(video))[0]?.rawValue;
}

/** The kept reader. @returns {Promise<Reader>} */
async function keptReader() {
  const { prepareZXingModule, readBarcodes } = await import("./zxing-reader.js");
  const locateFile = () => new URL("./zxing-reader.wasm", import.meta.url).href;
  await prepareZXingModule({ overrides: { locateFile }, fireImmediately: true });
  const canvas = document.createElement("canvas");
  const context = canvas.getContext("2d", { willReadFrequently: true });
  const options = { formats: FORMATS.map(([, name]) => name), maxNumberOfSymbols: 1 };
  return async (video) => {
    if (!context || video.videoWidth === 0) return undefined;
    [canvas.width, canvas.height] = [video.videoWidth, video.videoHeight];
    context.drawImage(video, 0, 0);
    const found = await readBarcodes(context.getImageData(0, 0, canvas.width, canvas.height), options);
    return found[0]?.text;
  };
}

/** The window with the camera's picture. */
function makeDialog() {
  const dialog = document.createElement("dialog");
  dialog.className = "camera";
  dialog.setAttribute("aria-labelledby", "camera-name");
  const name = Object.assign(document.createElement("h2"), { id: "camera-name", textContent: "Scan with camera" });
  const video = Object.assign(document.createElement("video"), { muted: true, playsInline: true });
  const said = Object.assign(document.createElement("p"), { textContent: "Starting the camera …" });
  said.setAttribute("role", "status");
  const close = Object.assign(document.createElement("button"), { type: "button", className: "also", textContent: "Close" });
  close.addEventListener("click", () => dialog.close());
  dialog.append(name, video, said, close);
  return { dialog, video, say: (/** @type {string} */ words) => (said.textContent = words) };
}

/** The look of the window, which no page needs before. */
function loadLook() {
  const href = new URL("./camera.css", import.meta.url).href;
  if (document.querySelector(`link[href="${href}"]`)) return;
  document.head.append(Object.assign(document.createElement("link"), { rel: "stylesheet", href }));
}

/** Sends the code as if it had been typed. @param {HTMLInputElement} field @param {string} code */
function send(field, code) {
  field.value = code;
  const form = field.form;
  const button = form?.querySelector("button:not([type=button])");
  form?.requestSubmit(button instanceof HTMLButtonElement ? button : undefined);
}

/** @param {HTMLButtonElement} button in the form whose first text field takes the code */
export async function scan(button) {
  const field = button.form?.querySelector("input[data-code]");
  if (!(field instanceof HTMLInputElement)) return;
  loadLook();
  const { dialog, video, say } = makeDialog();
  /** @type {MediaStream | undefined} */
  let stream;
  const stop = () => {
    for (const track of stream?.getTracks() ?? []) track.stop();
    dialog.remove();
  };
  const leave = () => dialog.close();
  dialog.addEventListener("close", stop, { once: true });
  addEventListener("pagehide", leave, { once: true });
  document.body.append(dialog);
  dialog.showModal();
  try {
    stream = await navigator.mediaDevices.getUserMedia({ audio: false, video: { facingMode: { ideal: "environment" }, width: { ideal: WIDTH } } });
  } catch (error) {
    return say(advice(error));
  }
  if (!dialog.open) return stop();
  video.srcObject = stream;
  await video.play().catch(() => undefined);
  await readUntilClosed(dialog, video, say, (code) => {
    dialog.close();
    send(field, code);
  });
}

/** @param {HTMLDialogElement} dialog @param {HTMLVideoElement} video @param {(words: string) => void} say @param {(code: string) => void} found */
async function readUntilClosed(dialog, video, say, found) {
  /** @type {Reader} */
  let read;
  try {
    read = (await ownReader()) ?? (await keptReader());
  } catch {
    return say("The barcode reader could not be loaded. Check the connection and try again, or type the code.");
  }
  say("Hold the barcode in front of the camera.");
  while (dialog.open) {
    const code = await read(video).catch(() => undefined);
    if (code && dialog.open) return found(code);
    await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
  }
}
