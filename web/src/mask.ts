// Masks over absolute frequency, from limits that may slope with the offset
// from the channel edge.
import type { Case, Limit, Result, Trace } from "./wire";
import { figure } from "./words";

/** One straight piece of a mask: hertz and dBm at both ends. */
export interface Piece {
  from: number;
  to: number;
  atFrom: number;
  atTo: number;
  key: string;
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
  for (const limit of limits) {
    const piece = pieceOf(limit);
    if (!piece || piece.to <= span.from || piece.from >= span.to) continue;
    pieces.push(cut(piece, span.from, span.to));
  }
  return pieces.sort((a, b) => a.from - b.from);
}

function pieceOf(limit: Limit): Piece | null {
  const { upper, frequency_from_hz: from, frequency_to_hz: to } = limit;
  if (limit.unit !== "dBm" || upper === null || from === null || to === null || !(to > from)) return null;
  const far = limit.upper_to ?? upper;
  // upper holds nearest to the carrier: at the high end on the lower side.
  return limit.side === "lower"
    ? { from, to, atFrom: far, atTo: upper, key: limit.key }
    : { from, to, atFrom: upper, atTo: far, key: limit.key };
}

function cut(p: Piece, low: number, high: number): Piece {
  const at = (f: number) => p.atFrom + ((f - p.from) / (p.to - p.from)) * (p.atTo - p.atFrom);
  const from = Math.max(p.from, low);
  const to = Math.min(p.to, high);
  return { from, to, atFrom: at(from), atTo: at(to), key: p.key };
}

/** A span of frequency that one figure was taken over, with what to write above it. */
export interface Shade extends Span {
  words: string[];
  failed: boolean;
}

/** Shades for the figures that are not a level over frequency. */
export function shadesOf(c: Case, judgedAsSeries: Set<string>): Shade[] {
  const shades: Shade[] = [];
  for (const r of c.results) {
    const span = judgedAsSeries.has(r.key) ? null : spanOfFigure(c, r);
    if (span) shades.push({ ...span, words: [figure(r.value, r.unit), bounds(r), r.verdict], failed: r.verdict.endsWith("fail") });
  }
  return shades;
}

function spanOfFigure(c: Case, r: Result): Span | null {
  const { carrier_hz: carrier, bandwidth_hz: bandwidth } = c.conditions;
  if (r.unit === "Hz") return r.at_hz === null ? null : around(r.at_hz, r.value);
  if (r.unit === "dBm") return around(carrier, bandwidth);
  const limit = c.limits.find((l) => l.key === r.key);
  if (!limit || limit.measurement_bandwidth_hz === null || limit.offset_from_hz === null) return null;
  // TS 38.104 6.6.3.2: the offset counts from the carrier centre.
  const offset = limit.side === "lower" ? -limit.offset_from_hz : limit.offset_from_hz;
  return around(carrier + offset, limit.measurement_bandwidth_hz);
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

/** The trace in which a figure was found: the narrowest that holds its place. */
export function traceOf(c: Case, worst: Result | undefined): Trace | undefined {
  const at = worst?.at_hz ?? c.conditions.carrier_hz;
  const holding = c.traces.filter((t) => t.start_hz <= at && at <= t.stop_hz);
  holding.sort((a, b) => a.stop_hz - a.start_hz - (b.stop_hz - b.start_hz));
  return holding[0] ?? c.traces[0];
}
