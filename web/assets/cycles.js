// Every time the compressor was on, newest first, each with what it rests on. The table behind the chart.

import { day, length, offsetVaries, offsetWord, timeOfDay } from "./clock.js";
import { el } from "./dom.js";
import { amps, degree, degrees } from "./figures.js";
import { CAUSES, ENDS, STARTS } from "./words.js";

const COLUMNS = ["On at", "Was on", "Then off", "Start", "Ended by", "Cause", "Peak", "Running", "At the end", "Case", ""];

/** A table that keeps its open rows over a refresh. */
export class CycleTable {
  constructor(root, onShow, onMore, onLay) {
    this.root = root;
    this.onShow = onShow;
    this.onMore = onMore;
    this.onLay = onLay;
    this.unfolded = new Set();
    this.drawn = "";
  }

  /** Shows rows; `more` says that older ones exist. */
  show(unit, cycles, more) {
    const drawn = JSON.stringify([unit.name, cycles, more, offsetVaries()]);
    if (drawn === this.drawn) return;
    this.drawn = drawn;
    if (cycles.length === 0) {
      this.root.replaceChildren(el("p", { class: "empty" }, "No current has been seen yet."));
      return;
    }
    const focused = this.root.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
    this.root.replaceChildren(el("div", { class: "table-box" }, this.table(cycles)), ...(more ? [this.moreButton()] : []));
    if (focused) this.root.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
  }

  table(cycles) {
    const head = el("tr", { role: "row" }, COLUMNS.map((word) => el("th", { role: "columnheader", scope: "col" }, word)));
    const body = el("tbody", { role: "rowgroup" });
    let last = null;
    for (const cycle of cycles) {
      const date = day(cycle.on_at_us);
      if (date !== last) body.append(dayRow(date));
      last = date;
      body.append(...this.rows(cycle));
    }
    return el("table", { role: "table", class: "cycles" }, el("thead", { role: "rowgroup" }, head), body);
  }

  rows(cycle) {
    const key = String(cycle.on_at_us);
    const id = `basis-${key}`;
    const isOpen = this.unfolded.has(key);
    const detail = el("tr", { role: "row", class: "detail", id, hidden: !isOpen },
      el("td", { role: "cell", colspan: COLUMNS.length }, this.details(cycle)));
    const button = el("button", { type: "button", class: "why", "aria-expanded": String(isOpen), "aria-controls": id, "data-key": key,
      "aria-label": `Why, for ${timeOfDay(cycle.on_at_us)}`, onclick: () => this.toggle(key, button, detail) }, "Why");
    const end = cycle.ended_by ?? "none";
    const row = el("tr", { role: "row", class: "cycle", "data-end": end }, cells(cycle), el("td", { role: "cell", class: "c-why" }, button));
    return [row, detail];
  }

  toggle(key, button, detail) {
    const opens = detail.hidden;
    detail.hidden = !opens;
    button.setAttribute("aria-expanded", String(opens));
    if (opens) this.unfolded.add(key);
    else this.unfolded.delete(key);
  }

  details(cycle) {
    const pairs = detailPairs(cycle).filter(([, text]) => text !== null);
    const show = el("button", { type: "button", onclick: () => this.onShow(cycle) }, "Show on the chart");
    const lay = (kind, at) => el("button", { type: "button", onclick: () => this.onLay(kind, at) }, `Lay its ${kind} over others`);
    return el("div", { class: "detail-box" },
      el("p", { class: "basis" }, cycle.basis === "" ? "Nothing more is written down for this one." : cycle.basis),
      el("dl", { class: "small" }, pairs.map(([word, text]) => el("div", {}, el("dt", {}, word), el("dd", {}, text)))),
      el("div", { class: "choices" }, show, lay("start", cycle.on_at_us), cycle.ended_by === "protector" && lay("trip", cycle.off_at_us)));
  }

  moreButton() {
    return el("button", { type: "button", class: "more", "data-key": "more", onclick: this.onMore }, "Show older ones");
  }
}

const dayRow = (date) => el("tr", { role: "row", class: "day" }, el("th", { role: "rowheader", colspan: COLUMNS.length }, date));

function cells(cycle) {
  const cell = (name, label, ...content) => el("td", { role: "cell", class: `c-${name}`, "data-label": label }, ...content);
  const ampere = (value, none) => (value === null ? el("span", { class: "none" }, none) : `${amps(value)} A`);
  return [
    cell("on", "", el("time", {}, timeOfDay(cycle.on_at_us)), offsetVaries() && el("span", { class: "none" }, ` ${offsetWord(cycle.on_at_us)}`),
      !cycle.on_seen && el("span", { class: "none" }, " or before"), !cycle.final && el("span", { class: "tag" }, "may change")),
    cell("ran", "on", onWords(cycle)),
    cell("off", "off", offWords(cycle)),
    cell("start", "start", startWord(cycle)),
    cell("end", "ended by", cycle.ended_by === null ? el("span", { class: "none" }, "–") : el("span", { class: "ended" }, ENDS[cycle.ended_by])),
    cell("cause", "cause", cycle.cause === null ? el("span", { class: "none", "aria-label": "does not apply" }, "–") : CAUSES[cycle.cause]),
    cell("peak", "peak", ampere(cycle.peak_a, "no reading")),
    cell("run", "running", ampere(cycle.run_a, isStarting(cycle) ? "–" : "never ran")),
    cell("last", "at the end", ampere(cycle.end_a, endless(cycle))),
    cell("case", "case", caseWords(cycle)),
  ];
}

/** Still on and not yet known how it began. */
const isStarting = ({ start, off_at_us: off, final }) => start === "unknown" && off === null && !final;

const startWord = (cycle) => (isStarting(cycle) && cycle.on_seen ? "not settled" : STARTS[cycle.start]);

function endless({ off_at_us: off, final }) {
  if (off !== null) return "no reading";
  return final ? "not seen" : "–";
}

function onWords({ on_s: on, ended_by: end, final }) {
  if (on !== null) return length(on, { exact: true });
  return el("span", { class: "none" }, end === null && !final ? "still on" : "end not seen");
}

function offWords({ off_s: off, off_at_us: offAt, next_on_at_us: next, final }) {
  if (off !== null) return length(off, { exact: true });
  if (offAt === null) return el("span", { class: "none" }, final ? "not known" : "–");
  return el("span", { class: "none" }, next === null && !final ? "still off" : "not known");
}

function caseWords({ case_on_c: on, case_off_c: off }) {
  if (on === null && off === null) return el("span", { class: "none" }, "no reading");
  if (off === null) return `${degrees(on)} ${degree()}`;
  return `${degrees(on) ?? "–"} → ${degrees(off)} ${degree()}`;
}

function detailPairs(cycle) {
  const temperature = (value) => (value === null ? null : `${degrees(value)} ${degree()}`);
  const reset = temperature(cycle.case_reset_c);
  return [
    ["Start", cycle.on_seen ? STARTS[cycle.start] : "current was already there"],
    ["Running", cycle.run_a === null ? null : `${amps(cycle.run_a)} A`],
    ["At the end", cycle.end_a === null ? null : `${amps(cycle.end_a)} A`],
    ["Case, highest", temperature(cycle.case_max_c)],
    ["Case when on again", reset === null ? null : `${reset}${cycle.reset_exact ? ", the reclosing itself" : ", or hotter when it reclosed"}`],
    ["Disc, by the model", temperature(cycle.disc_c)],
    ["I²t", cycle.i2t_a2s === null ? null : `${cycle.i2t_a2s.toFixed(0)} A²s`],
    ["Samples that came", `${(cycle.valid * 100).toFixed(1)} %`],
    ["This row", cycle.final ? "final" : "may still change"],
  ];
}
