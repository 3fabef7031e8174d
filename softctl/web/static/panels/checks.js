/** Checks of the machine and of the HMI: trials, drills, checkout, each on a tab. */

import { h, rove } from "../dom.js";
import { CheckoutTab } from "./checkout.js";
import { DrillsTab } from "./drills.js";
import { TrialsTab } from "./trials.js";

const TABS = [
  ["trials", "Trials", TrialsTab],
  ["drills", "Drills", DrillsTab],
  ["checkout", "Checkout", CheckoutTab],
];

export class ChecksPanel {
  #tabs = new Map();

  constructor(app, section, head) {
    const list = h("div", { class: "tabs", attrs: { role: "tablist", "aria-label": "Checks" } });
    head.append(list);
    for (const [name, title, Tab] of TABS) {
      const tab = h("button", {
        type: "button",
        text: title,
        id: `tab_${name}`,
        attrs: { role: "tab", "aria-controls": `pane_${name}` },
        on: { click: () => this.open({ tab: name }), focus: () => this.open({ tab: name }) },
      });
      const pane = h("div", { id: `pane_${name}`, class: "pane", attrs: { role: "tabpanel", "aria-labelledby": tab.id } });
      list.append(tab);
      section.append(pane);
      // What this bench does not offer says why, and shows nothing that could not be used.
      const body = app.can(name) ? new Tab(app, pane) : pane.append(h("p", { class: "empty", text: app.refusal("view", name) }));
      this.#tabs.set(name, { tab, pane, body });
    }
    this.roving = rove(list, () => [...this.#tabs.values()].map(({ tab }) => tab), { across: true });
    this.open({ tab: "trials" });
  }

  open({ tab: wanted }) {
    for (const [name, { tab, pane }] of this.#tabs) {
      tab.setAttribute("aria-selected", String(name === wanted));
      pane.hidden = name !== wanted;
      if (name === wanted) this.roving.makeOnly(tab);
    }
  }
}
