/** The sequence charts: where the program is, what it waits for, and its text. */

import { box, button, h, setText } from "../dom.js";
import { field, form, outcome, select } from "../forms.js";
import { clockText } from "../format.js";
import { Chart } from "../chart.js";
import { shortName, SourceView } from "./source.js";

export class SequencePanel {
  #app;
  #charts = new Map();
  #shown = null;
  #waits = h("div", { class: "stack waits_for" });
  #waitRows = [];
  #waitKey = "";

  constructor(app, section, head) {
    this.#app = app;
    const { charts } = app.store.model;
    this.drawn = h("div", { class: "box drawn scroll chart" });
    this.source = new SourceView(app);
    this.aside = h("div", { class: "stack scroll side" }, box("What it waits for", this.#waits), this.#makePrograms());
    this.choice = select(charts.map((chart) => chart.program));
    this.choice.setAttribute("aria-label", "Chart");
    this.choice.addEventListener("change", () => this.#showChart(this.choice.value));
    this.choice.hidden = charts.length < 2;
    this.follows = h("input", { type: "checkbox", checked: true });
    head.append(this.choice, this.#makeFiles(), field("Follow the active step", this.follows, { inline: true }), h("p", { text: "Pick a step or a transition to read its program." }));
    this.columns = h("div", { class: "columns sequence_columns" }, this.drawn, this.aside, this.source.box);
    section.append(this.columns);
    this.drawn.addEventListener("pick", (event) => this.#pick(event.detail));
    this.source.box.addEventListener("close", () => this.#closeSource());
    app.store.addEventListener("state", (event) => {
      if (event.detail === "forces") this.#mark();
    });
    if (charts.length) this.#showChart(charts[0].program);
    else this.drawn.append(h("p", { class: "empty", text: "The programs of this machine have no chart." }));
  }

  open({ program }) {
    if (program) this.#showChart(program);
  }

  update() {
    const { get } = this.#app.store;
    this.#charts.get(this.#shown)?.drawing.update(get);
    this.#showWaits(get);
    this.source.update();
  }

  #showChart(program) {
    this.#shown = program;
    this.choice.value = program;
    if (!this.#charts.has(program)) {
      const chart = this.#app.store.model.charts.find((one) => one.program === program);
      const place = h("div", { class: "chart_place" });
      this.drawn.append(place);
      this.#charts.set(program, { chart, place, drawing: new Chart(place, this.#app.store.model, chart) });
    }
    for (const [name, { place }] of this.#charts) place.hidden = name !== program;
    this.#waitKey = "";
    this.#mark();
    this.update();
  }

  #mark() {
    const forces = this.#app.store.rows("forces").map((row) => row.path);
    for (const { drawing } of this.#charts.values()) drawing.mark({ forces });
  }

  // Why does it not go on?

  #showWaits(get) {
    const chart = this.#charts.get(this.#shown)?.chart;
    if (!chart) return;
    const active = chart.steps.filter((step) => get(step.channel) === true);
    const key = active.map((step) => step.name).join();
    if (key !== this.#waitKey) {
      this.#makeWaits(chart, active, key);
      if (this.follows.checked) this.#scrollTo(active);
    }
    for (const row of this.#waitRows) row(get);
  }

  #makeWaits(chart, active, key) {
    this.#waitKey = key;
    this.#waitRows = [];
    const blocks = active.flatMap((step) => {
      const since = h("span", { class: "soft small" });
      this.#waitRows.push((get) => setText(since, `active for ${clockText(get(step.elapsed) ?? NaN)}`));
      const out = chart.transitions.filter((one) => one.sources.includes(step.name));
      return [h("p", { class: "row" }, h("strong", { text: step.name }), since), ...out.map((one) => this.#transition(one))];
    });
    this.#waits.replaceChildren(...(blocks.length ? blocks : [h("p", { class: "empty", text: "No step is active." })]));
  }

  /** Bring the first active step into sight, without moving anything but the chart. */
  #scrollTo([step]) {
    if (!step) return;
    const svg = this.#charts.get(this.#shown).place.querySelector("svg");
    const scale = svg.getBoundingClientRect().width / (svg.viewBox.baseVal.width || 1);
    const { drawn } = this;
    drawn.scrollTo({
      left: (step.x + step.w / 2) * scale - drawn.clientWidth / 2,
      top: (step.y + step.h) * scale - drawn.clientHeight * 0.4,
    });
  }

  #transition(transition) {
    const verdict = h("span", { class: "small" });
    const terms = transition.terms.map((term) => {
      const mark = h("span", { class: "truth", attrs: { "aria-hidden": "true" } });
      const word = h("span", { class: "unseen" });
      this.#waitRows.push((get) => showTruth(mark, word, get(term.channel)));
      return h("li", {}, mark, h("code", { text: term.shown ?? term.text }), word);
    });
    this.#waitRows.push((get) => setText(verdict, verdictText(get(transition.ready))));
    const title = button(`to ${transition.targets.join(", ")}`, () => this.#pick({ kind: "transition", ...transition }), { class: "quiet" });
    return h("div", { class: "transition" }, h("div", { class: "row" }, title, verdict), h("ul", {}, ...terms));
  }

  // The text

  #makeFiles() {
    const buttons = this.#app.store.model.programs.map(({ file }) =>
      button(shortName(file), () => this.#openSource({ file, line: 1 }), { class: "quiet", title: file }),
    );
    return h("span", { class: "row small" }, h("span", { class: "soft", text: "Text:" }), ...buttons);
  }

  #pick(detail) {
    const place = detail.place ?? this.#placeOf(detail);
    if (place) this.#openSource(place);
  }

  #placeOf({ kind, name, index }) {
    const chart = this.#charts.get(this.#shown).chart;
    if (kind === "step") return chart.steps.find((step) => step.name === name)?.place;
    const number = index ?? Number(name);
    return chart.transitions.find((one) => one.index === number)?.place;
  }

  async #openSource(place) {
    const isNew = !this.columns.classList.contains("with_source");
    this.columns.classList.add("with_source");
    if (isNew) this.#waitKey = "";
    await this.source.show(place);
  }

  #closeSource() {
    this.columns.classList.remove("with_source");
    this.choice.focus();
  }

  // The programs as a whole

  #makePrograms() {
    const app = this.#app;
    const place = outcome();
    const refusal = app.refusal("engineer", "programs");
    const act = (request, done) => () => app.act(request, place, done);
    const buttons = [
      button("Stop", act({ do: "stop" }, "stopped; outputs are at fail-safe")),
      button("Restart", act({ do: "restart", cold: false }, "started anew, warm")),
      button("Restart cold", act({ do: "restart", cold: true }, "started anew, cold")),
    ];
    const files = h("input", { type: "file", accept: ".st", multiple: true });
    const load = form(
      "Change the program",
      async () => app.act({ do: "load", files: await readFiles(files) }, place, loadedText),
      outcome(),
      field("Changed files (.st)", files, { wide: true, hint: "all files of the program; taken over between two scans" }),
      h("button", { text: "Load" }),
    );
    for (const one of [...buttons, ...load.elements]) one.disabled = Boolean(refusal);
    const note = refusal || "Stopping puts every output at its fail-safe value. It is never an emergency stop.";
    return box("Programs", h("div", { class: "row" }, ...buttons), h("p", { class: "soft small", text: note }), h("details", {}, h("summary", { text: "Change the program" }), load), place);
  }
}

function showTruth(mark, word, value) {
  const [sign, text] = value === true ? ["✓", "true"] : value === false ? ["✗", "false"] : ["·", "not known"];
  setText(mark, sign);
  setText(word, ` is ${text}`);
  mark.parentElement.className = value === false ? "open" : "";
}

function verdictText(ready) {
  if (ready === true) return "goes on now";
  return ready === false ? "waits" : "not looked at";
}

async function readFiles(input) {
  if (!input.files.length) throw new Error("expected the files of the program, got none");
  const texts = await Promise.all([...input.files].map(async (file) => [file.name, await file.text()]));
  return Object.fromEntries(texts);
}

function loadedText(answer) {
  const lines = ["reset", "gone"].filter((key) => answer[key]?.length).map((key) => `${key}: ${answer[key].join(", ")}`);
  return ["loaded; what fits goes on with its values", ...lines].join("; ");
}
