// What the browser tests have in common: a browser for each file, pages that fail
// their test on script errors, refused content and requests to anywhere else, and
// pictures of them.
//
//   BENCHYARD_URL    address of the server, with at least one measured campaign
//   BENCHYARD_SHOTS  folder for screenshots; none are taken without it
//   CHROMIUM         the browser; /usr/bin/chromium when not given
import assert from "node:assert/strict";
import { join } from "node:path";
import { after, before } from "node:test";
import { chromium } from "playwright-core";

export const base = process.env.BENCHYARD_URL;
export const screen = { width: 1366, height: 768 };
const shots = process.env.BENCHYARD_SHOTS;
let browser;

before(async () => {
  assert.ok(base, "set BENCHYARD_URL to the address of a running server");
  browser = await chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync"],
  });
});

after(async () => browser?.close());

/** Opens a page; complaints that match tolerated do not count. */
export async function open(t, path, options = {}, tolerated = undefined) {
  const context = await browser.newContext({ viewport: screen, colorScheme: "light", ...options });
  const page = await context.newPage();
  const complaints = [];
  page.on("pageerror", (e) => complaints.push(`script error: ${e.message}`));
  page.on("console", (m) => m.type() === "error" && complaints.push(`console: ${m.text()}`));
  page.on("request", (r) => !r.url().startsWith(base) && !r.url().startsWith("data:") && complaints.push(`foreign request: ${r.url()}`));
  t.after(async () => {
    await context.close();
    assert.deepEqual(complaints.filter((c) => !tolerated?.test(c)), []);
  });
  const answer = await page.goto(base + path);
  assert.equal(answer.status(), 200, path);
  return page;
}

/** Takes a picture in both colour schemes. */
export async function shoot(page, name) {
  if (!shots) return;
  for (const colorScheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme });
    await page.screenshot({ path: join(shots, `${name}-${colorScheme}.png`) });
  }
  await page.emulateMedia({ colorScheme: "light" });
}

/** Nothing is wider than the screen: the page, its tables, benches and prompts. */
export async function fitsTheScreen(page) {
  const width = await page.evaluate(() => document.documentElement.scrollWidth);
  assert.ok(width <= screen.width, `the page is ${width} pixels wide, the screen ${screen.width}`);
  const cut = await page.locator(".scroll, .bench, .ask").evaluateAll((all) => all
    .filter((e) => e.scrollWidth > e.clientWidth || e.getBoundingClientRect().right > innerWidth).map((e) => e.className));
  assert.deepEqual(cut, [], "something is cut off");
}
