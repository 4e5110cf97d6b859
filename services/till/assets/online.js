// @ts-check
// Editing a layout: while somebody types, the first rows of the chosen file are read again. Without
// this script, a button does the same.

/** The pause in typing, in milliseconds, after which the rows are fetched. */
const REST_MS = 350;
/** How many bytes of the file are sent: enough for its first rows. */
const HEAD_BYTES = 256 * 1024;

const form = document.querySelector("form[data-preview]");
if (form instanceof HTMLFormElement) watch(form);

/** @param {HTMLFormElement} form */
function watch(form) {
  const file = form.querySelector("input[type=file]");
  const rows = document.getElementById("rows");
  if (!(file instanceof HTMLInputElement) || !rows) return;
  /** @type {number | undefined} */
  let timer;
  let running = new AbortController();
  const later = () => {
    clearTimeout(timer);
    timer = window.setTimeout(() => {
      running.abort();
      running = new AbortController();
      void show(form, file, rows, running.signal);
    }, REST_MS);
  };
  form.addEventListener("input", (event) => {
    if (event.target instanceof HTMLTextAreaElement) later();
  });
  file.addEventListener("change", later);
  // Somebody may have chosen a file before this script arrived.
  if (file.files?.length) later();
}

/**
 * @param {HTMLFormElement} form
 * @param {HTMLInputElement} file
 * @param {HTMLElement} rows
 * @param {AbortSignal} signal
 */
async function show(form, file, rows, signal) {
  const body = new FormData();
  for (const name of ["_seal", "text"]) {
    const field = form.elements.namedItem(name);
    if (field instanceof HTMLInputElement || field instanceof HTMLTextAreaElement) body.set(name, field.value);
  }
  body.set("part", "rows");
  const chosen = file.files?.[0];
  if (chosen) {
    if (chosen.size > HEAD_BYTES) body.set("cut", "yes");
    body.set("file", chosen.slice(0, HEAD_BYTES), chosen.name);
  }
  try {
    const answer = await fetch(form.dataset.preview ?? "", { method: "POST", body, signal });
    // Who is no longer signed in is led to another page.
    if (answer.redirected) throw new Error("signed out");
    const html = await answer.text();
    const page = new DOMParser().parseFromString(html, "text/html");
    rows.replaceChildren(...(answer.ok ? page.body.childNodes : [page.querySelector("main p") ?? ""]));
  } catch (trouble) {
    if (!signal.aborted) rows.textContent = "The rows could not be read. Try again with the button below the file.";
  }
}
