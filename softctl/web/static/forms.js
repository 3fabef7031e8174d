/** Labelled fields, choices, and what came of an action, shown where it was asked for. */

import { h } from "./dom.js";
import { parseSpan } from "./format.js";

let made = 0;

/** A control with its label, joined for everybody; `hint` is read with the control. */
export function field(label, control, { hint = "", wide = false, inline = false } = {}) {
  made += 1;
  control.id ||= `field_${made}`;
  const name = h("label", { text: label, htmlFor: control.id });
  const more = hint ? h("span", { class: "hint", text: hint, id: `${control.id}_hint` }) : null;
  if (more) control.setAttribute("aria-describedby", more.id);
  const kind = `field${wide ? " wide" : ""}${inline ? " inline" : ""}`;
  return h("div", { class: kind }, ...(inline ? [control, name] : [name, control]), more);
}

export function textInput(value = "", props = {}) {
  return h("input", { type: "text", value, autocomplete: "off", spellcheck: false, ...props });
}

/** A choice; `options` are texts or [value, text] pairs. */
export function select(options, value) {
  const made = options.map((one) => {
    const [key, text] = Array.isArray(one) ? one : [one, one];
    return h("option", { value: key, text });
  });
  const control = h("select", {}, ...made);
  if (value !== undefined) control.value = value;
  return control;
}

/** Where the answer to an action is told. */
export function outcome() {
  return h("p", { class: "outcome", attrs: { role: "status" } });
}

export function tell(place, text, isRefused = false) {
  place.className = `outcome ${text ? (isRefused ? "refused" : "done") : ""}`;
  place.textContent = text;
}

/** Seconds of a field for a time; an empty one is null. Throws an Error that says what to type. */
export function spanOf(control, what = "a time") {
  const text = control.value.trim();
  if (text === "") return null;
  const seconds = parseSpan(text);
  if (seconds === null || seconds <= 0) {
    control.focus();
    throw new Error(`expected ${what} such as 30 s, 5 min or 1 h, got ${text}`);
  }
  return seconds;
}

/** A number of a field; an empty one is null. Throws an Error. */
export function numberOf(control, what = "a number") {
  const text = control.value.trim().replace(",", ".");
  if (text === "") return null;
  const number = Number(text);
  if (!Number.isFinite(number)) {
    control.focus();
    throw new Error(`expected ${what}, got ${control.value}`);
  }
  return number;
}

/** A form whose button and Enter do the same; errors of `act` land in `place`. */
export function form(label, act, place, ...children) {
  const submit = async (event) => {
    event.preventDefault();
    tell(place, "");
    try {
      await act(event);
    } catch (error) {
      tell(place, error.message, true);
    }
  };
  return h("form", { class: "form", on: { submit }, attrs: { "aria-label": label, novalidate: true } }, ...children, place);
}
