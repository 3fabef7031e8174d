/** Checkout: point by point, does the HMI show what is there, and write what it should? */

import { box, button, h, setText } from "../dom.js";
import { field, form, outcome, select, textInput } from "../forms.js";

export class CheckoutTab {
  #app;
  #asked = null;
  #shownRows = "";

  constructor(app, pane) {
    this.#app = app;
    this.refusal = app.refusal("operate", "checkout");
    this.place = outcome();
    this.tester = textInput();
    this.reviewer = textInput();
    this.begin = form(
      "Begin the checkout",
      () => {
        if (!this.tester.value.trim()) throw new Error("expected the tester's name; the record bears it");
        return this.#do({ act: "start", tester: this.tester.value.trim(), reviewer: this.reviewer.value.trim() }, "begun");
      },
      outcome(),
      field("Tester", this.tester, { wide: true }),
      field("Reviewer", this.reviewer, { wide: true }),
      h("button", { class: "main", text: "Begin", disabled: Boolean(this.refusal) }),
    );
    this.end = button("End", () => this.#do({ act: "stop" }, "ended; the record is kept"), { disabled: Boolean(this.refusal) });
    this.progress = h("progress", { max: 1, value: 0, attrs: { "aria-label": "Done" } });
    this.count = h("p", { class: "small", attrs: { role: "status" } });
    this.current = h("div", { class: "box stack current" });
    this.rows = h("tbody");
    const intro = this.refusal || "Distinctive values are put into the HMI's map one by one. Say what the screen shows, or operate what you are asked to.";
    pane.append(
      h("p", { class: "soft small", text: intro }),
      h(
        "div",
        { class: "columns checks_columns" },
        h("div", { class: "stack scroll" }, box("Who", this.begin, h("div", { class: "row" }, this.progress, this.count, this.end), this.place), this.current),
        h("div", { class: "box scroll" }, h("table", { attrs: { "aria-label": "Points checked" } }, h("thead", {}, h("tr", {}, ...["Point", "Verdict", "Expected", "Seen", ""].map((text) => (text ? h("th", { text, attrs: { scope: "col" } }) : h("td"))))), this.rows)),
      ),
    );
    app.store.addEventListener("state", (event) => {
      if (event.detail === "checkout") this.#show();
    });
    this.#show();
  }

  #do(request, done) {
    return this.#app.act({ do: "checkout", ...request }, this.place, done);
  }

  #show() {
    const { running, done = 0, total = 0, current, rows = [] } = this.#app.store.list("checkout");
    this.begin.hidden = Boolean(running);
    this.end.hidden = !running;
    this.progress.hidden = !running;
    this.progress.value = total ? done / total : 0;
    setText(this.count, total ? `${done} of ${total}` : "");
    this.#showCurrent(running ? current : null);
    this.#showRows(rows);
  }

  #showCurrent(current) {
    this.current.hidden = !current;
    if (!current || current.id === this.#asked) return;
    this.#asked = current.id;
    const comment = textInput();
    const answers = current.way === "operate" ? this.#makeDone(current, comment) : this.#makeAnswer(current, comment);
    const skip = button("Skip", () => this.#do({ act: "skip", id: current.id, comment: comment.value }, "skipped"));
    this.current.replaceChildren(h("h3", { text: current.point }), h("p", { class: "ask", text: current.ask }), answers, h("div", { class: "form" }, field("Comment", comment, { wide: true }), skip));
    if (!this.current.closest("[hidden]")) this.current.querySelector("input, select, button")?.focus();
  }

  #makeAnswer(current, comment) {
    const choices = current.choices ?? (current.kind === "bool" ? ["on", "off"] : null);
    const value = choices ? select([["", "choose"], ...choices]) : textInput();
    const act = () => {
      if (!value.value.trim()) throw new Error("expected what the screen shows");
      return this.#do({ act: "answer", id: current.id, value: value.value.trim(), comment: comment.value }, "kept");
    };
    const label = current.unit ? `The screen shows (${current.unit})` : "The screen shows";
    return form("What the screen shows", act, outcome(), field(label, value, { wide: true }), h("button", { class: "main", text: "Keep" }));
  }

  #makeDone(current, comment) {
    return button("I have done it", () => this.#do({ act: "answer", id: current.id, value: null, comment: comment.value }, "looked at"), { class: "main" });
  }

  #showRows(rows) {
    const key = JSON.stringify(rows);
    if (key === this.#shownRows) return;
    this.#shownRows = key;
    const marks = { pass: "good", fail: "high", skipped: "medium" };
    this.rows.replaceChildren(
      ...rows.map((row) =>
        h(
          "tr",
          {},
          h("td", { class: "name", text: row.point }),
          h("td", {}, h("span", { class: `mark ${marks[row.verdict] ?? "plain"}`, text: row.verdict ?? "open" })),
          h("td", { text: row.expected ?? "" }),
          h("td", {}, row.seen ?? "", row.comment ? h("p", { class: "soft small", text: row.comment }) : null),
          h("td", {}, row.verdict ? button("Again", () => this.#do({ act: "again", id: row.id }, "asked again"), { class: "quiet", attrs: { "aria-label": `Check ${row.point} again` } }) : null),
        ),
      ),
    );
  }
}
