// @ts-check
// The price while somebody types. A form names in data-price where the price is asked for, and in data-priced-by
// the fields on which it depends; the answer goes into #slip. The form works without this file.

/** The least time between two requests for the price, in milliseconds. */
const PAUSE = 150;

/** @param {HTMLFormElement} form */
function follow(form) {
  const slip = document.querySelector("#slip");
  if (!(slip instanceof HTMLElement)) throw new Error("no #slip");
  const address = form.dataset["price"] ?? "";
  const fields = (form.dataset["pricedBy"] ?? "").split(" ");
  /** @type {AbortController | undefined} */
  let asking;
  /** @type {number | undefined} */
  let timer;
  let last = -PAUSE;
  let asked = question();

  function question() {
    const data = new FormData(form);
    const query = new URLSearchParams();
    for (const name of fields) query.set(name, String(data.get(name) ?? "").trim());
    return query.toString();
  }

  async function ask() {
    timer = undefined;
    const query = question();
    if (query === asked) return;
    asked = query;
    last = performance.now();
    asking?.abort();
    asking = new AbortController();
    slip?.classList.add("asking");
    try {
      const answer = await fetch(`${address}?${query}`, { signal: asking.signal });
      // Who is no longer signed in is led to another page.
      if (answer.redirected || !answer.ok) throw new Error(String(answer.status));
      slip?.replaceChildren(document.createRange().createContextualFragment(await answer.text()));
      slip?.classList.remove("asking");
    } catch (error) {
      if (error instanceof DOMException && error.name === "AbortError") return;
      // The shown price does not belong to what is typed; the form reports the error when it is sent.
      asked = "";
      const words = document.createElement("p");
      words.className = "empty";
      words.textContent = "The price can’t be calculated right now. You will see it when you save.";
      slip?.replaceChildren(words);
      slip?.classList.remove("asking");
    }
  }

  function askSoon() {
    if (timer !== undefined) return;
    timer = setTimeout(ask, Math.max(0, last + PAUSE - performance.now()));
  }

  form.addEventListener("input", askSoon);
  form.addEventListener("change", askSoon);
  // Somebody may have typed before this file arrived.
  if (fields.some((name) => isTyped(form.elements.namedItem(name)))) {
    asked = "";
    askSoon();
  }
}

/** @param {Element | RadioNodeList | null} field */
function isTyped(field) {
  if (field instanceof HTMLSelectElement) {
    // If the page chose none, the browser shows the first.
    const chosen = [...field.options].findIndex((option) => option.defaultSelected);
    return field.selectedIndex !== Math.max(0, chosen);
  }
  return field instanceof HTMLInputElement && field.value !== field.defaultValue;
}

for (const form of document.querySelectorAll("form[data-price]")) {
  if (form instanceof HTMLFormElement) follow(form);
}

// Where a keyboard covers the page instead of shrinking it, the strip with the price and Save moves above it.

const view = window.visualViewport;
function lift() {
  const hidden = view && view.scale < 1.01 ? innerHeight - view.height - view.offsetTop : 0;
  document.documentElement.style.setProperty("--keyboard", `${Math.max(0, hidden)}px`);
}
view?.addEventListener("resize", lift);
view?.addEventListener("scroll", lift);
