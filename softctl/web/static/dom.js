/** Elements without markup in strings, so that no text can become code. */

/**
 * Make an element. `props` are properties, but `class`, `text`, `data` (dataset), `on`
 * (listeners by event) and `attrs` (attributes, left out where null or false) are taken apart.
 */
export function h(tag, props = {}, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (key === "class") element.className = value;
    else if (key === "text") element.textContent = value;
    else if (key === "data") Object.assign(element.dataset, value);
    else if (key === "on") listen(element, value);
    else if (key === "attrs") setAttributes(element, value);
    else element[key] = value;
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

function listen(element, handlers) {
  for (const [name, handler] of Object.entries(handlers)) element.addEventListener(name, handler);
}

function setAttributes(element, attributes) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== null && value !== false) element.setAttribute(name, value === true ? "" : value);
  }
}

/** Set a text only where it differs: thousands of values a second stay cheap. */
export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export function setClass(element, name) {
  if (element.className !== name) element.className = name;
}

/** A button that acts; `props` as for `h`. */
export function button(text, act, props = {}) {
  return h("button", { type: "button", text, on: { click: act }, ...props });
}

/** A box with a heading of its own. */
export function box(title, ...children) {
  return h("div", { class: "box" }, h("h3", { text: title }), ...children);
}

/**
 * A table with its column headings; returns the table, rows go into `.tBodies[0]`. A heading
 * that begins with ">" stands over numbers.
 */
export function table(label, headings) {
  const cells = headings.map((text) =>
    text ? h("th", { text: text.replace(/^>/, ""), class: text[0] === ">" ? "number" : "", attrs: { scope: "col" } }) : h("td"),
  );
  return h(
    "table",
    { attrs: { "aria-label": label } },
    h("thead", {}, h("tr", {}, ...cells)),
    h("tbody"),
  );
}

/**
 * One stop for Tab in a list of many: arrows, Home and End move inside of it.
 * `items()` gives the elements now.
 */
export function rove(container, items, { across = false } = {}) {
  const [back, on] = across ? ["ArrowLeft", "ArrowRight"] : ["ArrowUp", "ArrowDown"];
  const makeOnly = (one) => items().forEach((item) => { item.tabIndex = item === one ? 0 : -1; });
  container.addEventListener("focusin", (event) => {
    const one = items().find((item) => item.contains(event.target));
    if (one) makeOnly(one);
  });
  container.addEventListener("keydown", (event) => {
    const all = items();
    const here = all.indexOf(document.activeElement);
    const goals = { [back]: here - 1, [on]: here + 1, Home: 0, End: all.length - 1 };
    if (here < 0 || !(event.key in goals)) return;
    const goal = all[Math.max(0, Math.min(all.length - 1, goals[event.key]))];
    event.preventDefault();
    goal.focus();
  });
  return {
    /** To be called after the items have changed. */
    refresh() {
      const all = items();
      if (!all.some((item) => item.tabIndex === 0)) all.slice(0, 1).forEach(makeOnly);
    },
    makeOnly,
  };
}
