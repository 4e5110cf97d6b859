// @ts-check
/** Says how many pieces are ticked while somebody ticks. Without this file the page says it after “Tick all”. */

const form = document.querySelector("form[data-choose]");
const said = form?.querySelector("[data-ticked]");
if (form instanceof HTMLFormElement && said) {
  form.addEventListener("change", () => {
    const ticked = form.querySelectorAll("input[name=piece]:checked").length;
    const words = ticked === 1 ? "1 piece is ticked." : `${ticked} pieces are ticked.`;
    said.textContent = ticked === 0 ? "Nothing is ticked yet." : words;
  });
}
