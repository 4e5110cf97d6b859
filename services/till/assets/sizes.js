// @ts-check
// The sizes that are offered follow the chosen style. The form works without this file.

const style = document.querySelector("select[name=style]");
const sizes = document.querySelector("#sizes");

/** @param {HTMLSelectElement} select */
function known(select) {
  // Without a style, the sizes of all.
  const options = select.value === "" ? [...select.options] : [...select.selectedOptions];
  const all = options.flatMap((option) => (option.dataset["sizes"] ?? "").split("|"));
  return new Set(all.filter((size) => size !== ""));
}

function offer() {
  if (!(style instanceof HTMLSelectElement)) return;
  const options = [...known(style)].map((size) => {
    const option = document.createElement("option");
    option.value = size;
    return option;
  });
  sizes?.replaceChildren(...options);
}

style?.addEventListener("change", offer);
// Somebody may have chosen before this file arrived.
offer();
