/** Trials: run one on a bench beside the machine and watch it. */

import { button, h, rove, setText } from "../dom.js";
import { field, outcome, select } from "../forms.js";
import { clockText } from "../format.js";

const PACES = [["1", "×1"], ["10", "×10"], ["50", "×50"], ["0", "as fast as possible"]];

/** Mark and word for a verdict, of a whole trial or of one row. */
function verdictMark(verdict) {
  const marks = { met: "good", passed: "good", "not met": "high", "not run": "medium", "not reached": "medium" };
  return h("span", { class: `mark ${marks[verdict] ?? "plain"}`, text: verdict ?? "open" });
}

export class TrialsTab {
  #app;
  #rows = new Map();
  #shownRows = "";

  constructor(app, pane) {
    this.#app = app;
    this.refusal = app.refusal("engineer", "trials");
    this.list = h("ul", { class: "choices scroll" });
    this.place = outcome();
    this.pace = select(PACES, "10");
    this.stop = button("Stop", () => app.act({ do: "trial_stop" }, this.place, "stopped"), { disabled: true });
    this.title = h("h3", { text: "Choose a trial" });
    this.state = h("p", { class: "row", attrs: { role: "status" } });
    this.rows = h("tbody");
    const rows = h("table", { attrs: { "aria-label": "Rows of the trial" } }, this.rows);
    const intro = h("p", { class: "soft small", text: this.refusal || "A trial runs on a bench of its own beside this machine, which goes on undisturbed." });
    pane.append(
      intro,
      h(
        "div",
        { class: "columns checks_columns" },
        h("div", { class: "box stack choices_box" }, h("div", { class: "row" }, field("Pace", this.pace), this.stop), this.place, this.list),
        h("div", { class: "box stack scroll" }, this.title, this.state, rows),
      ),
    );
    this.#makeList();
    app.store.addEventListener("state", (event) => {
      if (event.detail === "trials") this.#showVerdicts();
      if (event.detail === "trial") this.#showRun();
    });
    this.#showVerdicts();
    this.#showRun();
  }

  #makeList() {
    const trials = this.#app.store.model.trials.map((one) => (typeof one === "string" ? { name: one } : one));
    for (const { name, text, file } of trials) {
      const verdict = h("span", { class: "small" });
      const run = button("Run", () => this.#run(name), { disabled: Boolean(this.refusal), tabIndex: -1, attrs: { "aria-label": `Run ${name}` } });
      const row = h("li", { class: "choice" }, h("div", { class: "wide" }, h("span", { class: "name", text: name }), h("p", { class: "soft small", text: text || file || "" })), verdict, run);
      this.#rows.set(name, { row, run, verdict });
    }
    const rows = [...this.#rows.values()];
    this.list.append(...(rows.length ? rows.map(({ row }) => row) : [h("li", { class: "empty", text: "This machine has no trials." })]));
    rove(this.list, () => rows.map(({ run }) => run)).refresh();
  }

  #run(name) {
    this.#app.act({ do: "trial", name, speed: Number(this.pace.value) }, this.place, "");
  }

  #showVerdicts() {
    for (const { name, verdict } of this.#app.store.rows("trials")) {
      const one = this.#rows.get(name);
      if (one) one.verdict.replaceChildren(...(verdict ? [verdictMark(verdict)] : []));
    }
  }

  #showRun() {
    const run = this.#app.store.list("trial");
    if (!run.name) return;
    setText(this.title, run.name);
    this.stop.disabled = Boolean(this.refusal) || !run.running;
    for (const [name, { row }] of this.#rows) row.classList.toggle("chosen", name === run.name);
    const steps = Object.entries(run.steps ?? {}).map(([chart, names]) => `${chart}: ${names.join(", ")}`);
    const time = typeof run.at_s === "number" ? `${clockText(run.at_s)} of its time` : "";
    const word = run.running ? h("strong", { text: "running" }) : verdictMark(run.verdict);
    this.state.replaceChildren(word, h("span", { class: "soft", text: [time, ...steps].filter(Boolean).join(" · ") }));
    if (run.stopped) this.state.append(h("span", { text: run.stopped }));
    this.#showRows(run.rows ?? []);
  }

  #showRows(rows) {
    const key = JSON.stringify(rows);
    if (key === this.#shownRows) return;
    this.#shownRows = key;
    this.rows.replaceChildren(
      ...rows.map(({ at_s, text, verdict, found }) =>
        h(
          "tr",
          {},
          h("td", { class: "soft number", text: typeof at_s === "number" ? clockText(at_s) : "" }),
          h("td", {}, text, found && verdict !== "met" ? h("p", { class: "small soft", text: `found: ${found}` }) : null),
          h("td", {}, verdict ? verdictMark(verdict) : null),
        ),
      ),
    );
  }
}
