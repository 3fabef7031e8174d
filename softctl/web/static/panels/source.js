/** A program's text with the values of its names in the margin, as they are now. */

import { button, h, setText } from "../dom.js";
import { outcome, tell } from "../forms.js";
import { anyText, trimmed, valueText } from "../format.js";

const MOST_IN_A_LINE = 4;
const WORDS = new Set(
  `ABS ACTION AND ARRAY AT BOOL BY BYTE CASE CONSTANT DATE DINT DO DT DWORD ELSE ELSIF END_ACTION
   END_CASE END_FOR END_FUNCTION END_FUNCTION_BLOCK END_IF END_PROGRAM END_REPEAT END_STEP
   END_STRUCT END_TRANSITION END_TYPE END_VAR END_WHILE EXIT FALSE FOR FROM FUNCTION
   FUNCTION_BLOCK IF INITIAL_STEP INT LINT LIMIT LREAL LTIME LWORD MAX MIN MOD NOT OF OR PRIORITY
   PROGRAM REAL REPEAT RETAIN RETURN SEL SINT STEP STRING STRUCT THEN TIME TO TOD TRANSITION TRUE
   TYPE UDINT UINT ULINT UNTIL USINT VAR VAR_EXTERNAL VAR_GLOBAL VAR_INPUT VAR_IN_OUT VAR_OUTPUT
   VAR_TEMP WHILE WITH WORD XOR`.split(/\s+/),
);

export class SourceView {
  #app;
  #file = "";
  #lines = [];
  #place = outcome();

  constructor(app) {
    this.#app = app;
    this.title = h("h3");
    this.body = h("div", { class: "source scroll", tabIndex: 0, attrs: { role: "region", "aria-label": "Text of the program" } });
    const close = button("Close", () => this.#close());
    this.box = h("div", { class: "box source_box", hidden: true }, h("div", { class: "box_head" }, this.title, close), this.#place, this.body);
    this.box.addEventListener("keydown", (event) => {
      if (event.key === "Escape") this.#close();
    });
  }

  #close() {
    this.box.hidden = true;
    this.box.dispatchEvent(new CustomEvent("close"));
  }

  /** Open a file at a line (counted from 1) and mark it. */
  async show({ file, line }) {
    this.box.hidden = false;
    try {
      if (file !== this.#file) await this.#load(file);
    } catch (error) {
      tell(this.#place, error.message, true);
      return;
    }
    setText(this.title, `${shortName(file)}, line ${line}`);
    this.#lines.forEach(({ row }, i) => row.classList.toggle("at", i + 1 === line));
    this.#lines[line - 1]?.row.scrollIntoView({ block: "center" });
    this.body.focus({ preventScroll: true });
    this.update();
  }

  async #load(file) {
    const answer = await fetch(`/api/source?file=${encodeURIComponent(file)}`);
    if (!answer.ok) throw new Error(`the text of ${file} cannot be had (${answer.status})`);
    const text = await answer.text();
    tell(this.#place, "");
    this.#file = file;
    this.#lines = readLines(text, this.#app.store).map((line, i) => this.#makeLine(line, i + 1));
    this.body.replaceChildren(h("div", { class: "source_lines" }, ...this.#lines.map(({ row }) => row)));
    await this.#app.subscribe([...new Set(this.#lines.flatMap(({ names }) => names.map(({ channel }) => channel)))]);
  }

  #makeLine({ text, names }, number) {
    const values = h("span", { class: "margin value" });
    const row = h(
      "div",
      { class: "source_line" },
      h("span", { class: "number", text: String(number), attrs: { "aria-hidden": "true" } }),
      values,
      h("code", { text: text || " " }),
    );
    return { row, values, names };
  }

  update() {
    if (this.box.hidden) return;
    const { store } = this.#app;
    for (const { values, names } of this.#lines) {
      if (!names.length) continue;
      const parts = names.filter(({ channel }) => isKnown(store.get(channel))).slice(0, MOST_IN_A_LINE);
      setText(values, parts.map((one) => valueOf(one, store)).join("  "));
      values.title = values.textContent;
    }
  }
}

export function shortName(file) {
  return file.split("/").pop();
}

function isKnown(value) {
  return value !== undefined && value !== null;
}

function valueOf({ name, channel, point }, store) {
  const value = store.get(channel);
  if (point) return `${name} ${typeof value === "boolean" ? anyText(value) : valueText(point, value)}`;
  if (channel.startsWith("elapsed:")) return `${name} ${typeof value === "number" ? `${trimmed(value, 1)} s` : "–"}`;
  return `${name} ${anyText(value)}`;
}

/**
 * The lines of a text with the names that may have values: points, steps, and variables of
 * the program that the line stands in. Comments and texts in quotes have none, nor has the
 * inside of a function block, of which there may be many instances.
 */
function readLines(text, store) {
  let program = "";
  const bare = withoutComments(text).split("\n");
  return text.split("\n").map((line, i) => {
    const begins = /^\s*(PROGRAM|FUNCTION_BLOCK|FUNCTION)\s+(\w+)/i.exec(bare[i]);
    if (begins) program = begins[1].toUpperCase() === "PROGRAM" ? begins[2] : null;
    if (/^\s*END_(PROGRAM|FUNCTION)/i.test(bare[i])) program = "";
    return { text: line, names: program === null || begins ? [] : namesOf(bare[i], program, store) };
  });
}

function withoutComments(text) {
  const blank = (match) => match.replace(/[^\n]/g, " ");
  return text
    .replace(/\(\*[\s\S]*?\*\)|\/\*[\s\S]*?\*\/|\/\/[^\n]*/g, blank)
    .replace(/'[^'\n]*'|"[^"\n]*"|\{[^}\n]*\}|\b(?:T|TIME|D|DT|TOD|[SLU]*D?INT|L?REAL)#[\w.]+/gi, blank);
}

function namesOf(line, program, store) {
  const found = new Map();
  for (const [name] of line.matchAll(/[A-Za-z_]\w*(?:\.[A-Za-z_]\w*)*/g)) {
    if (WORDS.has(name.toUpperCase()) || found.has(name)) continue;
    found.set(name, channelOf(name, program, store));
  }
  return [...found].filter(([, one]) => one).map(([name, one]) => ({ name, ...one }));
}

function channelOf(name, program, store) {
  const point = store.points.get(name);
  if (point) return { channel: `point:${name}`, point };
  const [first, last] = name.split(".");
  if (store.has(`step:${program}.${first}`)) {
    return { channel: last?.toUpperCase() === "T" ? `elapsed:${program}.${first}` : `step:${program}.${first}` };
  }
  return program ? { channel: `var:${program}.${name}` } : null;
}
