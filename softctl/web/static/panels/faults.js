/** Break it: every fault of every piece of equipment and of the wires, on, off and timed. */

import { button, h, rove } from "../dom.js";
import { field, form, numberOf, outcome, spanOf, textInput } from "../forms.js";
import { spanText, trimmed } from "../format.js";
import { WireBox } from "./wire.js";

export class FaultsPanel {
  #app;
  #chosen = null;

  constructor(app, section, head) {
    this.#app = app;
    this.refusal = app.refusal("engineer", "faults");
    head.append(h("p", { text: this.refusal || "Faults act on the simulated equipment and on this bench's own wires, nowhere else." }));
    this.search = h("input", { type: "search", autocomplete: "off", spellcheck: false });
    this.search.addEventListener("input", () => this.#filter());
    this.names = h("ul", { class: "choices scroll" });
    this.active = h("ul", { class: "stack" });
    this.place = outcome();
    this.mendAll = button("Mend all", () => this.#mendAll());
    this.detail = h("div", { class: "box stack" });
    this.wire = new WireBox(app);
    const list = h("div", { class: "box stack choices_box" }, h("h3", { text: "Equipment" }), field("Search", this.search, { wide: true }), this.names);
    const broken = h("div", { class: "box stack" }, h("div", { class: "box_head" }, h("h3", { text: "Broken now" }), this.mendAll), this.active, this.place);
    section.append(
      h(
        "div",
        { class: "columns faults_columns" },
        list,
        h("div", { class: "stack scroll side" }, broken, this.detail),
        h("div", { class: "stack scroll side" }, this.wire.active, this.wire.form),
      ),
    );
    this.#makeNames();
    app.store.addEventListener("state", (event) => {
      if (event.detail === "faults") this.#showActive();
    });
    this.#showActive();
  }

  open({ equipment }) {
    this.search.value = "";
    this.#filter();
    this.#choose(equipment);
    this.detail.querySelector("button")?.focus();
  }

  #makeNames() {
    const equipment = this.#app.store.model.equipment.filter((one) => one.faults.length);
    this.items = equipment.map((one) => {
      const mark = h("span", { class: "small" });
      const choose = h(
        "button",
        { type: "button", class: "quiet", tabIndex: -1, on: { click: () => this.#choose(one.name) } },
        h("span", { class: "name", text: one.name }),
        h("span", { class: "soft small", text: one.type.replaceAll("_", " ") }),
        mark,
      );
      return { one, choose, mark, row: h("li", {}, choose), text: `${one.name} ${one.type} ${one.faults.map((f) => f.name).join(" ")}`.toLowerCase() };
    });
    this.names.append(...this.items.map(({ row }) => row));
    if (!this.items.length) this.names.append(h("li", { class: "empty", text: this.refusal || "No equipment here can break." }));
    this.roving = rove(this.names, () => this.items.filter(({ row }) => !row.hidden).map(({ choose }) => choose));
    this.roving.refresh();
    if (this.items.length) this.#choose(this.items[0].one.name);
  }

  #filter() {
    const words = this.search.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const { row, text } of this.items) row.hidden = !words.every((word) => text.includes(word));
    this.roving.refresh();
  }

  #choose(name) {
    const item = this.items.find(({ one }) => one.name === name);
    if (!item) return;
    this.#chosen = item.one;
    for (const { choose } of this.items) choose.setAttribute("aria-pressed", String(choose === item.choose));
    this.#showDetail();
  }

  // One piece of equipment

  #showDetail() {
    const one = this.#chosen;
    if (!one) return;
    const place = outcome();
    const time = textInput("", { className: "narrow" });
    const later = textInput("", { className: "narrow" });
    const rows = one.faults.map((fault) => this.#faultRow(one, fault, { time, later, place }));
    this.detail.replaceChildren(
      h("div", { class: "box_head" }, h("h3", { text: one.name }), h("span", { class: "soft small", text: one.type.replaceAll("_", " ") })),
      h("div", { class: "form" }, field("For", time, { hint: "empty: until mended" }), field("After", later, { hint: "empty: at once" })),
      h("ul", { class: "fault_rows" }, ...rows),
      place,
    );
    this.#showSwitches();
  }

  #faultRow(one, fault, { time, later, place }) {
    const size = fault.kind === "size" ? textInput(fault.default ?? "", { className: "narrow" }) : null;
    const act = () => {
      const active = this.#activeOf(one.name, fault.name);
      if (active) return this.#app.act({ do: "mend", equipment: one.name, name: fault.name }, place, `${one.name} ${fault.name}: mended`);
      const request = {
        do: "break",
        equipment: one.name,
        name: fault.name,
        size: size ? numberOf(size, "a size as a number") : null,
        for_s: spanOf(time, "how long it stays"),
        after_s: spanOf(later, "after which time it comes"),
      };
      return this.#app.act(request, place, `${one.name} ${fault.name}: ${request.after_s ? "will break" : "broken"}`);
    };
    const submit = h("button", { text: "Break", disabled: Boolean(this.refusal), data: { fault: fault.name } });
    const label = `${one.name} ${fault.name}`;
    const unit = fault.unit && fault.unit !== "1" ? fault.unit : "";
    const limits = fault.kind === "size" ? limitText(fault, unit) : "";
    const sizeField = size ? field(unit ? `Size (${unit})` : "Size", size, { hint: limits }) : null;
    return h("li", {}, form(label, act, place, h("div", { class: "wide" }, h("span", { class: "name", text: fault.name }), aboutFault(one, fault)), sizeField, submit));
  }

  #activeOf(equipment, name) {
    return this.#app.store.rows("faults").find((row) => row.equipment === equipment && row.name === name);
  }

  #showSwitches() {
    for (const submit of this.detail.querySelectorAll("button[data-fault]")) {
      const isOn = Boolean(this.#activeOf(this.#chosen.name, submit.dataset.fault));
      submit.textContent = isOn ? "Mend" : "Break";
      submit.setAttribute("aria-pressed", String(isOn));
    }
  }

  // All that is broken

  #showActive() {
    const rows = this.#app.store.rows("faults");
    this.mendAll.hidden = !rows.length;
    this.mendAll.disabled = Boolean(this.refusal);
    this.active.replaceChildren(...(rows.length ? rows.map((row) => this.#activeRow(row)) : [h("li", { class: "empty", text: "No equipment is broken." })]));
    for (const { one, mark } of this.items) {
      const count = rows.filter((row) => row.equipment === one.name).length;
      mark.className = count ? "mark medium small" : "small";
      mark.textContent = count ? String(count) : "";
    }
    if (this.#chosen) this.#showSwitches();
  }

  #activeRow({ equipment, name, size, left_s }) {
    const mend = button("Mend", () => this.#app.act({ do: "mend", equipment, name }, this.place, `${equipment} ${name}: mended`), {
      disabled: Boolean(this.refusal),
      attrs: { "aria-label": `Mend ${equipment} ${name}` },
    });
    const words = [
      typeof size === "number" ? `size ${trimmed(size, 4)}` : "",
      typeof left_s === "number" ? `${spanText(left_s)} left` : "until mended",
    ];
    return h(
      "li",
      { class: "held_row" },
      h("div", { class: "row" }, h("span", { class: "mark medium" }, h("span", { class: "name", text: `${equipment} ${name}` })), mend),
      h("p", { class: "soft small", text: words.filter(Boolean).join(", ") }),
    );
  }

  async #mendAll() {
    const names = [...new Set(this.#app.store.rows("faults").map((row) => row.equipment))];
    for (const equipment of names) await this.#app.act({ do: "mend", equipment, name: null }, this.place, "all mended");
  }
}

/** The words for a fault, where they say more than its name does. */
function aboutFault({ name: equipment }, { name, text = "" }) {
  return text && text !== `${equipment}: ${name}` ? h("p", { class: "soft small", text }) : null;
}

function limitText({ least, most }, unit) {
  const tail = unit ? ` ${unit}` : "";
  if (typeof least === "number" && typeof most === "number") return `${trimmed(least, 4)} to ${trimmed(most, 4)}${tail}`;
  return typeof most === "number" ? `up to ${trimmed(most, 4)}${tail}` : "";
}
