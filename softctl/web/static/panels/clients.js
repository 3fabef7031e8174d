/** Who is connected, what they ask, and the last frames of one of them in plain words. */

import { button, h, rove, setText, table } from "../dom.js";
import { outcome } from "../forms.js";
import { clockText, trimmed } from "../format.js";

const HEADINGS = ["Client", "Server", "Role", ">Requests", ">Per second", ">Exceptions", ">Discarded", ">Struck"];

export class ClientsPanel {
  #app;
  #watched = null;
  #rows = new Map();

  constructor(app, section, head) {
    this.#app = app;
    this.count = h("p", { attrs: { role: "status" } });
    head.append(this.count);
    this.table = table("Clients", HEADINGS);
    this.body = this.table.tBodies[0];
    this.roving = rove(this.body, () => [...this.body.querySelectorAll("button")]);
    this.frames = h("div", { class: "frames scroll" });
    this.place = outcome();
    this.title = h("h3", { text: "Last frames" });
    this.hold = button("Hold", () => this.#toggleHold(), { attrs: { "aria-pressed": "false" }, title: "Let the frames stand still to read them" });
    section.append(
      h("div", { class: "box scroll clients_table" }, this.table),
      h("div", { class: "box frames_box" }, h("div", { class: "box_head" }, this.title, this.hold), this.place, this.frames),
    );
    app.store.addEventListener("state", (event) => {
      if (event.detail === "clients") this.#show();
    });
    this.#show();
  }

  hide() {
    if (this.#watched) this.#app.act({ do: "watch_client", server: null, name: null }, null);
  }

  show() {
    if (this.#watched) this.#watch(this.#watched);
  }

  #show() {
    const rows = this.#app.store.rows("clients");
    setText(this.count, rows.length === 1 ? "1 connection" : `${rows.length} connections`);
    const keys = new Set(rows.map(keyOf));
    for (const [key, { line }] of this.#rows) {
      if (!keys.has(key)) {
        line.remove();
        this.#rows.delete(key);
      }
    }
    for (const row of rows) this.#showRow(row);
    this.empty?.remove();
    if (!rows.length) {
      this.empty = h("tr", {}, h("td", { class: "empty", colSpan: HEADINGS.length, text: "Nobody is connected." }));
      this.body.append(this.empty);
    }
    this.roving.refresh();
    this.#showFrames(rows.find((row) => keyOf(row) === this.#watched?.key));
  }

  #showRow(row) {
    const key = keyOf(row);
    if (!this.#rows.has(key)) {
      const choose = button(row.name, () => this.#watch({ key, server: row.server, id: row.id ?? row.name }), { class: "quiet name", tabIndex: -1, attrs: { "aria-pressed": "false" } });
      const cells = HEADINGS.slice(1).map((_, i) => h("td", { class: i >= 2 ? "number value" : "" }));
      const line = h("tr", {}, h("td", {}, choose), ...cells);
      this.#rows.set(key, { line, cells, choose });
      this.body.append(line);
    }
    const { cells } = this.#rows.get(key);
    const codes = Object.entries(row.exceptions ?? {}).map(([code, n]) => `${n} × ${code.padStart(2, "0")}`);
    const texts = [row.server, row.role || "–", row.requests, trimmed(row.per_s ?? 0, 1), codes.join(", ") || "0", row.discarded ?? 0, row.struck ?? 0];
    texts.forEach((text, i) => setText(cells[i], String(text)));
    cells[4].classList.toggle("abnormal", codes.length > 0);
  }

  async #watch(one) {
    this.#watched = one;
    for (const [key, { choose, line }] of this.#rows) {
      choose.setAttribute("aria-pressed", String(key === one.key));
      line.classList.toggle("chosen", key === one.key);
    }
    await this.#app.act({ do: "watch_client", server: one.server, name: one.id }, this.place, "");
  }

  #isHeld = false;

  #toggleHold() {
    this.#isHeld = !this.#isHeld;
    this.hold.setAttribute("aria-pressed", String(this.#isHeld));
    this.#show();
  }

  #showFrames(row) {
    this.hold.hidden = !this.#watched;
    if (!this.#watched) {
      return this.frames.replaceChildren(h("p", { class: "empty", text: "Choose a client to see what it asks and gets." }));
    }
    setText(this.title, `Last frames of ${row?.name ?? "a client that has gone"}`);
    if (!row?.frames || this.#isHeld) return undefined;
    const open = new Set([...this.frames.querySelectorAll("details[open]")].map((one) => one.dataset.key));
    const last = [...row.frames].reverse();
    return this.frames.replaceChildren(...(last.length ? last.map((frame) => frameView(frame, open)) : [h("p", { class: "empty", text: "Nothing yet." })]));
  }
}

function keyOf(row) {
  return `${row.server} ${row.id ?? row.name}`;
}

function frameView(frame, open) {
  const key = `${frame.at_s} ${frame.hex}`;
  const way = frame.way === "out" ? "answers" : "asks";
  const fields = frame.fields.map(([name, hex, words]) =>
    h("tr", {}, h("th", { text: name, attrs: { scope: "row" } }), h("td", {}, h("code", { text: hex })), h("td", { text: words })),
  );
  return h(
    "details",
    { class: `frame ${frame.way ?? ""}`, open: open.has(key), data: { key } },
    h("summary", {}, h("time", { class: "soft", text: clockText(frame.at_s, 2) }), h("span", { class: "way", text: frame.way ? way : "" }), h("span", { text: frame.text ?? "" }), h("code", { class: "soft", text: frame.hex })),
    h("table", { attrs: { "aria-label": "Fields of the frame" } }, h("tbody", {}, ...fields)),
  );
}
