/** The alarm list: what is up, what waits for somebody, what may be done about it. */

import { button, h, table } from "../dom.js";
import { form, field, outcome, spanOf, textInput } from "../forms.js";
import { spanText, trimmed } from "../format.js";
import { actsOf, alarmMark, byUrgency, isListed, rests, waits } from "./alarm_words.js";
import { EventList } from "./event_list.js";

const SHELF = "15 min";

export class AlarmsPanel {
  #app;
  #open = null;
  #key = "";

  constructor(app, section, head) {
    this.#app = app;
    this.refusal = app.refusal("operate", "alarms");
    this.place = outcome();
    this.all = button("Acknowledge all", () => this.#acknowledgeAll(), { disabled: Boolean(this.refusal) });
    this.showAll = h("input", { type: "checkbox" });
    this.showAll.addEventListener("change", () => this.#show(true));
    head.append(this.all, field("Show normal alarms too", this.showAll, { inline: true }), h("p", { text: this.refusal }), this.place);
    this.table = table("Alarms", ["Alarm", "What", "State", "Since", "Do"]);
    this.rates = h("div", { class: "box" });
    const events = new EventList(app, 30);
    const side = h("div", { class: "stack scroll side" }, this.rates, h("div", { class: "box" }, h("h3", { text: "What happened" }), events.list));
    section.append(h("div", { class: "columns alarms_columns" }, h("div", { class: "box scroll" }, this.table), side));
    app.store.addEventListener("state", (event) => {
      if (event.detail === "alarms") this.#show();
    });
    this.#show(true);
  }

  update() {
    // Times go on although nothing changes.
    const now = this.#app.store.at;
    for (const cell of this.table.querySelectorAll("td[data-raised]")) {
      const text = `${spanText(Math.max(0, now - Number(cell.dataset.raised)))} ago`;
      if (cell.textContent !== text) cell.textContent = text;
    }
  }

  #show(isForced = false) {
    const rows = this.#app.store.rows("alarms");
    const shown = rows.filter((row) => this.showAll.checked || isListed(row) || rests(row)).sort(byUrgency);
    this.all.disabled = Boolean(this.refusal) || !rows.some(waits);
    this.#showRates(this.#app.store.list("alarms").rates ?? {});
    const key = JSON.stringify(shown.map(({ name, state, availability, first_out }) => [name, state, availability, first_out]));
    if (key === this.#key && !isForced) return;
    this.#key = key;
    const focus = this.table.contains(document.activeElement) ? document.activeElement.dataset.key : null;
    const none = h("tr", {}, h("td", { class: "empty", colSpan: 5, text: "No alarm is up." }));
    this.table.tBodies[0].replaceChildren(...(shown.length ? shown.flatMap((row) => this.#rows(row)) : [none]));
    if (focus) (this.table.querySelector(`[data-key="${focus}"]`) ?? this.all).focus();
    this.update();
  }

  #rows(row) {
    const isOpen = this.#open === row.name;
    const toggle = button(isOpen ? "Less" : "More", () => this.#toggle(row.name), {
      class: "quiet",
      attrs: { "aria-expanded": String(isOpen), "aria-label": `${isOpen ? "Less" : "More"} about ${row.name}` },
      data: { key: `more ${row.name}` },
    });
    const acts = actsOf(row).map(([act, words]) =>
      button(words, () => this.#app.act({ do: "alarm", name: row.name, act }, this.place, `${row.name}: done`), {
        disabled: Boolean(this.refusal),
        attrs: { "aria-label": `${words}: ${row.name}` },
        data: { act, key: `${act} ${row.name}` },
      }),
    );
    const raised = row.raised_s ?? row.since_s;
    const first = row.first_out ? h("span", { class: "soft small", text: " first out" }) : null;
    const line = h(
      "tr",
      { class: waits(row) ? "waiting" : "" },
      h("td", {}, alarmMark(row), h("span", { class: "unseen", text: ` priority ${row.priority}` }), first),
      h("td", { text: this.#textOf(row) }),
      h("td", { text: stateText(row) }),
      h("td", { class: "nowrap", data: isListed(row) && typeof raised === "number" ? { raised: String(raised) } : {} }),
      h("td", {}, h("div", { class: "row acts" }, ...acts, toggle)),
    );
    return isOpen ? [line, this.#more(row)] : [line];
  }

  #textOf(row) {
    return row.text || this.#app.store.alarms.get(row.name)?.text || "";
  }

  #toggle(name) {
    this.#open = this.#open === name ? null : name;
    this.#show(true);
  }

  #more(row) {
    const rule = this.#app.store.alarms.get(row.name) ?? {};
    const facts = [["Priority", row.priority], ["Cause", rule.cause], ["Consequence", rule.consequence], ["Response", rule.response], ["Group", rule.group]];
    const time = textInput(SHELF, { className: "narrow" });
    const act = () => {
      const for_s = spanOf(time, "a time on the shelf");
      if (for_s === null) throw new Error("expected a time on the shelf, such as 15 min; a shelf has an end");
      return this.#app.act({ do: "alarm", name: row.name, act: "shelve", for_s }, this.place, `${row.name}: shelved`);
    };
    const shelve = form(`Shelve ${row.name}`, act, outcome(), field("Shelve for", time, { hint: "8 h at most" }), h("button", { text: "Shelve", disabled: Boolean(this.refusal) }));
    const remove = button("Take out of service", () => this.#app.act({ do: "alarm", name: row.name, act: "remove" }, this.place, `${row.name}: out of service`), { disabled: Boolean(this.refusal) });
    const list = h("dl", { class: "facts small" }, ...facts.filter(([, text]) => text).map(([name, text]) => h("div", {}, h("dt", { text: name }), h("dd", { text }))));
    return h("tr", { class: "more" }, h("td", { colSpan: 5 }, list, h("div", { class: "row" }, shelve, row.availability === "out of service" ? null : remove)));
  }

  async #acknowledgeAll() {
    const waiting = this.#app.store.rows("alarms").filter(waits);
    for (const { name } of waiting) await this.#app.act({ do: "alarm", name, act: "acknowledge" }, this.place, "all acknowledged");
  }

  #showRates(rates) {
    const { last_10_min, peak_10_min, mean_10_min, floods, verdict, is_flood, frequent } = rates;
    if (last_10_min === undefined) return;
    const facts = [
      ["Last 10 min", String(last_10_min)],
      ["Most in 10 min", String(peak_10_min)],
      ["Mean in 10 min", trimmed(mean_10_min, 2)],
      ["Floods", String(floods)],
    ];
    const often = (frequent ?? []).slice(0, 5).map(([name, count]) => h("li", { text: `${count} × ${name}` }));
    this.rates.replaceChildren(
      h("h3", { text: "How many alarms" }),
      h("p", { class: is_flood ? "mark high" : "small", text: is_flood ? "A flood: more than ten in ten minutes" : `The mean is ${verdict}.` }),
      h("dl", { class: "figures" }, ...facts.map(([name, text]) => h("div", {}, h("dt", { text: name }), h("dd", { class: "value", text })))),
      ...(often.length ? [h("p", { class: "soft small", text: "Most often:" }), h("ul", { class: "small" }, ...often)] : []),
    );
  }
}

function stateText(row) {
  if (!rests(row)) return row.state;
  const left = typeof row.shelf_left_s === "number" ? `, ${spanText(row.shelf_left_s)} left` : "";
  return `${row.availability}${left}`;
}
