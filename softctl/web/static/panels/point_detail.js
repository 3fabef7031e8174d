/** One point: all about it, and what can be done with it. */

import { button, h, setText } from "../dom.js";
import { field, form, outcome, select, spanOf, tell, textInput } from "../forms.js";
import { isBool, isDuration, unitOf, valueText } from "../format.js";

const FORCE_FOR = "5 min";

export class PointDetail {
  #app;
  #point = null;

  constructor(app) {
    this.#app = app;
    this.box = h("div", { class: "box stack", attrs: { "aria-live": "off" } }, h("p", { class: "empty", text: "Choose a point to see all of it, to write or to force it." }));
    this.now = h("strong", { class: "value big" });
  }

  show(point) {
    this.#point = point;
    this.box.replaceChildren(
      ...[
        h("div", { class: "box_head" }, h("h3", { text: point.name }), this.now),
        h("p", { class: "small", text: point.description }),
        h("dl", { class: "facts small" }, ...facts(point).map(([name, text]) => h("div", {}, h("dt", { text: name }), h("dd", { text })))),
        h("p", { class: "row" }, button("Trend", () => this.#app.go("trends", { name: point.name }))),
        point.role === "command" ? this.#makeCommand(point) : null,
        point.role === "setpoint" ? this.#makeSet(point) : null,
        !this.#app.can("forces") ? null : this.#makeForce(point),
      ].filter(Boolean),
    );
    this.update();
  }

  update() {
    if (!this.#point) return;
    const point = this.#point;
    setText(this.now, valueText(point, this.#app.store.get(`point:${point.name}`)));
  }

  #makeCommand(point) {
    const place = outcome();
    const refusal = this.#app.refusal("operate");
    const give = button("Give the command", () => this.#app.act({ do: "command", name: point.name }, place, "given"), { class: "main", disabled: Boolean(refusal) });
    return part("Command", refusal, h("div", { class: "row" }, give), place);
  }

  #makeSet(point) {
    const place = outcome();
    const refusal = this.#app.refusal("operate");
    const value = valueControl(point, this.#app.store.get(`point:${point.name}`));
    const act = () => this.#app.act({ do: "set", name: point.name, value: typed(value, point) }, place, (answer) => `written${answer.value === undefined ? "" : `: ${valueText(point, answer.value)}`}`);
    const hint = point.range ? `${valueText(point, point.range[0])} to ${valueText(point, point.range[1])}` : "";
    const write = h("button", { text: "Write", disabled: Boolean(refusal) });
    return part("Set point", refusal, form("Write the set point", act, place, field(withUnit("New value", point), value, { hint, wide: true }), write));
  }

  #makeForce(point) {
    const place = outcome();
    const refusal = this.#app.refusal("engineer", "forces");
    const value = valueControl(point, this.#app.store.get(`point:${point.name}`));
    const time = textInput(FORCE_FOR, { className: "narrow" });
    const reason = textInput("");
    const act = () => {
      const for_s = spanOf(time, "how long to hold it");
      if (for_s === null) throw new Error("expected how long to hold it, such as 5 min; a force has an end");
      if (!reason.value.trim()) {
        reason.focus();
        throw new Error("expected a reason; the journal keeps it");
      }
      const request = { do: "force", path: point.name, value: typed(value, point), for_s, reason: reason.value.trim() };
      return this.#app.act(request, place, "held");
    };
    const caution = "It overrules the program and its interlocks.";
    return part(
      "Force",
      refusal,
      form(
        "Force the point",
        act,
        place,
        field(withUnit("Hold at", point), value),
        field("For", time),
        field("Reason", reason, { wide: true }),
        h("p", { class: "soft small about", text: caution }),
        h("button", { text: "Force", disabled: Boolean(refusal) }),
        button("Release", () => this.#app.act({ do: "release", path: point.name }, place, "released").catch((error) => tell(place, error.message, true)), { disabled: Boolean(refusal) }),
      ),
    );
  }
}

function part(title, refusal, ...children) {
  const note = refusal ? h("p", { class: "soft small", text: refusal }) : null;
  return h("div", { class: "part" }, h("h3", { text: title }), note, ...children);
}

function withUnit(label, point) {
  const unit = unitOf(point);
  return unit ? `${label} (${unit})` : label;
}

/** A control that holds a value of the point, as it is now. */
export function valueControl(point, now) {
  if (isBool(point)) return select([["true", "on"], ["false", "off"]], now === true ? "false" : "true");
  const text = now === undefined || now === null ? "" : isDuration(point) ? String(now / 1e9) : String(now);
  return textInput(text);
}

/** What was typed, as the bench takes it: TRUE or FALSE, a number, else the text itself. */
export function typed(control, point) {
  if (isBool(point)) return control.value === "true";
  const text = control.value.trim();
  const number = Number(text.replace(",", "."));
  if (text === "" || Number.isNaN(number)) return text;
  return isDuration(point) ? Math.round(number * 1e9) : number;
}

function facts(point) {
  const number = point.number ?? "";
  const all = [
    ["Kind", `${point.role}, ${point.type}`],
    ["Range", point.range ? `${valueText(point, point.range[0])} to ${valueText(point, point.range[1])}` : ""],
    ["Card", point.card ? `${point.card}, channel ${point.channel}` : ""],
    ["HMI map", point.table ? `${point.table.replaceAll("_", " ")}, address ${point.address}${number === "" ? "" : ` (number ${number})`}` : ""],
  ];
  return all.filter(([, text]) => text);
}
