/** The past of points: what the page saw itself, and before that what the journal has. */

const POINTS = 1500;
const WAIT_MS = 200;
/** More is fetched than is seen, so that moving a little needs nothing new. */
const MARGIN = 0.5;

export class TrendHistory {
  #store;
  #changed;
  #held = null;
  #timer = 0;
  #wanted = null;

  constructor(store, changed) {
    this.#store = store;
    this.#changed = changed;
  }

  forget() {
    this.#held = null;
  }

  /** All that is known of a point, oldest first. */
  series(name) {
    const own = this.#store.recorder.of(`point:${name}`);
    const old = this.#held?.series[name] ?? [];
    if (!old.length) return own;
    const since = this.#store.recorder.since ?? Infinity;
    return [...old.filter(([at]) => at < since), ...own.filter(([at]) => at >= since)];
  }

  events(from, to) {
    const seen = new Map();
    for (const event of [...(this.#held?.events ?? []), ...this.#store.events]) {
      if (event.at_s >= from && event.at_s <= to) seen.set(`${event.at_s.toFixed(2)} ${event.text}`, event);
    }
    return [...seen.values()].sort((a, b) => a.at_s - b.at_s);
  }

  /** The first instant of which anything is known. */
  oldest(lanes) {
    const firsts = lanes.map((lane) => this.series(lane.point.name)[0]?.[0]).filter((at) => at !== undefined);
    return firsts.length ? Math.min(...firsts) : null;
  }

  /** Fetch what a window needs and is not there: one request at a time, for the last window. */
  want(names, from, to) {
    const { recorder, model } = this.#store;
    if (!model.can.journal || !names.length || recorder.since === null) return;
    if (from >= recorder.since || this.#covers(names, from, to)) return;
    this.#wanted = { names, from, to };
    this.#timer ||= setTimeout(() => this.#fetch(this.#wanted), WAIT_MS);
  }

  /** A window much shorter than what is held deserves finer samples. */
  #covers(names, from, to) {
    const held = this.#held;
    if (!held || names.some((name) => !(name in held.series))) return false;
    const end = Math.min(to, this.#store.recorder.since);
    return held.from <= Math.max(0, from) && held.to >= end && held.to - held.from < 8 * (to - from);
  }

  async #fetch({ names, from, to }) {
    const more = MARGIN * (to - from);
    const [first, last] = [Math.max(0, from - more), Math.min(to + more, this.#store.now)];
    const query = new URLSearchParams({ names: names.join(), from: first, to: last, points: POINTS });
    try {
      const answer = await fetch(`/api/history?${query}`);
      if (!answer.ok) return;
      const { series, events } = await answer.json();
      const of = (name) => series[name] ?? series[`point:${name}`] ?? [];
      this.#held = { from: first, to: last, events, series: Object.fromEntries(names.map((name) => [name, of(name)])) };
      this.#changed();
    } catch {
      // Not connected: the banner says so, and what the page saw itself is still there.
    } finally {
      this.#timer = 0;
    }
  }
}
