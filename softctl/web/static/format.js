/** Values and times as people read them. */

const NS = 1e9;

export function isDuration(point) {
  return point.type === "TIME" || point.type === "LTIME";
}

export function isBool(point) {
  return point.type === "BOOL";
}

export function isNumber(point) {
  return !isBool(point) && /^(L?REAL|U?[SLD]?INT|TIME|LTIME|BYTE|[DL]?WORD)$/.test(point.type);
}

/** How many decimals a range is worth: a thousandth of it. */
export function decimalsOf(range) {
  const span = range ? Math.abs(range[1] - range[0]) : 1;
  return Math.max(0, Math.min(6, 3 - Math.floor(Math.log10(span || 1))));
}

/** The bare figure of a point, without its unit; "–" for what is not known. */
export function figureText(point, value) {
  if (value === undefined || value === null) return "–";
  if (typeof value === "boolean") return value ? "on" : "off";
  if (typeof value !== "number") return String(value);
  if (isDuration(point)) return trimmed(value / NS, 3);
  if (Number.isInteger(value) && !point.type.endsWith("REAL")) return String(value);
  return value.toFixed(decimalsOf(point.range));
}

export function unitOf(point) {
  return isDuration(point) ? "s" : point.unit || "";
}

export function valueText(point, value) {
  const unit = typeof value === "number" ? unitOf(point) : "";
  return unit ? `${figureText(point, value)} ${unit}` : figureText(point, value);
}

/** A value of which nothing is known but itself. */
export function anyText(value) {
  if (value === undefined || value === null) return "–";
  if (typeof value === "boolean") return value ? "TRUE" : "FALSE";
  return typeof value === "number" ? trimmed(value, 4) : String(value);
}

export function trimmed(number, decimals) {
  return String(Number(number.toFixed(decimals)));
}

/** Seconds as 1:02:03.4, or 2:03.4 below an hour. */
export function clockText(seconds, decimals = 1) {
  if (!Number.isFinite(seconds)) return "–";
  const sign = seconds < 0 ? "-" : "";
  const scale = 10 ** decimals;
  const whole = Math.round(Math.abs(seconds) * scale) / scale;
  const hours = Math.floor(whole / 3600);
  const minutes = Math.floor((whole % 3600) / 60);
  const rest = (whole % 60).toFixed(decimals).padStart(decimals ? 3 + decimals : 2, "0");
  const head = hours ? `${hours}:${String(minutes).padStart(2, "0")}` : `${minutes}`;
  return `${sign}${head}:${rest}`;
}

/** Wall seconds (Unix) as a time of the day. */
export function dayText(seconds) {
  return new Date(seconds * 1000).toLocaleTimeString("en-GB");
}

/** A time that is left or has passed, in one or two words. */
export function spanText(seconds) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return "–";
  if (seconds < 10) return `${trimmed(seconds, 1)} s`;
  if (seconds < 120) return `${Math.round(seconds)} s`;
  if (seconds < 7200) return `${Math.floor(seconds / 60)} min ${Math.round(seconds % 60)} s`;
  return `${Math.floor(seconds / 3600)} h ${Math.round((seconds % 3600) / 60)} min`;
}

const UNITS = { ms: 0.001, s: 1, min: 60, h: 3600, d: 86400 };

/** Seconds of a text such as "90 s", "2 min", "90"; null where it is no time, NaN never. */
export function parseSpan(text) {
  const match = /^\s*(\d+(?:[.,]\d+)?)\s*(ms|s|min|h|d)?\s*$/.exec(text);
  return match ? Number(match[1].replace(",", ".")) * UNITS[match[2] ?? "s"] : null;
}
