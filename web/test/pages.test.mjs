// Drives the pages of a running server with a real browser; browser.mjs says what
// the environment has to name.
import assert from "node:assert/strict";
import { test } from "node:test";
import { base, fitsTheScreen, open, screen, shoot } from "./browser.mjs";

/** Follows links from the newest campaign to its first run: the one that needs attention most. */
async function toFirstRun(page) {
  await page.goto(`${base}/campaigns`);
  await page.locator("tbody th a").first().click();
  await page.locator(".matrix tbody tr:has(.cell-margin) th a").first().click();
  await page.waitForURL(/\/runs\//);
}

async function drawn(page) {
  await page.waitForSelector("figure.plot[data-state=drawn]", { timeout: 20_000 });
  const colours = await page.locator("figure.plot canvas").evaluate((canvas) => {
    const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
    return new Set(new Uint32Array(data.buffer)).size;
  });
  assert.ok(colours > 4, `the canvas holds ${colours} colours, so nothing was drawn`);
}

test("the bench board shows every bench, marked as simulated, and listens", async (t) => {
  const page = await open(t, "/");
  assert.ok(await page.locator(".bench").count() > 0, "no bench on the board");
  assert.ok(await page.locator(".simulated").isVisible());
  await page.waitForFunction(() => performance.getEntriesByType("resource").length > 1);
  const stream = await page.evaluate(async () => {
    const source = new EventSource(document.body.getAttribute("sse-connect"));
    const state = await new Promise((r) => { source.onopen = () => r("open"); source.onerror = () => r("refused"); });
    source.close();
    return state;
  });
  assert.equal(stream, "open");
  await fitsTheScreen(page);
  await shoot(page, "board");
});

test("a change swaps its part of the page in", async (t) => {
  const page = await open(t, "/campaigns");
  await page.route("**/events?*", (route) => route.fulfill({
    contentType: "text/event-stream",
    body: "event: queue\nid: 41\ndata: <p>changed by\ndata:  an event</p>\n\n",
  }));
  await page.goto(`${base}/`);
  await page.locator("#queue", { hasText: "changed by an event" }).waitFor();
  assert.ok(await page.locator(".bench").count() > 0, "the rest of the page is gone");
});

test("a page says when it is not live, and takes up again", async (t) => {
  const page = await open(t, "/campaigns", {}, /^console: Failed to load resource/);
  let down = true;
  await page.route("**/events?*", (route) => (down ? route.abort() : route.continue()));
  await page.goto(`${base}/`);
  await page.locator("#not-live", { hasText: "Not live since" }).waitFor();
  down = false;
  await page.locator("#not-live").waitFor({ state: "hidden" });
});

test("a page that nobody looks at lets go of its stream", async (t) => {
  const page = await open(t, "/campaigns");
  await page.addInitScript(() => {
    const native = window.EventSource;
    window.streams = [];
    window.EventSource = class extends native {
      constructor(url) { super(url); window.streams.push(this); }
    };
  });
  await page.goto(`${base}/`);
  const look = (hidden) => page.evaluate((hidden) => {
    Object.defineProperty(document, "hidden", { configurable: true, get: () => hidden });
    document.dispatchEvent(new Event("visibilitychange"));
    return window.streams.map((s) => s.readyState !== EventSource.CLOSED);
  }, hidden);
  await page.waitForFunction(() => window.streams.length > 0);
  assert.deepEqual(await look(true), [false]);
  assert.deepEqual(await look(false), [false, true]);
});

test("a campaign is not cancelled by one slip", async (t) => {
  const page = await open(t, "/campaigns");
  await page.locator('tr:has(.s-active) th a').first().click();
  const button = page.locator(".end button");
  assert.ok(await button.isHidden(), "one click would cancel the campaign");
  await page.locator(".end summary").click();
  assert.match(await button.innerText(), /^Cancel .+ now$/);
});

for (const colorScheme of ["light", "dark"]) {
  test(`a case is printed whole on light paper (${colorScheme} screen)`, async (t) => {
    const page = await open(t, "/campaigns", { colorScheme });
    await toFirstRun(page);
    await drawn(page);
    await page.setViewportSize({ width: 700, height: 1000 }); // about a sheet of A4
    await page.emulateMedia({ media: "print", colorScheme });
    const print = await page.evaluate(() => {
      const box = document.querySelector("figure.plot canvas").getBoundingClientRect();
      return { right: box.right, width: innerWidth, sheet: getComputedStyle(document.documentElement).getPropertyValue("--sheet").trim() };
    });
    assert.ok(print.right <= print.width, `the plot ends at ${print.right} of ${print.width}`);
    assert.equal(print.sheet, "#fff");
  });
}

test("a keyboard finds its way, and sees where it is", async (t) => {
  const page = await open(t, "/");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  const focus = await page.evaluate(() => {
    const at = document.activeElement;
    return { text: at.textContent, outline: getComputedStyle(at).outlineStyle };
  });
  assert.deepEqual(focus, { text: "Benches", outline: "solid" });
});

test("a campaign shows its units, fails first", async (t) => {
  const page = await open(t, "/campaigns");
  await fitsTheScreen(page);
  await shoot(page, "campaigns");
  await page.locator("tbody th a").first().click();
  const verdicts = await page.locator(".matrix tbody tr > td:nth-child(2)").allInnerTexts();
  assert.ok(verdicts.length > 0, "the campaign has no rows");
  const fails = verdicts.map((v) => v.trim() === "fail");
  assert.deepEqual(fails, [...fails].sort((a, b) => b - a), "fails do not stand first");
  await fitsTheScreen(page);
  await shoot(page, "campaign");
});

test("a run shows its figures and the plot of its worst case", async (t) => {
  const page = await open(t, "/campaigns");
  await toFirstRun(page);
  await drawn(page);
  assert.match(await page.locator(".plot-worst").innerText(), /^Least margin [+−][\d.]+ (dB|[kM]?Hz): /);
  const verdicts = await page.locator(".cases .verdict").count();
  assert.ok(verdicts > 0, "no judged figure on the page");
  await fitsTheScreen(page);
  await shoot(page, "run");
});

for (const clause of ["6.6.4", "6.6.5"]) {
  test(`a case of ${clause} shows mask and worst point`, async (t) => {
    const page = await open(t, "/campaigns");
    await toFirstRun(page);
    await page.locator(`.cases th a:text-is("${clause}")`).first().click();
    await page.waitForURL(/\/cases\//);
    await drawn(page);
    const plot = page.locator("figure.plot");
    assert.ok(Number(await plot.getAttribute("data-masks")) > 0, "no mask was drawn");
    const worst = page.locator(".plot-worst");
    assert.ok(Number(await worst.getAttribute("data-hz")) > 0, "the worst point has no place");
    const margins = await page.locator("table").first().locator("tbody td:nth-child(6)").allInnerTexts();
    const least = Math.min(...margins.map((m) => Number(m.replace("−", "-").replace(" dB", ""))));
    assert.ok(Math.abs(Number(await worst.getAttribute("data-margin")) - least) < 0.006, "the plot marks another point than the table");
    await shoot(page, `case-${clause}`);

    const choice = page.locator(".plot-choice");
    const options = await choice.locator("option").count();
    assert.ok(options > 1, "there is only one trace to choose");
    await choice.selectOption({ index: options - 1 });
    await drawn(page);
    await fitsTheScreen(page);
  });
}

for (const clause of ["6.2", "6.6.2", "6.6.3"]) {
  test(`a case of ${clause} shows what its figure was taken over`, async (t) => {
    const page = await open(t, "/campaigns");
    await toFirstRun(page);
    await page.locator(`.cases th a:text-is("${clause}")`).first().click();
    await page.waitForURL(/\/cases\//);
    await drawn(page);
    const plot = page.locator("figure.plot");
    assert.equal(await plot.getAttribute("data-masks"), "0", "a single figure has no mask");
    assert.ok(Number(await plot.getAttribute("data-shades")) > 0, "no span was shaded");
    await fitsTheScreen(page);
    await shoot(page, `case-${clause}`);
  });
}

for (const javaScriptEnabled of [true, false]) {
  test(`every figure leads to the page that explains its verdict (scripts ${javaScriptEnabled ? "on" : "off"})`, async (t) => {
    const page = await open(t, "/campaigns", { javaScriptEnabled });
    await toFirstRun(page);
    await page.locator('.cases th a:text-is("6.6.5")').first().click();
    await page.waitForURL(/\/cases\/\d+$/);
    const links = page.locator("a.why");
    assert.equal(await links.count(), await page.locator("table").first().locator("tbody tr").count(), "a figure has no link");
    await links.first().click();
    await page.waitForURL(/\/cases\/\d+\/figures\/6\.6\.5\//);
    assert.deepEqual(await page.locator(".step h2").allInnerTexts(), ["Read at the analyzer", "Path correction", "Figure at the connector",
      "Uncertainty of the figure", "Requirement", "Decision rule", "Verdict"]);
    const said = async (name) => (await page.locator(`dt:text-is("${name}") + dd`).innerText()).replace("−", "-");
    const level = (text) => Number(/([-+]?[\d.]+) dBm?/.exec(text)[1]);
    const sum = level(await said("Level as read")) + level(await said("Path loss added"));
    assert.ok(Math.abs(sum - level(await said("Figure"))) < 0.016, "reading and correction do not add up to the figure");
    assert.ok(await page.locator(".budget tbody tr").count() > 2, "the budget has no parts");
    await fitsTheScreen(page);
    if (javaScriptEnabled) {
      await shoot(page, "figure");
      await page.locator("#requirement").evaluate((e) => e.scrollIntoView());
      await shoot(page, "figure-below");
    }
  });
}

test("yield comes with its interval, drawn and in numbers", async (t) => {
  const page = await open(t, "/yield");
  assert.ok(await page.locator(".interval svg .bar").count() > 0, "no interval is drawn");
  assert.match(await page.locator(".interval-text").first().innerText(), /[\d.]+ % \d+ of \d+, [\d.]+ % to [\d.]+ %/);
  await fitsTheScreen(page);
  await shoot(page, "yield");
});

test("pages work without scripts", async (t) => {
  const page = await open(t, "/", { javaScriptEnabled: false });
  assert.ok(await page.locator(".bench").count() > 0);
  await page.goto(`${base}/campaigns`);
  await page.locator("tbody th a").first().click();
  assert.ok(await page.locator(".matrix tbody tr").count() > 0);
});

test("the page of a bench draws its golden unit, and holds and releases", async (t) => {
  const page = await open(t, "/");
  await page.locator("#bench-bench-1 h2 a").click();
  await page.waitForURL(/\/benches\/bench-1$/);
  assert.ok(await page.locator("figure.plot.drawn polyline.path").count() > 0, "nothing is drawn");
  assert.match(await page.locator("table").innerText(), /left its limits/);
  await fitsTheScreen(page);
  await shoot(page, "bench");
  const hold = page.locator("form[action$='/hold']");
  await hold.locator("[name=by]").fill("ann");
  await hold.locator("[name=reason]").fill("new cables");
  await hold.locator("button").click();
  assert.match(await page.locator(".hold").innerText(), /new cables/);
  const release = page.locator("form[action$='/release']");
  await release.locator("[name=by]").fill("ann");
  await release.locator("button").click();
  assert.equal(await page.locator(".hold").count(), 0);
});
