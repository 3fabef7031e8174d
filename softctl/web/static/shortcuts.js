/** Keys that work everywhere, the list of them, and a way to switch them off. */

import { button, h } from "./dom.js";
import { field } from "./forms.js";

const KEPT_AS = "softctl.keys_off";

export class Shortcuts {
  #app;
  #panels;
  #dialog = null;

  constructor(app, panels) {
    this.#app = app;
    this.#panels = panels;
    document.getElementById("keys").addEventListener("click", () => this.#show());
    document.addEventListener("keydown", (event) => this.#press(event));
  }

  #press(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
    if (!this.#app.store.model || isTyping(event.target) || document.querySelector("dialog[open]")) return;
    if (localStorage.getItem(KEPT_AS)) return;
    const panel = this.#panels[Number(event.key) - 1];
    if (panel) this.#app.go(panel[0]);
    else if (event.key === "/") this.#search();
    else if (event.key === "p") this.#app.header.togglePause();
    else if (event.key === ".") this.#app.header.scanOnce();
    else if (event.key === "?") this.#show();
    else return;
    event.preventDefault();
  }

  #search() {
    this.#app.go("points");
    document.querySelector("#section_points input[type=search]")?.focus();
  }

  #show() {
    this.#dialog ??= this.#make();
    this.#dialog.showModal();
  }

  #make() {
    const off = h("input", { type: "checkbox", checked: Boolean(localStorage.getItem(KEPT_AS)) });
    off.addEventListener("change", () => {
      if (off.checked) localStorage.setItem(KEPT_AS, "1");
      else localStorage.removeItem(KEPT_AS);
    });
    const dialog = h(
      "dialog",
      { attrs: { "aria-labelledby": "keys_title" } },
      h("h2", { text: "Keys", id: "keys_title" }),
      h("table", {}, h("tbody", {}, ...this.#rows().map(([keys, what]) => row(keys, what)))),
      h("p", {}, field("No keys of one letter or figure (Tab and Enter stay)", off, { inline: true })),
      h("p", { class: "row" }, button("Close", () => dialog.close(), { class: "main" })),
    );
    document.body.append(dialog);
    return dialog;
  }

  #rows() {
    return [
      [`1 – ${this.#panels.length}`, this.#panels.map(([, title]) => title).join(", ")],
      ["/", "search the points"],
      ["p", "pause, or go on"],
      [".", "one scan, while paused"],
      ["↑ ↓ Home End", "in lists; Enter opens, Esc closes"],
      ["← →", "trends: move the cursor; with Shift: move in time"],
      ["+ −", "trends: zoom in and out; Home: oldest, End: now, Esc: no cursor"],
      ["?", "this list"],
    ];
  }
}

function row(keys, what) {
  return h("tr", {}, h("th", { attrs: { scope: "row" } }, h("kbd", { text: keys })), h("td", { text: what }));
}

function isTyping(target) {
  return target instanceof HTMLElement && (target.isContentEditable || /^(INPUT|SELECT|TEXTAREA)$/.test(target.tagName));
}
