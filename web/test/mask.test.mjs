// Masks as they are drawn, against the limits they come from.
import assert from "node:assert/strict";
import { test } from "node:test";
import { build } from "esbuild";

const bundled = await build({ entryPoints: [new URL("../src/mask.ts", import.meta.url).pathname], bundle: true, write: false, format: "esm" });
const { channelsOf, countLimits, levelsOf, masksOf, shadesOf, titleOf, traceOf } = await import(`data:text/javascript,${encodeURIComponent(bundled.outputFiles[0].text)}`);

const everywhere = { from: 0, to: 1e12 };

function limit(more) {
  return { key: "6.6.4/gap1/1", unit: "dBm", side: "upper", upper: -10, upper_to: -20, frequency_from_hz: 2e9, frequency_to_hz: 2.01e9, sum: [], ...more };
}

function curve(...points) {
  return { points: points.map(([frequency_hz, level_dbm]) => ({ frequency_hz, level_dbm })) };
}

const sumOf = (...levels) => 10 * Math.log10(levels.reduce((sum, v) => sum + 10 ** (v / 10), 0));

function drawnAt(pieces, f) {
  const p = pieces.find((one) => one.from <= f && f <= one.to);
  return p.atFrom + ((p.atTo - p.atFrom) * (f - p.from)) / (p.to - p.from);
}

test("a slope is one straight piece, its first end nearest to the carrier", () => {
  assert.deepEqual(masksOf([limit({})], everywhere).map((p) => [p.atFrom, p.atTo]), [[-10, -20]]);
  assert.deepEqual(masksOf([limit({ side: "lower" })], everywhere).map((p) => [p.atFrom, p.atTo]), [[-20, -10]]);
});

test("a limit in a gap is drawn as the power sum of both sides, not as the chord", () => {
  const falling = curve([2e9, -5], [2.01e9, -25]);
  const rising = curve([2e9, -25], [2.01e9, -5]);
  const pieces = masksOf([limit({ upper: sumOf(-5, -25), upper_to: sumOf(-5, -25), sum: [falling, rising] })], everywhere);
  assert.equal(countLimits(pieces), 1);
  for (let f = 2e9; f <= 2.01e9; f += 1e5) {
    const share = (f - 2e9) / 1e7;
    const want = sumOf(-5 - 20 * share, -25 + 20 * share);
    assert.ok(Math.abs(drawnAt(pieces, f) - want) < 0.03, `${f}: drawn ${drawnAt(pieces, f)}, want ${want}`);
  }
  assert.ok(drawnAt(pieces, 2.005e9) < sumOf(-5, -25) - 5, "the middle hangs below the ends");
  const neighbours = pieces.slice(1).map((p, i) => p.from - pieces[i].to);
  assert.ok(neighbours.every((gap) => Math.abs(gap) < 1e-3), "pieces meet");
});

test("steps stay steps, and curves hold beyond their ends", () => {
  const stepped = curve([2.002e9, -10], [2.005e9, -10], [2.005e9, -30], [2.008e9, -30]);
  const pieces = masksOf([limit({ sum: [stepped, curve([2e9, -30])] })], everywhere);
  for (const [f, want] of [[2.0001e9, sumOf(-10, -30)], [2.0049e9, sumOf(-10, -30)], [2.0051e9, sumOf(-30, -30)], [2.0099e9, sumOf(-30, -30)]]) {
    assert.ok(Math.abs(drawnAt(pieces, f) - want) < 1e-9, `${f}: drawn ${drawnAt(pieces, f)}, want ${want}`);
  }
});

test("a mask is cut to what is shown", () => {
  const pieces = masksOf([limit({ sum: [curve([2e9, -5], [2.01e9, -25]), curve([2e9, -60])] })], { from: 2.004e9, to: 2.006e9 });
  assert.equal(pieces[0].from, 2.004e9);
  assert.equal(pieces.at(-1).to, 2.006e9);
  assert.ok(Math.abs(pieces[0].atFrom + 13) < 0.01);
});

test("figures of several carriers are shaded where they were taken", () => {
  const conditions = { carrier_hz: 2e9, bandwidth_hz: 10e6, carriers: [{ center_hz: 2e9, bandwidth_hz: 10e6 }, { center_hz: 2.03e9, bandwidth_hz: 20e6 }] };
  const result = (key, unit) => ({ key, unit, value: 1, lower: 0, upper: null, margin: 1, verdict: "pass", at_hz: null });
  const c = {
    conditions, results: [result("6.2", "dBm"), result("6.2/2", "dBm"), result("6.6.3/gap1/lower/1", "dB")],
    limits: [
      limit({ key: "6.2", frequency_from_hz: 1.995e9, frequency_to_hz: 2.005e9 }),
      limit({ key: "6.2/2", frequency_from_hz: 2.02e9, frequency_to_hz: 2.04e9 }),
      limit({ key: "6.6.3/gap1/lower/1", unit: "dB", frequency_from_hz: 2.0075e9, frequency_to_hz: 2.0075e9, measurement_bandwidth_hz: 4.5e6 }),
    ],
  };
  assert.deepEqual(shadesOf(c, new Set()).map((s) => [s.from, s.to]), [[1.995e9, 2.005e9], [2.02e9, 2.04e9], [2.00525e9, 2.00975e9]]);
  assert.deepEqual(channelsOf(conditions), [{ from: 1.995e9, to: 2.005e9 }, { from: 2.02e9, to: 2.04e9 }]);
  assert.deepEqual(channelsOf({ carrier_hz: 2e9, bandwidth_hz: 10e6 }), [{ from: 1.995e9, to: 2.005e9 }]);
});

test("sweeps of the noise floor are no levels, and say what they are", () => {
  const sweep = (number, role, more) => ({ number, role, start_hz: 2e9, stop_hz: 2.01e9, ...more });
  const traces = [sweep(1, "floor/6.6.4/lower/1"), sweep(2, "6.6.4/lower/1"), sweep(3, "6.6.4/lower/2", { start_hz: 2.01e9, stop_hz: 2.02e9 })];
  const one = { traces, results: [{ key: "6.6.4/lower/1", title: "emissions below", at_hz: 2.005e9 }], conditions: { carrier_hz: 2e9 } };
  assert.deepEqual(levelsOf(traces).map((t) => t.number), [2, 3]);
  assert.equal(traceOf(one, one.results[0]).number, 2);
  assert.equal(titleOf(one, traces[0]), "noise floor, emissions below");
  assert.equal(titleOf(one, traces[1]), "emissions below");
  assert.equal(titleOf(one, traces[2]), "6.6.4/lower/2, 2.01 GHz to 2.02 GHz");
});
