// What stands over the trace, painted on the canvas of the plot.
import type uPlot from "uplot";
import type { Piece, Shade, Span } from "./mask";
import { figure } from "./words";
import type { Series } from "./wire";

const MHZ = 1e6;

/** Everything of a plot that is not the trace. */
export interface Scene {
  channels: Span[];
  masks: Piece[];
  shades: Shade[];
  series: Series[];
  worst: { at: number; level: number; verdict: string } | undefined;
}

/** Colours, taken from the style sheet so that light and dark agree with it. */
export interface Ink {
  trace: string;
  series: string;
  mask: string;
  edge: string;
  shade: string;
  quiet: string;
  grid: string;
  fail: string;
  ink: string;
  sheet: string;
}

export function readInk(): Ink {
  const style = getComputedStyle(document.documentElement);
  const of = (name: string) => style.getPropertyValue(`--${name}`).trim();
  return {
    trace: of("trace"), series: of("series"), mask: of("mask"), edge: of("edge"), shade: of("shade"),
    quiet: of("quiet"), grid: of("line"), fail: of("fail"), ink: of("ink"), sheet: of("sheet"),
  };
}

export function paint(u: uPlot, scene: Scene, ink: Ink): void {
  const g = u.ctx;
  g.save();
  g.beginPath();
  g.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
  g.clip();
  const px = devicePixelRatio;
  const x = (hz: number) => u.valToPos(hz / MHZ, "x", true);
  const y = (dbm: number) => u.valToPos(dbm, "y", true);
  paintShades(u, scene, ink, x, px);
  paintEdges(u, scene, ink, x, px);
  paintSeries(g, scene, ink, x, y, px);
  paintMasks(g, scene, ink, x, y, px);
  if (scene.worst) paintWorst(u, scene.worst, ink, x(scene.worst.at), y(scene.worst.level), px);
  g.restore();
}

type Place = (v: number) => number;

function paintShades(u: uPlot, scene: Scene, ink: Ink, x: Place, px: number): void {
  const g = u.ctx;
  g.font = `${12 * px}px system-ui`;
  g.textAlign = "center";
  g.fillStyle = ink.shade;
  for (const shade of scene.shades) g.fillRect(x(shade.from), u.bbox.top, x(shade.to) - x(shade.from), u.bbox.height);
  const written: Span[] = [];
  // Where shades crowd, the least margin is written; the table below has all.
  for (const shade of [...scene.shades].sort((a, b) => a.margin - b.margin)) {
    const middle = (x(shade.from) + x(shade.to)) / 2;
    const half = Math.max(...shade.words.map((words) => g.measureText(words).width)) / 2 + 4 * px;
    const place = { from: middle - half, to: middle + half };
    if (written.some((w) => w.from < place.to && place.from < w.to)) continue;
    written.push(place);
    g.fillStyle = shade.failed ? ink.fail : ink.ink;
    g.strokeStyle = ink.sheet; // keeps the words apart from the lines they stand on
    g.lineWidth = 3 * px;
    shade.words.forEach((words, i) => {
      const at = [middle, u.bbox.top + (16 + 16 * i) * px] as const;
      g.strokeText(words, ...at);
      g.fillText(words, ...at);
    });
  }
}

function paintEdges(u: uPlot, scene: Scene, ink: Ink, x: Place, px: number): void {
  const g = u.ctx;
  g.strokeStyle = ink.edge;
  g.lineWidth = px;
  g.setLineDash([2 * px, 4 * px]);
  g.beginPath();
  for (const at of scene.channels.flatMap((c) => [c.from, c.to])) {
    g.moveTo(x(at), u.bbox.top);
    g.lineTo(x(at), u.bbox.top + u.bbox.height);
  }
  g.stroke();
  g.setLineDash([]);
}

function paintSeries(g: CanvasRenderingContext2D, scene: Scene, ink: Ink, x: Place, y: Place, px: number): void {
  g.strokeStyle = ink.series;
  g.lineWidth = 1.6 * px;
  for (const s of scene.series) {
    g.beginPath();
    s.frequencies_hz.forEach((f, i) => g.lineTo(x(f), y(s.levels_dbm[i] ?? NaN)));
    g.stroke();
  }
}

function paintMasks(g: CanvasRenderingContext2D, scene: Scene, ink: Ink, x: Place, y: Place, px: number): void {
  g.strokeStyle = ink.mask;
  g.lineWidth = 2 * px;
  g.setLineDash([7 * px, 4 * px]);
  g.beginPath();
  let end: Piece | undefined;
  for (const piece of scene.masks) {
    // Neighbouring pieces are joined by a riser; a gap in the mask stays a gap.
    if (end && (end.key === piece.key || Math.abs(end.to - piece.from) < 0.05 * piece.width)) g.lineTo(x(piece.from), y(piece.atFrom));
    else g.moveTo(x(piece.from), y(piece.atFrom));
    g.lineTo(x(piece.to), y(piece.atTo));
    end = piece;
  }
  g.stroke();
  g.setLineDash([]);
}

function paintWorst(u: uPlot, worst: { level: number; verdict: string }, ink: Ink, x: number, y: number, px: number): void {
  const g = u.ctx;
  const r = 6 * px;
  g.strokeStyle = worst.verdict.endsWith("fail") ? ink.fail : ink.ink;
  g.fillStyle = g.strokeStyle;
  g.lineWidth = 2 * px;
  g.beginPath();
  g.moveTo(x, y - r);
  g.lineTo(x + r, y);
  g.lineTo(x, y + r);
  g.lineTo(x - r, y);
  g.closePath();
  g.stroke();
  g.font = `600 ${12 * px}px system-ui`;
  const nearRight = x > u.bbox.left + 0.8 * u.bbox.width;
  g.textAlign = nearRight ? "right" : "left";
  const high = y < u.bbox.top + 24 * px;
  const label = `worst ${figure(worst.level, "dBm")}`;
  const at = [x + (nearRight ? -1.6 : 1.6) * r, y + (high ? 2.6 : -1) * r] as const;
  g.strokeStyle = ink.sheet; // keeps the words apart from the lines they stand on
  g.lineWidth = 6 * px;
  g.lineJoin = "round";
  g.strokeText(label, ...at);
  g.fillText(label, ...at);
}
