// Masks over absolute frequency, from limits that may slope with the offset
// from the channel edge.
import type { Case, Limit, Result, Trace } from "./wire";

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

/** Channel filters of leakage ratios: the assigned channel and its neighbours. */
export interface Channel {
  from: number;
  to: number;
  result: Result;
}

export function neighbours(c: Case): Channel[] {
  const channels: Channel[] = [];
  for (const limit of c.limits) {
    const result = c.results.find((r) => r.key === limit.key);
    const width = limit.measurement_bandwidth_hz;
    if (limit.unit !== "dB" || !result || width === null || limit.offset_from_hz === null) continue;
    const sign = limit.side === "lower" ? -1 : 1;
    // TS 38.104 6.6.3.2: the offset counts from the carrier centre.
    const centre = c.conditions.carrier_hz + sign * limit.offset_from_hz;
    channels.push({ from: centre - width / 2, to: centre + width / 2, result });
  }
  return channels;
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
