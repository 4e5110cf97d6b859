// A hand at the shop, which counts what it does. One input is one scan, one field filled in, or one
// thing pressed; looking and waiting are free.

/** Milliseconds between a scanner's keys: it is a keyboard that types faster than anybody. */
const SCANNER_MS = 2;

/** A page gives its field the focus when it is painted, which a hand sees and waits for. */
const ready = (page) => page.locator("input:focus").waitFor();

/** Types a code as a scanner does, into whatever has the focus. */
export async function scan(page, code) {
  await ready(page);
  await page.keyboard.type(code, { delay: SCANNER_MS });
  await page.keyboard.press("Enter");
}

export class Hand {
  inputs = 0;
  #page;

  constructor(page) {
    this.#page = page;
  }

  async scan(code) {
    this.inputs += 1;
    await scan(this.#page, code);
  }

  /** Types into what has the focus already. */
  async type(text) {
    this.inputs += 1;
    await ready(this.#page);
    await this.#page.keyboard.type(text, { delay: SCANNER_MS });
  }

  async fill(field, text) {
    this.inputs += 1;
    await field.fill(text);
  }

  async press(button) {
    this.inputs += 1;
    await button.click();
  }
}
