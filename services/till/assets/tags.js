// @ts-check
// One press prints the tags and marks them as printed; without scripts the browser's own menu prints them.

const form = document.querySelector("form[data-print]");
const button = form?.querySelector("button");
const said = form?.querySelector("[data-said]");

/** @param {HTMLFormElement} printed */
async function mark(printed) {
  const body = new URLSearchParams();
  for (const [name, value] of new FormData(printed)) body.append(name, String(value));
  try {
    // The answer leads to another page, and this one is still needed.
    const answer = await fetch(printed.action, { method: "POST", body, redirect: "manual" });
    return answer.ok || answer.type === "opaqueredirect";
  } catch {
    return false;
  }
}

if (form instanceof HTMLFormElement && button instanceof HTMLButtonElement) {
  button.textContent = form.dataset["print"] ?? "";
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const isMarked = await mark(form);
    if (said) said.textContent = isMarked ? "Marked as printed." : "Not marked as printed yet. Print again later.";
    window.print();
  });
  button.focus();
}
