/** Lanes over one time axis, drawn on a canvas: a lane for each point, so no colours are needed. */

import { clockText, dayText, trimmed } from "../format.js";

const GUTTER = 84;
const RIGHT = 8;
const AXIS = 24;
const BOOL_LANE = 26;
const LEAST_LANE = 44;
const STEPS_S = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 43200, 86400];
const EVENT_MARKS = { alarm: "▲", guard: "▲", force: "⚑", fault: "✖", wire: "✖" };

export class TrendPlot {
  #canvas;
  #view = null;

  constructor(canvas) {
    this.#canvas = canvas;
  }

  /** The instant at a place on the canvas (CSS pixels from its left edge). */
  timeAt(x) {
    const { from, to } = this.#view;
    return from + ((x - GUTTER) / this.#inner()) * (to - from);
  }

  #inner() {
    return Math.max(1, this.#canvas.clientWidth - GUTTER - RIGHT);
  }

  #x(at) {
    const { from, to } = this.#view;
    return GUTTER + ((at - from) / (to - from)) * this.#inner();
  }

  /**
   * Draw `view`: {from, to, isWall, lanes: [{title, unit, isBool, series}], events, cursor,
   * band: [t, t] | null}. A series is [[t, value or null], …], each value until the next.
   */
  draw(view) {
    this.#view = view;
    const context = this.#prepare();
    const { clientHeight: height } = this.#canvas;
    const colours = readColours(this.#canvas);
    this.#drawAxis(context, colours, height);
    if (view.band) this.#drawBand(context, colours, height);
    let top = 0;
    const free = height - AXIS;
    const bools = view.lanes.filter((lane) => lane.isBool).length;
    const numbers = view.lanes.length - bools;
    const tall = numbers ? Math.max(LEAST_LANE, (free - bools * BOOL_LANE) / numbers) : 0;
    for (const lane of view.lanes) {
      const deep = lane.isBool ? BOOL_LANE : tall;
      this.#drawLane(context, colours, lane, top, deep);
      top += deep;
    }
    this.#drawEvents(context, colours, height);
    if (view.cursor !== null) this.#drawCursor(context, colours, height);
  }

  /** How tall the canvas has to be so that every lane can be read. */
  static leastHeight(lanes) {
    return lanes.reduce((sum, lane) => sum + (lane.isBool ? BOOL_LANE : LEAST_LANE), AXIS);
  }

  #prepare() {
    const canvas = this.#canvas;
    const ratio = devicePixelRatio || 1;
    const [width, height] = [Math.round(canvas.clientWidth * ratio), Math.round(canvas.clientHeight * ratio)];
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    const context = canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    const { panel } = readColours(canvas);
    context.fillStyle = panel;
    context.fillRect(0, 0, canvas.clientWidth, canvas.clientHeight);
    return context;
  }

  #drawAxis(context, colours, height) {
    const { from, to, isWall } = this.#view;
    const wanted = ((to - from) / this.#inner()) * 96;
    const step = STEPS_S.find((one) => one >= wanted) ?? 86400;
    context.font = "11px system-ui, sans-serif";
    context.textAlign = "center";
    context.lineWidth = 1;
    for (let at = Math.ceil(from / step) * step; at <= to; at += step) {
      const x = Math.round(this.#x(at)) + 0.5;
      context.strokeStyle = colours.faint;
      line(context, x, 0, x, height - AXIS);
      context.fillStyle = colours.soft;
      context.fillText(isWall ? dayText(at) : clockText(at, step < 1 ? 1 : 0), x, height - 8);
    }
  }

  #drawLane(context, colours, lane, top, deep) {
    const bottom = Math.round(top + deep) + 0.5;
    context.strokeStyle = colours.line;
    context.lineWidth = 1;
    line(context, 0, bottom, this.#canvas.clientWidth, bottom);
    const seen = lane.series.filter(([, value]) => value !== null && value !== undefined);
    const [low, high] = lane.isBool ? [0, 1] : boundsOf(visible(seen, this.#view));
    const y = (value) => top + deep - 5 - ((value - low) / (high - low)) * (deep - (lane.isBool ? 12 : 22));
    context.save();
    context.beginPath();
    context.rect(GUTTER, top, this.#inner(), deep);
    context.clip();
    if (lane.isBool) this.#drawBool(context, colours, lane.series, y);
    else this.#drawSteps(context, colours, lane.series, y);
    context.restore();
    this.#nameLane(context, colours, lane, top);
    if (!lane.isBool && seen.length) this.#scaleLane(context, colours, [low, high], y);
  }

  /** Numbers are named where they are drawn; a lane of on and off is too low for that. */
  #nameLane(context, colours, lane, top) {
    if (lane.isBool) return this.#nameInGutter(context, colours, lane, top);
    context.font = "600 12px system-ui, sans-serif";
    context.textAlign = "left";
    const text = lane.unit ? `${lane.title}  ${lane.unit}` : lane.title;
    const width = context.measureText(text).width;
    context.globalAlpha = 0.8;
    context.fillStyle = colours.panel;
    context.fillRect(GUTTER + 3, top + 2, width + 6, 15);
    context.globalAlpha = 1;
    context.fillStyle = colours.text;
    context.fillText(text, GUTTER + 6, top + 14);
    return undefined;
  }

  #nameInGutter(context, colours, { title }, top) {
    context.font = "600 11px system-ui, sans-serif";
    context.textAlign = "right";
    context.fillStyle = colours.text;
    context.fillText(title, GUTTER - 6, top + BOOL_LANE / 2 + 4, GUTTER - 10);
  }

  #scaleLane(context, colours, [low, high], y) {
    context.font = "11px system-ui, sans-serif";
    context.textAlign = "right";
    context.fillStyle = colours.soft;
    const decimals = Math.max(0, Math.min(4, 2 - Math.floor(Math.log10(high - low))));
    context.fillText(trimmed(high, decimals), GUTTER - 6, y(high) + 4);
    context.fillText(trimmed(low, decimals), GUTTER - 6, y(low));
  }

  #drawSteps(context, colours, series, y) {
    context.strokeStyle = colours.text;
    context.lineWidth = 1.6;
    context.lineJoin = "round";
    context.beginPath();
    let before = null;
    for (const [x, value] of this.#pixels(series)) {
      if (value === null) before = null;
      else {
        if (before === null) context.moveTo(x, y(value));
        else {
          context.lineTo(x, before);
          context.lineTo(x, y(value));
        }
        before = y(value);
      }
    }
    context.stroke();
  }

  #drawBool(context, colours, series, y) {
    const [top, bottom] = [y(1), y(0)];
    context.fillStyle = colours.fill;
    context.strokeStyle = colours.text;
    context.lineWidth = 1.2;
    for (const { from, to, value } of spansOf(this.#pixels(series))) {
      if (value === true) {
        context.fillRect(from, top, to - from, bottom - top);
        context.strokeRect(from + 0.5, top + 0.5, Math.max(0.5, to - from - 1), bottom - top);
      } else if (value === false) line(context, from, bottom, to, bottom);
    }
  }

  /** The part of a series that is in view, in pixels; the last value goes on to the end. */
  *#pixels(series) {
    const { from, to, until } = this.#view;
    let last = null;
    for (let i = 0; i < series.length; i += 1) {
      const [at, value] = series[i];
      if (at > to) break;
      last = value ?? null;
      if (i + 1 < series.length && series[i + 1][0] < from) continue;
      yield [Math.max(this.#x(at), -10), last];
    }
    if (last !== null) yield [this.#x(Math.min(to, until)), last];
  }

  #drawEvents(context, colours, height) {
    context.textAlign = "center";
    context.font = "10px system-ui, sans-serif";
    for (const event of this.#view.events) {
      const x = Math.round(this.#x(event.at_s)) + 0.5;
      const isAbnormal = event.kind in EVENT_MARKS;
      context.strokeStyle = context.fillStyle = isAbnormal ? colours.high : colours.soft;
      context.lineWidth = 1;
      context.setLineDash([3, 4]);
      line(context, x, 0, x, height - AXIS);
      context.setLineDash([]);
      context.fillText(EVENT_MARKS[event.kind] ?? "|", x, height - AXIS + 4);
    }
  }

  #drawBand(context, colours, height) {
    const [a, b] = this.#view.band.map((at) => this.#x(at));
    context.fillStyle = colours.faint;
    context.fillRect(Math.min(a, b), 0, Math.abs(b - a), height - AXIS);
  }

  #drawCursor(context, colours, height) {
    const x = Math.round(this.#x(this.#view.cursor)) + 0.5;
    context.strokeStyle = colours.focus;
    context.lineWidth = 1.5;
    line(context, x, 0, x, height - AXIS);
  }
}

/** The value of a series at an instant; undefined before its first. */
export function valueAt(series, at) {
  let [low, high] = [0, series.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (series[middle][0] <= at) low = middle + 1;
    else high = middle;
  }
  return low ? series[low - 1][1] : undefined;
}

/** Stretches of one value, of [x, value] in order. */
function spansOf(pixels) {
  const spans = [];
  for (const [x, found] of pixels) {
    const value = found === null ? null : Boolean(found);
    const last = spans.at(-1);
    if (last) last.to = x;
    if (last?.value !== value) spans.push({ from: x, to: x, value });
  }
  return spans;
}

function visible(series, { from, to }) {
  const inside = series.filter(([at]) => at >= from && at <= to).map(([, value]) => Number(value));
  const before = valueAt(series, from);
  if (before !== undefined && before !== null) inside.push(Number(before));
  return inside;
}

function boundsOf(values) {
  if (!values.length) return [0, 1];
  const low = values.reduce((a, b) => Math.min(a, b));
  const high = values.reduce((a, b) => Math.max(a, b));
  const least = Math.max(Math.abs(high), Math.abs(low)) * 0.02 || 1;
  if (high - low >= least) return [low, high];
  const middle = (low + high) / 2;
  return [middle - least / 2, middle + least / 2];
}

function line(context, x1, y1, x2, y2) {
  context.beginPath();
  context.moveTo(x1, y1);
  context.lineTo(x2, y2);
  context.stroke();
}

function readColours(element) {
  const style = getComputedStyle(element);
  const of = (name) => style.getPropertyValue(name).trim();
  return {
    panel: of("--panel"), text: of("--text"), soft: of("--soft"), line: of("--line"),
    faint: of("--faint"), fill: of("--fill"), high: of("--alarm-high"), focus: of("--focus"),
  };
}
