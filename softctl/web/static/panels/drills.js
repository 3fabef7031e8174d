/** Drills: what goes wrong on the HMI's wire, and whether the HMI survives it. */

import { box, button, h } from "../dom.js";
import { field, form, outcome, textInput } from "../forms.js";
import { spanText } from "../format.js";

export class DrillsTab {
  #app;
  #questions = new Map();

  constructor(app, pane) {
    this.#app = app;
    this.refusal = app.refusal("operate", "drills");
    this.place = outcome();
    const { drills = [] } = app.store.model;
    this.boxes = drills.map((drill) => ({ drill, check: h("input", { type: "checkbox", checked: true }) }));
    this.start = button("Start", () => this.#start(), { class: "main", disabled: Boolean(this.refusal) });
    this.stop = button("Stop", () => app.act({ do: "drill", act: "stop" }, this.place, "stopped"), { disabled: true });
    this.state = h("p", { attrs: { role: "status" } });
    this.results = h("ul", { class: "stack" });
    this.asked = h("div", { class: "stack" });
    const intro = this.refusal || "Each drill lets one thing go wrong on the wire of the HMI server for a time, and judges what the HMI does then.";
    pane.append(
      h("p", { class: "soft small", text: intro }),
      h(
        "div",
        { class: "columns checks_columns" },
        h(
          "div",
          { class: "box stack choices_box" },
          h("div", { class: "row" }, this.start, this.stop, button("All", () => this.#tick(true), { class: "quiet" }), button("None", () => this.#tick(false), { class: "quiet" })),
          this.place,
          h("ul", { class: "scroll stack" }, ...this.boxes.map((one) => this.#choice(one))),
        ),
        h("div", { class: "stack scroll" }, box("How it goes", this.state, this.results), box("What only you can say", this.asked)),
      ),
    );
    app.store.addEventListener("state", (event) => {
      if (event.detail === "drills") this.#show();
    });
    this.#show();
  }

  #choice({ drill, check }) {
    const line = field(drill.name, check, { inline: true });
    const time = typeof drill.lasts_s === "number" ? `, ${spanText(drill.lasts_s)}` : "";
    line.append(h("span", { class: "soft small", text: `${drill.title}${time}` }));
    return h("li", {}, line);
  }

  #tick(value) {
    for (const { check } of this.boxes) check.checked = value;
  }

  #start() {
    const names = this.boxes.filter(({ check }) => check.checked).map(({ drill }) => drill.name);
    return this.#app.act({ do: "drill", act: "start", names }, this.place, "begun");
  }

  #show() {
    const { running, phase, left_s, stopped, rows = [], questions = [] } = this.#app.store.list("drills");
    this.stop.disabled = Boolean(this.refusal) || !running;
    this.start.disabled = Boolean(this.refusal) || Boolean(running);
    const left = typeof left_s === "number" ? `, ${spanText(left_s)} left` : "";
    const words = { before: "watching what the HMI asks", during: "the wire is broken", after: "watching how it comes back" };
    this.state.textContent = running ? `${running}: ${words[phase] ?? phase ?? "running"}${left}` : stopped || (rows.length ? "Over." : "Nothing has been drilled yet.");
    this.results.replaceChildren(...rows.map(resultView));
    this.#showQuestions(questions);
  }

  #showQuestions(questions) {
    for (const question of questions) {
      if (!this.#questions.has(question.id)) this.#questions.set(question.id, this.#ask(question));
      if (question.answer) this.#questions.get(question.id).answered.textContent = `Kept: ${question.answer}`;
    }
    const views = questions.map(({ id }) => this.#questions.get(id).view);
    if (!views.length) this.asked.replaceChildren(h("p", { class: "empty", text: "Questions come with the drills." }));
    else if (views.length !== this.asked.querySelectorAll("form").length) this.asked.replaceChildren(...views);
  }

  #ask({ id, drill, text }) {
    const answer = textInput();
    const place = outcome();
    const answered = h("p", { class: "small" });
    const act = () => this.#app.act({ do: "drill", act: "answer", question: id, text: answer.value.trim() }, place, "kept");
    const view = h("div", {}, form(`Question of ${drill}`, act, place, field(`${drill}: ${text}`, answer, { wide: true }), h("button", { text: "Keep", disabled: Boolean(this.refusal) })), answered);
    return { view, answered };
  }
}

function resultView({ drill, host, verdict, checks }) {
  const lines = checks.map(({ name, verdict: one, seen }) => h("li", { class: "small" }, h("span", { class: `mark ${one === "pass" ? "good" : "high"}`, text: name }), h("span", { class: "soft", text: ` ${seen}` })));
  return h("li", {}, h("p", { class: "row" }, h("span", { class: `mark ${verdict === "pass" ? "good" : "high"}` }, h("span", { class: "name", text: drill })), h("span", { class: "soft small", text: `${host}: ${verdict}` })), h("ul", { class: "indent" }, ...lines));
}
