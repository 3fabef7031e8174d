/** Trends as files: the picture as it is, the values as a table. */

import { h } from "../dom.js";

export function savePng(canvas, name) {
  canvas.toBlob((blob) => save(URL.createObjectURL(blob), `${name}_trends.png`));
}

/** From the journal where there is one, since it has every change; else what the page saw. */
export function saveCsv(app, lanes, { from, to }) {
  const { model } = app.store;
  const names = lanes.map((lane) => lane.point.name);
  if (model.can.journal) {
    const query = new URLSearchParams({ names: names.join(), from, to });
    return save(`/api/export.csv?${query}`, `${model.name}_trends.csv`);
  }
  const rows = lanes.flatMap(({ point, series }) =>
    series.filter(([at, value]) => at >= from && at <= to && value !== null).map(([at, value]) => [at, point.name, value, point.unit]),
  );
  rows.sort((a, b) => a[0] - b[0]);
  const text = [["seconds", "point", "value", "unit"], ...rows].map((row) => row.map(cell).join(",")).join("\r\n");
  return save(URL.createObjectURL(new Blob([text, "\r\n"], { type: "text/csv" })), `${model.name}_trends.csv`);
}

function cell(value) {
  const text = value === true ? "1" : value === false ? "0" : String(value ?? "");
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function save(href, name) {
  const link = h("a", { href, download: name });
  link.click();
  if (href.startsWith("blob:")) setTimeout(() => URL.revokeObjectURL(href), 10_000);
}
