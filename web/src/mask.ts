// Masks over absolute frequency, from limits that may slope with the offset
// from the channel edge.
import type { Case, Conditions, Curve, Limit, Result, Trace } from "./wire";
import { figure, hertz } from "./words";

/** One straight piece of a mask: hertz and dBm at both ends. */
export interface Piece {
  from: number;
  to: number;
  atFrom: number;
  atTo: number;
  key: string;
  /** Hertz that the whole limit covers. */
  width: number;
}

/** A span of frequency in hertz. */
export interface Span {
  from: number;
  to: number;
}

/** The span of several traces. */
export function spanOf(traces: Trace[]): Span {
  return { from: Math.min(...traces.map((t) => t.start_hz)), to: Math.max(...traces.map((t) => t.stop_hz)) };
}

/** Pieces of the masks that concern a span, cut to it, in rising order. */
export function masksOf(limits: Limit[], span: Span): Piece[] {
  const pieces: Piece[] = [];
  for (const piece of limits.flatMap(piecesOf)) {
    if (piece.to <= span.from || piece.from >= span.to) continue;
    pieces.push(cut(piece, span.from, span.to));
  }
  return pieces.sort((a, b) => a.from - b.from);
}

/** How many limits some pieces are of. */
export function countLimits(pieces: Piece[]): number {
  return new Set(pieces.map((p) => p.key)).size;
}

function piecesOf(limit: Limit): Piece[] {
  const { upper, frequency_from_hz: from, frequency_to_hz: to } = limit;
  if (limit.unit !== "dBm" || upper === null || from === null || to === null || !(to > from)) return [];
  if (limit.sum.length > 0) return sumPieces(limit.sum, from, to, limit.key);
  const far = limit.upper_to ?? upper;
  // upper holds nearest to the carrier: at the high end on the lower side.
  return limit.side === "lower"
    ? [{ from, to, atFrom: far, atTo: upper, key: limit.key, width: to - from }]
    : [{ from, to, atFrom: upper, atTo: far, key: limit.key, width: to - from }];
}

/** Straight pieces that a bend between two corners is drawn with. */
const BEND = 24;

/** The power sum of curves: bent between their corners, with a riser at steps. */
function sumPieces(curves: Curve[], from: number, to: number, key: string): Piece[] {
  const inside = curves.flatMap((c) => c.points.map((p) => p.frequency_hz)).filter((f) => from < f && f < to);
  const corners = [...new Set([from, ...inside, to])].sort((a, b) => a - b);
  const pieces: Piece[] = [];
  for (let i = 0; i + 1 < corners.length; i++) {
    const low = corners[i] ?? from;
    const high = corners[i + 1] ?? to;
    const middle = (low + high) / 2; // tells both ends of a step apart
    const at = (f: number) => 10 * Math.log10(curves.reduce((sum, c) => sum + 10 ** (levelOf(c, middle, f) / 10), 0));
    for (let n = 0; n < BEND; n++) {
      const [a, b] = [low + ((high - low) * n) / BEND, low + ((high - low) * (n + 1)) / BEND];
      pieces.push({ from: a, to: b, atFrom: at(a), atTo: at(b), key, width: to - from });
    }
  }
  return pieces;
}

/** The level at f on the straight part of a curve that holds middle. */
function levelOf(curve: Curve, middle: number, f: number): number {
  const next = curve.points.findIndex((p) => p.frequency_hz > middle);
  const b = curve.points[next];
  const a = curve.points[(b ? next : curve.points.length) - 1];
  if (!a || !b) return (a ?? b)?.level_dbm ?? -Infinity;
  return a.level_dbm + ((b.level_dbm - a.level_dbm) * (f - a.frequency_hz)) / (b.frequency_hz - a.frequency_hz);
}

/** The channels on the air, rising by frequency. */
export function channelsOf(c: Conditions): Span[] {
  const carriers = c.carriers?.length ? c.carriers : [{ center_hz: c.carrier_hz, bandwidth_hz: c.bandwidth_hz }];
  return carriers.map((k) => around(k.center_hz, k.bandwidth_hz));
}

function cut(p: Piece, low: number, high: number): Piece {
  const at = (f: number) => p.atFrom + ((f - p.from) / (p.to - p.from)) * (p.atTo - p.atFrom);
  const from = Math.max(p.from, low);
  const to = Math.min(p.to, high);
  return { from, to, atFrom: at(from), atTo: at(to), key: p.key, width: p.width };
}

/** A span of frequency that one figure was taken over, with what to write above it. */
export interface Shade extends Span {
  words: string[];
  failed: boolean;
  margin: number;
}

/** Shades for the figures that are not a level over frequency. */
export function shadesOf(c: Case, judgedAsSeries: Set<string>): Shade[] {
  const shades: Shade[] = [];
  for (const r of c.results) {
    const span = judgedAsSeries.has(r.key) ? null : spanOfFigure(c, r);
    if (span) shades.push({ ...span, words: [figure(r.value, r.unit), bounds(r), r.verdict], failed: r.verdict.endsWith("fail"), margin: r.margin });
  }
  return shades;
}

function spanOfFigure(c: Case, r: Result): Span | null {
  if (r.unit === "Hz") return r.at_hz === null ? null : around(r.at_hz, r.value);
  const limit = c.limits.find((l) => l.key === r.key);
  if (!limit && r.unit === "dBm" && !c.conditions.carriers?.length) return around(c.conditions.carrier_hz, c.conditions.bandwidth_hz);
  if (!limit || limit.frequency_from_hz === null || limit.frequency_to_hz === null) return null;
  if (r.unit === "dBm") return { from: limit.frequency_from_hz, to: limit.frequency_to_hz };
  // Of a ratio these are the centre of the channel that it is taken in.
  return limit.measurement_bandwidth_hz === null ? null : around(limit.frequency_from_hz, limit.measurement_bandwidth_hz);
}

function around(centre: number, width: number): Span {
  return { from: centre - width / 2, to: centre + width / 2 };
}

function bounds(r: Result): string {
  if (r.lower !== null && r.upper !== null) return `limits ${figure(r.lower, r.unit)} to ${figure(r.upper, r.unit)}`;
  const bound = r.upper ?? r.lower;
  return bound === null ? "" : `limit ${figure(bound, r.unit)}`;
}

/** The result with the least margin; a failing one before any other. */
export function worstOf(results: Result[]): Result | undefined {
  return [...results].sort((a, b) => a.margin - b.margin)[0];
}

/** What stands before the role of a sweep that repeats another with the unit muted. */
const FLOOR = "floor/";

/** The sweeps that figures come from: those of the noise floor lie under them. */
export function levelsOf(traces: Trace[]): Trace[] {
  return traces.filter((t) => !t.role.startsWith(FLOOR));
}

/** Sweeps taken for one limit carry its key; people read its title. */
export function titleOf(c: Case, trace: Trace): string {
  const floor = trace.role.startsWith(FLOOR);
  const role = floor ? trace.role.slice(FLOOR.length) : trace.role;
  const title = c.results.find((r) => r.key === role)?.title;
  const single = title && c.results.filter((r) => r.title === title).length === 1;
  // The segments of a mask share their title.
  return (floor ? "noise floor, " : "") + (single ? title : `${title ?? role}, ${hertz(trace.start_hz)} to ${hertz(trace.stop_hz)}`);
}

/** The trace in which a figure was found: the narrowest that holds its place. */
export function traceOf(c: Case, worst: Result | undefined): Trace | undefined {
  const at = worst?.at_hz ?? c.conditions.carrier_hz;
  const holding = levelsOf(c.traces).filter((t) => t.start_hz <= at && at <= t.stop_hz);
  holding.sort((a, b) => a.stop_hz - a.start_hz - (b.stop_hz - b.start_hz));
  return holding[0] ?? c.traces[0];
}
