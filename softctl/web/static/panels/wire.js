/** Break the wire: what goes wrong between a client and one of the two servers. */

import { button, h } from "../dom.js";
import { field, form, outcome, select, spanOf, textInput } from "../forms.js";
import { spanText } from "../format.js";

const SERVERS = [["hmi", "the HMI's wire"], ["field", "the controller's wire to the field"]];
/** What narrows a fault down, in words; all else belongs to the effect. */
const SCOPE = ["client", "unit", "function", "point", "table", "addresses", "share"];
/** To begin with, where an effect has to be told something. */
const EXAMPLES = { by: "200 ms", code: "4", keep: "6", rate: "100 B/s" };

export class WireBox {
  #app;

  constructor(app) {
    this.#app = app;
    this.refusal = app.refusal("engineer", "wire");
    this.list = h("ul", { class: "stack" });
    this.place = outcome();
    this.all = button("Mend all wires", () => app.act({ do: "unwire", name: null }, this.place, "all wires mended"), { disabled: Boolean(this.refusal) });
    this.active = h("div", { class: "box stack" }, h("div", { class: "box_head" }, h("h3", { text: "Wire faults now" }), this.all), this.list, this.place);
    this.form = h("div", { class: "box stack" }, h("h3", { text: "Break the wire" }), app.can("wire") ? this.#makeForm() : h("p", { class: "soft small", text: this.refusal }));
    app.store.addEventListener("state", (event) => {
      if (event.detail === "wire_faults") this.#show();
    });
    this.#show();
  }

  #show() {
    const rows = this.#app.store.rows("wire_faults");
    this.all.hidden = !rows.length;
    this.list.replaceChildren(...(rows.length ? rows.map((row) => this.#row(row)) : [h("li", { class: "empty", text: "The wires are whole." })]));
  }

  #row({ name, server, text, left_s, struck }) {
    const mend = button("Mend", () => this.#app.act({ do: "unwire", name }, this.place, `${name}: mended`), {
      disabled: Boolean(this.refusal),
      attrs: { "aria-label": `Mend ${name}` },
    });
    const time = typeof left_s === "number" ? `${spanText(left_s)} left` : "until mended";
    return h(
      "li",
      { class: "held_row" },
      h("div", { class: "row" }, h("span", { class: "mark medium" }, h("span", { class: "name", text: text || name })), mend),
      h("p", { class: "soft small", text: `${server} server, ${time}, struck ${struck ?? 0} times` }),
    );
  }

  #makeForm() {
    const effects = this.#app.store.model.wire_effects;
    const place = outcome();
    const server = select(SERVERS);
    const effect = select(effects.map((one) => one.name));
    const about = h("p", { class: "soft small about" });
    const time = textInput("10 s", { className: "narrow" });
    const own = h("div", { class: "form" });
    const scope = h("div", { class: "form" });
    let controls = [];
    const choose = () => {
      const chosen = effects.find((one) => one.name === effect.value);
      about.textContent = chosen?.text ?? "";
      controls = (chosen?.fields ?? []).map((one) => ({ one, control: textInput(one.default ?? EXAMPLES[one.name] ?? "", { className: "narrow" }) }));
      own.replaceChildren(...fieldsOf(controls, (name) => !SCOPE.includes(name)));
      scope.replaceChildren(...fieldsOf(controls, (name) => SCOPE.includes(name)));
    };
    effect.addEventListener("change", choose);
    choose();
    const act = () => {
      const for_s = spanOf(time, "how long it lasts");
      if (for_s === null) throw new Error("expected how long it lasts, such as 10 s");
      const changed = controls.filter(({ one, control }) => control.value.trim() !== String(one.default ?? ""));
      const given = changed.map(({ one, control }) => [one.name, valueOf(control)]).filter(([, value]) => value !== null);
      return this.#app.act({ do: "wire", server: server.value, effect: effect.value, for_s, ...Object.fromEntries(given) }, place, "broken");
    };
    return form(
      "Break the wire",
      act,
      place,
      field("Where", server, { wide: true }),
      field("What", effect, { wide: true }),
      about,
      own,
      h("details", { class: "about" }, h("summary", { text: "Whom it strikes: everybody, unless you say" }), scope),
      field("For", time, { hint: "wall time" }),
      h("button", { text: "Break", disabled: Boolean(this.refusal) }),
    );
  }
}

function fieldsOf(controls, fits) {
  return controls.filter(({ one }) => fits(one.name)).map(({ one, control }) => field(titleOf(one.name), control, { hint: one.text ?? "" }));
}

function titleOf(name) {
  return name.charAt(0).toUpperCase() + name.slice(1).replaceAll("_", " ");
}

/** As a file of wire faults would have it: a number, a list of numbers, else the text. */
function valueOf(control) {
  const text = control.value.trim();
  if (text === "") return null;
  const numbers = text.split(/[,;\s]+/).map(Number);
  if (numbers.some((number) => !Number.isFinite(number))) return text;
  return numbers.length === 1 ? numbers[0] : numbers;
}
