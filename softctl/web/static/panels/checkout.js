/** Checkout: point by point, does the HMI show what is there, and write what it should? */

import { box, button, h, rove, setText, table } from "../dom.js";
import { field, form, outcome, select, tell, textInput } from "../forms.js";

const MARKS = { pass: "good", fail: "high", skipped: "medium" };
/** What the kinds of answers take, where it is a choice. */
const CHOICES = { "on or off": ["on", "off"], "yes or no": ["yes", "no"] };

function verdictMark(attempt) {
  return h("span", { class: `mark ${MARKS[attempt?.verdict] ?? "plain"}`, text: attempt?.verdict ?? "open" });
}

export class CheckoutTab {
  #app;
  #shown = "";
  #isRunning = false;
  #rows = new Map();

  constructor(app, pane) {
    this.#app = app;
    this.refusal = app.refusal("operate", "checkout");
    this.place = outcome();
    this.progress = h("progress", { max: 1, value: 0, attrs: { "aria-label": "Steps done" } });
    this.count = h("p", { class: "small", attrs: { role: "status" } });
    this.end = button("End", () => this.#do({ act: "stop" }, "ended"), { disabled: Boolean(this.refusal) });
    this.how = h("div", { class: "row" }, this.progress, this.count, this.end);
    this.begin = this.#makeBegin();
    this.current = h("div", { class: "box stack" });
    const list = table("Steps of the checkout", ["Step", "Verdict", "Expected", "Seen"]);
    this.body = list.tBodies[0];
    this.roving = rove(this.body, () => [...this.body.querySelectorAll("button")]);
    const intro = this.refusal || "Distinctive values are put into the HMI's map one by one. Say what the screen shows, or operate what you are asked to. The programs have to be stopped.";
    pane.append(
      h("p", { class: "soft small", text: intro }),
      h(
        "div",
        { class: "columns checks_columns" },
        h("div", { class: "stack scroll" }, box("Session", this.begin, this.how, this.place), this.current),
        h("div", { class: "box scroll" }, list),
      ),
    );
    app.store.addEventListener("state", (event) => {
      if (event.detail === "checkout") this.#show();
    });
    this.#show();
  }

  #makeBegin() {
    const reviewer = textInput();
    const names = textInput();
    return form(
      "Begin a checkout",
      async () => {
        if (!reviewer.value.trim()) throw new Error("expected who says what the screen shows; the record bears the name");
        const wanted = names.value.split(/[,\s]+/).filter(Boolean);
        await this.#do({ act: "start", reviewer: reviewer.value.trim(), names: wanted }, "begun");
      },
      outcome(),
      field("Your name", reviewer, { wide: true }),
      field("Only these points", names, { wide: true, hint: "empty: all of them" }),
      h("button", { class: "main", text: "Begin", disabled: Boolean(this.refusal) }),
    );
  }

  #do(request, done) {
    return this.#app.act({ do: "checkout", ...request }, this.place, done);
  }

  get #state() {
    return this.#app.store.list("checkout");
  }

  /** Go on with the first step that has no verdict, behind the one that is shown if possible. */
  #next() {
    const { steps = [], current } = this.#state;
    const here = steps.findIndex((step) => step.id === current);
    const open = (step) => !step.attempt && step.id !== current;
    const step = steps.slice(here + 1).find(open) ?? steps.find(open);
    if (step) this.#do({ act: "begin", step: step.id }, "");
    else tell(this.place, "every step has a verdict");
  }

  #show() {
    const { running, progress, steps = [], current } = this.#state;
    this.begin.hidden = Boolean(running);
    this.how.hidden = !running;
    const { total = 0, open = 0, passed = 0, failed = 0, skipped = 0 } = progress ?? {};
    this.progress.value = total ? (total - open) / total : 0;
    setText(this.count, `${total - open} of ${total}: ${passed} passed, ${failed} failed, ${skipped} skipped`);
    // A session that has just begun, or goes on, shows no step yet.
    if (running && !this.#isRunning && !current) this.#next();
    this.#isRunning = Boolean(running);
    this.#showCurrent(running ? steps.find((step) => step.id === current) : null);
    this.#showRows(steps, current);
  }

  // The step that is shown

  #showCurrent(step) {
    this.current.hidden = !step;
    const key = step ? `${step.id} ${step.tries}` : "";
    if (!step || key === this.#shown) return;
    this.#shown = key;
    const comment = textInput();
    const decide = (verdict, text) =>
      button(text, async () => (await this.#do({ act: "decide", step: step.id, verdict, comment: comment.value }, text.toLowerCase())) && this.#next());
    const { attempt } = step;
    const found = attempt
      ? h("div", { class: "stack" }, h("p", { class: "row" }, verdictMark(attempt), h("span", { text: `expected ${attempt.expected}, seen ${attempt.seen || "nothing"}` })), attempt.hint ? h("p", { text: attempt.hint }) : null, button("Next step", () => this.#next(), { class: "main" }))
      : null;
    this.current.replaceChildren(
      ...[
        h("div", { class: "box_head" }, h("h3", { text: step.id }), h("span", { class: "soft small", text: step.description })),
        found,
        h("p", { class: "ask", text: step.instruction }),
        this.#makeAnswer(step, comment),
        h("div", { class: "form" }, field("Comment", comment, { wide: true })),
        h("div", { class: "row" }, decide("pass", "It is right"), decide("fail", "It is wrong"), decide("skipped", "Skip")),
      ].filter(Boolean),
    );
    if (this.current.offsetParent) this.current.querySelector("input, select, button")?.focus();
  }

  #makeAnswer(step, comment) {
    const send = async (text) => {
      const judged = await this.#do({ act: "answer", step: step.id, text, comment: comment.value }, "");
      if (judged?.attempt?.verdict === "pass") this.#next();
    };
    if (step.answer === "done") return h("div", { class: "row" }, button("I have done it", () => send("done"), { class: "main" }));
    const named = Object.entries(step.choices ?? {});
    const choices = CHOICES[step.answer] ?? (named.length ? named : null);
    const value = choices ? select([["", "choose"], ...choices]) : textInput();
    const act = () => {
      if (!value.value.trim()) throw new Error("expected what the screen shows");
      return send(value.value.trim());
    };
    const label = step.unit ? `The screen shows (${step.unit})` : "The screen shows";
    return form("What the screen shows", act, outcome(), field(label, value, { wide: true }), h("button", { class: "main", text: "Keep" }));
  }

  // All steps

  #showRows(steps, current) {
    if (steps.length !== this.#rows.size || steps.some(({ id }) => !this.#rows.has(id))) {
      this.#rows = new Map(steps.map((step) => [step.id, this.#makeRow(step)]));
      this.body.replaceChildren(...[...this.#rows.values()].map(({ line }) => line));
      this.roving.refresh();
    }
    for (const step of steps) {
      const { line, cells } = this.#rows.get(step.id);
      line.classList.toggle("chosen", step.id === current);
      const { attempt } = step;
      const key = `${attempt?.at} ${step.tries}`;
      if (line.dataset.key === key) continue;
      line.dataset.key = key;
      cells[0].replaceChildren(verdictMark(attempt));
      setText(cells[1], attempt?.expected ?? "");
      setText(cells[2], [attempt?.seen, attempt?.hint, attempt?.comment].filter(Boolean).join("; "));
    }
  }

  #makeRow(step) {
    const cells = [h("td"), h("td"), h("td")];
    const again = button(step.id, () => this.#do({ act: "begin", step: step.id }, ""), { class: "quiet name", tabIndex: -1, title: "Show this step", disabled: Boolean(this.refusal) });
    return { line: h("tr", {}, h("td", {}, again), ...cells), cells };
  }
}
