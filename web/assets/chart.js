// The chart of a stretch: asks the recorder for the range in view, draws it, and reads values off it.

import { ask } from "./api.js";
import { length, moment, offsetWord, recordNowUs, timeOfDay } from "./clock.js";
import { el, onTheme, setText, sized, theme } from "./dom.js";
import { rangeWord, roleWord } from "./figures.js";
import { listen } from "./gestures.js";
import { chartHeight, layout, panelsFor, plot } from "./plot.js";
import { MARKS, MARK_COLOURS, markShape } from "./shapes.js";
import { EVENTS } from "./words.js";

const SPAN_LEAST_US = 5e6;
const POINTS_MOST = 2000;
const NARROW_PX = 560;
const ASK_DELAY_MS = 90;
/** Samples further apart than this many periods have a gap between them. */
const GAP_PERIODS = 3;
/** What is shown to either side of a trip that is jumped to, µs. */
const AROUND_TRIP_US = 6 * 60 * 1e6;

export class Chart {
  constructor(root) {
    this.root = root;
    this.rows = { events: [], cycles: [] };
    this.series = null;
    this.cursor = null;
    this.asked = null;
    this.build();
    onTheme(() => this.draw());
    new ResizeObserver(() => this.resize()).observe(this.stack);
  }

  build() {
    const hint = "chart-hint";
    this.base = el("canvas", { class: "chart-base", "aria-hidden": "true" });
    this.over = el("canvas", { class: "chart-over", tabindex: "0", role: "application", "aria-roledescription": "chart", "aria-describedby": hint });
    this.stack = el("div", { class: "chart-stack" }, this.base, this.over);
    this.range = el("p", { class: "chart-range" });
    this.readout = el("p", { class: "readout", "aria-live": "off" });
    this.legend = el("ul", { class: "legend", "aria-label": "What the shapes mean" });
    const button = (word, label, act) => el("button", { type: "button", "aria-label": label, onclick: act }, word);
    this.tools = el("div", { class: "tools", role: "group", "aria-label": "Move about the chart" },
      button("Whole", "Show the whole stretch", () => this.whole_()),
      button("+", "Closer", () => this.zoom(null, 0.5, 0)), button("−", "Wider", () => this.zoom(null, 2, 0)),
      button("←", "Earlier", () => this.move(-0.4)), button("→", "Later", () => this.move(0.4)),
      button("← trip", "Trip before", () => this.jump(-1)), button("trip →", "Next trip", () => this.jump(1)));
    this.root.replaceChildren(
      el("div", { class: "chart-head" }, this.range, this.tools), this.readout, this.stack, this.legend,
      el("figcaption", { id: hint, class: "fine" }, "Drag across to look closer, two fingers or + and − to zoom, ← and → to read, Escape or a double tap for the whole. The table below holds the same in figures."));
    listen(this.over, {
      read: (x) => this.read(x), unread: () => this.unread(), picking: (a, b) => this.drawOver([a, b]), pick: (a, b) => this.pick(a, b),
      zoom: (x, factor, shift) => this.zoom(x, factor, shift), move: (share) => this.move(share), step: (n) => this.step(n), whole: () => this.whole_(),
    });
  }

  /** Another compressor or another stretch. `context` has unit, periodMs(), isSilent(). */
  show(context, whole) {
    const follows = !this.view || this.context?.unit !== context.unit || this.isWhole() || this.periodChanged(whole);
    this.context = context;
    this.whole = whole;
    if (follows) this.view = { ...whole };
    this.over.setAttribute("aria-label", `Readings of ${context.unit.name}`);
    this.resize();
    return this.load();
  }

  setRows(events, cycles) {
    this.rows = { events, cycles };
    this.drawLegend();
    this.draw();
  }

  isWhole() {
    return this.view.from <= this.whole.from && this.view.to >= this.whole.to;
  }

  periodChanged(whole) {
    return this.whole && Math.abs(whole.from - this.whole.from) > 3600e6;
  }

  // Moving about.

  whole_() {
    this.look(this.whole);
  }

  look({ from, to }) {
    const most = this.whole.to - this.whole.from;
    const span = Math.min(Math.max(to - from, Math.min(SPAN_LEAST_US, most)), most);
    const start = Math.min(Math.max((from + to - span) / 2, this.whole.from), this.whole.to - span);
    this.view = { from: Math.round(start), to: Math.round(start + span) };
    this.unread();
    this.draw();
    this.loadSoon();
  }

  zoom(x, factor, shiftPx) {
    const about = x === null ? (this.cursor ?? (this.view.from + this.view.to) / 2) : this.place.x.invert(x);
    const shift = shiftPx * ((this.view.to - this.view.from) / (this.place.right - this.place.left));
    this.look({ from: about + (this.view.from - about) * factor + shift, to: about + (this.view.to - about) * factor + shift });
  }

  move(share) {
    const by = share * (this.view.to - this.view.from);
    this.look({ from: this.view.from + by, to: this.view.to + by });
  }

  pick(a, b) {
    const [from, to] = [Math.min(a, b), Math.max(a, b)].map((x) => this.place.x.invert(x));
    this.look({ from, to });
  }

  /** To the next trip (1) or the one before (-1), seen from what is shown. */
  jump(direction) {
    const middle = (this.view.from + this.view.to) / 2;
    const trips = this.rows.events.filter(({ kind }) => kind === "trip").map(({ time_us: at }) => at).sort((a, b) => a - b);
    const next = direction > 0 ? trips.find((at) => this.isWhole() || at > middle + 1e6) : trips.findLast((at) => this.isWhole() || at < middle - 1e6);
    if (next !== undefined) this.look({ from: next - AROUND_TRIP_US, to: next + AROUND_TRIP_US });
  }

  /** Shows an on-period with something on either side. */
  showCycle({ on_at_us: on, off_at_us: off }) {
    const end = off ?? on + 6e7;
    const margin = Math.max(3e7, (end - on) * 0.5);
    this.look({ from: on - margin, to: end + margin });
    this.over.scrollIntoView({ block: "center" });
    this.over.focus({ preventScroll: true });
  }

  // Asking.

  loadSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.load().catch(() => {}), ASK_DELAY_MS);
  }

  async load() {
    this.asked?.abort();
    this.asked = new AbortController();
    const { from, to } = this.view;
    const points = Math.min(POINTS_MOST, Math.max(200, Math.round(this.stack.clientWidth)));
    const unit = this.context.unit.name;
    const parameters = { unit, from: Math.round(from), to: Math.round(to) + 1, points };
    const { series } = await ask("/api/v1/series", parameters, this.asked.signal).catch((error) => {
      if (error.name === "AbortError") return { series: null };
      throw error;
    });
    if (series === null) return;
    this.series = series;
    this.draw();
  }

  // Drawing.

  resize() {
    if (!this.context) return;
    const panels = panelsFor(this.context.unit.roles);
    this.stack.style.height = `${chartHeight(panels, this.stack.clientWidth < NARROW_PX)}px`;
    this.draw();
  }

  draw() {
    if (!this.context || this.stack.clientWidth === 0) return;
    const { context, width, height } = sized(this.base);
    this.place = layout(width, height, panelsFor(this.context.unit.roles), this.view);
    this.runs = this.series ? this.runsOf(this.series) : [];
    plot(context, this.place, {
      view: this.view,
      end: Math.min(recordNowUs(), this.whole.to),
      runs: this.runs,
      gaps: this.gaps(),
      channels: this.series?.channels ?? [],
      lines: this.lines(),
      ...this.rows,
    }, theme());
    setText(this.range, `${moment(this.view.from)} to ${moment(this.view.to)}, ${length((this.view.to - this.view.from) / 1e6)}, ${offsetWord(this.view.to)}`);
    this.drawOver(null);
  }

  runsOf(series) {
    const most = (GAP_PERIODS + 0.5) * this.context.periodMs() * 1000;
    const runs = [];
    series.first_us.forEach((first, n) => {
      const bucket = { n, first, last: series.last_us[n] };
      const run = runs.at(-1);
      if (!run || first - run.at(-1).last > most) runs.push([bucket]);
      else run.push(bucket);
    });
    return runs;
  }

  /** Gaps as the readings show them, those the events tell of, and the one that lasts. */
  gaps() {
    const found = this.runs.slice(1).map((run, n) => ({ from: this.runs[n].at(-1).last, to: run[0].first }));
    let begun = null;
    for (const { kind, time_us: at } of [...this.rows.events].sort((a, b) => a.time_us - b.time_us)) {
      if (kind === "gap-begin") begun = at;
      if (kind === "gap-end" && begun !== null) {
        if (!found.some(({ from, to }) => from < at && to > begun)) found.push({ from: begun, to: at });
        begun = null;
      }
    }
    const last = this.runs.at(-1)?.at(-1)?.last;
    if (this.context.isSilent() && last !== undefined && this.view.to >= this.whole.to) found.push({ from: last, to: this.view.to });
    return found;
  }

  lines() {
    const { rated_load_a: rated, locked_rotor_a: locked, opens_c: opens, closes_c: closes } = this.context.unit;
    return [
      { panel: "current", value: rated, word: "rated load", always: true },
      { panel: "current", value: locked, word: "locked rotor" },
      { panel: "temperature", value: opens, word: "opens", always: true },
      { panel: "temperature", value: closes, word: "closes" },
    ].filter(({ value }) => value !== null);
  }

  drawLegend() {
    const kinds = Object.keys(EVENTS).filter((kind) => MARKS[kind] && this.rows.events.some((event) => event.kind === kind));
    const item = (kind) => {
      const shape = markShape(kind, 14);
      shape.setAttribute("data-colour", MARK_COLOURS[kind] ?? "quiet");
      return el("li", {}, shape, EVENTS[kind].word);
    };
    this.legend.replaceChildren(...kinds.map(item),
      el("li", {}, el("span", { class: "key key-on" }), "on"),
      el("li", {}, el("span", { class: "key key-open" }), "off, protector open"),
      el("li", {}, el("span", { class: "key key-gap" }), "no samples"));
  }

  // Reading.

  read(x) {
    if (!this.place) return;
    this.cursor = Math.min(Math.max(this.place.x.invert(x), this.view.from), this.view.to);
    this.readout.setAttribute("aria-live", "off");
    this.drawOver(null);
  }

  unread() {
    this.cursor = null;
    if (this.place) this.drawOver(null);
  }

  /** By keys, from one bucket to the next. */
  step(n) {
    const buckets = this.runs.flat();
    if (buckets.length === 0) return;
    const at = this.cursor === null ? Math.floor(buckets.length / 2) : nearest(buckets, this.cursor) + n;
    const bucket = buckets[Math.min(Math.max(at, 0), buckets.length - 1)];
    this.cursor = (bucket.first + bucket.last) / 2;
    this.readout.setAttribute("aria-live", "polite");
    this.drawOver(null);
  }

  drawOver(picked) {
    const { context, height } = sized(this.over);
    const colours = theme();
    if (picked) {
      context.fillStyle = colours.pick;
      context.fillRect(Math.min(...picked), 0, Math.abs(picked[1] - picked[0]), height);
    }
    if (this.cursor !== null && !picked) {
      context.fillStyle = colours.ink;
      context.fillRect(Math.round(this.place.x(this.cursor)), 20, 1, this.place.bottom - 20);
    }
    this.write();
  }

  write() {
    if (this.cursor === null) {
      this.readout.replaceChildren(el("span", { class: "none" }, "Point at the chart, or touch it, to read values."));
      return;
    }
    const bucket = this.runs.flat().find(({ first, last }) => this.cursor >= first && this.cursor <= last) ?? this.close();
    const time = el("strong", {}, timeOfDay(bucket ? bucket.first : this.cursor, { decimals: this.view.to - this.view.from < 6e7 ? 1 : 0 }));
    if (!bucket) {
      this.readout.replaceChildren(time, el("span", {}, "no samples"));
      return;
    }
    const value = ({ role, low, high }) => el("span", { "data-colour": role }, `${roleWord(role)} ${rangeWord(role, low[bucket.n], high[bucket.n])}`);
    const lasts = (bucket.last - bucket.first) / 1e6;
    this.readout.replaceChildren(time, lasts < 1 ? "" : el("span", { class: "none" }, `and ${length(lasts)} on`), ...this.series.channels.map(value));
  }

  /** The bucket next to the cursor, if it is within what a pixel or a period spans. */
  close() {
    const buckets = this.runs.flat();
    const bucket = buckets[nearest(buckets, this.cursor)];
    if (!bucket) return undefined;
    const away = Math.min(Math.abs(bucket.first - this.cursor), Math.abs(bucket.last - this.cursor));
    const pixel = (this.view.to - this.view.from) / (this.place.right - this.place.left);
    return away <= Math.max(2 * pixel, this.context.periodMs() * 2000) ? bucket : undefined;
  }
}

function nearest(buckets, at) {
  let best = 0;
  buckets.forEach(({ first, last }, n) => {
    if (Math.abs((first + last) / 2 - at) < Math.abs((buckets[best].first + buckets[best].last) / 2 - at)) best = n;
  });
  return best;
}
