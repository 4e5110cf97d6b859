// A user who counts their inputs. One input is one scan, one field filled in, or one press; looking and
// waiting are free.

/** Milliseconds between a scanner's keys: it acts as a very fast keyboard. */
const SCANNER_MS = 2;

/** A page focuses its field when it is painted, which a user sees and waits for. */
const ready = (page) => page.locator("input:focus").waitFor();

/** Types a code into the focused element, as a scanner does. */
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

  /** Types into the focused element. */
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
