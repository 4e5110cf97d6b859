// @ts-check
// A button to print; without scripts the browser's own menu does it.

const button = document.querySelector("[data-print]");
if (button instanceof HTMLButtonElement) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
  button.focus();
}
