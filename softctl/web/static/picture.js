/** The process picture: equipment, instruments and lines of the machine, alive. */

import { arrowHead, Bindings, channelsOf, frame, lineTo, navigate, polyline, put, s, textIn } from "./svg.js";
import { carrierSymbol, machineSymbol, nestPlaces, smallMotor, vesselInside, vesselOutline } from "./symbols.js";

export { channelsOf };

const PATTERNS = 4;
const STILL = 1e-7;
let count = 0;

export class Picture {
  #bindings = new Bindings();
  #items = new Map();
  #geometry;
  #points;
  #get = () => undefined;
  #id = `picture${(count += 1)}`;
  #most;

  /** Draws the model's picture into `parent`; `update` brings it to life. */
  constructor(parent, model) {
    const drawn = model.picture;
    this.#geometry = drawn;
    this.#points = new Map(model.points.map((point) => [point.name, point]));
    this.#most = drawn.species.map((one) => one.most || 1);
    this.svg = s("svg", {
      class: "pic",
      viewBox: `0 0 ${drawn.width} ${drawn.height}`,
      role: "group",
      "aria-label": `Process picture of ${model.title ?? model.name}`,
    });
    this.svg.append(this.#patterns());
    const layers = ["lines", "vessels", "carriers", "machines", "instruments", "labels"];
    for (const kind of layers) {
      const group = s("g", { class: `pic-${kind}` });
      for (const item of drawn[kind]) group.append(...this.#draw(kind, item));
      this.svg.append(group);
    }
    parent.append(this.svg);
    const elements = [...this.#items.values()].map((one) => one.element);
    navigate(this.svg, elements, (element) => this.#describe(element), (element) => this.#pick(element));
  }

  /** Show the values now; `get(channel)` gives one of them, undefined for what is not known. */
  update(get) {
    this.#get = get;
    this.#bindings.run(get);
  }

  /** Mark what is forced (paths) and what is broken (rows with equipment and name). */
  mark({ forces = [], faults = [] }) {
    const forced = new Set(forces.map((path) => path.toUpperCase()));
    for (const { element, item } of this.#items.values()) {
      const broken = faults.filter((row) => row.equipment === item.name || row.equipment === item.driver);
      const held = pointsOf(item).filter((name) => forced.has(name.toUpperCase()));
      this.#badge(element, item, broken.map((row) => row.name), held);
    }
  }

  #draw(kind, item) {
    if (kind === "lines") return this.#line(item);
    if (kind === "labels") return this.#label(item);
    const draw = { vessels: this.#vessel, carriers: this.#carrier, machines: this.#machine, instruments: this.#instrument };
    const element = s("g", { class: "pic-item", tabindex: -1, role: "button", "aria-label": item.name, "data-name": item.name });
    element.append(s("title"), ...draw[kind].call(this, item, element));
    element.firstChild.textContent = this.#title(item);
    this.#items.set(`${kind} ${item.name}`, { element, item });
    return [element];
  }

  // Lines

  #line(line) {
    const pipe = polyline(line.path, `pic-pipe ${line.kind ?? "liquid"}`);
    const stream = s("path", { class: "pic-stream", d: lineTo(line.path) });
    const head = line.arrow ? [arrowHead(line.path, "pic-head")] : [];
    this.#bindings.add([line.flow], ([flow]) => {
      const state = typeof flow === "number" && Math.abs(flow) > STILL ? (flow < 0 ? "back" : "on") : "off";
      for (const one of [pipe, stream]) put(one, "data-flow", state);
    });
    return [pipe, stream, ...head];
  }

  // Vessels

  #vessel(vessel) {
    if (vessel.shape === "manifold") return [frame(vessel, "pic-bar", { rx: 2 })];
    if (vessel.shape === "header" || vessel.shape === "inflow") return [endSymbol(vessel)];
    const id = `${this.#id}-${vessel.name}`;
    const clip = s("clipPath", { id }, s("path", { d: vesselInside(vessel) }));
    const back = s("path", { class: "pic-inside", d: vesselInside(vessel) });
    const liquid = frame({ ...vessel, y: vessel.y + vessel.h * 0.3, h: vessel.h * 0.7 }, "pic-liquid");
    const shares = vessel.species.map((one) => this.#share(vessel, one, liquid));
    const surface = s("path", { class: "pic-surface" });
    const inside = s("g", { "clip-path": `url(#${id})` }, liquid, ...shares, surface);
    const outline = s("path", { class: "pic-wall", d: vesselOutline(vessel) });
    const ground = vessel.ground ? [groundOf(vessel)] : [];
    this.#bindings.add([vessel.level], ([level]) => {
      const share = vessel.level ? Math.max(0, Math.min(1, (level ?? 0) / (vessel.full || 1))) : 0.72;
      const height = Math.round(share * vessel.h * 10) / 10;
      const top = vessel.y + vessel.h - height;
      for (const one of [liquid, ...shares]) {
        put(one, "y", top);
        put(one, "height", height);
      }
      put(surface, "d", `M${vessel.x},${top}h${vessel.w}`);
    });
    return [clip, back, inside, ...ground, outline];
  }

  /** A species as a pattern over the liquid: the denser the more of it there is. */
  #share(vessel, one, liquid) {
    const rect = frame(vessel, "pic-share", { fill: `url(#${this.#id}-pattern${one.number % PATTERNS})`, opacity: 0 });
    put(rect, "y", liquid.getAttribute("y"));
    put(rect, "height", liquid.getAttribute("height"));
    this.#bindings.add([one.channel], ([value]) => {
      const amount = one.channel ? value : one.fixed;
      const share = Math.cbrt(Math.max(0, Math.min(1, (amount ?? 0) / this.#most[one.number])));
      put(rect, "opacity", Math.round(share * 20) / 20);
    });
    return rect;
  }

  #patterns() {
    const make = (number, ...children) =>
      s("pattern", { id: `${this.#id}-pattern${number}`, width: 8, height: 8, patternUnits: "userSpaceOnUse" }, ...children);
    const stroke = (d) => s("path", { class: "pic-pattern", d });
    const dot = (cx, cy) => s("circle", { class: "pic-dot", cx, cy, r: 1.1 });
    return s(
      "defs",
      {},
      make(0, dot(2, 2), dot(6, 6)),
      make(1, stroke("M0,8L8,0M-1,1L1,-1M7,9L9,7")),
      make(2, stroke("M0,4H8")),
      make(3, stroke("M4,0V8")),
    );
  }

  // Machines, carriers, instruments

  #machine(item, element) {
    const [symbol, fills] = machineSymbol(item);
    const [drive, driveFills] = item.motor ? smallMotor(item.motor) : [[], []];
    const state = item.state ? [textIn(item.state, "", "pic-state")] : [];
    const way = item.at ? [s("path", { class: "pic-reach", d: `M${item.at.x},${item.at.y}V${item.y - 3}` })] : [];
    this.#bindings.add([item.on, item.position, item.alert], () => {
      const look = machineLook(item, this.#get);
      for (const one of [...fills, ...driveFills]) put(one, "data-on", look.fill);
      put(element, "data-alert", look.isAlert);
      for (const one of state) if (one.textContent !== look.words) one.textContent = look.words;
    });
    return [...way, ...symbol, ...drive, ...state];
  }

  #carrier(item) {
    const [symbol, fills] = carrierSymbol(item);
    const parts = s("g", { class: "pic-parts" });
    this.#bindings.add([item.on], ([on]) => fills.forEach((one) => put(one, "data-on", isOn(on) ? "on" : "off")));
    this.#bindings.add([item.parts], ([rows]) => this.#parts(item, parts, rows ?? []));
    return [...symbol, parts];
  }

  #parts(item, group, rows) {
    const places = item.shape === "index_table" ? nestPlaces(item) : null;
    if (!places && item.shape !== "belt") return;
    while (group.children.length > rows.length) group.lastChild.remove();
    while (group.children.length < rows.length) group.append(partSymbol());
    rows.forEach(([number, place, length, isDefective], index) => {
      const [box, text, cross] = group.children[index].children;
      const width = places ? 14 : Math.max(8, (length / item.length) * item.w);
      const height = places ? 14 : 20;
      const middle = places ? places[index % places.length][0] : item.x + (place / item.length) * item.w;
      const top = places ? places[index % places.length][1] - 7 : item.y - height - 1;
      const at = { x: Math.round((middle - width / 2) * 10) / 10, y: top, width, height };
      for (const [name, value] of Object.entries(at)) put(box, name, value);
      put(text, "x", middle);
      put(text, "y", top + height * 0.7);
      const shown = width >= 18 ? String(number % 1e6) : "";
      if (text.textContent !== shown) text.textContent = shown;
      put(cross, "d", isDefective ? `M${at.x},${top}l${width},${height}` : "");
    });
  }

  #instrument(item, element) {
    const { x, y, w } = item;
    const r = w / 2;
    const tap = polyline(item.path, "pic-tap");
    const circle = s("circle", { class: "pic-bubble", cx: x + r, cy: y + r, r: r - 0.5 });
    const half = { x, w, h: 13 };
    const letters = textIn({ ...half, y: y + 4.5 }, item.letters, "pic-tag", "middle");
    const loop = textIn({ ...half, y: y + 16 }, item.loop, "pic-tag", "middle");
    const reading = textIn(item.reading, "–", "pic-reading");
    this.#bindings.add([item.value], ([value]) => {
      put(element, "data-on", value === true);
      const text = this.#reading(item, value);
      if (reading.textContent !== text) reading.textContent = text;
    });
    return [tap, circle, letters, loop, reading];
  }

  #reading(item, value) {
    if (typeof value === "boolean") return value ? "on" : "off";
    if (typeof value !== "number") return "–";
    return `${figure(value)}${item.unit ? ` ${unitText(item.unit)}` : ""}`;
  }

  #label(label) {
    const element = textIn(label, label.text, `pic-text ${label.kind}`);
    const show = (text) => {
      if (element.textContent !== text) element.textContent = text;
    };
    if (label.kind === "content") {
      this.#bindings.add([label.level, label.temperature], () => show(contentText(label, this.#get)));
    } else if (label.kind === "share") {
      const left = label.x + label.w * 0.08; // texts are narrower than the room that they have
      const swatch = s("rect", { class: "pic-swatch", x: left, y: label.y + 3, width: 10, height: 10, fill: `url(#${this.#id}-pattern${label.species % PATTERNS})` });
      put(element, "x", left + 15);
      put(element, "text-anchor", "start");
      this.#bindings.add([label.channel], ([value]) => show(`${label.text}${amountText(label.channel ? value : label.fixed)}`));
      return [swatch, element];
    } else if (label.kind === "flow") {
      this.#bindings.add([label.channel], ([value]) => show(flowText(value)));
    } else if (label.kind === "count") {
      this.#bindings.add([label.channel], ([value]) => show(typeof value === "number" ? `${value} parts` : "–"));
    }
    return [element];
  }

  // Marks, labels, picking

  #badge(element, item, broken, held) {
    element.querySelector(".pic-badges")?.remove();
    put(element, "data-marked", broken.length || held.length ? "true" : "false");
    if (!broken.length && !held.length) return;
    const badges = s("g", { class: "pic-badges" });
    let x = item.x + item.w - 7;
    const y = item.y - 7;
    if (broken.length) {
      badges.append(s("path", { class: "pic-broken", d: `M${x + 7},${y}l8,14h-16Z` }), badgeText(x + 7, y + 12, "!"));
      x -= 16;
    }
    if (held.length) {
      badges.append(s("rect", { class: "pic-forced", x, y, width: 14, height: 14, rx: 2 }), badgeText(x + 7, y + 11, "F"));
    }
    const words = [...broken.map((name) => `broken: ${name}`), ...held.map((name) => `forced: ${name}`)];
    badges.append(s("title"));
    badges.lastChild.textContent = words.join(", ");
    badges.dataset.words = words.join(", ");
    element.append(badges);
  }

  #title(item) {
    const name = (item.value ?? "").startsWith?.("point:") ? item.value.slice(6) : item.points?.[0];
    const about = this.#points.get(name)?.description;
    const driver = item.driver ? `, moved by ${item.driver}` : "";
    return `${item.name}: ${item.type.replaceAll("_", " ")}${driver}${about ? `. ${about}` : ""}`;
  }

  #describe(element) {
    const { item } = this.#found(element);
    const parts = [this.#title(item)];
    if (item.letters) parts.push(this.#reading(item, this.#get(item.value)));
    else if (item.symbol) parts.push(machineLook(item, this.#get).words);
    else if (item.level) parts.push(contentText(item, this.#get));
    parts.push(element.querySelector(".pic-badges")?.dataset.words);
    return parts.filter(Boolean).join(". ");
  }

  #found(element) {
    return [...this.#items.values()].find((one) => one.element === element);
  }

  #pick(element) {
    const { item } = this.#found(element);
    const point = item.letters && item.value?.startsWith("point:") ? item.value.slice(6) : null;
    const detail = point ? { kind: "point", name: point, equipment: item.name } : { kind: "equipment", name: item.name };
    element.dispatchEvent(new CustomEvent("pick", { bubbles: true, detail }));
  }
}

function pointsOf(item) {
  const own = item.value?.startsWith?.("point:") ? [item.value.slice(6)] : [];
  return [...own, ...(item.points ?? [])];
}

function isOn(value) {
  return value === true || (typeof value === "number" && value > 0.01);
}

/** How a machine looks: filled or not, its words, and whether it has tripped. */
function machineLook(item, get) {
  const isAlert = get(item.alert) === true;
  const on = get(item.on);
  const position = item.position ? get(item.position) : undefined;
  const [yes, no] = item.words;
  if (isAlert) return { fill: "off", words: "tripped", isAlert };
  if (typeof position === "number") {
    const share = position / item.travel;
    if (share > 0.02 && share < 0.98) return { fill: "half", words: `${Math.round(share * 100)} % ${yes}`, isAlert };
    return share >= 0.98 ? { fill: "on", words: yes, isAlert } : { fill: "off", words: no, isAlert };
  }
  if (on === undefined || on === null) return { fill: "off", words: "–", isAlert };
  return isOn(on) ? { fill: "on", words: yes, isAlert } : { fill: "off", words: no, isAlert };
}

function partSymbol() {
  return s("g", {}, s("rect", { class: "pic-part", rx: 1.5 }), s("text", { class: "pic-letter", "text-anchor": "middle" }), s("path", { class: "pic-mark" }));
}

function badgeText(x, y, text) {
  const element = s("text", { class: "pic-badge", x, y, "text-anchor": "middle" });
  element.textContent = text;
  return element;
}

/** A drain, or where liquid comes from: a pipe's open end. */
function endSymbol({ x, y, w, h, shape }) {
  const middle = y + h / 2;
  if (shape === "inflow") {
    const d = `M${x},${middle - 13}H${x + w - 14}L${x + w},${middle}L${x + w - 14},${middle + 13}H${x}L${x + 9},${middle}Z`;
    return s("path", { class: "pic-body", d });
  }
  const d = `M${x},${y}V${y + h}M${x},${y + 3}H${x + w - 12}L${x + w},${middle}L${x + w - 12},${y + h - 3}H${x}`;
  return s("path", { class: "pic-body", d });
}

/** The ground beside a vessel that stands below it. */
function groundOf({ x, y, w }) {
  const hatch = (from, way) => {
    let d = `M${from},${y}h${way * 16}`;
    for (let i = 1; i <= 3; i += 1) d += `M${from + way * 5 * i},${y}l-4,5`;
    return d;
  };
  return s("path", { class: "pic-ground", d: `${hatch(x, -1)}${hatch(x + w, 1)}` });
}

/** Four figures, as many decimals as they leave. */
function figure(value) {
  const size = Math.abs(value);
  return value.toFixed(size >= 1000 ? 0 : size >= 100 ? 1 : size >= 10 ? 1 : 2);
}

function unitText(unit) {
  return { degC: "°C", m3: "m³", "m3/h": "m³/h", "m3/s": "m³/s", "kg/m3": "kg/m³" }[unit] ?? unit;
}

function contentText({ level, level_unit: unit, temperature }, get) {
  const words = [];
  if (level && typeof get(level) === "number") words.push(`${figure(get(level))} ${unitText(unit)}`);
  if (temperature && typeof get(temperature) === "number") words.push(`${(get(temperature) - 273.15).toFixed(1)} °C`);
  return words.join(" · ");
}

function amountText(value) {
  return typeof value === "number" ? `${figure(value)} kg/m³` : "–";
}

function flowText(value) {
  if (typeof value !== "number") return "–";
  return Math.abs(value) < 0.0017 ? `${(value * 60000).toFixed(1)} L/min` : `${(value * 1000).toFixed(1)} L/s`;
}
