/** All points: search, filter, values; beside them what can be done with the one chosen. */

import { h, rove, setClass, setText, table } from "../dom.js";
import { field, select } from "../forms.js";
import { figureText, isBool, unitOf } from "../format.js";
import { ForcesBox } from "./forces.js";
import { PointDetail } from "./point_detail.js";

/** The machine first, what softctl adds last. */
const ROLES = ["input", "output", "command", "setpoint", "state", "step", "alarm", "system"];

export class PointsPanel {
  #app;
  #rows = new Map();
  #chosen = null;

  constructor(app, section, head) {
    this.#app = app;
    this.search = h("input", { type: "search", autocomplete: "off", spellcheck: false });
    this.search.addEventListener("input", () => this.#filter());
    const present = new Set(app.store.model.points.map((point) => point.role));
    this.role = select([["", "all kinds"], ...ROLES.filter((role) => present.has(role))], "");
    this.role.addEventListener("change", () => this.#filter());
    this.onlyForced = h("input", { type: "checkbox" });
    this.onlyForced.addEventListener("change", () => this.#filter());
    this.found = h("p", { attrs: { role: "status" } });
    head.append(
      field("Search", this.search, { inline: false }),
      field("Kind", this.role),
      field("Forced only", this.onlyForced, { inline: true }),
      this.found,
    );
    head.classList.add("with_fields");
    this.table = table("Points", ["Name", "Value", "Unit", "Kind", "Description", "HMI address"]);
    this.body = this.table.tBodies[0];
    const rank = (point) => ROLES.indexOf(point.role);
    const ordered = [...app.store.model.points].sort((a, b) => rank(a) - rank(b));
    this.body.append(...ordered.map((point) => this.#makeRow(point)));
    this.roving = rove(this.body, () => this.#buttons());
    this.detail = new PointDetail(app);
    const forces = new ForcesBox(app);
    const side = h("div", { class: "stack scroll side" }, this.detail.box, forces.box);
    section.append(h("div", { class: "columns points_columns" }, h("div", { class: "box scroll" }, this.table), side));
    app.store.addEventListener("state", (event) => {
      if (event.detail === "forces") this.#showForces();
    });
    this.search.addEventListener("keydown", (event) => {
      if (event.key === "ArrowDown" || event.key === "Enter") this.#buttons()[0]?.focus();
      if (event.key === "Escape") { this.search.value = ""; this.#filter(); }
    });
    this.#showForces();
    this.#filter();
  }

  open({ name }) {
    this.search.value = "";
    this.role.value = "";
    this.onlyForced.checked = false;
    this.#filter();
    const row = this.#rows.get(name);
    if (!row) return;
    this.#choose(row.point);
    row.element.scrollIntoView({ block: "center" });
  }

  update() {
    const { get } = this.#app.store;
    for (const { point, value, element } of this.#rows.values()) {
      if (element.hidden) continue;
      const now = get(`point:${point.name}`);
      setText(value, figureText(point, now));
      if (isBool(point)) setClass(value, now === true ? "bool on value" : "bool value");
    }
    this.detail.update();
  }

  #makeRow(point) {
    const value = h("span", { class: "value" });
    const choose = h("button", { type: "button", class: "quiet name", text: point.name, tabIndex: -1, on: { click: () => this.#choose(point) } });
    const forced = h("span", { class: "mark held small", hidden: true, text: "forced" });
    const address = point.address === undefined || point.address === null ? "" : `${point.table ?? ""} ${point.address}`;
    const element = h(
      "tr",
      {},
      h("td", { class: "name_cell" }, choose, forced),
      h("td", { class: isBool(point) ? "" : "number" }, value),
      h("td", { class: "soft", text: unitOf(point) }),
      h("td", { class: "soft", text: point.role }),
      h("td", { text: point.description }),
      h("td", { class: "soft small nowrap", text: address.replaceAll("_", " ") }),
    );
    this.#rows.set(point.name, { point, value, element, choose, forced, text: `${point.name} ${point.description} ${point.card ?? ""}`.toLowerCase() });
    return element;
  }

  #buttons() {
    return [...this.#rows.values()].filter((row) => !row.element.hidden).map((row) => row.choose);
  }

  #filter() {
    const words = this.search.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const row of this.#rows.values()) {
      const fits =
        words.every((word) => row.text.includes(word)) &&
        (!this.role.value || row.point.role === this.role.value) &&
        (!this.onlyForced.checked || !row.forced.hidden);
      row.element.hidden = !fits;
      count += fits;
    }
    setText(this.found, count === this.#rows.size ? `${count} points` : `${count} of ${this.#rows.size} points`);
    this.roving.refresh();
    this.update();
  }

  #choose(point) {
    this.#rows.get(this.#chosen)?.element.classList.remove("chosen");
    this.#chosen = point.name;
    this.#rows.get(point.name).element.classList.add("chosen");
    this.detail.show(point);
    // On a phone it stands below the list.
    this.detail.box.scrollIntoView({ block: "nearest" });
  }

  #showForces() {
    const held = new Set(this.#app.store.rows("forces").map((row) => row.path.toUpperCase()));
    for (const row of this.#rows.values()) row.forced.hidden = !held.has(row.point.name.toUpperCase());
    if (this.onlyForced.checked) this.#filter();
  }
}
