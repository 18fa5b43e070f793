// The part of the JSON API that plots read; see server/api/openapi.yaml.

export interface Conditions {
  band: string;
  carrier_hz: number;
  bandwidth_hz: number;
  connector: number;
  /** All carriers of a configuration; absent where there is one. */
  carriers?: Transmitted[];
}

export interface Transmitted {
  center_hz: number;
  bandwidth_hz: number;
}

export interface Result {
  key: string;
  clause: string;
  title: string;
  value: number;
  unit: string;
  lower: number | null;
  upper: number | null;
  margin: number;
  verdict: string;
  at_hz: number | null;
  measurement_bandwidth_hz: number | null;
  note: string;
}

export interface Limit {
  key: string;
  clause: string;
  side: string;
  unit: string;
  lower: number | null;
  upper: number | null;
  upper_to: number | null;
  measurement_bandwidth_hz: number | null;
  offset_from_hz: number | null;
  offset_to_hz: number | null;
  frequency_from_hz: number | null;
  frequency_to_hz: number | null;
  /** Both sides of a sub-block gap, whose power sum is the limit; else empty. */
  sum: Curve[];
}

/** A level over frequency, straight between its points and held beyond them. */
export interface Curve {
  points: { frequency_hz: number; level_dbm: number }[];
}

export interface Trace {
  number: number;
  role: string;
  start_hz: number;
  stop_hz: number;
  step_hz: number;
  points: number;
  rbw_hz: number;
  at_connector: boolean;
}

export interface Case {
  id: number;
  clause: string;
  conditions: Conditions;
  results: Result[];
  traces: Trace[];
  limits: Limit[];
}

/** Levels referred to the measurement bandwidth of one limit. */
export interface Series {
  key: string;
  measurement_bandwidth_hz: number;
  frequencies_hz: number[];
  levels_dbm: number[];
}

/** Rising hertz, and dBm at each; null where neighbouring sweeps leave a gap. */
export interface Levels {
  x: number[];
  y: (number | null)[];
}

async function get(path: string): Promise<Response> {
  const answer = await fetch(path);
  if (!answer.ok) throw new Error(`the server answered ${answer.status} for ${path}`);
  return answer;
}

export async function fetchCase(id: string): Promise<Case> {
  return (await get(`/api/v1/cases/${encodeURIComponent(id)}`)).json();
}

export async function fetchSeries(id: number): Promise<Series[]> {
  return (await (await get(`/api/v1/cases/${id}/series`)).json()).series;
}

/** Reads a trace, at most two points (least and greatest) for each column. */
export async function fetchLevels(id: number, trace: Trace, columns: number): Promise<Levels> {
  const answer = await get(`/api/v1/cases/${id}/traces/${trace.number}?columns=${columns}`);
  const view = new DataView(await answer.arrayBuffer());
  const start = Number(answer.headers.get("Benchyard-Start-Hz"));
  const step = Number(answer.headers.get("Benchyard-Step-Hz"));
  const levels: Levels = { x: [], y: [] };
  for (let i = 0; 4 * i < view.byteLength; i++) {
    levels.x.push(start + i * step);
    levels.y.push(view.getFloat32(4 * i, true));
  }
  return levels;
}

/** Several traces as one line, in rising frequency; what overlaps is drawn once. */
export async function fetchTogether(id: number, traces: Trace[], columns: number): Promise<Levels> {
  const rising = [...traces].sort((a, b) => a.start_hz - b.start_hz);
  const parts = await Promise.all(rising.map((t) => fetchLevels(id, t, columns)));
  const all: Levels = { x: [], y: [] };
  for (const [n, part] of parts.entries()) {
    const end = all.x[all.x.length - 1] ?? -Infinity;
    const first = part.x.findIndex((f) => f > end);
    if (first < 0) continue;
    const next = part.x[first] ?? end;
    if (n > 0 && next - end > 2 * (rising[n]?.step_hz ?? 0)) {
      all.x.push((end + next) / 2);
      all.y.push(null);
    }
    for (let i = first; i < part.x.length; i++) {
      all.x.push(part.x[i] ?? 0);
      all.y.push(part.y[i] ?? null);
    }
  }
  return all;
}
