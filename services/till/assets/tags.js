// @ts-check
// One press prints the tags and marks them as printed; without scripts the browser's own menu prints them.

/** How long marking may take, in milliseconds. */
const MARK_MS = 10_000;

const form = document.querySelector("form[data-print]");
const button = form?.querySelector("[data-print-tags]");
const said = form?.querySelector("[data-said]");

const MARKED = "Marked as printed.";
const NOT_MARKED = "Not marked as printed. Reload the page and press “Mark as printed”.";
const UNKNOWN = "No answer came. Reload the page to see whether the tags are marked as printed.";

/**
 * What became of marking. Who is no longer signed in is led elsewhere.
 * @param {HTMLFormElement} printed
 */
async function mark(printed) {
  const body = new URLSearchParams();
  for (const [name, value] of new FormData(printed)) body.append(name, String(value));
  try {
    const answer = await fetch(printed.action, { method: "POST", body, signal: AbortSignal.timeout(MARK_MS) });
    return answer.ok && new URL(answer.url).pathname === "/shelf/tags" ? MARKED : NOT_MARKED;
  } catch {
    return UNKNOWN;
  }
}

if (form instanceof HTMLFormElement && button instanceof HTMLButtonElement) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    button.disabled = true;
    if (said) said.textContent = "";
    window.print();
    const words = await mark(form);
    if (said) said.textContent = words;
    button.disabled = false;
  });
  button.focus();
}
