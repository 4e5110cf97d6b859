// @ts-check
/**
 * The counter with scripts: the scan line keeps the focus, the slip is replaced in place, and scans wait in a
 * queue until the server has answered them. Each scan has a key, so that one that is sent again after a lost
 * connection counts once. Everything works without this file too.
 */

/**
 * A scan that the server has not answered yet. `slip` is empty for the scan that starts a slip; `draft` names the
 * page on which it was scanned, so that the following scans go on the slip that the first one starts.
 * @typedef {{ key: string, slip: string, draft: string, code: string, quantity: string, channel: string }} Scan
 */

const STORE = "counter.scans";
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 10_000;
/** Longer than the server's own limit for a request. */
const GIVE_UP_MS = 35_000;

/** @type {Scan[]} What is kept where the browser has no store. */
let memory = [];

/** @returns {Scan[]} */
function queue() {
  try {
    const kept = JSON.parse(localStorage.getItem(STORE) ?? "[]");
    return Array.isArray(kept) ? kept : [];
  } catch {
    return memory;
  }
}

/** @param {Scan[]} scans */
function keep(scans) {
  memory = scans;
  try {
    localStorage.setItem(STORE, JSON.stringify(scans));
  } catch {
    // Then the page keeps the queue in memory.
  }
}

/** @returns {string} */
function chance() {
  return Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");
}

const draft = chance();
const scanForm = /** @type {HTMLFormElement | null} */ (document.getElementById("scan"));
const codeField = /** @type {HTMLInputElement | null} */ (document.getElementById("code"));
const said = document.getElementById("queue");

/** @returns {HTMLElement | null} */
const slip = () => document.getElementById("slip");
/** @returns {string} */
const basket = () => slip()?.dataset.basket ?? "";

/** @param {string} words @param {boolean} [waits] */
function say(words, waits = false) {
  if (!said) return;
  said.textContent = words;
  said.classList.toggle("waits", waits);
}

/** Gives the scan line the focus, unless a question is open. */
function ready() {
  const weigh = /** @type {HTMLInputElement | null} */ (document.querySelector("[data-weigh] input.weigh"));
  (weigh ?? codeField)?.focus();
}

/** @param {string} name */
function hidden(name) {
  const field = scanForm?.elements.namedItem(name);
  return field instanceof HTMLInputElement ? field.value : "";
}

/** Puts what came in the place of what is on the page. @param {Document} page @param {string} id */
function swap(page, id) {
  const [fresh, old] = [page.getElementById(id), document.getElementById(id)];
  if (fresh && old) old.replaceWith(document.adoptNode(fresh));
}

/** @param {Document} page */
function show(page) {
  const fresh = page.getElementById("slip");
  if (!fresh) return;
  const id = fresh.dataset.basket ?? "";
  const isNew = id !== basket();
  swap(page, "slip");
  swap(page, "finds");
  place(page);
  const path = fresh.dataset.path ?? "/counter";
  for (const form of [scanForm, document.getElementById("tags")]) {
    if (form instanceof HTMLFormElement) form.action = `${path}/scan`;
  }
  if (isNew && id) history.replaceState(null, "", path);
  const faults = Array.from(fresh.querySelectorAll(".faults li"), (li) => li.textContent ?? "").join(" ");
  const gone = Array.from(fresh.querySelectorAll(".told > .hidden"), (p) => p.textContent ?? "").join(" ");
  const sum = Array.from(fresh.querySelectorAll(".sum > span"), (part) => part.textContent?.trim() ?? "").join(" ");
  say([faults, gone, sum].filter(Boolean).join(" · "));
  listen();
}

/** The ribbon follows the sale; a scan that starts a sale is for the channel that it names. @param {Document} page */
function place(page) {
  const [fresh, old] = [page.getElementById("place"), document.getElementById("place")];
  if (!fresh || !old) return;
  for (const field of document.querySelectorAll("input[name=channel]")) {
    if (field instanceof HTMLInputElement) field.value = fresh.dataset.channel ?? "";
  }
  if (!old.contains(document.activeElement)) return old.replaceWith(document.adoptNode(fresh));
  // Somebody is at its buttons, which stay. What they do is for the sale that is open now.
  old.setAttribute("action", fresh.getAttribute("action") ?? "");
  old.dataset.channel = fresh.dataset.channel ?? "";
  old.className = fresh.className;
  for (const part of ["p", "summary"]) {
    const [own, other] = [old.querySelector(part), fresh.querySelector(part)];
    if (own && other) own.replaceChildren(...Array.from(other.childNodes));
  }
}

let isSending = false;
let wait = FIRST_WAIT_MS;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let timer;

/** @param {string} words */
function later(words) {
  const count = queue().length;
  say(`${words} ${count === 1 ? "1 scan is" : `${count} scans are`} waiting and will be sent again automatically.`, true);
  clearTimeout(timer);
  timer = setTimeout(send, wait);
  wait = Math.min(wait * 2, LONGEST_WAIT_MS);
}

/** Sends the waiting scans one after the other. */
async function send() {
  if (isSending || !scanForm) return;
  isSending = true;
  clearTimeout(timer);
  try {
    for (let scan = queue()[0]; scan; scan = queue()[0]) {
      if (!(await sendOne(scan))) return;
      wait = FIRST_WAIT_MS;
    }
  } finally {
    isSending = false;
  }
}

/** @param {Scan} scan @returns {Promise<boolean>} whether it was answered */
async function sendOne(scan) {
  const body = new URLSearchParams({ _seal: hidden("_seal"), _key: scan.key, code: scan.code, channel: scan.channel, part: "slip" });
  if (scan.quantity) body.set("quantity", scan.quantity);
  let answer, text;
  try {
    const path = scan.slip ? `/counter/${scan.slip}/scan` : "/counter/scan";
    answer = await fetch(path, { method: "POST", body, signal: AbortSignal.timeout(GIVE_UP_MS) });
    text = await answer.text();
  } catch {
    later("The shop is not responding.");
    return false;
  }
  if (answer.status >= 500 || answer.status === 409 || answer.status === 429) {
    later("The shop is busy.");
    return false;
  }
  if (answer.status === 401 || answer.status === 403 || !new URL(answer.url).pathname.startsWith("/counter")) {
    say("Sign in again in this window. Your scans are saved.", true);
    return false;
  }
  const page = new DOMParser().parseFromString(text, "text/html");
  const fresh = page.getElementById("slip");
  const id = fresh?.dataset.basket ?? "";
  const isOurs = scan.slip ? scan.slip === basket() : scan.draft === draft;
  // Later scans from the same page go on the slip that this one started.
  const follows = (/** @type {Scan} */ other) => !scan.slip && other.draft === scan.draft && id !== "";
  keep(queue().filter((other) => other.key !== scan.key).map((other) => (follows(other) ? { ...other, slip: id } : other)));
  if (isOurs && fresh) {
    show(page);
    ready();
  } else if (isOurs) {
    location.assign(answer.url);
  }
  return true;
}

/** @param {string} code @param {string} [quantity] */
function lay(code, quantity = "") {
  const text = code.trim();
  if (!text) return;
  keep([...queue(), { key: chance(), slip: basket(), draft, code: text, quantity, channel: hidden("channel") }]);
  void send();
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!(form instanceof HTMLFormElement) || !scanForm) return;
  if (form === scanForm && codeField) {
    event.preventDefault();
    lay(codeField.value);
    codeField.value = "";
  } else if (form.id === "tags" && event.submitter instanceof HTMLButtonElement) {
    event.preventDefault();
    lay(event.submitter.value);
  } else if (form.hasAttribute("data-weigh")) {
    event.preventDefault();
    const fields = new FormData(form);
    lay(String(fields.get("code") ?? ""), String(fields.get("quantity") ?? ""));
  }
});

// A scanner acts as a keyboard: whatever is typed outside of a field goes to the scan line.
document.addEventListener("keydown", (event) => {
  const at = document.activeElement;
  const isTyping = at instanceof HTMLInputElement || at instanceof HTMLSelectElement || at instanceof HTMLTextAreaElement;
  if (isTyping || event.ctrlKey || event.altKey || event.metaKey || event.key.length !== 1 || event.key === " ") return;
  codeField?.focus();
});

/** @type {EventSource | undefined} */
let line;
let listensTo = "";

/** Listens for changes of the slip, or of a piece on it, made elsewhere. */
function listen() {
  const path = slip()?.dataset.path ?? "";
  if (!basket() || listensTo === path || !scanForm) return;
  line?.close();
  listensTo = path;
  line = new EventSource(`${path}/events?seen=${encodeURIComponent(slip()?.dataset.pulse ?? "")}`);
  line.addEventListener("changed", (event) => {
    if (event instanceof MessageEvent && event.data !== slip()?.dataset.pulse) void refresh();
  });
}

/** Whether somebody is typing on the slip. */
function isWriting() {
  const at = document.activeElement;
  return at instanceof HTMLInputElement && Boolean(slip()?.contains(at)) && !at.closest("[data-weigh]");
}

async function refresh() {
  if (isSending) return;
  if (isWriting()) {
    document.activeElement?.addEventListener("blur", () => setTimeout(refresh), { once: true });
    return;
  }
  try {
    const answer = await fetch(`${listensTo}/slip`, { signal: AbortSignal.timeout(GIVE_UP_MS) });
    if (answer.redirected) {
      location.assign(answer.url);
    } else if (answer.ok) {
      show(new DOMParser().parseFromString(await answer.text(), "text/html"));
    }
  } catch {
    // The next change or scan will bring it.
  }
}

addEventListener("online", () => void send());
addEventListener("pagehide", () => line?.close());
addEventListener("pageshow", (event) => {
  // A page restored from the browser's cache may be old.
  if (event.persisted) location.reload();
});
if (scanForm) {
  listen();
  if (queue().length > 0) void send();
}
