/** SVG elements without markup in strings, and what the drawings of the bench share. */

const SPACE = "http://www.w3.org/2000/svg";

/** Make an element; attributes that are null or false are left out. */
export function s(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SPACE, tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) element.setAttribute(key, value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

/** A text in its box; `anchor` says which end of the box it starts from. */
export function textIn(box, text, kind, anchor = box.anchor ?? "start") {
  const share = { start: 0, middle: 0.5, end: 1 }[anchor];
  const element = s("text", {
    class: kind,
    x: box.x + box.w * share,
    y: box.y + box.h * 0.76,
    "text-anchor": anchor === "start" ? null : anchor,
  });
  element.textContent = text;
  return element;
}

export function frame(box, kind, more = {}) {
  return s("rect", { class: kind, x: box.x, y: box.y, width: box.w, height: box.h, ...more });
}

export function polyline(path, kind) {
  return s("path", { class: kind, d: lineTo(path) });
}

export function lineTo(path) {
  return path.map(([x, y], place) => `${place ? "L" : "M"}${x},${y}`).join("");
}

/** The head of an arrow at the end of a path. */
export function arrowHead(path, kind, size = 7) {
  const [x, y] = path[path.length - 1];
  const [fromX, fromY] = path[path.length - 2];
  const dx = Math.sign(x - fromX);
  const dy = Math.sign(y - fromY);
  const back = [x - dx * size, y - dy * size];
  const side = [dy * size * 0.55, dx * size * 0.55];
  const d = `M${x},${y}L${back[0] + side[0]},${back[1] + side[1]}L${back[0] - side[0]},${back[1] - side[1]}Z`;
  return s("path", { class: kind, d });
}

/** Set an attribute only where it differs, so that the browser has nothing to redo. */
export function put(element, name, value) {
  const text = String(value);
  if (element.getAttribute(name) !== text) element.setAttribute(name, text);
}

/**
 * Values that are shown: `add` says which channels something depends on, `run` calls it
 * when one of them has changed.
 */
export class Bindings {
  #rows = [];

  add(channels, show) {
    const names = channels.filter((name) => typeof name === "string");
    if (names.length) this.#rows.push({ names, show, last: null });
    else show([]);
  }

  run(get) {
    for (const row of this.#rows) {
      const now = row.names.map(get);
      if (row.last && now.every((value, place) => value === row.last[place])) continue;
      row.last = now;
      row.show(now);
    }
  }
}

/**
 * One stop for Tab in a drawing of many elements; arrows go to the nearest one in their
 * direction, Enter and Space pick. `describe(element)` gives its label when it gets the focus.
 */
export function navigate(svg, elements, describe, pick) {
  const makeOnly = (one) => elements.forEach((element) => put(element, "tabindex", element === one ? 0 : -1));
  if (elements.length) makeOnly(elements[0]);
  svg.addEventListener("focusin", (event) => {
    const one = elements.find((element) => element.contains(event.target));
    if (!one) return;
    makeOnly(one);
    put(one, "aria-label", describe(one));
  });
  svg.addEventListener("click", (event) => {
    const one = elements.find((element) => element.contains(event.target));
    if (one) pick(one);
  });
  svg.addEventListener("keydown", (event) => {
    const here = elements.find((element) => element === document.activeElement);
    if (!here) return;
    if (event.key === "Enter" || event.key === " ") pick(here);
    else if (DIRECTIONS[event.key]) nearest(here, elements, DIRECTIONS[event.key])?.focus();
    else return;
    event.preventDefault();
  });
}

const DIRECTIONS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** The element that lies in a direction, near ones first, and rather ahead than aside. */
function nearest(here, elements, [dx, dy]) {
  const from = middle(here);
  let best = null;
  let least = Infinity;
  for (const element of elements) {
    const to = middle(element);
    const ahead = (to[0] - from[0]) * dx + (to[1] - from[1]) * dy;
    const aside = Math.abs((to[0] - from[0]) * dy) + Math.abs((to[1] - from[1]) * dx);
    if (element === here || ahead <= 1) continue;
    const far = ahead + 2 * aside;
    if (far < least) [best, least] = [element, far];
  }
  return best;
}

function middle(element) {
  const box = element.getBoundingClientRect();
  return [box.x + box.width / 2, box.y + box.height / 2];
}

/** Every channel that a geometry names. */
export function channelsOf(geometry) {
  const found = new Set();
  const walk = (value) => {
    if (typeof value === "string" && /^(plant|point|parts|step|elapsed|ready|term):./.test(value)) found.add(value);
    else if (value && typeof value === "object") Object.values(value).forEach(walk);
  };
  walk(geometry);
  return [...found];
}
