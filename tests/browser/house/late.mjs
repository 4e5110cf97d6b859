// Scripts that arrive late, as on a slow network.

/**
 * Holds back the scripts whose address matches; the answer lets them go.
 * @param {import("playwright-core").Page} page
 * @param {RegExp} address
 */
export async function late(page, address) {
  /** @type {() => void} */
  let arrives = () => {};
  const waits = new Promise((resolve) => (arrives = () => resolve(undefined)));
  await page.route(address, async (route) => {
    await waits;
    await route.continue();
  });
  return () => arrives();
}
