// A person is asked at a bench, and answers on the board or on the page of the
// run. The server behind it has two open prompts: one at bench-1 for a run, one
// at bench-3 for none. See browser.mjs for what the environment says.
import assert from "node:assert/strict";
import { test } from "node:test";
import { base, fitsTheScreen, open, screen, shoot } from "./browser.mjs";

test("the board says at once what a person shall do", async (t) => {
  const page = await open(t, "/");
  assert.equal(await page.locator(".ask").count(), 2);
  const ask = page.locator("#ask-bench-1 .ask");
  const size = (part) => ask.locator(part).evaluate((e) => parseFloat(getComputedStyle(e).fontSize));
  assert.ok(await size(".ask-text") >= 24, "the text is not read from the bench");
  assert.ok(await size(".ask-done") >= 20, "the button is small");
  const done = await ask.locator(".ask-done").boundingBox();
  assert.ok(done.y + done.height <= screen.height, `the button ends at ${done.y + done.height}, below the screen`);
  assert.match(await ask.locator(".ask-confirmed").innerText(), /transmitter off, .*no power at the analyzer/);
  await fitsTheScreen(page);
  await shoot(page, "prompt-board");
});

test("the page of a run asks as well, and so does the page of the prompt", async (t) => {
  const page = await open(t, "/");
  await page.locator("#bench-bench-1 .unit a").click();
  await page.waitForURL(/\/runs\//);
  assert.equal(await page.locator(".ask").count(), 1);
  await fitsTheScreen(page);
  await shoot(page, "prompt-run");
  const form = await page.locator(".ask form").getAttribute("action");
  await page.goto(base + form.replace("/answer", ""));
  assert.equal(await page.locator(".ask").count(), 1);
  assert.equal(await page.locator("[sse-connect]").count(), 0, "the page does not stand still");
  await fitsTheScreen(page);
  await shoot(page, "prompt");
});

test("news of the bench do not sweep away what is typed", async (t) => {
  const page = await open(t, "/campaigns");
  await page.route("**/events?*", (route) => route.fulfill({
    contentType: "text/event-stream",
    body: "event: bench-bench-3\nid: 41\ndata: <p>changed by an event</p>\n\n",
  }));
  await page.goto(`${base}/`);
  await page.locator("#ask-bench-3 input[name=by]").fill("bob");
  await page.locator("#bench-bench-3", { hasText: "changed by an event" }).waitFor();
  assert.equal(await page.locator("#ask-bench-3 input[name=by]").inputValue(), "bob");
});

test("a prompt is answered with a name, not without", async (t) => {
  const page = await open(t, "/");
  const ask = page.locator("#ask-bench-3");
  await ask.locator(".ask-done").click();
  assert.equal(await ask.locator("input[name=by]").evaluate((e) => e.validity.valueMissing), true);
  await ask.locator("input[name=by]").fill("bob");
  await page.keyboard.press("Enter"); // not meant as an answer
  assert.equal(await page.locator("#ask-bench-3 .ask").count(), 1, "the enter key answered");
  await ask.locator(".ask-done").click();
  await page.waitForFunction(() => document.querySelectorAll("#ask-bench-3 .ask").length === 0);
  assert.equal(new URL(page.url()).pathname, "/");
  assert.equal(await page.locator("#ask-bench-1 .ask").count(), 1, "the other prompt is gone, too");
});

test("a prompt is answered without scripts", async (t) => {
  const page = await open(t, "/", { javaScriptEnabled: false });
  await page.locator("#bench-bench-1 .unit a").click();
  await page.waitForURL(/\/runs\//);
  await page.locator(".ask noscript a, .ask a").first().click();
  await page.waitForURL(/\/prompts\//);
  await page.locator("input[name=by]").fill("eve");
  await page.locator("input[name=note]").fill("load 3 replaced");
  await page.locator(".ask-done").click();
  assert.match(await page.locator("dl.facts").innerText(), /done by eve[\s\S]*load 3 replaced/);
  await page.locator(".crumbs a").last().click();
  assert.match(await page.locator(".hands").innerText(), /Connect the measuring cable .* done by eve/);
  await fitsTheScreen(page);
  await shoot(page, "prompt-done");
});
