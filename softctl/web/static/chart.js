/** A sequence chart: which steps are active, what the next transitions wait for. */

import { arrowHead, Bindings, frame, navigate, polyline, put, s, textIn } from "./svg.js";

const MARKS = { true: "✓", false: "✗" };

export class Chart {
  #bindings = new Bindings();
  #items = new Map();
  #get = () => undefined;

  /** Draws one of the model's charts into `parent`; `update` brings it to life. */
  constructor(parent, model, chart) {
    this.svg = s("svg", {
      class: "cha",
      viewBox: `0 0 ${chart.width} ${chart.height}`,
      width: chart.width,
      height: chart.height,
      role: "group",
      "aria-label": `Sequence chart of ${chart.program}`,
    });
    const add = (kind, children) => this.svg.append(s("g", { class: `cha-${kind}` }, ...children));
    add("links", chart.links.map(linkSymbol));
    add("notes", chart.notes.map((note) => textIn(note, note.text, "cha-note", "middle")));
    add("jumps", chart.jumps.map((jump) => this.#jump(jump)));
    add("transitions", chart.transitions.map((transition) => this.#transition(transition, chart)));
    add("steps", chart.steps.map((step) => this.#step(step)));
    parent.append(this.svg);
    const elements = [...this.#items.keys()].sort(byPlace);
    navigate(this.svg, elements, (element) => this.#items.get(element).describe(), (element) => this.#pick(element));
  }

  /** Show the values now; `get(channel)` gives one of them, undefined for what is not known. */
  update(get) {
    this.#get = get;
    this.#bindings.run(get);
  }

  /** Mark what is forced: the paths of forced variables. */
  mark({ forces = [] }) {
    const forced = forces.map((path) => path.split(".").pop().toUpperCase());
    const uses = (text) => forced.some((name) => new RegExp(`(^|[^\\w.])${name}($|\\W)`, "i").test(text));
    for (const line of this.svg.querySelectorAll(".cha-term")) {
      put(line, "data-forced", uses(line.dataset.text));
    }
  }

  #item(name, box, detail, describe, ...children) {
    const title = s("title");
    title.textContent = name;
    const element = s("g", { class: "cha-item", tabindex: -1, role: "button", "aria-label": name, "data-x": box.x, "data-y": box.y }, title, ...children);
    this.#items.set(element, { detail, describe });
    return element;
  }

  // Steps

  #step(step) {
    const outer = frame(step, "cha-step");
    const inner = step.initial ? [frame({ x: step.x + 3, y: step.y + 3, w: step.w - 6, h: step.h - 6 }, "cha-inner")] : [];
    const name = textIn({ ...step, y: step.y + step.h / 2 - 11, h: 20 }, step.name, "cha-name", "middle");
    const elapsed = textIn({ ...step, y: step.y + 20, h: 16 }, "", "cha-elapsed", "middle");
    const dot = s("circle", { class: "cha-token", cx: step.x + 11, cy: step.y + step.h / 2, r: 4 });
    const element = this.#item(
      `Step ${step.name}`,
      step,
      { kind: "step", name: step.name, place: step.place },
      () => `Step ${step.name}, ${this.#get(step.channel) === true ? `active for ${elapsed.textContent}` : "not active"}`,
      outer,
      ...inner,
      dot,
      name,
      elapsed,
      ...step.actions.flatMap((action) => this.#action(action)),
    );
    this.#bindings.add([step.channel, step.elapsed], ([active, seconds]) => {
      put(element, "data-active", active === true);
      const text = active === true && typeof seconds === "number" ? secondsText(seconds) : "";
      if (elapsed.textContent !== text) elapsed.textContent = text;
    });
    return element;
  }

  #action(action) {
    const qualifier = textIn({ ...action, w: action.split }, action.qualifier, "cha-action", "middle");
    const rest = { ...action, x: action.x + action.split + 6, w: action.w - action.split - 6 };
    const divider = polyline([[action.x + action.split, action.y], [action.x + action.split, action.y + action.h]], "cha-divider");
    return [frame(action, "cha-box"), divider, qualifier, textIn(rest, action.name, "cha-action")];
  }

  // Transitions

  #transition(transition, chart) {
    const bar = frame(transition, "cha-bar");
    const rank = transition.rank ? [textIn(transition.rank, transition.rank.text, "cha-rank", "start")] : [];
    const terms = transition.terms.map((term) => this.#term(term));
    const way = `from ${transition.sources.join(", ")} to ${transition.targets.join(", ")}`;
    const element = this.#item(
      `Transition ${way}: ${transition.text}`,
      transition,
      { kind: "transition", name: String(transition.index), index: transition.index, place: transition.place },
      () => `Transition ${way}, ${this.#verdict(transition)}: ${transition.terms.map((term) => this.#spoken(term)).join(" ")}`,
      frame({ x: transition.x, y: transition.y - 6, w: transition.w, h: 18 }, "cha-touch"),
      bar,
      ...rank,
      ...terms,
    );
    const steps = chart.steps.filter((step) => transition.sources.includes(step.name)).map((step) => step.channel);
    this.#bindings.add([transition.ready, ...steps], ([ready, ...active]) => {
      const isEnabled = active.every((one) => one === true);
      put(element, "data-state", isEnabled ? (ready === true ? "clears" : "enabled") : active.some(Boolean) ? "partly" : "idle");
    });
    return element;
  }

  #term(term) {
    const mark = textIn({ ...term, x: term.x - 14, w: 12 }, "", "cha-mark");
    const text = textIn(term, term.shown, "cha-text");
    const element = s("g", { class: "cha-term", "data-text": term.text }, mark, text);
    if (term.why) {
      element.append(s("title"));
      element.lastChild.textContent = `not known here: ${term.why}`;
    }
    if (term.channel) {
      this.#bindings.add([term.channel], ([truth]) => {
        const shown = MARKS[truth] ?? (term.why ? "?" : "");
        if (mark.textContent !== shown) mark.textContent = shown;
        put(element, "data-truth", truth ?? "none");
      });
    }
    return element;
  }

  #spoken(term) {
    const truth = this.#get(term.channel);
    return typeof truth === "boolean" ? `${term.shown}, ${truth ? "true" : "false"};` : `${term.shown};`;
  }

  #verdict(transition) {
    const ready = this.#get(transition.ready);
    return typeof ready === "boolean" ? (ready ? "true now" : "waits") : "not enabled";
  }

  #jump(jump) {
    const text = textIn(jump, jump.text, "cha-jump", "middle");
    return this.#item(`To step ${jump.step}`, jump, { kind: "step", name: jump.step }, () => `To step ${jump.step}`, text);
  }

  #pick(element) {
    const { detail } = this.#items.get(element);
    element.dispatchEvent(new CustomEvent("pick", { bubbles: true, detail }));
  }
}

/** A link; a double line for simultaneous sequences. */
function linkSymbol(link) {
  if (link.double) {
    const [[x1, y1], [x2, y2]] = link.path;
    return s("path", { class: "cha-link", d: `M${x1},${y1 - 2}L${x2},${y2 - 2}M${x1},${y1 + 2}L${x2},${y2 + 2}` });
  }
  const line = polyline(link.path, "cha-link");
  return link.arrow ? s("g", {}, line, arrowHead(link.path, "cha-arrow", 8)) : line;
}

function secondsText(seconds) {
  if (seconds < 100) return `${seconds.toFixed(1)} s`;
  const minutes = Math.floor(seconds / 60);
  const rest = String(Math.floor(seconds % 60)).padStart(2, "0");
  return minutes < 60 ? `${minutes}:${rest} min` : `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")} h`;
}

function byPlace(a, b) {
  return a.dataset.y - b.dataset.y || a.dataset.x - b.dataset.x;
}
