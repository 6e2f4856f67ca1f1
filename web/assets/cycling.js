// How it cycled: on- and off-times, starts in every rolling hour, and the terms of the job, pair by pair.

import { atClock, length, moment, timeOfDay } from "./clock.js";
import { el, refill, svg } from "./dom.js";
import { Files } from "./files.js";

const BAR = { width: 26, gap: 6, height: 84, head: 16, foot: 18 };
const CURVE = { width: 640, height: 170, left: 30, right: 8, top: 14, bottom: 22 };
/** On a phone it is drawn for its width: shrunk, nobody could read it. */
const PHONE_CURVE = { ...CURVE, width: 360, height: 190 };
const onPhone = matchMedia("(max-width: 620px)");
const HOUR_US = 3600e6;
/** Pairs that break a term and are linked, at most. */
const PAIRS_SHOWN = 6;

const TERMS = {
  "starts-per-hour": { words: (limit) => `At most ${limit} starts in any hour`, pair: (n) => `${n} starts` },
  "least-off": { words: (limit) => `Off for at least ${length(limit)}`, pair: (s) => `off ${length(s, { exact: true })}` },
  "least-run": { words: (limit) => `On for at least ${length(limit)}`, pair: (s) => `on ${length(s, { exact: true })}` },
  equalised: { words: (limit) => `Off for at least ${length(limit)}, so that pressures can equalise`, pair: (s) => `off ${length(s, { exact: true })}` },
};
const WHOSE = { all: "all", control: "by its control", protector: "after the protector", supply: "after the supply failed", unknown: "after an end not known" };

export class CyclingView {
  /** `onShow` gets a stretch to be shown in the chart. */
  constructor(root, onShow) {
    this.root = root;
    this.onShow = onShow;
    this.drawn = "";
    this.files = new Files("How it cycled, as a file:", [["times", "on- and off-times"], ["starts", "starts in the hour before"], "terms"]);
  }

  show(unit, cycling) {
    const { from_us: from, to_us: to, ...rest } = cycling;
    this.files.show({ unit, from, to: to + 1 });
    const drawn = JSON.stringify([onPhone.matches, rest, Math.round(from / 6e7), Math.round(to / 6e7)]);
    if (drawn === this.drawn) return;
    this.drawn = drawn;
    const { bin_edges_s: edges, on_times: on, off_times: off } = cycling;
    const bars = (word, times) => times.count > 0 && histogram(word, times, edges);
    refill(this.root,
      el("div", { class: "bars" }, bars("On-times", on), bars("Off, by its control", off.control), bars("Off, the protector open", off.protector),
        bars("Off, the supply failed", off.supply), bars("Off, not known why", off.unknown)),
      this.perHour(cycling), this.terms(cycling.terms), this.files.root);
  }

  perHour(cycling) {
    const { curve, rolling, terms } = cycling;
    if (rolling === null) return "";
    const limit = terms.find(({ kind }) => kind === "starts-per-hour")?.limit ?? null;
    const bounds = rolling.least === rolling.most ? "" : `, between ${rolling.least} and ${rolling.most} with what gaps could hide`;
    const words = `Most starts in one hour: ${rolling.seen}${bounds}, from ${moment(rolling.from_us)}.`;
    const show = el("button", { type: "button", class: "next-place", "data-key": "that-hour", onclick: () => this.onShow({ from: rolling.from_us, to: rolling.from_us + HOUR_US }) }, "show that hour");
    return el("figure", { class: "per-hour" }, el("figcaption", {}, el("h3", {}, "Starts in the hour before"), el("p", {}, words, " ", show),
      el("p", { class: "fine" }, `Line: all starts. Dashed: without those after the protector opened.${limit === null ? " The job gives no limit." : ` Dotted: the job’s limit, ${limit}.`}`)),
    steps(curve, cycling, limit, words));
  }

  terms(terms) {
    if (terms.length === 0) return "";
    return el("section", { class: "terms" }, el("h3", {}, "Against the terms"), el("ul", {}, terms.map((term) => this.term(term))));
  }

  term({ kind, limit, citation, common_practice: isPractice, judged }) {
    const { words } = TERMS[kind];
    const source = isPractice ? " (common practice, no source)" : citation === null ? "" : ` (${citation})`;
    return el("li", {}, el("strong", {}, words(limit)), el("span", { class: "fine" }, source),
      el("ul", {}, judged.filter(({ pairs }) => pairs > 0).map((one) => this.judged(kind, one))));
  }

  judged(kind, { whose, pairs, open, broken, violations }) {
    const verdict = broken > 0 ? `broken ${broken} of ${pairs} times` : open > 0 ? `not seen to be broken in ${pairs}` : `kept in all ${pairs}`;
    const unsure = open > 0 ? `; ${open} more cannot be told, gaps hide them` : "";
    const pair = ([first, second, value]) => el("button", { type: "button", class: "next-place", "data-key": `${kind} ${first}`, onclick: () => this.onShow({ from: first, to: second }) },
      `${atClock(first)}, ${TERMS[kind].pair(value)}`);
    const rest = broken > PAIRS_SHOWN ? el("span", { class: "fine" }, `and ${broken - PAIRS_SHOWN} more`) : null;
    return el("li", { class: broken > 0 ? "broken" : "" }, `${WHOSE[whose]}: ${verdict}${unsure}. `, violations.slice(0, PAIRS_SHOWN).map(pair), rest);
  }
}

const edgeWord = (s) => (s < 60 ? `${s} s` : s < 3600 ? `${s / 60} min` : `${s / 3600} h`);

function histogram(word, { count, quantiles_s: quantiles, bins }, edges) {
  const most = Math.max(...bins, 1);
  const used = bins.map((n) => n > 0);
  const [first, last] = [used.indexOf(true), used.lastIndexOf(true)];
  const shown = bins.slice(first, last + 1);
  const width = Math.max(4, shown.length + 1) * (BAR.width + BAR.gap) + 44;
  const base = BAR.head + BAR.height;
  const bars = shown.flatMap((n, at) => {
    const x = 22 + at * (BAR.width + BAR.gap);
    const tall = (n / most) * BAR.height;
    return [
      svg("rect", { x, y: base - tall, width: BAR.width, height: tall, class: "bar-rect" }),
      n > 0 && svg("text", { x: x + BAR.width / 2, y: base - tall - 4, "text-anchor": "middle" }, String(n)),
      svg("text", { x: x - BAR.gap / 2, y: base + 14, "text-anchor": "middle", class: "edge" }, at % 2 === 0 || shown.length < 3 ? edgeWord(edges[first + at]) : ""),
    ];
  });
  const [shortest, , median, , longest] = quantiles ?? [];
  const words = quantiles === null ? "" : count === 1 ? length(median, { exact: true }) : `half of them under ${length(median, { exact: true })}; ${length(shortest, { exact: true })} to ${length(longest, { exact: true })}`;
  return el("figure", { class: "bar-figure" }, el("figcaption", {}, el("h3", {}, `${word}: ${count}`), el("p", { class: "fine" }, words)),
    svg("svg", { viewBox: `0 0 ${width} ${base + BAR.foot}`, width, height: base + BAR.foot, role: "img", "aria-label": `${word}: ${count}, ${words}` },
      svg("line", { x1: 8, x2: width - 8, y1: base, y2: base, class: "axis" }), bars));
}

function steps({ at_us: at, seen, control }, { from_us: from, to_us: to }, limit, words) {
  const { width, height, left, right, top, bottom } = onPhone.matches ? PHONE_CURVE : CURVE;
  const most = Math.max(...seen, limit ?? 0, 1);
  const x = (us) => left + ((us - from) / Math.max(1, to - from)) * (width - left - right);
  const y = (n) => height - bottom - (n / most) * (height - top - bottom);
  const path = (values) => values.reduce((line, n, i) => `${line}H${x(at[i]).toFixed(1)}V${y(n).toFixed(1)}`, `M${x(from).toFixed(1)} ${y(0)}`) + `H${x(to)}`;
  const levels = [...new Set([0, Math.round(most / 2), most])];
  const times = [0, 1, 2, 3, 4].map((n) => from + (n / 4) * (to - from));
  const anchors = ["start", "middle", "middle", "middle", "end"];
  return svg("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": words, class: "steps" },
    levels.flatMap((n) => [svg("line", { x1: left, x2: width - right, y1: y(n), y2: y(n), class: "axis" }), svg("text", { x: left - 6, y: y(n) + 4, "text-anchor": "end" }, String(n))]),
    times.map((us, n) => svg("text", { x: x(us), y: height - 5, "text-anchor": anchors[n] }, timeOfDay(us, { seconds: false }))),
    limit !== null && svg("path", { d: `M${left} ${y(limit)}H${width - right}`, class: "limit" }),
    svg("path", { d: path(control), class: "of-control" }), svg("path", { d: path(seen), class: "of-all" }));
}
