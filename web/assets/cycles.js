// Every time the compressor was on: sorted, filtered and paged by the recorder, each row with what is known of it.

import { ask } from "./api.js";
import { day, length, offsetVaries, offsetWord, timeOfDay } from "./clock.js";
import { CycleDetail } from "./cycle.js";
import { el, keepingFocus, refill } from "./dom.js";
import { amps, degree, degrees, scaleName } from "./figures.js";
import { Files } from "./files.js";
import { CAUSES, ENDS, STARTS } from "./words.js";

/** Rows of a page: fewer on a phone, where a row is a small card. */
const PAGE_ROWS = matchMedia("(max-width: 620px)").matches ? 10 : 25;

/** Columns: the word, and what the recorder sorts them by. */
const COLUMNS = [
  ["On at", "on_at"], ["Was on", "on_s"], ["Then off", "off_s"], ["Start", "start"], ["Ended by", "ended_by"], ["Cause", "cause"],
  ["Peak", "peak_a"], ["Running", "run_a"], ["At the end", "end_a"], ["Case", "case_off_c"], ["", null],
];
const FILTERS = [
  { name: "start", word: "Start", values: STARTS },
  { name: "ended_by", word: "Ended by", values: { ...ENDS, none: "not yet ended" } },
  { name: "cause", word: "Cause", values: CAUSES },
];
const LARGEST_FIRST = "desc";

/** A table that keeps its order, its filters and its open rows over a refresh. */
export class CycleTable {
  /** `chart` shows a cycle, or lays its start or trip over others. */
  constructor(root, chart) {
    this.chart = chart;
    this.unfolded = new Map();
    this.asked = { sort: "on_at", order: LARGEST_FIRST, skip: 0 };
    this.body = el("div", { class: "table-box", "aria-live": "off" });
    this.pager = el("nav", { class: "pager", "aria-label": "Pages of the table" });
    this.controls = el("div", { class: "filters", role: "group", "aria-label": "Order and filters of the table" }, this.selects());
    this.files = new Files("These rows, with all their columns, as a file:", ["cycles"]);
    this.before = new Files("What they were said to be before:", ["revisions"]);
    root.replaceChildren(this.controls, this.body, this.pager, this.files.root, this.before.root);
  }

  selects() {
    const choice = (name, word, options, act) => el("label", {}, el("span", {}, word),
      el("select", { name, onchange: (event) => act(event.target.value) },
        options.map(([value, text]) => el("option", { value, selected: this.asked[name] === value }, text))));
    const filters = FILTERS.map(({ name, word, values }) => choice(name, word, [["", "any"], ...Object.entries(values)],
      (value) => this.change({ [name]: value === "" ? undefined : value })));
    const sorts = COLUMNS.filter(([, sort]) => sort !== null).map(([word, sort]) => [sort, word]);
    return [...filters,
      choice("sort", "Sorted by", sorts, (sort) => this.change({ sort })),
      choice("order", "Order", [["desc", "newest or largest first"], ["asc", "oldest or smallest first"]], (order) => this.change({ order }))];
  }

  /** Another compressor or stretch; the same again only brings what is new. */
  show(unit, range) {
    if (this.unit !== unit) {
      this.asked.skip = 0;
      this.unfolded.clear();
    }
    this.unit = unit;
    this.range = range;
    return this.load();
  }

  change(by) {
    this.asked = { ...this.asked, skip: 0, ...by };
    for (const name of ["sort", "order"]) this.controls.querySelector(`[name=${name}]`).value = this.asked[name];
    this.load().catch((error) => console.info("the table was not answered:", error.message));
  }

  /** By a column; the same again turns the order. */
  sortBy(sort) {
    const turned = this.asked.order === LARGEST_FIRST ? "asc" : LARGEST_FIRST;
    this.change({ sort, order: this.asked.sort === sort ? turned : LARGEST_FIRST });
  }

  async load() {
    const asked = this.asked;
    const { name: unit } = this.unit;
    this.files.show({ unit, ...this.range, ...Object.fromEntries(FILTERS.map(({ name }) => [name, asked[name]])) });
    this.before.show({ unit, ...this.range });
    const { total, cycles } = await ask("/api/v1/cycles", { unit, ...this.range, ...asked, limit: PAGE_ROWS });
    if (asked !== this.asked || unit !== this.unit.name) return;
    if (cycles.length === 0 && total > 0) {
      this.change({ skip: 0 });
      return;
    }
    this.draw(total, cycles);
  }

  draw(total, cycles) {
    const drawn = JSON.stringify([this.unit.name, total, cycles, this.asked, offsetVaries(), scaleName()]);
    if (drawn === this.drawn) return;
    this.drawn = drawn;
    const empty = this.isFiltered() ? "No cycle of this stretch fits these filters." : "No current has been seen yet.";
    keepingFocus(this.body, () => this.body.replaceChildren(cycles.length === 0 ? el("p", { class: "empty" }, empty) : this.table(cycles)));
    this.drawPager(total, cycles.length);
  }

  isFiltered() {
    return FILTERS.some(({ name }) => this.asked[name] !== undefined);
  }

  drawPager(total, count) {
    const { skip } = this.asked;
    const turn = (key, word, to, can) => el("button", { type: "button", "data-key": key, disabled: !can, onclick: () => this.change({ skip: to }) }, word);
    const words = total === 0 ? "" : `${skip + 1} to ${skip + count} of ${total}`;
    refill(this.pager, el("span", { class: "pager-words" }, words), ...(total > PAGE_ROWS ? [
      turn("page-before", "Page before", Math.max(0, skip - PAGE_ROWS), skip > 0),
      turn("page-next", "Next page", skip + PAGE_ROWS, skip + count < total),
    ] : []));
  }

  table(cycles) {
    const head = el("tr", { role: "row" }, COLUMNS.map((column) => this.heading(column)));
    const body = el("tbody", { role: "rowgroup" });
    let last = null;
    for (const cycle of cycles) {
      const date = day(cycle.on_at_us);
      if (date !== last && this.asked.sort === "on_at") body.append(dayRow(date));
      last = date;
      body.append(...this.rows(cycle));
    }
    return el("table", { role: "table", class: "cycles" }, el("thead", { role: "rowgroup" }, head), body);
  }

  heading([word, sort]) {
    if (sort === null) return el("th", { role: "columnheader", scope: "col" }, el("span", { class: "unseen" }, "Detail"));
    const isIt = this.asked.sort === sort;
    const way = this.asked.order === LARGEST_FIRST ? "descending" : "ascending";
    const arrow = isIt ? (way === "descending" ? " ↓" : " ↑") : "";
    return el("th", { role: "columnheader", scope: "col", "aria-sort": isIt ? way : null },
      el("button", { type: "button", class: "sort", "data-key": `sort-${sort}`, onclick: () => this.sortBy(sort) }, `${word}${arrow}`));
  }

  rows(cycle) {
    const key = String(cycle.on_at_us);
    const id = `basis-${key}`;
    const cell = el("td", { role: "cell", colspan: COLUMNS.length });
    const detail = el("tr", { role: "row", class: "detail", id, hidden: true }, cell);
    const button = el("button", { type: "button", class: "why", "aria-expanded": "false", "aria-controls": id, "data-key": key,
      "aria-label": `Why, for ${timeOfDay(cycle.on_at_us)}`, onclick: () => this.toggle(cycle, button, detail) }, "Why");
    const end = cycle.ended_by ?? "none";
    const isElsewhere = this.asked.sort !== "on_at";
    const row = el("tr", { role: "row", class: "cycle", "data-end": end }, cells(cycle, isElsewhere), el("td", { role: "cell", class: "c-why" }, button));
    if (this.unfolded.has(key)) this.unfold(cycle, button, detail);
    return [row, detail];
  }

  toggle(cycle, button, detail) {
    if (detail.hidden) {
      this.unfold(cycle, button, detail);
      return;
    }
    this.unfolded.delete(String(cycle.on_at_us));
    detail.hidden = true;
    button.setAttribute("aria-expanded", "false");
  }

  unfold(cycle, button, detail) {
    const key = String(cycle.on_at_us);
    const known = this.unfolded.get(key) ?? new CycleDetail(this.unit, this.chart);
    this.unfolded.set(key, known);
    detail.hidden = false;
    button.setAttribute("aria-expanded", "true");
    detail.firstChild.replaceChildren(known.root);
    known.show(cycle);
  }
}

const dayRow = (date) => el("tr", { role: "row", class: "day" }, el("th", { role: "rowheader", colspan: COLUMNS.length }, date));

function cells(cycle, withDay) {
  const cell = (name, label, ...content) => el("td", { role: "cell", class: `c-${name}`, "data-label": label }, ...content);
  const ampere = (value, none) => (value === null ? el("span", { class: "none" }, none) : `${amps(value)} A`);
  return [
    cell("on", "", el("time", {}, timeOfDay(cycle.on_at_us)), withDay && el("span", { class: "none" }, ` ${day(cycle.on_at_us)}`),
      offsetVaries() && el("span", { class: "none" }, ` ${offsetWord(cycle.on_at_us)}`),
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
