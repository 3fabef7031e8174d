/** What the page knows: the model, the value of every channel, the lists, the events. */

import { Recorder } from "./recorder.js";

const MOST_EVENTS = 400;

/**
 * Emits `values`, `state` (detail: its name), `event` (detail: the event) and `link`.
 * `get(name)` is the current value of a channel, undefined for one that is not known.
 */
export class Store extends EventTarget {
  model = null;
  at = null;
  /** The instant on the clock of the trends: that of the journal. */
  now = null;
  events = [];
  lists = {};
  recorder = new Recorder();
  isOld = true;
  #names = [];
  #index = new Map();
  #values = [];
  #extra = new Set();

  constructor() {
    super();
    this.get = (name) => this.#values[this.#index.get(name)];
  }

  setModel(model) {
    if (this.model && this.model.id !== model.id) this.recorder.clear();
    this.model = model;
    this.points = new Map(model.points.map((point) => [point.name, point]));
    this.alarms = new Map(model.alarms.map((alarm) => [alarm.name, alarm]));
    this.beginChannels();
  }

  /** A new connection knows the standing channels only. */
  beginChannels() {
    this.#names = [...this.model.channels];
    this.#index = new Map(this.#names.map((name, i) => [name, i]));
    this.#values = [];
  }

  has(name) {
    return this.#index.has(name);
  }

  /** Channels beyond the standing ones, to be asked for again on each connection. */
  get extra() {
    return [...this.#extra];
  }

  addChannels(first, names) {
    names.forEach((name, i) => {
      this.#names[first + i] = name;
      this.#index.set(name, first + i);
      this.#extra.add(name);
    });
  }

  /** Take in a message of the bench. */
  take(message) {
    if (message.t === "full") this.#full(message);
    else if (message.t === "delta") this.#delta(message);
    else if (message.t === "state") this.#state(message);
    else if (message.t === "event") this.#event(message);
  }

  lose() {
    this.isOld = true;
    this.recorder.interrupt();
    this.#emit("link");
  }

  list(what) {
    return this.lists[what] ?? {};
  }

  rows(what) {
    return this.list(what).rows ?? [];
  }

  #full(message) {
    this.#tick(message);
    message.v.forEach((value, i) => this.#put(i, value));
    this.#fresh();
    this.#emit("values");
  }

  #delta(message) {
    this.#tick(message);
    for (let i = 0; i < message.v.length; i += 2) this.#put(message.v[i], message.v[i + 1]);
    this.#emit("values");
  }

  #put(i, value) {
    if (this.#values[i] === value && !this.isOld) return;
    this.#values[i] = value;
    if (this.#names[i] !== undefined) this.recorder.note(this.#names[i], this.now, value);
  }

  #tick(message) {
    this.at = message.at;
    this.now = this.model.history_clock === "wall" ? message.wall ?? Date.now() / 1000 : message.at;
    this.recorder.tick(this.now);
  }

  #fresh() {
    if (!this.isOld) return;
    this.isOld = false;
    this.#emit("link");
  }

  #state(message) {
    this.lists[message.what] = message;
    this.#emit("state", message.what);
  }

  #event(message) {
    this.events.push(message);
    if (this.events.length > MOST_EVENTS) this.events.splice(0, MOST_EVENTS / 4);
    this.#emit("event", message);
  }

  #emit(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }
}
