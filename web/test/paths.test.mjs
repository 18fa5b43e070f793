// Corrections of signal paths are looked at and decided about. The server behind it has two
// proposals for bench-1 slot 1 connector 1: one that agrees with what is in force, and one that
// is half a decibel off and covers less. See browser.mjs for what the environment says.
import assert from "node:assert/strict";
import { test } from "node:test";
import { fitsTheScreen, open, shoot } from "./browser.mjs";

const waiting = (page) => page.locator("table").first().locator("tbody tr");

test("proposals stand above what is in force, with what is against them", async (t) => {
  const page = await open(t, "/");
  await page.locator("nav a", { hasText: "Paths" }).click();
  await page.waitForURL(/\/paths$/);
  assert.equal(await waiting(page).count(), 2);
  assert.match(await waiting(page).first().innerText(), /beyond both uncertainties; covers less/);
  await fitsTheScreen(page);
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
  await fitsTheScreen(page);
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
  await fitsTheScreen(page);
  await shoot(page, "paths-decided");
});
