/** How an alarm is marked and ordered, and what may be done about it in its state. */

import { h } from "../dom.js";

const RANKS = { urgent: 0, high: 1, medium: 2, low: 3 };
const RESTS = ["shelved", "out of service", "suppressed by design"];

export function waits(row) {
  return /unacknowledged/.test(row.state);
}

export function isListed(row) {
  return row.state !== "normal";
}

/** True for an alarm that may not announce itself. */
export function rests(row) {
  return RESTS.includes(row.availability);
}

/** What waits for somebody first, then by priority, then the newest. */
export function byUrgency(a, b) {
  return (
    waits(b) - waits(a) ||
    RANKS[a.priority] - RANKS[b.priority] ||
    (b.raised_s ?? b.since_s ?? 0) - (a.raised_s ?? a.since_s ?? 0)
  );
}

/** Shape, name and the word for the priority. */
export function alarmMark(row) {
  const kind = isListed(row) ? `${row.priority}${waits(row) ? " waits" : ""}` : "plain";
  return h("span", { class: `mark ${kind}`, title: `priority ${row.priority}` }, h("span", { class: "name", text: row.name }));
}

/** The acts that an alarm takes now, as [act, words]: those of the state, then the shelf. */
export function actsOf(row) {
  const acts = [];
  if (waits(row)) acts.push(["acknowledge", "Acknowledge"]);
  if (/unconfirmed/.test(row.state)) acts.push(["confirm", "Confirm"]);
  if (row.state === "latched") acts.push(["reset", "Reset"]);
  if (row.availability === "shelved") acts.push(["unshelve", "Take off the shelf"]);
  if (row.availability === "out of service") acts.push(["return", "Back in service"]);
  return acts;
}
