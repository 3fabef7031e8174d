/** Trends: points in lanes, live or back in time, with a cursor and what happened meanwhile. */

import { button, h, setText } from "../dom.js";
import { field, outcome, select, tell, textInput } from "../forms.js";
import { clockText, dayText, isBool, isNumber, unitOf, valueText } from "../format.js";
import { TrendHistory } from "./trend_history.js";
import { TrendPlot, valueAt } from "./trend_plot.js";
import { TrendPointer } from "./trend_pointer.js";
import { saveCsv, savePng } from "./trend_export.js";

const SPANS = [[30, "30 s"], [120, "2 min"], [600, "10 min"], [3600, "1 h"], [28800, "8 h"]];
const MOST_LANES = 12;
const MOST_EVENTS = 60;
const LEAST_SPAN_S = 0.5;
const LONGEST_SPAN_S = 7 * 86400;

export class TrendsPanel {
  #app;
  #lanes = [];
  /** The window: live it ends now and is `span` long, else it lies between from and to. */
  #window = { live: true, span: 120, from: 0, to: 0 };
  #cursor = null;
  #band = null;

  constructor(app, section, head) {
    this.#app = app;
    this.history = new TrendHistory(app.store, () => this.update());
    this.canvas = h("canvas", { tabIndex: 0, attrs: { role: "img", "aria-label": "Trends; the values at the cursor stand beside it" } });
    this.plot = new TrendPlot(this.canvas);
    this.pointer = new TrendPointer(this.canvas, this);
    this.place = outcome();
    head.append(this.#makeToolbar(), this.place);
    this.list = h("ul", { class: "lanes" });
    this.when = h("p", { class: "small", attrs: { role: "status" } });
    this.happened = h("ol", { class: "events" });
    this.frame = h("div", { class: "box plot scroll" }, this.canvas);
    const side = h(
      "div",
      { class: "stack scroll side" },
      h("div", { class: "box stack" }, this.#makePicker(), this.when, this.list),
      h("div", { class: "box" }, h("h3", { text: "What happened in this window" }), this.happened),
    );
    section.append(h("div", { class: "columns trends_columns" }, this.frame, side));
    new ResizeObserver(() => this.update()).observe(this.frame);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.update());
    this.#begin();
  }

  open({ name }) {
    this.#add(name);
  }

  // The toolbar and the list of lanes

  #makeToolbar() {
    this.live = button("Live", () => this.goLive(), { attrs: { "aria-pressed": "true" } });
    this.spans = select([...SPANS.map(([s, text]) => [String(s), text]), ["", "other"]], "120");
    this.spans.setAttribute("aria-label", "Length of the window");
    this.spans.addEventListener("change", () => this.spans.value && this.setSpan(Number(this.spans.value)));
    const named = (text, label, act) => button(text, act, { attrs: { "aria-label": label }, title: label });
    return h(
      "div",
      { class: "row", attrs: { role: "group", "aria-label": "Window and export" } },
      this.live,
      this.spans,
      named("◂", "Earlier", () => this.shift(-0.5)),
      named("▸", "Later", () => this.shift(0.5)),
      named("+", "Zoom in", () => this.zoom(0.5)),
      named("−", "Zoom out", () => this.zoom(2)),
      button("PNG", () => savePng(this.canvas, this.#app.store.model.name)),
      button("CSV", () => saveCsv(this.#app.store.model, this.#shownLanes(), this.bounds())),
    );
  }

  #makePicker() {
    const points = this.#app.store.model.points.filter((point) => isBool(point) || isNumber(point));
    const known = h("datalist", { id: "trend_points" }, ...points.map((p) => h("option", { value: p.name, label: p.description })));
    const input = textInput("", { attrs: {} });
    input.setAttribute("list", known.id);
    const submit = (event) => {
      event.preventDefault();
      if (this.#add(input.value.trim())) input.value = "";
    };
    return h(
      "form",
      { class: "form", on: { submit }, attrs: { "aria-label": "Add a point" } },
      field("Point", input, { wide: true }),
      h("button", { text: "Add" }),
      known,
    );
  }

  #begin() {
    const { model, points } = this.#app.store;
    const kept = JSON.parse(localStorage.getItem(this.#key) ?? "null");
    const numbers = model.points.filter((p) => p.role === "input" && isNumber(p)).slice(0, 3);
    const flags = model.points.filter((p) => p.role === "output" && isBool(p)).slice(0, 3);
    const names = kept ?? [...numbers, ...flags].map((point) => point.name);
    for (const name of names) if (points.has(name)) this.#addLane(points.get(name));
    this.#changed();
  }

  get #key() {
    return `softctl.trends.${this.#app.store.model.name}`;
  }

  #add(name) {
    const known = [...this.#app.store.points.values()];
    const point = known.find((one) => one.name.toUpperCase() === name.toUpperCase());
    const isDrawn = point && (isBool(point) || isNumber(point));
    if (!isDrawn) return tell(this.place, `expected the name of a point with numbers or on and off, got ${name || "nothing"}`, true);
    if (this.#lanes.some((lane) => lane.point === point)) return true;
    if (this.#lanes.length >= MOST_LANES) return tell(this.place, `expected at most ${MOST_LANES} points; take one away first`, true);
    tell(this.place, "");
    this.#addLane(point);
    this.#changed();
    return true;
  }

  #addLane(point) {
    const value = h("strong", { class: "value" });
    const away = button("✕", () => this.#remove(point), { class: "quiet", attrs: { "aria-label": `Take ${point.name} away` } });
    const row = h("li", { title: point.description }, h("span", { class: "name", text: point.name }), value, away);
    this.#lanes.push({ point, value, row, title: point.name, unit: unitOf(point), isBool: isBool(point) });
  }

  #remove(point) {
    this.#lanes = this.#lanes.filter((lane) => lane.point !== point);
    this.#changed();
  }

  #changed() {
    localStorage.setItem(this.#key, JSON.stringify(this.#lanes.map((lane) => lane.point.name)));
    this.list.replaceChildren(...this.#lanes.map((lane) => lane.row));
    this.history.forget();
    this.update();
  }

  // The window; the pointer and the keys use these too

  bounds() {
    const now = this.#app.store.now ?? 0;
    const { live, span, from, to } = this.#window;
    return live ? { from: now - span, to: now } : { from, to };
  }

  goLive() {
    const { from, to } = this.bounds();
    this.#window = { ...this.#window, live: true, span: to - from };
    this.#cursor = null;
    this.update();
  }

  setSpan(span) {
    const { to } = this.bounds();
    this.#window = { ...this.#window, span, from: to - span, to };
    this.update();
  }

  setBounds(from, to) {
    const span = Math.min(LONGEST_SPAN_S, Math.max(LEAST_SPAN_S, to - from));
    this.#window = { live: false, span, from, to: from + span };
    this.update();
  }

  /** Move by a share of the window; at the end of time it is live again. */
  shift(share) {
    const { from, to } = this.bounds();
    const by = share * (to - from);
    if (to + by >= this.#app.store.now) this.goLive();
    else this.setBounds(from + by, to + by);
  }

  /** Make the window `factor` times as long, about an instant or, live, before now. */
  zoom(factor, about = null) {
    const { from, to } = this.bounds();
    const span = Math.min(LONGEST_SPAN_S, Math.max(LEAST_SPAN_S, (to - from) * factor));
    if (this.#window.live && about === null) return this.setSpan(span);
    const fixed = about ?? this.#cursor ?? (from + to) / 2;
    const share = (fixed - from) / (to - from);
    return this.setBounds(fixed - share * span, fixed + (1 - share) * span);
  }

  goOldest() {
    const { from, to } = this.bounds();
    const oldest = this.history.oldest(this.#lanes);
    if (oldest !== null) this.setBounds(oldest, oldest + to - from);
  }

  setCursor(at) {
    this.#cursor = at;
    this.update();
  }

  moveCursor(share) {
    const { from, to } = this.bounds();
    const at = (this.#cursor ?? (share < 0 ? to : from)) + share * (to - from);
    this.setCursor(Math.max(from, Math.min(to, at)));
  }

  setBand(band) {
    this.#band = band;
    this.update();
  }

  // Drawing

  #shownLanes() {
    return this.#lanes.map((lane) => ({ ...lane, series: this.history.series(lane.point.name) }));
  }

  update() {
    const { store } = this.#app;
    if (store.now === null || !this.canvas.isConnected || this.section?.hidden) return;
    const { from, to } = this.bounds();
    this.history.want(this.#lanes.map((lane) => lane.point.name), from, to);
    const lanes = this.#shownLanes();
    this.canvas.style.setProperty("--least", `${TrendPlot.leastHeight(lanes)}px`);
    const events = this.history.events(from, to);
    const until = store.now;
    const isWall = store.model.history_clock === "wall";
    this.plot.draw({ from, to, until, isWall, lanes, events, cursor: this.#cursor, band: this.#band });
    this.#showValues(lanes, isWall);
    this.#showEvents(events, isWall);
    this.live.setAttribute("aria-pressed", String(this.#window.live));
    const span = String(this.#window.span);
    if (document.activeElement !== this.spans) {
      this.spans.value = [...this.spans.options].some((one) => one.value === span) ? span : "";
    }
  }

  #showValues(lanes, isWall) {
    const at = this.#cursor;
    const time = at === null ? "" : isWall ? dayText(at) : clockText(at);
    setText(this.when, at === null ? "Values now:" : `Values at ${time}:`);
    for (const { value, point, series } of lanes) {
      const now = at === null ? this.#app.store.get(`point:${point.name}`) : valueAt(series, at);
      setText(value, valueText(point, now));
    }
  }

  #shownEvents = "";

  #showEvents(events, isWall) {
    const last = events.slice(-MOST_EVENTS).reverse();
    const key = last.map((event) => `${event.at_s}${event.text}`).join();
    if (key === this.#shownEvents && this.happened.children.length) return;
    this.#shownEvents = key;
    const rows = last.map((event) => {
      const time = isWall ? dayText(event.at_s) : clockText(event.at_s, 0);
      return h("li", {}, button(time, () => this.setCursor(event.at_s), { class: "quiet", title: "Put the cursor there" }), h("span", { text: event.text }));
    });
    this.happened.replaceChildren(...(rows.length ? rows : [h("li", { class: "empty", text: "Nothing." })]));
  }
}
