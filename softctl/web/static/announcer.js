/** New alarms, said politely to whoever listens to the page instead of looking at it. */

import { h } from "./dom.js";

const MOST = 20;

export class Announcer {
  #app;
  #place = document.getElementById("announcer");
  #known = null;

  constructor(app) {
    this.#app = app;
    app.store.addEventListener("state", (event) => {
      if (event.detail === "alarms") this.#look();
    });
  }

  /** What was there when the page was opened is on the list; only what comes is said. */
  #look() {
    const waiting = this.#app.store.rows("alarms").filter((row) => row.state === "unacknowledged");
    const names = new Set(waiting.map((row) => row.name));
    if (this.#known) {
      for (const row of waiting) if (!this.#known.has(row.name)) this.#say(row);
    }
    this.#known = names;
  }

  #say(row) {
    const text = row.text || this.#app.store.alarms.get(row.name)?.text || "";
    this.#place.append(h("p", { text: `New alarm, priority ${row.priority}: ${row.name}. ${text}` }));
    while (this.#place.children.length > MOST) this.#place.firstChild.remove();
  }
}
