// A tour of the demo's shop that visits every page.

import { scan } from "./hand.mjs";
import { patternOf, patterns } from "./addresses.mjs";

/** How many links of one kind are followed: the second may show what the first does not. */
const LINKS_OF_A_KIND = 3;

/** Tries a step of the tour; if it fails, its pages remain unvisited, and the test names them. */
async function step(name, went, act) {
  try {
    await act();
  } catch (error) {
    went.push(`${name}: ${error.message.split("\n")[0]}`);
  }
}

/** Codes of pieces on the demo's shelf. */
async function codes(page, count) {
  await page.goto("/counter");
  return page.locator("#tags button[name=code]").evaluateAll((tags, most) => tags.slice(0, most).map((tag) => tag.value), count);
}

/** Does what some pages require before they exist; returns their addresses, and the steps that failed. */
export async function prepare(page) {
  const addresses = [];
  const went = [];
  const keep = () => addresses.push(page.url());
  const [first, second, third] = await codes(page, 3);
  await step("a slip being paid", went, async () => {
    await scan(page, first);
    await page.locator("#slip > ol > li").first().waitFor();
    const basket = await page.locator("#slip").getAttribute("data-path");
    await page.getByRole("button", { name: "Cash", exact: true }).click();
    await page.getByRole("heading", { name: "Take payment", level: 1 }).waitFor();
    keep();
    addresses.push(basket);
  });
  await step("a receipt", went, async () => {
    await page.goto("/counter");
    await scan(page, second);
    await page.locator("#slip > ol > li").first().waitFor();
    await page.getByRole("button", { name: "Card", exact: true }).click();
    await page.getByRole("button", { name: "Complete sale", exact: true }).click();
    await page.waitForURL(/\/counter\/sales\/\d+/);
    keep();
    addresses.push(`${new URL(page.url()).pathname}/refund`);
  });
  await step("a refund", went, async () => {
    await page.goto("/counter");
    const [piece] = await codes(page, 1);
    await scan(page, piece);
    await page.locator("#slip > ol > li").first().waitFor();
    await page.getByRole("button", { name: "Card", exact: true }).click();
    await page.getByRole("button", { name: "Complete sale", exact: true }).click();
    await page.waitForURL(/\/counter\/sales\/\d+/);
    await page.getByRole("link", { name: "Refund or exchange" }).click();
    await page.getByLabel("Reason").fill("too small");
    await page.getByRole("button", { name: "Refund everything" }).click();
    addresses.push((await page.getByRole("link", { name: "refund slip" }).getAttribute("href")) ?? "");
  });
  await step("a slip", went, async () => {
    await page.goto("/counter");
    await scan(page, third);
    await page.locator("#slip > ol > li").first().waitFor();
    addresses.push(await page.locator("#slip").getAttribute("data-path"));
  });
  await step("a customer", went, async () => {
    await page.goto("/customers");
    await page.getByLabel("Name", { exact: true }).fill("Ada Moss");
    await page.getByRole("button", { name: "Add customer" }).click();
    await page.waitForURL(/\/customers\/\d+$/);
    keep();
  });
  await step("a custom order and its deposit", went, async () => {
    await page.goto("/counter/custom-orders/new");
    keep();
    await page.getByLabel("Customer’s name").fill("Cleo Marsh");
    await page.getByLabel("Due date").fill(new Date(Date.now() + 3 * 86_400_000).toISOString().slice(0, 10));
    await page.getByRole("button", { name: "Save custom order" }).click();
    await page.waitForURL(/\/counter\/custom-orders\/\d+$/);
    keep();
    await page.getByLabel("Amount", { exact: true }).fill("5.00");
    await page.getByRole("button", { name: "Take deposit" }).click();
    await page.getByRole("button", { name: "Card", exact: true }).click();
    await page.getByRole("button", { name: "Complete sale", exact: true }).click();
    await page.waitForURL(/\/counter\/sales\/\d+/);
    addresses.push((await page.locator("a[href*='/counter/deposits/']").first().getAttribute("href")) ?? "");
  });
  await step("a gift certificate", went, async () => {
    await page.goto("/counter");
    await page.getByText("Sell a gift certificate or take a deposit").click();
    await page.getByLabel("Amount", { exact: true }).fill("25.00");
    await page.getByRole("button", { name: "Add to sale" }).click();
    await page.locator("#slip .sum", { hasText: "$25.00" }).waitFor();
    await page.getByRole("button", { name: "Card", exact: true }).click();
    await page.getByRole("button", { name: "Complete sale", exact: true }).click();
    await page.waitForURL(/\/counter\/sales\/\d+/);
    addresses.push((await page.getByRole("link", { name: "Print gift certificate" }).getAttribute("href")) ?? "");
  });
  await step("a hold", went, async () => {
    await page.goto("/counter");
    await page.locator("#tags button[name=code]").last().click();
    await page.locator("#slip > ol > li").first().waitFor();
    await page.getByText("Discount, hold or discard").click();
    await page.locator("#slip input[name=forWhom]").fill("Ash Fen");
    await page.getByRole("button", { name: "Hold for customer", exact: true }).click();
    addresses.push((await page.locator("#on-hold a[href*='/counter/holds/']").first().getAttribute("href")) ?? "");
  });
  await step("a drawer", went, async () => {
    await page.goto("/counter/drawer");
    keep();
    await page.locator(".coins input").first().fill("2");
    await page.getByRole("button", { name: "Open drawer" }).click();
    await page.locator(".coins input").first().fill("2");
    await page.getByRole("button", { name: "Close drawer" }).click();
    await page.goto("/counter/drawer");
    await page.locator("a[href*='/counter/drawer/']").first().waitFor();
  });
  await step("a tag", went, async () => {
    await page.goto("/workbench");
    await page.getByLabel("Scale reading").fill("6.35 oz");
    await page.getByRole("button", { name: "Save and print tag" }).click();
    await page.getByRole("heading", { name: "The tag is ready" }).waitFor();
    keep();
  });
  await step("a count", went, async () => {
    await page.goto("/shelf/counts");
    await page.getByRole("button", { name: "Start count" }).click();
    await page.waitForURL(/\/shelf\/counts\/\d+/);
    keep();
    addresses.push(`${new URL(page.url()).pathname}/differences`);
  });
  await step("a connected shop", went, async () => {
    await page.goto("/online/new-connection");
    await page.getByLabel(/^Name/).fill("shop");
    // Only one connection of a channel can have orders, and the demo's online shop has it for its own.
    const text = page.locator("textarea[name=text]");
    await text.fill((await text.inputValue()).replace('channel = "online"', 'channel = "market"'));
    await page.getByRole("button", { name: "Save connection" }).click();
    await page.waitForURL(/\/online\/connections\/[^/]+$/);
    keep();
    addresses.push(`${new URL(page.url()).pathname}/text`);
  });
  return { addresses: addresses.filter(Boolean), went };
}

/** An address of each page, found by following links, and the pages that cannot be reached. */
export async function everyPage(page, beginnings) {
  const all = patterns();
  const found = new Map();
  const followed = new Map();
  const waiting = [...beginnings];
  while (waiting.length > 0) {
    const address = waiting.shift();
    const pattern = patternOf(all, address);
    const times = followed.get(pattern) ?? 0;
    if (!pattern || times >= LINKS_OF_A_KIND) continue;
    followed.set(pattern, times + 1);
    const answer = await page.goto(address);
    if (answer?.status() !== 200 || patternOf(all, page.url()) !== pattern) continue;
    if (!found.has(pattern)) found.set(pattern, address);
    waiting.push(...(await page.locator("a[href^='/']").evaluateAll((links) => links.filter((link) => !link.hasAttribute("download")).map((link) => link.getAttribute("href")))));
  }
  const missing = all.filter((pattern) => !found.has(pattern) && !["/sign-in", "/sign-in/code", "/setup"].includes(pattern));
  return { found, missing };
}
