// The stretch in plain sentences, where to look first, and whether the record is sound.

import { ago, ageS, length, moment } from "./clock.js";
import { el } from "./dom.js";
import { CAUSES, LOOK_FIRST } from "./words.js";

const many = (count, one, more = `${one}s`) => (count === 1 ? `1 ${one}` : `${count} ${more}`);
const percent = (share) => (share >= 0.9995 ? "100 %" : `${(share * 100).toFixed(share > 0.99 ? 2 : 1)} %`);

/** Causes of a summary by how often they happened, the most frequent first. */
function ranked(trips) {
  return Object.keys(CAUSES)
    .map((cause) => ({ cause, count: trips[cause] }))
    .filter(({ count }) => count > 0)
    .sort((a, b) => b.count - a.count);
}

/** The sentences about a stretch. */
export function account(summary) {
  const seconds = (summary.to_us - summary.from_us) / 1e6;
  const share = seconds > 0 ? summary.on_s / seconds : 0;
  return [
    el("p", { class: "lead" }, `${many(summary.starts, "start")} in ${length(seconds)}. `, tripSentence(summary)),
    tripList(summary.trips),
    summary.late_events > 0 && el("p", { class: "tripped" }, el("strong", {}, `${many(summary.late_events, "time")} the protector should have opened and did not in time.`)),
    el("p", {}, `On for ${length(summary.on_s)} in all (${percent(share)})`, ends(summary), "."),
    longest(summary),
    el("p", {}, coverage(summary)),
  ].filter(Boolean);
}

function tripSentence({ trips, by_unknown: unknown, coverage: share }) {
  if (trips.total === 0) {
    // What ended for an unknown reason, or was not recorded, may have been a trip: no more is claimed than was seen.
    const sure = unknown === 0 && share > 0.9995;
    return el("strong", {}, sure ? "The protector never opened." : "The protector was not seen to open.");
  }
  return el("strong", { class: "tripped" }, `The protector opened ${trips.total === 1 ? "once" : `${trips.total} times`}.`);
}

function tripList(trips) {
  const causes = ranked(trips);
  if (causes.length === 0) return null;
  const item = ({ cause, count }) => el("li", {}, el("strong", {}, String(count)), ` ${CAUSES[cause]}`);
  return el("ul", { class: "causes", "aria-label": "Trips by cause" }, causes.map(item));
}

function ends({ by_control: control, by_supply: supply, by_unknown: unknown }) {
  const parts = [];
  if (control > 0) parts.push(`${many(control, "time")} ended by its control`);
  if (supply > 0) parts.push(`${supply} by the supply`);
  if (unknown > 0) parts.push(`${unknown} by something not known`);
  return parts.length > 0 ? `; ${parts.join(", ")}` : "";
}

function longest({ longest_off: off, longest_on: on }) {
  const parts = [];
  if (off) parts.push(`Longest off: ${length(off.length_s)}, from ${moment(off.from_us)}.`);
  if (on) parts.push(`Longest on: ${length(on.length_s)}, from ${moment(on.from_us)}.`);
  return parts.length > 0 ? el("p", {}, parts.join(" ")) : null;
}

function coverage({ coverage: share, gaps, longest_gap: gap }) {
  const words = `Readings cover ${percent(share)} of it`;
  if (gaps === 0) return `${words}, without a gap.`;
  const most = gaps === 1 ? "one gap" : `${gaps} gaps, the longest`;
  return `${words}: ${most} of ${length(gap.length_s)} from ${moment(gap.from_us)}.`;
}

/** Where to look first, from the cause of most trips; null without a trip. */
export function lookFirst(summary) {
  const [first] = ranked(summary.trips);
  if (!first) return null;
  const { finding, steps } = LOOK_FIRST[first.cause];
  return [
    el("h3", {}, "Where to look first"),
    el("p", {}, finding),
    el("ul", {}, steps.map((step) => el("li", {}, step))),
    el("p", { class: "fine" }, "Common practice of the trade, not a finding of this record. Supply off and locked out first."),
  ];
}

/** The facts about the record. */
export function soundness(message, summary) {
  const facts = summary ? recordFacts(summary) : [];
  return [...facts, ...message.boards.flatMap(boardFacts)].map(([level, word, text]) =>
    el("div", { class: `fact fact-${level}` }, el("span", { class: "fact-level" }, level === "good" ? "sound" : "look"),
      el("strong", {}, word), el("span", {}, text)));
}

function recordFacts(summary) {
  const facts = [[summary.gaps === 0 ? "good" : "look", "Coverage", coverage(summary)]];
  const steps = summary.clock_steps;
  facts.push([steps === 0 ? "good" : "look", "Clock", steps === 0
    ? "Never set during this stretch. Times here are those of the recorder’s clock."
    : `The recorder’s clock was set ${many(steps, "time")}. Lengths are true all the same; times are by the clock as last set.`]);
  const sensors = summary.sensor_events;
  facts.push([sensors === 0 ? "good" : "look", "Sensors", sensors === 0
    ? "None has stopped being believable."
    : `${many(sensors, "time")} a sensor could no longer be believed: see the marks on the chart.`]);
  return facts;
}

function boardFacts(board) {
  const name = `Board ${board.id}`;
  const heard = board.last_arrival_us === null ? "not heard yet" : `last heard ${ago(ageS(board.last_arrival_us))}`;
  const period = board.period_ms === null ? "" : `, one sample every ${board.period_ms} ms`;
  const boot = board.boot === null ? "" : `, boot ${board.boot}`;
  const firmware = board.firmware === "" ? "" : `, ${board.firmware}`;
  const facts = [["good", name, `${board.samples.toLocaleString("en")} samples${period}${boot}${firmware}; ${heard}.`]];
  if (board.refused > 0) {
    const kinds = board.refusals.map(({ kind, count }) => `${count} ${kind}`).join(", ");
    facts.push(["look", name, `${many(board.refused, "line")} refused (${kinds}). Their bytes are kept.`]);
  }
  if (board.undeclared > 0) facts.push(["look", name, `${many(board.undeclared, "sample")} without a channel table: kept, not shown.`]);
  return [...facts, ...board.problems.map((problem) => ["look", name, problem])];
}
