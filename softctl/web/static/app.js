/** The page: connection, sections, and what all sections share. */

import { Connection } from "./connection.js";
import { h } from "./dom.js";
import { outcome, tell } from "./forms.js";
import { Header } from "./header.js";
import { Login } from "./login.js";
import { Announcer } from "./announcer.js";
import { Shortcuts } from "./shortcuts.js";
import { Store } from "./store.js";
import { MachinePanel } from "./panels/machine.js";
import { SequencePanel } from "./panels/sequence.js";
import { TrendsPanel } from "./panels/trends.js";
import { PointsPanel } from "./panels/points.js";
import { FaultsPanel } from "./panels/faults.js";
import { AlarmsPanel } from "./panels/alarms.js";
import { ClientsPanel } from "./panels/clients.js";
import { ChecksPanel } from "./panels/checks.js";

const PANELS = [
  ["machine", "Machine", MachinePanel],
  ["sequence", "Sequence", SequencePanel],
  ["trends", "Trends", TrendsPanel],
  ["points", "Points", PointsPanel],
  ["faults", "Faults", FaultsPanel],
  ["alarms", "Alarms", AlarmsPanel],
  ["clients", "Clients", ClientsPanel],
  ["checks", "Checks", ChecksPanel],
];
const ROLES = ["view", "operate", "engineer"];

class Bench {
  store = new Store();
  #main = document.getElementById("main");
  #rail = document.getElementById("rail");
  #banner = document.getElementById("banner");
  #panels = new Map();
  #links = new Map();
  #shown = null;
  #isDue = false;
  #lostAt = null;

  constructor() {
    const scheme = location.protocol === "https:" ? "wss:" : "ws:";
    this.connection = new Connection(`${scheme}//${location.host}/ws`);
    this.connection.addEventListener("message", (event) => this.#take(event.detail));
    this.connection.addEventListener("lost", (event) => this.#lose(event.detail));
    this.store.addEventListener("values", () => this.#redraw());
    this.store.addEventListener("link", () => this.#showLink());
    this.header = new Header(this);
    this.announcer = new Announcer(this);
    this.shortcuts = new Shortcuts(this, PANELS);
    addEventListener("hashchange", () => this.#route());
  }

  async start() {
    await this.#load();
    this.connection.start();
  }

  // What panels use

  /** True for whoever may do what the smallest role `role` may. */
  may(role) {
    return ROLES.indexOf(this.store.model.role) >= ROLES.indexOf(role);
  }

  can(name) {
    return this.store.model.can[name] === true;
  }

  /** Why something is not offered, or "" where it is. */
  refusal(role, name) {
    const { why = {}, role: own } = this.store.model;
    if (name && !this.can(name)) return why[name] ?? "This bench does not offer it.";
    return this.may(role) ? "" : `Needs the role ${role}; yours is ${own}.`;
  }

  /** Ask for something and tell in `place` what came of it; the answer, or null. */
  async act(request, place, done = "done") {
    try {
      const answer = await this.connection.ask(request);
      if (place) tell(place, typeof done === "function" ? done(answer) : done);
      return answer;
    } catch (error) {
      if (place) tell(place, error.message, true);
      return null;
    }
  }

  /** Ask for channels beyond the standing ones; resolves when those that exist are known. */
  async subscribe(names) {
    const wanted = names.filter((name) => !this.store.has(name));
    if (!wanted.length) return;
    const answer = await this.act({ do: "subscribe", names: wanted }, null);
    if (answer) this.store.addChannels(answer.first, answer.names);
  }

  /** Show a section; `detail` is for the section. */
  go(name, detail) {
    if (location.hash !== `#${name}`) history.pushState(null, "", `#${name}`);
    this.#route();
    if (detail !== undefined) this.#shown?.open?.(detail);
  }

  // Connection

  async #load() {
    const response = await fetch("/api/model");
    if (response.status === 401) return new Login().show().then(() => this.#load());
    if (!response.ok) throw new Error(`the bench answered ${response.status}`);
    this.#begin(await response.json());
    return undefined;
  }

  #begin(model) {
    this.store.setModel(model);
    document.title = `${model.title || model.name} · softctl bench`;
    document.getElementById("loading").hidden = true;
    document.getElementById("caution_text").textContent = model.caution;
    this.header.begin(model);
    for (const { section } of this.#panels.values()) section.remove();
    this.#panels.clear();
    this.#shown = null;
    this.#showRail();
    this.#route();
  }

  async #take(message) {
    if (message.t === "hello") return this.#greet(message);
    // Values of another program mean other channels: wait for its model.
    if (this.#greeting) await this.#greeting;
    return this.store.take(message);
  }

  #greeting = null;

  #greet(message) {
    const { model } = this.store;
    this.#greeting = (async () => {
      if (message.model_id !== model.id || message.role !== model.role) await this.#load();
      else this.store.beginChannels();
      this.#greeting = null;
      await this.subscribe(this.store.extra);
    })();
  }

  #lose({ wait_ms }) {
    this.#lostAt ??= Date.now();
    this.store.lose();
    this.#retryAt = Date.now() + wait_ms;
    this.#showLink();
    // A login that has ended looks like a loss: the model's answer tells.
    fetch("/api/model", { method: "HEAD" }).then((r) => r.status === 401 && location.reload(), () => {});
  }

  #retryAt = 0;

  #showLink() {
    const { isOld } = this.store;
    document.body.dataset.link = isOld ? (this.#lostAt ? "lost" : "waiting") : "live";
    this.#banner.hidden = !(isOld && this.#lostAt);
    if (!isOld) this.#lostAt = null;
    if (!this.#banner.hidden) this.#showBanner();
  }

  #showBanner() {
    const since = new Date(this.#lostAt).toLocaleTimeString("en-GB");
    const wait = Math.max(0, Math.ceil((this.#retryAt - Date.now()) / 1000));
    this.#banner.replaceChildren(
      h("strong", { class: "mark urgent", text: "Not connected: values are old" }),
      h("span", { text: `Nothing has come since ${since}. Trying again within ${wait || 1} s.` }),
      h("button", { type: "button", text: "Try now", on: { click: () => this.connection.start() } }),
    );
  }

  // Sections

  #showRail() {
    this.#links.clear();
    this.#rail.replaceChildren(
      ...PANELS.map(([name, title], i) => {
        const count = h("span", { class: "count" });
        const link = h(
          "a",
          { href: `#${name}` },
          h("span", { class: "key", text: String(i + 1), attrs: { "aria-hidden": "true" } }),
          h("span", { text: title }),
          count,
        );
        this.#links.set(name, { link, count });
        return link;
      }),
    );
  }

  /** A short text beside a section's name, such as a count. */
  count(name, text, kind = "") {
    const one = this.#links.get(name);
    if (!one) return;
    one.count.textContent = text;
    one.count.className = `count ${kind}`;
  }

  #route() {
    if (!this.store.model) return;
    const wanted = location.hash.slice(1);
    const known = PANELS.find(([name]) => name === wanted) ?? PANELS[0];
    const panel = this.#panelOf(known);
    if (panel === this.#shown) return;
    this.#shown?.hide?.();
    for (const [name, one] of this.#panels) one.section.hidden = name !== known[0];
    for (const [name, { link }] of this.#links) {
      if (name === known[0]) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    this.#shown = panel;
    this.#main.scrollTop = 0;
    panel.show?.();
    panel.update?.();
  }

  #panelOf([name, title, Panel]) {
    if (!this.#panels.has(name)) {
      const heading = h("h2", { text: title, id: `${name}_title` });
      const head = h("div", { class: "section_head" }, heading);
      const section = h("section", { id: `section_${name}`, attrs: { "aria-labelledby": heading.id } }, head);
      this.#main.append(section);
      const panel = new Panel(this, section, head);
      panel.section = section;
      this.#panels.set(name, panel);
    }
    return this.#panels.get(name);
  }

  /** One drawing a frame, however many messages came. */
  #redraw() {
    if (this.#isDue) return;
    this.#isDue = true;
    requestAnimationFrame(() => {
      this.#isDue = false;
      this.header.update();
      this.#shown?.update?.();
    });
  }
}

const bench = new Bench();
bench.start().catch((error) => {
  const place = outcome();
  document.getElementById("loading").replaceChildren(place);
  tell(place, `The bench cannot be reached: ${error.message}. Load the page again.`, true);
});
