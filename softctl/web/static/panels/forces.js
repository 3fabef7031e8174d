/** What is held: every force with its end, and a form to hold any path of the programs. */

import { button, h } from "../dom.js";
import { field, form, outcome, spanOf, textInput } from "../forms.js";
import { anyText, spanText } from "../format.js";

export class ForcesBox {
  #app;

  constructor(app) {
    this.#app = app;
    this.list = h("ul", { class: "stack" });
    this.place = outcome();
    this.refusal = app.refusal("engineer", "forces");
    this.all = button("Release all", () => app.act({ do: "release", path: null }, this.place, "all released"), { disabled: Boolean(this.refusal) });
    this.box = h(
      "div",
      { class: "box stack" },
      h("div", { class: "box_head" }, h("h3", { text: "Forces" }), this.all),
      this.list,
      this.place,
      app.can("forces") ? this.#makeForm() : h("p", { class: "soft small", text: this.refusal }),
    );
    app.store.addEventListener("state", (event) => {
      if (event.detail === "forces") this.#show();
    });
    this.#show();
  }

  #show() {
    const rows = this.#app.store.rows("forces");
    this.all.hidden = !rows.length;
    this.list.replaceChildren(...(rows.length ? rows.map((row) => this.#row(row)) : [h("li", { class: "empty", text: "Nothing is forced." })]));
  }

  #row({ path, value, left_s, reason, by }) {
    const release = button("Release", () => this.#app.act({ do: "release", path }, this.place, `${path} released`), {
      disabled: Boolean(this.refusal),
      attrs: { "aria-label": `Release ${path}` },
    });
    return h(
      "li",
      { class: "held_row" },
      h("div", { class: "row" }, h("span", { class: "mark held" }, h("span", { class: "name", text: path })), h("span", { text: `at ${anyText(value)}` }), release),
      h("p", { class: "soft small", text: `${spanText(left_s)} left. ${reason || "No reason given."}${by ? ` (${by})` : ""}` }),
    );
  }

  #makeForm() {
    const [path, value, time, reason] = [textInput(), textInput(), textInput("5 min", { className: "narrow" }), textInput()];
    const place = outcome();
    const act = () => {
      const for_s = spanOf(time, "how long to hold it");
      if (!path.value.trim() || !value.value.trim() || for_s === null || !reason.value.trim()) {
        throw new Error("expected a path, a value, a time and a reason");
      }
      const request = { do: "force", path: path.value.trim(), value: value.value.trim(), for_s, reason: reason.value.trim() };
      return this.#app.act(request, place, "held");
    };
    return h(
      "details",
      {},
      h("summary", { text: "Force a variable of a program" }),
      form(
        "Force a variable",
        act,
        place,
        field("Path", path, { wide: true, hint: "such as Feed.Timer.ET" }),
        field("Value", value, { hint: "such as TRUE, 1.5, T#2s" }),
        field("For", time),
        field("Reason", reason, { wide: true }),
        h("button", { text: "Force", disabled: Boolean(this.refusal) }),
      ),
    );
  }
}
