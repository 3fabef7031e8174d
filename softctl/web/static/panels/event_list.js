/** The last events, newest first: what, when, by whom. */

import { h } from "../dom.js";
import { clockText, dayText } from "../format.js";

export class EventList {
  #app;
  #most;
  list = h("ol", { class: "events" });

  constructor(app, most) {
    this.#app = app;
    this.#most = most;
    app.store.addEventListener("event", () => this.#show());
    this.#show();
  }

  #show() {
    const last = this.#app.store.events.slice(-this.#most).reverse();
    const isWall = this.#app.store.model.history_clock === "wall";
    this.list.replaceChildren(
      ...(last.length ? last.map((one) => line(one, isWall)) : [h("li", { class: "empty", text: "Nothing since this page was opened." })]),
    );
  }
}

function line(event, isWall) {
  const time = isWall ? dayText(event.at_s) : clockText(event.at_s, 0);
  const by = event.by ? h("span", { class: "soft", text: ` (${event.by})` }) : null;
  return h("li", {}, h("time", { class: "soft", text: time }), h("span", {}, event.text, by));
}
