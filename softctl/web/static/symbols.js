/** The symbols of the process picture: outlines of vessels, and what turns, opens and heats. */

import { frame, s } from "./svg.js";

/** The outline of a vessel's body as path data. */
export function vesselOutline(vessel) {
  const { x, y, w, h, shape } = vessel;
  const right = x + w;
  const bottom = y + h;
  if (shape === "lying") {
    const r = Math.min(h * 0.22, 24);
    return `M${x + r},${y}H${right - r}Q${right},${y} ${right},${y + h / 2}Q${right},${bottom} ${right - r},${bottom}H${x + r}Q${x},${bottom} ${x},${y + h / 2}Q${x},${y} ${x + r},${y}Z`;
  }
  if (shape === "sump" || shape === "supply") return `M${x},${y}V${bottom}H${right}V${y}`;
  const top = vessel.top ?? { form: "flat", depth: 0 };
  const foot = vessel.bottom ?? { form: "flat", depth: 0 };
  const upper = y + top.depth;
  const lower = bottom - foot.depth;
  return `M${x},${upper}${end(x, right, upper, y, top)}V${lower}${end(right, x, lower, bottom, foot)}Z`;
}

/** From one wall to the other over an end of a vessel; `peak` is the height of its middle. */
function end(from, to, wall, peak, { form, depth }) {
  if (form === "flat") return `H${to}`;
  const middle = (from + to) / 2;
  if (form === "cone") return `L${middle},${peak}L${to},${wall}`;
  return `A${Math.abs(to - from) / 2},${depth} 0 0 1 ${to},${wall}`;
}

/** The inside of a vessel, closed, for clipping what is in it. */
export function vesselInside(vessel) {
  const outline = vesselOutline(vessel);
  return outline.endsWith("Z") ? outline : `${outline}Z`;
}

/** A machine's symbol: [elements, the ones that fill while it works]. */
export function machineSymbol(item) {
  return (DRAWN[item.symbol] ?? plainBox)(item);
}

const DRAWN = {
  pump: (item) => pump(item, false),
  "dosing pump": (item) => pump(item, true),
  valve: (item) => valve(item, false),
  "control valve": (item) => valve(item, true),
  agitator,
  heater,
  jacket,
  motor,
  cylinder,
  pusher,
  stopper,
  gripper,
};

function pump(item, isDosing) {
  const [cx, cy, r] = circleOf(item);
  const way = item.mirrored ? -1 : 1;
  const back = cx - way * r * 0.5;
  const body = s("circle", { class: "pic-body", cx, cy, r });
  const wheel = s("path", { class: "pic-mark", d: `M${back},${cy - r * 0.82}L${cx + way * r},${cy}L${back},${cy + r * 0.82}` });
  if (!isDosing) return [[body, wheel], [body]];
  const piston = s("path", { class: "pic-mark", d: `M${back},${cy - r * 0.42}v${r * 0.84}` });
  return [[body, wheel, piston], [body]];
}

function valve(item, isControl) {
  const { x, y, w, h } = item;
  const bow = s("path", { class: "pic-body", d: `M${x},${y}L${x + w},${y + h}V${y}L${x},${y + h}Z` });
  const stem = s("path", { class: "pic-edge", d: `M${x + w / 2},${y + h / 2}V${y - 2}` });
  const d = isControl
    ? `M${x + w / 2 - 8},${y - 2}a8,7 0 0 1 16,0Z`
    : `M${x + w / 2 - 6},${y - 2}h12`;
  return [[stem, bow, s("path", { class: "pic-edge", d })], [bow]];
}

function agitator(item) {
  const [cx, cy, r] = circleOf(item);
  const { y, h, w } = item.shaft;
  const body = s("circle", { class: "pic-body", cx, cy, r });
  const foot = y + h;
  const shaft = s("path", { class: "pic-edge", d: `M${cx},${cy + r}V${foot}` });
  const blade = (side) => s("ellipse", { class: "pic-body", cx: cx + (side * w) / 4, cy: foot, rx: w / 4, ry: 4.5 });
  const blades = [blade(-1), blade(1)];
  return [[shaft, body, letter(cx, cy, "M"), ...blades], [body, ...blades]];
}

function heater(item) {
  const { x, y, w, h } = item;
  const count = 5;
  const step = (w - 12) / count;
  let d = `M${x - 6},${y + h / 2}h12`;
  for (let i = 0; i < count; i += 1) d += `l${step / 4},${-h / 2}l${step / 2},${h}l${step / 4},${-h / 2}`;
  const coil = s("path", { class: "pic-coil", d });
  return [[coil], [coil]];
}

function jacket(item) {
  const { x, y, w, h } = item;
  const side = (edge, way) => `M${edge + way * 6},${y}H${edge}V${y + h}h${way * 6}`;
  const coat = s("path", { class: "pic-coat", d: side(x, 1) + side(x + w, -1) });
  return [[coat], [coat]];
}

function motor(item) {
  const [cx, cy, r] = circleOf(item);
  const body = s("circle", { class: "pic-body", cx, cy, r });
  return [[body, letter(cx, cy, "M")], [body]];
}

function cylinder(item) {
  const { x, y, w, h } = item;
  const body = frame({ x, y: y + h * 0.25, w: w * 0.62, h: h * 0.5 }, "pic-body");
  const rod = s("path", { class: "pic-edge", d: `M${x + w * 0.62},${y + h / 2}H${x + w}m0,${-h * 0.18}v${h * 0.36}` });
  return [[body, rod], [body]];
}

/** A plate on a rod that pushes upwards, across the belt above it. */
function pusher(item) {
  const { x, y, w, h } = item;
  const body = frame({ x: x + w * 0.28, y: y + h * 0.45, w: w * 0.44, h: h * 0.55 }, "pic-body");
  const rod = s("path", { class: "pic-edge", d: `M${x + w / 2},${y + h * 0.45}V${y + 5}` });
  const plate = s("path", { class: "pic-plate", d: `M${x + 4},${y + 4}H${x + w - 4}` });
  return [[rod, body, plate], [body]];
}

function stopper(item) {
  const { x, y, w, h } = item;
  const body = frame({ x: x + w * 0.3, y: y + h * 0.4, w: w * 0.4, h: h * 0.6 }, "pic-body");
  const blade = s("path", { class: "pic-plate", d: `M${x + w / 2},${y + h * 0.4}V${y + 2}` });
  return [[body, blade], [body]];
}

function gripper(item) {
  const { x, y, w, h } = item;
  const body = frame({ x: x + w * 0.2, y: y + h * 0.55, w: w * 0.6, h: h * 0.3 }, "pic-body");
  const jaws = s("path", { class: "pic-edge", d: `M${x + w * 0.25},${y + h * 0.55}V${y + 5}h6M${x + w * 0.75},${y + h * 0.55}V${y + 5}h-6` });
  return [[jaws, body], [body]];
}

function plainBox(item) {
  const body = frame(item, "pic-body", { rx: 3 });
  return [[body], [body]];
}

/** The drive of something, in its own little circle. */
export function smallMotor(box) {
  const [cx, cy, r] = circleOf(box);
  const stem = s("path", { class: "pic-edge", d: `M${cx},${cy + r}v4` });
  const body = s("circle", { class: "pic-body", cx, cy, r });
  return [[stem, body, letter(cx, cy, "M")], [body]];
}

function circleOf({ x, y, w, h }) {
  return [x + w / 2, y + h / 2, Math.min(w, h) / 2];
}

function letter(cx, cy, text) {
  const element = s("text", { class: "pic-letter", x: cx, y: cy + 4, "text-anchor": "middle" });
  element.textContent = text;
  return element;
}

/** A carrier's body: [elements, the ones that fill while it works]. */
export function carrierSymbol(item) {
  const { x, y, w, h, shape } = item;
  if (shape === "belt") {
    const r = h / 2;
    const body = s("rect", { class: "pic-body pic-belt", x, y, width: w, height: h, rx: r });
    const drums = [x + r, x + w - r].map((cx) => s("circle", { class: "pic-edge", cx, cy: y + r, r: r - 3 }));
    return [[body, ...drums], [body]];
  }
  if (shape === "index_table") {
    const disc = s("circle", { class: "pic-body pic-belt", cx: x + w / 2, cy: y + h / 2, r: w / 2 });
    return [[disc, ...nests(item)], [disc]];
  }
  if (shape === "bin") return [[s("path", { class: "pic-wall", d: `M${x},${y}L${x + 7},${y + h}H${x + w - 7}L${x + w},${y}` })], []];
  if (shape === "part_source") {
    const body = frame(item, "pic-body", { rx: 3 });
    const arrow = s("path", { class: "pic-mark", d: `M${x + w * 0.28},${y + h / 2}h${w * 0.4}m-8,-7l8,7l-8,7` });
    return [[body, arrow], []];
  }
  return [[frame(item, "pic-body", { rx: 3 })], []];
}

/** The middles of an indexing table's nests, the first at the left where it is loaded. */
export function nestPlaces({ x, y, w, h, nests: count }) {
  return Array.from({ length: count || 0 }, (_, place) => {
    const angle = Math.PI + (2 * Math.PI * place) / count;
    return [x + w / 2 + Math.cos(angle) * w * 0.35, y + h / 2 + Math.sin(angle) * h * 0.35];
  });
}

function nests(item) {
  const r = Math.min(9, (item.w * 0.9) / Math.max(item.nests, 1));
  return nestPlaces(item).map(([cx, cy]) => s("circle", { class: "pic-edge", cx, cy, r }));
}
