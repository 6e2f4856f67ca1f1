// Where to look first, and whether the record is sound.

import { ago, ageS, length, moment } from "./clock.js";
import { el } from "./dom.js";
import { CAUSES, LOOK_FIRST, REFUSALS } from "./words.js";

const many = (count, one, more = `${one}s`) => (count === 1 ? `1 ${one}` : `${count} ${more}`);
const percent = (share) => (share >= 1 - 1e-9 ? "100 %" : `${Math.min(share * 100, 99.99).toFixed(share > 0.99 ? 2 : 1)} %`);

/** Causes of a stretch by how often they happened, the most frequent first. */
function ranked(trips) {
  return Object.keys(CAUSES)
    .map((cause) => ({ cause, count: trips[cause] }))
    .filter(({ count }) => count > 0)
    .sort((a, b) => b.count - a.count);
}

function coverage({ coverage: share, gaps, longest_gap: gap }) {
  const words = `Readings cover ${percent(share)} of it`;
  if (gaps === 0) return `${words}, without a gap.`;
  const most = gaps === 1 ? "one gap" : `${gaps} gaps, the longest`;
  return `${words}: ${most} of ${length(gap.length_s, { exact: true })} from ${moment(gap.from_us)}.`;
}

/** Where to look first, from the cause of most trips; null without a trip. */
export function lookFirst(counts) {
  const [first] = ranked(counts.trips);
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
export function soundness(message, counts) {
  const facts = counts ? recordFacts(counts) : [];
  return [...facts, ...message.boards.flatMap(boardFacts)].map(([level, word, text]) =>
    el("div", { class: `fact fact-${level}` }, el("span", { class: "fact-level" }, level === "good" ? "sound" : "look"),
      el("strong", {}, word), el("span", {}, text)));
}

function recordFacts(counts) {
  const facts = [[counts.gaps === 0 ? "good" : "look", "Coverage", coverage(counts)]];
  const steps = counts.clock_steps;
  facts.push([steps === 0 ? "good" : "look", "Clock", steps === 0
    ? "Never set during this stretch. Times here are those of the recorder’s clock."
    : `The recorder’s clock was set ${many(steps, "time")}. Lengths are true all the same; times are by the clock as last set.`]);
  const sensors = counts.sensor_events;
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
    const kinds = board.refusals.map(({ kind, count }) => `${count} ${REFUSALS[kind] ?? kind}`).join(", ");
    facts.push(["look", name, `${many(board.refused, "line")} refused: ${kinds}. Their bytes are kept.`]);
  }
  if (board.undeclared > 0) facts.push(["look", name, `${many(board.undeclared, "sample")} without a channel table: kept, not shown.`]);
  return [...facts, ...board.problems.map((problem) => ["look", name, problem])];
}
