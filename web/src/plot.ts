// Plots of stored traces: the levels at the connector, the mask or the channel
// filters they are held against, and the point with the least margin.
import uPlot from "uplot";
import { readInk, type Ink, paint, type Scene } from "./paint";
import { channelsOf, countLimits, levelsOf, masksOf, shadesOf, spanOf, titleOf, traceOf, worstOf, type Span } from "./mask";
import { figure, hertz, margin, minuses } from "./words";
import { fetchCase, fetchSeries, fetchTogether, type Case, type Levels, type Result, type Series, type Trace } from "./wire";

const MHZ = 1e6;

/** Pixels that the axis below a plot takes, and the words above its shades. */
const AXIS_HEIGHT = 80;
const WORDS_HEIGHT = 64;

/** The choice that shows every sweep of a case in one drawing. */
const ALL = "all";

/** Draws every plot below root that was not drawn yet. */
export function drawPlots(root: ParentNode): void {
  for (const element of root.querySelectorAll<HTMLElement>("figure.plot[data-state=waiting]")) {
    element.dataset.state = "loading";
    const plot = new Plot(element);
    plot.open().catch((reason: unknown) => plot.fail(reason));
  }
}

function part<T extends HTMLElement>(root: HTMLElement, selector: string): T {
  const found = root.querySelector<T>(selector);
  if (!found) throw new Error(`the page lacks ${selector}`);
  return found;
}

function text(root: HTMLElement, selector: string, words: string): void {
  part(root, selector).textContent = words;
}

class Plot {
  private drawn: uPlot | undefined;
  private scene: Scene | undefined;
  private ink: Ink;

  constructor(private readonly root: HTMLElement) {
    this.ink = readInk();
  }

  async open(): Promise<void> {
    const c = await fetchCase(this.root.dataset.case ?? "");
    const series = await fetchSeries(c.id);
    const worst = worstOf(c.results);
    if (c.traces.length === 0) throw new Error("this case has no trace");
    const choice = part<HTMLSelectElement>(this.root, ".plot-choice");
    const options = c.traces.map((t) => new Option(titleOf(c, t), String(t.number)));
    const levels = levelsOf(c.traces);
    if (levels.length > 1) options.unshift(new Option(`every sweep (${levels.length})`, ALL));
    choice.replaceChildren(...options);
    choice.disabled = options.length < 2;
    choice.value = firstChoice(c, worst);
    const show = () => this.show(c, choice.value === ALL ? levels : c.traces.filter((t) => choice.value === String(t.number)), series, worst);
    choice.addEventListener("change", () => show().catch((reason: unknown) => this.fail(reason)));
    this.follow();
    await show();
  }

  fail(reason: unknown): void {
    this.root.dataset.state = "failed";
    text(this.root, ".plot-note", `The plot could not be drawn: ${reason instanceof Error ? reason.message : String(reason)}`);
  }

  /** Keeps the drawing in step with the window and the colour scheme. */
  private follow(): void {
    for (const medium of ["(prefers-color-scheme: dark)", "print"]) {
      matchMedia(medium).addEventListener("change", () => {
        this.ink = readInk();
        this.drawn?.redraw();
      });
    }
    new ResizeObserver(() => this.drawn?.setSize(this.size())).observe(part(this.root, ".plot-area"));
  }

  private size(): { width: number; height: number } {
    const width = Math.max(320, part(this.root, ".plot-area").clientWidth);
    return { width, height: Math.round(Math.min(420, Math.max(260, width * 0.36))) };
  }

  private async show(c: Case, traces: Trace[], all: Series[], worst: Result | undefined): Promise<void> {
    this.root.dataset.state = "loading";
    const levels = await fetchTogether(c.id, traces, this.size().width);
    const span = spanOf(traces);
    const series = all.filter((s) => inside(s, span));
    const here = c.results.filter((r) => r.at_hz !== null && span.from <= r.at_hz && r.at_hz <= span.to);
    const mark = worst && here.includes(worst) ? worst : worstOf(here);
    // A mask is a limit of levels over frequency; the limit of a single figure is none.
    const judged = new Set(all.map((s) => s.key));
    this.scene = {
      channels: channelsOf(c.conditions), masks: masksOf(c.limits.filter((l) => judged.has(l.key)), span), shades: shadesOf(c, judged), series,
      worst: mark && judged.has(mark.key) && mark.at_hz !== null ? { at: mark.at_hz, level: mark.value, verdict: mark.verdict } : undefined,
    };
    this.draw(levels);
    this.describe(c, traces, series, mark ?? worst);
    this.root.dataset.state = "drawn";
  }

  private draw(levels: Levels): void {
    this.drawn?.destroy();
    const scene = this.scene;
    if (!scene) return;
    const size = this.size();
    const [low, high] = reach(levels, scene, size.height);
    const ink = () => this.ink;
    const values = (_: uPlot, ticks: number[]) => ticks.map((v) => String(v).replace("-", "−"));
    const axis = { values, stroke: () => ink().quiet, grid: { stroke: () => ink().grid, width: 1 }, ticks: { stroke: () => ink().grid, width: 1 }, font: "12px system-ui" };
    this.drawn = new uPlot(
      {
        ...size,
        legend: { show: false },
        cursor: { y: false, drag: { x: true, y: false } },
        scales: { x: { time: false }, y: { range: [low, high] } },
        axes: [
          { ...axis, label: "Frequency in MHz", labelSize: 22, size: 38 },
          { ...axis, label: "Level in dBm", labelSize: 22, size: 52 },
        ],
        series: [{}, { stroke: () => (scene.series.length > 0 ? ink().trace : ink().series), width: 1, points: { show: false } }],
        hooks: {
          draw: [(u) => paint(u, scene, this.ink)],
          setCursor: [(u) => this.read(u)],
        },
      },
      [levels.x.map((f) => f / MHZ), levels.y],
      part(this.root, ".plot-area"),
    );
  }

  private read(u: uPlot): void {
    const i = u.cursor.idx;
    const x = i === null || i === undefined ? undefined : u.data[0][i];
    const y = i === null || i === undefined ? undefined : u.data[1]?.[i];
    text(this.root, ".plot-cursor", x === undefined || y === undefined || y === null ? "" : `Under the cursor: ${hertz(x * MHZ)}, ${figure(y, "dBm")}`);
  }

  private describe(c: Case, traces: Trace[], series: Series[], worst: Result | undefined): void {
    const bandwidths = [...new Set(series.map((s) => hertz(s.measurement_bandwidth_hz)))].join(" and ");
    const place = traces.every((t) => t.at_connector) ? "at the connector" : "at the analyzer, not corrected";
    const resolutions = [...new Set(traces.map((t) => hertz(t.rbw_hz)))].join(", ");
    text(this.root, ".plot-note", `Thin line: levels ${place} in a resolution bandwidth of ${resolutions}.` +
      (bandwidths ? ` Strong line: the same referred to the measurement bandwidth of the limit, ${bandwidths}.` : "") +
      (this.scene?.masks.length ? " Dashed line: test requirement." : "") +
      (holdsEdge(c, spanOf(traces)) ? " Dotted lines: edges of the channels." : "") + " Drag to zoom, double-click to see all.");
    const readout = part(this.root, ".plot-worst");
    this.root.dataset.masks = String(countLimits(this.scene?.masks ?? []));
    this.root.dataset.shades = String(this.scene?.shades.length ?? 0);
    if (!worst) {
      readout.textContent = "";
      return;
    }
    const bound = nearest(worst);
    readout.dataset.hz = worst.at_hz === null ? "" : String(worst.at_hz);
    readout.dataset.margin = String(worst.margin);
    readout.textContent = `Least margin ${margin(worst.margin, worst.unit)}: ${figure(worst.value, worst.unit)}` +
      (worst.at_hz === null ? "" : ` at ${hertz(worst.at_hz)}`) + (bound === null ? "" : `, limit ${figure(bound, worst.unit)}`) + ` (${worst.verdict}${worst.note ? `; ${minuses(worst.note)}` : ""})`;
  }
}

/** The sweeps of a mask belong together; those of the spurious range are too far apart. */
function firstChoice(c: Case, worst: Result | undefined): string {
  if (levelsOf(c.traces).length > 1 && c.clause !== "6.6.5") return ALL;
  return String(traceOf(c, worst)?.number ?? ALL);
}

/** The limit that the margin counts from. */
function nearest(r: Result): number | null {
  if (r.lower === null || r.upper === null) return r.upper ?? r.lower;
  return r.value - r.lower < r.upper - r.value ? r.lower : r.upper;
}

function holdsEdge(c: Case, span: Span): boolean {
  return channelsOf(c.conditions).flatMap((k) => [k.from, k.to]).some((f) => span.from < f && f < span.to);
}

function inside(s: Series, span: Span): boolean {
  const first = s.frequencies_hz[0];
  const last = s.frequencies_hz[s.frequencies_hz.length - 1];
  return first !== undefined && last !== undefined && last > span.from && first < span.to;
}

/** The span of levels that shows trace, series, masks and worst point. */
function reach(levels: Levels, scene: Scene, height: number): [number, number] {
  let low = Infinity;
  let high = -Infinity;
  const see = (v: number | null) => {
    if (v === null || !Number.isFinite(v)) return;
    low = Math.min(low, v);
    high = Math.max(high, v);
  };
  levels.y.forEach(see);
  for (const s of scene.series) s.levels_dbm.forEach(see);
  for (const m of scene.masks) [m.atFrom, m.atTo].forEach(see);
  if (scene.worst) see(scene.worst.level);
  if (low > high) return [-100, 0];
  const foot = Math.floor(low / 10) * 10 - 5;
  const room = WORDS_HEIGHT / (height - AXIS_HEIGHT - WORDS_HEIGHT);
  const headroom = scene.shades.length > 0 ? room * (high - foot) : 5;
  return [foot, Math.ceil((high + headroom) / 5) * 5];
}
