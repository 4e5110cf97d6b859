// @ts-check
/** Prints a receipt, on a till roll as long as the receipt is. Without this file the browser's own command prints it. */

const MM_PER_PX = 25.4 / 96;
/** The margins above and below, as in receipt-roll.css, and a little for rounding. */
const MARGINS_MM = 9;
/** As wide as a print head for paper of 80 mm. */
const ROLL_WIDTH = "72mm";

/** Makes the page as long as the receipt will be on the roll. */
function cutToLength() {
  const receipt = document.querySelector("[data-paper=roll] .receipt");
  if (!(receipt instanceof HTMLElement)) return;
  const copy = /** @type {HTMLElement} */ (receipt.cloneNode(true));
  const box = document.createElement("div");
  box.className = "counter alone roll measured";
  box.style.cssText = `position: absolute; left: -1000mm; width: ${ROLL_WIDTH}; font-size: 10pt;`;
  copy.style.cssText = `width: ${ROLL_WIDTH}; max-width: none; padding: 0; border: 0; font-size: 10pt;`;
  box.append(copy);
  document.body.append(box);
  const height = Math.ceil(copy.getBoundingClientRect().height * MM_PER_PX) + MARGINS_MM;
  box.remove();
  const sheet = new CSSStyleSheet();
  sheet.replaceSync(`@page { size: 80mm ${height}mm; margin: 4mm; }`);
  document.adoptedStyleSheets = [sheet];
}

cutToLength();
for (const button of document.querySelectorAll("[data-print]")) {
  if (!(button instanceof HTMLButtonElement)) continue;
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
