/** Trends as files: the picture as it is, and the values that it shows as a table. */

import { h } from "../dom.js";
import { isDuration, unitOf } from "../format.js";
import { valueAt } from "./trend_plot.js";

export function savePng(canvas, name) {
  canvas.toBlob((blob) => save(blob, `${name}_trends.png`));
}

/** Every change in the window, and before them what each point had at its beginning. */
export function saveCsv(model, lanes, { from, to }) {
  const clock = model.history_clock === "wall" ? "unix_s" : "machine_s";
  const rows = lanes.flatMap((lane) => rowsOf(lane, from, to));
  rows.sort((a, b) => a[0] - b[0]);
  const lines = [[clock, "point", "value", "unit"], ...rows].map((row) => row.map(cell).join(","));
  save(new Blob([lines.join("\r\n"), "\r\n"], { type: "text/csv" }), `${model.name}_trends.csv`);
}

function rowsOf({ point, series }, from, to) {
  const seen = series.filter(([at, value]) => at > from && at <= to && value !== null);
  const first = valueAt(series, from);
  const all = first === undefined || first === null ? seen : [[from, first], ...seen];
  const scale = isDuration(point) ? 1e-9 : 1;
  return all.map(([at, value]) => [at, point.name, typeof value === "number" ? value * scale : value, unitOf(point)]);
}

/** A field by RFC 4180. */
function cell(value) {
  const text = value === true ? "1" : value === false ? "0" : String(value ?? "");
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function save(blob, name) {
  const href = URL.createObjectURL(blob);
  h("a", { href, download: name }).click();
  setTimeout(() => URL.revokeObjectURL(href), 10_000);
}
