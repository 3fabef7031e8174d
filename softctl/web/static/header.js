/** The top of the page: how the bench is, and its clock. */

import { button, h, setText } from "./dom.js";
import { outcome, select, tell } from "./forms.js";
import { clockText } from "./format.js";

const SPEEDS = [1, 2, 5, 10, 20, 50, 100];
const AS_FAST = "0";
const HEALTHY = ["healthy", true, "ok"];

export class Header {
  #app;
  #states = document.getElementById("states");
  #clock = document.getElementById("clock");
  #signOut = document.getElementById("sign_out");
  #cells = {};

  constructor(app) {
    this.#app = app;
    this.#signOut.addEventListener("click", () => this.#leave());
    app.store.addEventListener("state", (event) => {
      if (["alarms", "forces", "faults", "wire_faults"].includes(event.detail)) this.#showLists();
    });
  }

  begin(model) {
    document.getElementById("title").textContent = model.title || model.name;
    const who = model.user ? `${model.user}, ${model.role}` : model.role;
    document.getElementById("who").textContent = `${model.name} · you are ${who}`;
    this.#signOut.hidden = !model.user;
    this.#states.replaceChildren(...["Link", "Programs", "Forces", "Alarms"].map((n) => this.#cell(n)));
    this.#makeClock();
    this.#showLists();
    this.update();
  }

  /** End the session; without one the page asks who you are. */
  async #leave() {
    try {
      const answer = await fetch("/logout", { method: "POST" });
      if (answer.ok) return location.reload();
      tell(this.place, `not signed out (${answer.status})`, true);
    } catch {
      tell(this.place, "not signed out: the bench does not answer", true);
    }
    return undefined;
  }

  #cell(name) {
    this.#cells[name] = h("dd", { text: "–" });
    return h("div", {}, h("dt", { text: name }), this.#cells[name]);
  }

  #makeClock() {
    this.time = h("span", { text: "–" });
    const time = h("div", { class: "now" }, h("span", { class: "soft", text: "machine time" }), this.time);
    this.place = outcome();
    const refusal = this.#app.refusal("engineer", "time");
    this.pause = button("Pause", () => this.#app.act({ do: this.#isPaused ? "go" : "pause" }, this.place, ""));
    this.scan = button("One scan", () => this.#app.act({ do: "scan" }, this.place, ""));
    this.speed = select([...SPEEDS.map((x) => [String(x), `×${x}`]), [AS_FAST, "fastest"]], "1");
    this.speed.setAttribute("aria-label", "Speed of machine time");
    this.speed.addEventListener("change", () => this.#setSpeed());
    for (const control of [this.pause, this.scan, this.speed]) {
      control.disabled = Boolean(refusal);
      control.title = refusal;
    }
    this.#refusal = refusal;
    this.#clock.replaceChildren(time, this.pause, this.scan, this.speed, this.place);
  }

  #refusal = "";

  get #isPaused() {
    return this.#app.store.get("stat:paused") === true;
  }

  async #setSpeed() {
    const wanted = this.speed.value;
    const request = wanted === AS_FAST ? { do: "as_fast" } : { do: "speed", factor: Number(wanted) };
    const answer = await this.#app.act(request, this.place, "");
    if (answer === null) this.#showSpeed();
  }

  #showSpeed() {
    const value = String(this.#app.store.get("stat:speed") ?? 1);
    if (![...this.speed.options].some((one) => one.value === value)) {
      this.speed.append(h("option", { value, text: `×${value}` }));
    }
    this.speed.value = value;
  }

  /** P and the full stop do what the buttons do. */
  togglePause() {
    if (!this.pause.disabled) this.pause.click();
  }

  scanOnce() {
    if (!this.scan.disabled) this.scan.click();
  }

  update() {
    const { get, at } = this.#app.store;
    const seconds = get("stat:machine_s") ?? at;
    setText(this.time, seconds === null || seconds === undefined ? "–" : clockText(seconds));
    this.#showMark("Link", ...linkMark(get("stat:link")));
    this.#showMark("Programs", ...programMark(get("stat:state"), this.#isPaused));
    setText(this.pause, this.#isPaused ? "Go on" : "Pause");
    if (!this.#refusal) this.scan.disabled = !this.#isPaused;
    if (document.activeElement !== this.speed) this.#showSpeed();
  }

  #showMark(name, kind, text) {
    const cell = this.#cells[name];
    if (!cell || cell.dataset.shown === kind + text) return;
    cell.dataset.shown = kind + text;
    cell.replaceChildren(kind ? h("span", { class: `mark ${kind}`, text }) : text);
  }

  #showLists() {
    const app = this.#app;
    const forces = app.store.rows("forces").length;
    this.#showMark("Forces", forces ? "held" : "", forces ? `${forces} held` : "none");
    const listed = app.store.rows("alarms").filter((row) => row.state !== "normal");
    const waits = listed.filter((row) => /unacknowledged/.test(row.state));
    const worst = ["high", "medium", "low"].find((p) => listed.some((row) => row.priority === p));
    const text = listed.length ? `${listed.length}, ${waits.length} new` : "none";
    this.#showMark("Alarms", worst ? `${worst}${waits.length ? " waits" : ""}` : "", text);
    app.count("alarms", listed.length ? String(listed.length) : "", worst ? `mark ${worst}` : "");
    app.count("points", forces ? String(forces) : "", forces ? "mark held" : "");
    const broken = app.store.rows("faults").length + app.store.rows("wire_faults").length;
    app.count("faults", broken ? String(broken) : "", broken ? "mark medium" : "");
  }
}

function linkMark(link) {
  if (link === undefined || link === null) return ["", "–"];
  return HEALTHY.includes(link) ? ["", "healthy"] : ["high", "field lost"];
}

function programMark(state, isPaused) {
  if (state === undefined || state === null) return ["", "–"];
  if (state === "running") return isPaused ? ["held", "paused"] : ["", "running"];
  return state === "faulted" ? ["high", "stopped by a fault"] : ["medium", "stopped"];
}
