// One cycle with everything that is known of it: evidence, figures, the modelled disc, and what it was said to be before.

import { ask } from "./api.js";
import { atClock, length, moment } from "./clock.js";
import { el, refill } from "./dom.js";
import { amps, degree, degrees, scaleName, told, volts } from "./figures.js";
import { CAUSES, ENDS, STARTS } from "./words.js";

const some = (value, words) => (value === null || value === undefined ? null : words(value));
const ampere = (value) => some(value, (a) => `${amps(a)} A`);
const temperature = (value) => some(value, (c) => `${degrees(c)} ${degree()}`);
const seconds = (value) => some(value, (s) => length(s, { exact: true }));

export class CycleDetail {
  constructor(unit, chart) {
    this.unit = unit;
    this.chart = chart;
    this.root = el("div", { class: "detail-box" });
    this.drawn = "";
  }

  /** From the row at once; the rest comes when the recorder answers. */
  async show(cycle) {
    const key = JSON.stringify([cycle, scaleName()]);
    if (key === this.drawn) return;
    this.drawn = key;
    if (!this.root.hasChildNodes()) this.draw({ cycle });
    try {
      const answer = await ask("/api/v1/cycle", { unit: this.unit.name, on_at: cycle.on_at_us });
      if (key === this.drawn) this.draw(answer);
    } catch (error) {
      this.drawn = "";
      if (!this.root.querySelector(".unanswered")) this.root.append(el("p", { class: "fine unanswered" }, `The rest is not known here: ${error.message}.`));
    }
  }

  draw({ cycle, off_before_s: before = null, verdicts = null, verdicts_since_us: since = null, sentences = [] }) {
    const list = (pairs) => el("dl", { class: "small" },
      pairs.filter(([, text]) => text !== null).map(([word, text]) => el("div", {}, el("dt", {}, word), el("dd", {}, text))));
    const part = (title, ...content) => el("section", {}, el("h3", {}, title), ...content);
    refill(this.root,
      part("Evidence", el("p", { class: "basis" }, cycle.basis === "" ? "Nothing more is written down for this one." : told(cycle.basis))),
      part("Figures", list(figures(cycle, before))),
      part("The disc, by the model", el("p", {}, modelWords(cycle, this.unit))),
      ...(verdicts === null ? [] : [part("What it was said to be", ...history(verdicts, since, cycle))]),
      ...(sentences.length > 0 ? [part("Said of the record, resting on it among others", el("ul", {}, sentences.map(({ text }) => el("li", {}, told(text)))))] : []),
      this.buttons(cycle));
  }

  buttons(cycle) {
    const button = (word, act) => el("button", { type: "button", "data-key": `${word} ${cycle.on_at_us}`, onclick: act }, word);
    return el("div", { class: "choices" },
      button("Show on the chart", () => this.chart.showCycle(cycle)),
      this.chart.lay && button("Lay its start over others", () => this.chart.lay("start", cycle.on_at_us)),
      this.chart.lay && cycle.ended_by === "protector" && cycle.off_at_us !== null && button("Lay its trip over others", () => this.chart.lay("trip", cycle.off_at_us)));
  }
}

function figures(cycle, before) {
  const reset = temperature(cycle.case_reset_c);
  const run = [ampere(cycle.run_first_a), ampere(cycle.run_last_a)];
  return [
    ["Off before", seconds(before)],
    ["Start", cycle.on_seen ? STARTS[cycle.start] : "current was already there"],
    ["Took to come down", seconds(cycle.start_s)],
    ["Supply before the start", some(cycle.supply_before_v, (v) => `${volts(v)} V`)],
    ["Supply, lowest at the start", some(cycle.supply_low_v, (v) => `${volts(v)} V`)],
    ["Start lead, highest", ampere(cycle.start_lead_peak_a)],
    ["Start lead, later", ampere(cycle.start_lead_a)],
    ["Running", ampere(cycle.run_a)],
    ["First and last minutes of the run", run[0] !== null && run[1] !== null ? `${run[0]}, ${run[1]}` : null],
    ["At the end", ampere(cycle.end_a)],
    ["I²t", some(cycle.i2t_a2s, (value) => `${value.toFixed(0)} A²s`)],
    ["Case, highest", temperature(cycle.case_max_c)],
    ["Case when on again", some(reset, (text) => `${text}${cycle.reset_exact ? ", the reclosing itself" : ", or hotter when it reclosed"}`)],
    ["Ambient at the start", temperature(cycle.ambient_on_c)],
    ["Samples that came", `${(cycle.valid * 100).toFixed(1)} %`],
    ["This row", cycle.final ? "final" : "may still change"],
  ];
}

function modelWords(cycle, unit) {
  if (cycle.disc_c === null) {
    return unit.has_model ? "Not known for this one: the model needs the current and the case from the start to the end."
      : "No model: the job file gives no heating constants of this protector.";
  }
  const opens = unit.opens_c === null ? "" : ` The protector is rated to open at ${temperature(unit.opens_c)}.`;
  return `${temperature(cycle.disc_c)} when it ended.${opens}`;
}

function verdictWords({ start, ended_by: end, cause }) {
  const began = start === "unknown" && end === null ? "start not settled" : `start ${STARTS[start]}`;
  const parts = [began, end === null ? "not ended" : `ended by ${ENDS[end]}`, cause === null ? "" : `cause ${CAUSES[cause]}`];
  return parts.filter(Boolean).join(", ");
}

function history(verdicts, since, cycle) {
  if (verdicts.length === 0) {
    const why = since === null ? "" : ` (kept since ${moment(since)})`;
    return [el("p", {}, `${cycle.final ? "Final" : "Unchanged"} since before this recorder was started: the record keeps what a row became, not what it was on the way${why}.`)];
  }
  return [el("ol", { class: "history" }, verdicts.map((said) =>
    el("li", {}, el("time", {}, atClock(said.at_us)), " ", el("strong", {}, verdictWords(said)), said.final && el("span", { class: "tag" }, "final"),
      said.basis !== "" && el("span", { class: "fine" }, told(said.basis)))))];
}
