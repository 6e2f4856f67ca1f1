// What each compressor is doing now: the state in words, how long, and the figures, large.

import { ageS, ago, length, moment, recordNowUs } from "./clock.js";
import { el, setText } from "./dom.js";
import { amps, degree, degrees, volts, withUnit } from "./figures.js";
import { stateShape } from "./shapes.js";
import { Strip } from "./strip.js";

/** Seconds without a sample after which it is said loudly, whatever the sample period. */
const SILENCE_S_MIN = 3;
/** The same in sample periods. */
const SILENCE_PERIODS = 5;

const SMALL = [
  { role: "ambient", word: "Ambient", key: "ambient_c", text: degrees, unit: degree },
  { role: "dome", word: "Shell", key: "dome_c", text: degrees, unit: degree },
  { role: "box", word: "Cooled space", key: "box_c", text: degrees, unit: degree },
  { role: "supply", word: "Supply", key: "supply_v", text: volts, unit: () => "V" },
];

/** The card of one compressor. */
export class Card {
  constructor(unit, periodMs) {
    this.unit = unit;
    this.periodMs = periodMs;
    this.strip = new Strip(unit);
    this.build();
  }

  /** Anew, as when temperatures are to be in another scale. */
  rebuild() {
    const before = this.root;
    this.build();
    before.replaceWith(this.root);
    if (this.status) this.update(this.status);
    this.strip.draw();
  }

  build() {
    const { roles, name } = this.unit;
    this.shape = el("span", { class: "state-shape" });
    this.words = el("p", { class: "state-words" });
    this.since = el("p", { class: "since" });
    this.closes = el("p", { class: "since" });
    this.age = el("p", { class: "age" });
    this.amps = el("span", { class: "figure-number" }, "–");
    this.degrees = el("span", { class: "figure-number" }, "–");
    this.degree = el("span", { class: "figure-unit" }, degree());
    this.small = new Map(SMALL.filter(({ role }) => roles.includes(role)).map((item) => [item, el("dd", {}, "–")]));
    this.demand = roles.includes("demand") ? el("dd", {}, "–") : null;
    this.root = el("article", { class: "card", "aria-label": name },
      el("header", { class: "card-head" }, el("h2", {}, name), this.age),
      el("div", { class: "state" }, this.shape, el("div", {}, this.words, this.since, this.closes)),
      el("div", { class: "figures" },
        figure("Current", this.amps, el("span", { class: "figure-unit" }, "A"), "current", this.ratedWord()),
        roles.includes("case") && figure("Protector’s case", this.degrees, this.degree, "case", this.opensWord())),
      this.smallList(),
      this.strip.root);
  }

  ratedWord() {
    const { rated_load_a: rated, clamp_on: lead } = this.unit;
    const load = rated === null ? "" : `rated load ${amps(rated)} A`;
    return [load, lead === "appliance" ? "whole appliance" : ""].filter(Boolean).join(", ");
  }

  opensWord() {
    const { opens_c: opens, closes_c: closes } = this.unit;
    const parts = [opens === null ? "" : `opens at ${degrees(opens)}`, closes === null ? "" : `closes at ${degrees(closes)}`];
    return parts.filter(Boolean).join(", ");
  }

  smallList() {
    const pairs = [...this.small].map(([item, node]) => el("div", {}, el("dt", {}, item.word), node));
    if (this.demand) pairs.push(el("div", {}, el("dt", {}, "Power offered"), this.demand));
    return pairs.length > 0 ? el("dl", { class: "small" }, pairs) : null;
  }

  /** Shows a status. */
  update(status) {
    this.status = status;
    const { state } = status;
    if (this.root.dataset.state !== state.code) {
      this.root.dataset.state = state.code;
      this.shape.replaceChildren(stateShape(state.code, 40));
    }
    setText(this.amps, amps(status.current_a) ?? "–");
    setText(this.degrees, degrees(status.case_c) ?? "–");
    for (const [item, node] of this.small) setText(node, withUnit(item.text(status[item.key]), item.unit()));
    if (this.demand) setText(this.demand, demandWord(status.demand));
    this.tick();
  }

  /** Lets time pass: how long, and how old. */
  tick() {
    if (!this.status) return;
    const silent = this.isSilent();
    this.showState(silent && this.status.state.code !== "no-data");
    const arrived = this.status.last_arrival_us;
    setText(this.age, arrived === null ? "no sample yet" : `last sample ${ago(ageS(arrived))}`);
    this.root.classList.toggle("stale", silent);
  }

  /** What it does now; without news, what it was last known to do, and no longer for how long. */
  showState(isOld) {
    const { state, since_us: since } = this.status;
    setText(this.words, isOld ? `Last known: ${state.words[0].toLowerCase()}${state.words.slice(1)}` : state.words);
    const lasts = (recordNowUs() - since) / 1e6;
    const how = isOld ? "" : `for ${length(Math.max(0, lasts))}, `;
    setText(this.since, since === null ? "" : `${how}since ${moment(since, {})}`);
    setText(this.closes, isOld ? "" : closesWord(this.status));
  }

  /** Seconds since the last sample; null before the first. */
  age_s() {
    const arrived = this.status?.last_arrival_us ?? null;
    return arrived === null ? null : ageS(arrived);
  }

  isSilent() {
    const age = this.age_s();
    return age === null || age > Math.max(SILENCE_S_MIN, (SILENCE_PERIODS * this.periodMs()) / 1000);
  }
}

/** When an open protector will have closed again, as far as its case tells. */
function closesWord({ state, recloses_s: closes }) {
  if (state.code !== "protector-open") return "";
  if (closes === null) return "not yet foreseeable when it closes";
  const [from, likely, to] = closes;
  if (likely <= 0) return "cool enough to have closed by now";
  return `closes in about ${length(likely)} (${length(from)} to ${length(to)})`;
}

function demandWord(demand) {
  if (demand === null) return "no reading";
  return demand ? "yes" : "no";
}

function figure(word, number, unit, role, note) {
  return el("div", { class: `figure figure-${role}` },
    el("span", { class: "figure-word" }, word),
    el("span", { class: "figure-value" }, number, " ", unit),
    el("span", { class: "figure-note" }, note));
}
