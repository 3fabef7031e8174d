/** What values were since the page was opened: changes only, for the trends. */

const MOST = 4000;

export class Recorder {
  #series = new Map();
  /** The first instant from which on nothing is missing; null before the first value. */
  since = null;
  last = null;

  clear() {
    this.#series.clear();
    this.since = this.last = null;
  }

  /** Take in that `name` has had `value` from `at` on; texts are not kept. */
  note(name, at, value) {
    if (typeof value === "string") return;
    let one = this.#series.get(name);
    if (!one) this.#series.set(name, (one = []));
    one.push([at, value]);
    if (one.length > MOST) one.splice(0, MOST / 4);
  }

  tick(at) {
    if (this.last !== null && at < this.last - 1) this.clear();
    this.since ??= at;
    this.last = at;
  }

  /** A gap: what came before may have changed unseen. */
  interrupt() {
    this.since = null;
    for (const [name, one] of this.#series) {
      if (this.last !== null) one.push([this.last, null]);
      if (!one.length) this.#series.delete(name);
    }
  }

  /** The changes of a series as [[t, value], …], oldest first. */
  of(name) {
    return this.#series.get(name) ?? [];
  }
}
