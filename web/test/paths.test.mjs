// Corrections of signal paths are looked at and decided about. The server behind it has two
// proposals for bench-1 slot 1 connector 1: one that agrees with what is in force, and one that
// is half a decibel off and covers less. See pages.test.mjs for what the environment says.
import assert from "node:assert/strict";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { chromium } from "playwright-core";

const base = process.env.BENCHYARD_URL;
const shots = process.env.BENCHYARD_SHOTS;
const screen = { width: 1366, height: 768 };
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

async function open(t, path, options = {}) {
  const context = await browser.newContext({ viewport: screen, colorScheme: "light", ...options });
  const page = await context.newPage();
  const complaints = [];
  page.on("pageerror", (e) => complaints.push(`script error: ${e.message}`));
  page.on("console", (m) => m.type() === "error" && complaints.push(`console: ${m.text()}`));
  t.after(async () => {
    await context.close();
    assert.deepEqual(complaints, []);
  });
  assert.equal((await page.goto(base + path)).status(), 200, path);
  return page;
}

async function shoot(page, name) {
  if (!shots) return;
  for (const colorScheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme });
    await page.screenshot({ path: join(shots, `${name}-${colorScheme}.png`), fullPage: true });
  }
  await page.emulateMedia({ colorScheme: "light" });
}

async function fits(page) {
  const width = await page.evaluate(() => document.documentElement.scrollWidth);
  assert.ok(width <= screen.width, `the page is ${width} pixels wide, the screen ${screen.width}`);
  const tables = await page.locator(".scroll").evaluateAll((all) => all.filter((e) => e.scrollWidth > e.clientWidth).length);
  assert.equal(tables, 0, "a table is wider than the screen");
}

const waiting = (page) => page.locator("table").first().locator("tbody tr");

test("proposals stand above what is in force, with what is against them", async (t) => {
  const page = await open(t, "/");
  await page.locator("nav a", { hasText: "Paths" }).click();
  await page.waitForURL(/\/paths$/);
  assert.equal(await waiting(page).count(), 2);
  assert.match(await waiting(page).first().innerText(), /beyond both uncertainties; covers less/);
  await fits(page);
  await shoot(page, "paths");
});

test("a proposal that is off shows where, and wants a reason", async (t) => {
  const page = await open(t, "/paths");
  await waiting(page).first().locator("a").click();
  await page.waitForURL(/\/paths\/.+/);
  assert.equal(await page.locator("svg .signal").count(), 1);
  assert.equal(await page.locator("svg .allowed").count(), 2);
  const form = page.locator("form[action$=approve]");
  await form.locator("input[name=by]").fill("bob");
  await form.locator("button").click();
  assert.equal(await form.locator("input[name=reason]").evaluate((e) => e.validity.valueMissing), true);
  assert.equal(await form.locator("input[name=narrower]").evaluate((e) => e.validity.valueMissing), true);
  await fits(page);
  await shoot(page, "correction");
});

test("a proposal is approved by somebody else, without scripts", async (t) => {
  const page = await open(t, "/paths", { javaScriptEnabled: false });
  await waiting(page).last().locator("a").click();
  await page.waitForURL(/\/paths\/.+/);
  await page.locator("form[action$=approve] input[name=by]").fill("bob");
  await page.locator("form[action$=approve] button").click();
  assert.match(await page.locator("dl.facts").innerText(), /approved by bob/);
  assert.equal(await page.locator("form").count(), 0);
  await page.locator(".crumbs a").click();
  assert.equal(await waiting(page).count(), 1);
  assert.match(await page.locator("main").innerText(), /measured by mary\s+approved by bob/);
  await fits(page);
  await shoot(page, "paths-decided");
});
