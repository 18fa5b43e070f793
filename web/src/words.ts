// Figures as text, with the same rules as the pages: unit always, true minus.

export function hertz(v: number): string {
  for (const [unit, factor] of [["GHz", 1e9], ["MHz", 1e6], ["kHz", 1e3]] as const) {
    if (Math.abs(v) >= factor) return `${Number((v / factor).toPrecision(7))} ${unit}`;
  }
  return `${v} Hz`;
}

export function figure(v: number, unit: string): string {
  const text = unit === "Hz" ? hertz(v) : `${v.toFixed(2)} ${unit}`;
  return text.replace("-", "−");
}

export function margin(v: number, unit: string): string {
  const text = unit === "Hz" ? hertz(Number(v.toPrecision(4))).replace("-", "−") : figure(v, unit === "dBm" ? "dB" : unit);
  return v >= 0 ? `+${text}` : text;
}

/** The text with a true minus before every number that has a sign. */
export function minuses(text: string): string {
  return text.replace(/(^|[ (])-(?=\d)/g, "$1−");
}
