/** The picture of the machine, its figures, its commands, and the alarms that are active. */

import { box, button, h, setClass, setText } from "../dom.js";
import { outcome } from "../forms.js";
import { clockText, isBool, isNumber, spanText, unitOf, valueText } from "../format.js";
import { channelsOf, Picture } from "../picture.js";
import { alarmMark, byUrgency } from "./alarm_words.js";
import { EventList } from "./event_list.js";

const FIGURES = ["input", "state"];

export class MachinePanel {
  #app;
  #updates = [];

  constructor(app, section) {
    this.#app = app;
    const { model } = app.store;
    const drawn = h("div", { class: "box drawn picture" });
    this.picture = model.picture ? new Picture(drawn, model) : null;
    if (!this.picture) drawn.append(h("p", { class: "empty", text: "There is no picture: the equipment of this machine is not known here." }));
    drawn.addEventListener("pick", (event) => this.#pick(event.detail));
    this.alarms = h("ul", { class: "stack" });
    this.picked = h("div", { class: "box", hidden: true });
    this.events = new EventList(app, 6);
    const side = h(
      "div",
      { class: "stack scroll side" },
      this.picked,
      box("Alarms", this.alarms),
      this.#makeCommands(),
      this.#makeSteps(),
      this.#makeFigures(),
      box("Scans", this.#makeScans()),
      box("What happened last", this.events.list),
    );
    section.append(h("div", { class: "columns machine_columns" }, drawn, side));
    app.store.addEventListener("state", (event) => {
      if (event.detail === "alarms") this.#showAlarms();
      if (["forces", "faults"].includes(event.detail)) this.#mark();
    });
    this.#showAlarms();
    this.#mark();
    if (model.picture) app.subscribe(channelsOf(model.picture));
  }

  #mark() {
    const { store } = this.#app;
    this.picture?.mark({ forces: store.rows("forces").map((row) => row.path), faults: store.rows("faults") });
  }

  update() {
    const { get } = this.#app.store;
    this.picture?.update(get);
    for (const update of this.#updates) update(get);
  }

  #showAlarms() {
    const listed = this.#app.store.rows("alarms").filter((row) => row.state !== "normal").sort(byUrgency);
    const rows = listed.map((row) =>
      h(
        "li",
        { class: "row" },
        alarmMark(row),
        h("span", { class: "small wide", text: row.text || this.#app.store.alarms.get(row.name)?.text || "" }),
      ),
    );
    const more = button("To the alarms", () => this.#app.go("alarms"));
    this.alarms.replaceChildren(...(rows.length ? [...rows, h("li", {}, more)] : [h("li", { class: "empty", text: "None." })]));
  }

  #makeCommands() {
    const points = this.#app.store.model.points.filter((point) => point.role === "command");
    if (!points.length) return null;
    const place = outcome();
    const refusal = this.#app.refusal("operate");
    const buttons = points.map((point) =>
      button(
        point.name,
        () => this.#app.act({ do: "command", name: point.name }, place, `${point.name} given`),
        { title: refusal || point.description, disabled: Boolean(refusal), data: { command: point.name } },
      ),
    );
    return box("Commands", h("div", { class: "row" }, ...buttons), refusal ? h("p", { class: "soft small", text: refusal }) : null, place);
  }

  #makeSteps() {
    const { charts } = this.#app.store.model;
    if (!charts.length) return null;
    const rows = charts.map((chart) => {
      const step = h("strong", { class: "value" });
      const since = h("span", { class: "soft small" });
      this.#updates.push((get) => {
        const active = chart.steps.filter((one) => get(one.channel) === true);
        setText(step, active.map((one) => one.name).join(", ") || "–");
        const times = active.map((one) => get(one.elapsed)).filter((t) => typeof t === "number");
        setText(since, times.length ? `for ${clockText(Math.min(...times), 0)}` : "");
      });
      const name = button(chart.program, () => this.#app.go("sequence", { program: chart.program }), { class: "quiet" });
      return h("li", { class: "row" }, name, step, since);
    });
    return box("Steps", h("ul", {}, ...rows));
  }

  #makeFigures() {
    const points = this.#app.store.model.points.filter((point) => FIGURES.includes(point.role));
    const numbers = points.filter((point) => isNumber(point)).map((point) => this.#figure(point));
    const flags = points.filter(isBool).map((point) => this.#flag(point));
    return box("Figures", h("dl", { class: "figures" }, ...numbers), h("ul", { class: "flags" }, ...flags));
  }

  #figure(point) {
    const value = h("span", { class: "value" });
    const bar = h("i");
    this.#updates.push((get) => {
      const now = get(`point:${point.name}`);
      setText(value, valueText(point, now));
      if (!point.range || !unitOf(point)) return;
      const [low, high] = point.range;
      const share = Math.max(0, Math.min(1, (now - low) / (high - low))) || 0;
      bar.style.setProperty("--share", share.toFixed(3));
    });
    const hasBar = point.range && unitOf(point);
    const track = hasBar ? h("span", { class: "track", attrs: { "aria-hidden": "true" } }, bar) : null;
    return h("div", { title: point.description }, h("dt", { text: point.name }), h("dd", {}, track, value));
  }

  #flag(point) {
    const name = h("span", { class: "bool value", text: point.name });
    const state = h("span", { class: "unseen" });
    this.#updates.push((get) => {
      const on = get(`point:${point.name}`) === true;
      setClass(name, on ? "bool on value" : "bool value");
      setText(state, on ? " on" : " off");
    });
    return h("li", { title: point.description }, name, state);
  }

  #makeScans() {
    const rows = {
      "stat:scan_us": ["Scan takes", (us) => `${(us / 1000).toFixed(2)} ms`],
      "stat:jitter_us": ["Starts late by", (us) => `${(us / 1000).toFixed(2)} ms`],
      "stat:overruns": ["Overruns", String],
      "stat:clients": ["HMI clients", String],
    };
    const cells = Object.entries(rows).map(([channel, [name, text]]) => {
      const value = h("span", { class: "value", text: "–" });
      this.#updates.push((get) => {
        const now = get(channel);
        setText(value, typeof now === "number" ? text(now) : "–");
      });
      return h("div", {}, h("dt", { text: name }), h("dd", {}, value));
    });
    return h("dl", { class: "figures" }, ...cells);
  }

  // What was picked in the picture

  #pick({ kind, name }) {
    const lines = kind === "point" ? this.#aboutPoint(name) : this.#aboutEquipment(name);
    if (!lines) return;
    const close = button("Close", () => { this.picked.hidden = true; }, { class: "quiet" });
    this.picked.replaceChildren(h("div", { class: "box_head" }, h("h3", { text: name }), close), ...lines);
    this.picked.hidden = false;
    this.picked.scrollIntoView({ block: "nearest" });
    close.focus({ preventScroll: true });
  }

  #aboutPoint(name) {
    const point = this.#app.store.points.get(name);
    if (!point) return this.#aboutEquipment(name);
    return [
      h("p", { class: "small", text: point.description || point.role }),
      h("p", {}, h("strong", { class: "value", text: valueText(point, this.#app.store.get(`point:${name}`)) })),
      h(
        "p",
        { class: "row" },
        button("Open the point", () => this.#app.go("points", { name })),
        button("Trend", () => this.#app.go("trends", { name })),
      ),
    ];
  }

  #aboutEquipment(name) {
    const { model } = this.#app.store;
    const one = model.equipment.find((equipment) => equipment.name === name);
    if (!one) return null;
    const broken = this.#app.store.rows("faults").filter((row) => row.equipment === name);
    const faults = broken.map((row) =>
      h("li", { class: "mark medium", text: `${row.name}${typeof row.left_s === "number" ? `, ${spanText(row.left_s)} left` : ""}` }),
    );
    return [
      h("p", { class: "small soft", text: one.type.replaceAll("_", " ") }),
      faults.length ? h("ul", {}, ...faults) : null,
      h("p", { class: "row" }, button(`Its ${one.faults.length} faults`, () => this.#app.go("faults", { equipment: name }))),
    ].filter(Boolean);
  }
}
