// The chart of one compressor, from the whole record to a tenth of a second: asks the recorder for what is in view, draws
// it, and reads values off it. Everything that moves does so because somebody moved it: nothing is animated.

import { ask } from "./api.js";
import { Comparison } from "./compare.js";
import { atClock, length, moment, offsetWord, recordNowUs } from "./clock.js";
import { el, onTheme, setText, sized, theme } from "./dom.js";
import { rangeWord, roleWord } from "./figures.js";
import { Files } from "./files.js";
import { listen } from "./gestures.js";
import { Address, LAID_MOST, readLink } from "./link.js";
import { Moved } from "./moved.js";
import { chartHeight, layout, panelsFor, plot } from "./plot.js";
import { linear } from "./scale.js";
import { MARKS, MARK_COLOURS, markShape } from "./shapes.js";
import { Tiles } from "./tiles.js";
import { CAUSES, EVENTS } from "./words.js";

const SPAN_LEAST_US = 1e5;
const NARROW_PX = 560;
const ASK_DELAY_MS = 90;
/** A mark takes so many pixels: of more the recorder gives the gravest. */
const MARK_PX = 15;
/** Samples further apart than this many periods have a gap between them. */
const GAP_PERIODS = 3.5;
/** What is shown to either side of a trip that is jumped to, µs. */
const AROUND_TRIP_US = 6 * 60 * 1e6;
/** An event this near to the pointer is told with the values. */
const NEAR_PX = 8;
/** A picture after which the next one comes later than this is not drawn anew each time somebody moves, ms ... */
const QUICK_MS = 24;
/** ... but once he has rested for so long, and while he goes on so often, ms. */
const RESTS_MS = 70;
const ANEW_MS = 250;

export class Chart extends Moved {
  /** Below the words of the events. */
  lineFrom = 20;

  constructor(root) {
    super();
    this.root = root;
    this.happened = null;
    this.tiles = new Map();
    this.linked = readLink();
    this.address = new Address((link) => this.goBack(link));
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
      button("← trip", "Trip before", () => this.jump(-1)), button("trip →", "Next trip", () => this.jump(1)),
      button("Lay over", "Lay the start or trip nearest to the pointer over others", () => this.layNearest()));
    this.files = new Files("What is shown, as a file:", ["samples", ["overview", "every eight seconds"], "events", "cycles"]);
    this.comparison = new Comparison(() => this.settle());
    this.root.replaceChildren(
      el("div", { class: "chart-head" }, this.range, this.tools), this.readout, this.stack, this.legend, this.files.root,
      el("figcaption", { id: hint, class: "fine" }, "Drag across to look closer, drag with Shift held to move; wheel, two fingers or + and − to zoom; ← and → read, Page Up and Page Down move, Home and End go to the record’s ends, Escape or a double tap shows the whole, c lays the nearest start or trip over others. The address of this page keeps the view. The table below holds the same in figures."),
      this.comparison.root);
    listen(this.over, {
      read: (x) => this.read(x), unread: () => this.unread(), picking: (a, b) => this.drawOver([a, b]), pick: (a, b) => this.pick(a, b),
      zoom: (x, factor, shift) => this.zoom(x, factor, shift), move: (share) => this.move(share), step: (n) => this.step(n), whole: () => this.whole_(),
      end: (side) => this.toEnd(side), lay: () => this.layNearest(),
    });
  }

  /** Another compressor or another stretch. `context` has unit, record(), periodMs(), isSilent(). */
  show(context, whole) {
    const isOther = this.context?.unit !== context.unit;
    const follows = !this.view || isOther || this.isWhole() || this.periodChanged(whole);
    this.context = context;
    this.whole = whole;
    if (isOther) this.happened = null;
    if (follows) this.view = { ...whole };
    this.openLinked();
    this.over.setAttribute("aria-label", `Readings of ${context.unit.name}`);
    this.comparison.show(context);
    this.resize(true);
    return this.load();
  }

  /** The first time: what the page's address asks for. */
  openLinked() {
    const link = this.linked;
    if (!link || (link.unit !== null && link.unit !== this.context.unit.name)) return;
    this.linked = null;
    if (link.from !== null) this.view = this.within(link);
    this.comparison.lay(link.laid);
  }

  goBack(link) {
    const { name } = this.context.unit;
    if (link?.unit && link.unit !== name) {
      this.linked = link;
      this.onUnit?.(link.unit);
      return;
    }
    this.comparison.lay(link?.laid ?? []);
    this.look(link?.from ? link : this.whole, false);
  }

  settle() {
    const isWhole = this.isWhole();
    const { laid } = this.comparison;
    const unit = isWhole && laid.length === 0 ? null : this.context.unit.name;
    this.address.settle({ unit, from: isWhole ? null : this.view.from, to: isWhole ? null : this.view.to, laid });
  }

  isWhole() {
    return this.view.from === this.whole.from && this.view.to === this.whole.to;
  }

  periodChanged(whole) {
    return this.whole && Math.abs(whole.from - this.whole.from) > 3600e6;
  }

  // Moving about.

  whole_() {
    this.look(this.whole);
  }

  /** A view within the record, no shorter than can be shown. */
  within({ from, to }) {
    const record = this.context.record();
    const most = Math.max(record.to, this.whole.to) - record.from;
    const span = Math.min(Math.max(to - from, Math.min(SPAN_LEAST_US, most)), most);
    const start = Math.min(Math.max((from + to - span) / 2, record.from), Math.max(record.to, this.whole.to) - span);
    return { from: Math.round(start), to: Math.round(start + span) };
  }

  look(range, keeps = true) {
    this.view = range === this.whole ? { ...this.whole } : this.within(range);
    this.root.dataset.whole = "false";
    this.unread();
    this.sayRange();
    this.drawMoved();
    this.loadSoon();
    if (keeps) this.settle();
  }

  /** To the beginning (-1) or the end (1) of the record, as wide as it is. */
  toEnd(side) {
    const span = this.view.to - this.view.from;
    const { from, to } = this.context.record();
    this.look(side < 0 ? { from, to: from + span } : { from: to - span, to });
  }

  /** To the next trip (1) or the one before (-1), seen from what is shown. */
  async jump(direction) {
    const middle = this.middle();
    const record = this.context.record();
    const isWide = this.view.to - this.view.from > 4 * AROUND_TRIP_US;
    const past = isWide ? this.view : null;
    const [from, to] = direction > 0 ? [past?.from ?? middle + 1e6, record.to] : [record.from, past?.to ?? middle - 1e6];
    if (from >= to) return;
    const trips = (await this.events(from, to)).filter(({ kind }) => kind === "trip").map(({ time_us: at }) => at).sort((a, b) => a - b);
    const next = direction > 0 ? trips[0] : trips.at(-1);
    if (next !== undefined) this.look({ from: next - AROUND_TRIP_US, to: next + AROUND_TRIP_US });
  }

  /** The gravest events of a stretch. */
  async events(from, to) {
    const { happened } = await ask("/api/v1/happened", { unit: this.context.unit.name, from: Math.round(from), to: Math.round(to), points: 1, limit: 2000 });
    return happened.events;
  }

  /** Shows an on-period with something on either side. */
  showCycle({ on_at_us: on, off_at_us: off }) {
    const end = off ?? on + 6e7;
    const margin = Math.max(3e7, (end - on) * 0.5);
    this.showRange({ from: on - margin, to: end + margin });
  }

  /** Shows a stretch, brings the chart into sight and puts the focus on it. */
  showRange(range) {
    this.look(range);
    this.over.scrollIntoView({ block: "center" });
    this.over.focus({ preventScroll: true });
  }

  /** Lays a start or a trip at `at` (µs) over those that are laid already. */
  lay(kind, at) {
    this.comparison.add({ kind, at });
    this.comparison.root.scrollIntoView({ block: "nearest" });
  }

  async layNearest() {
    const middle = this.cursor ?? this.middle();
    const span = this.view.to - this.view.from;
    const near = (await this.events(middle - span, middle + span)).filter(({ kind }) => kind === "start" || kind === "trip");
    const away = ({ time_us: at }) => Math.abs(at - middle);
    const nearest = near.sort((a, b) => away(a) - away(b))[0];
    if (nearest) this.lay(nearest.kind, nearest.time_us);
    else this.comparison.say(`No start or trip is near. Move the pointer to one; up to ${LAID_MOST} can be laid over each other.`);
  }

  // Asking.

  loadSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.load().catch(() => {}), ASK_DELAY_MS);
  }

  /** What happened in the view. The readings come by tiles. */
  async load() {
    this.asked?.abort();
    this.asked = new AbortController();
    const { from, to } = this.view;
    this.files.show({ unit: this.context.unit.name, from, to: to + 1 }, this.context.periodMs());
    const width = Math.max(200, this.stack.clientWidth);
    const parameters = { unit: this.context.unit.name, from, to: to + 1, points: Math.min(2000, Math.round(width)), limit: Math.round(width / MARK_PX) };
    try {
      const { happened } = await ask("/api/v1/happened", parameters, this.asked.signal);
      this.happened = happened;
      this.drawLegend();
      this.drawSoon();
    } catch (error) {
      if (error.name !== "AbortError") throw error;
    }
  }

  tilesOf(unit) {
    if (!this.tiles.has(unit)) this.tiles.set(unit, new Tiles(unit.name, () => this.context.record().last, () => this.drawSoon()));
    return this.tiles.get(unit);
  }

  // Drawing.

  resize(fresh = false) {
    if (!this.context) return;
    const panels = panelsFor(this.context.unit.roles);
    this.stack.style.height = `${chartHeight(panels, this.stack.clientWidth < NARROW_PX)}px`;
    this.draw(fresh);
  }

  /** Somebody has moved: the picture is drawn anew if that is quick; else the last one is stretched until he rests. */
  drawMoved() {
    const isDue = performance.now() - (this.drawnAt ?? -Infinity) > ANEW_MS;
    if (isDue || !this.kept || this.pictureMs < QUICK_MS) {
      this.drawSoon();
      return;
    }
    clearTimeout(this.rests);
    this.rests = setTimeout(() => this.drawSoon(), RESTS_MS);
    this.stretching ??= requestAnimationFrame(() => {
      this.stretching = undefined;
      if (this.picture === undefined) this.stretch();
    });
  }

  /** The last picture, as far as it reaches into the view; what stands beside the readings stays. */
  stretch() {
    this.place = { ...this.place, x: linear(this.view.from, this.view.to, this.place.left, this.place.right) };
    this.tilesOf(this.context.unit).want(this.view, this.place.right - this.place.left);
    const { canvas, place, view } = this.kept;
    const { context, width, height } = sized(this.base);
    const ratio = canvas.width / width;
    const part = (left, right, to, end) => right > left && end > to && context.drawImage(canvas, left * ratio, 0, (right - left) * ratio, canvas.height, to, 0, end - to, height);
    part(0, place.left, 0, place.left);
    part(place.right, width, place.right, width);
    const [from, to] = [Math.max(view.from, this.view.from), Math.min(view.to, this.view.to)];
    if (from < to) part(place.x(from), place.x(to), this.place.x(from), this.place.x(to));
    this.drawOver(null);
  }

  /** Keeps the picture that was `began`, and sees how long it keeps the next one waiting. */
  keep(began) {
    this.drawnAt = performance.now();
    this.kept ??= { canvas: el("canvas") };
    const { canvas } = this.kept;
    Object.assign(this.kept, { place: this.place, view: { ...this.view } });
    [canvas.width, canvas.height] = [this.base.width, this.base.height];
    canvas.getContext("2d").drawImage(this.base, 0, 0);
    requestAnimationFrame(() => { this.pictureMs = performance.now() - began; });
  }

  draw(fresh = false) {
    if (!this.context || this.stack.clientWidth === 0) return;
    const began = performance.now();
    clearTimeout(this.rests);
    const { context, width, height } = sized(this.base);
    this.place = layout(width, height, panelsFor(this.context.unit.roles), this.view);
    const tiles = this.tilesOf(this.context.unit);
    this.data = tiles.look(this.view, this.place.right - this.place.left, fresh);
    this.runs = this.runsOf(this.data);
    plot(context, this.place, {
      view: this.view,
      end: Math.min(recordNowUs(), Math.max(this.whole.to, this.context.record().to)),
      runs: this.runs,
      gaps: this.gaps(),
      holes: this.data.holes,
      channels: [...this.data.channels.values()],
      lines: this.lines(),
      happened: this.happened,
    }, theme());
    this.keep(began);
    this.root.dataset.whole = String(tiles.isWhole());
    this.sayRange();
    this.drawOver(null);
  }

  sayRange() {
    const { from, to } = this.view;
    const options = { seconds: to - from < 3.6e9, decimals: to - from < 6e7 ? 1 : 0 };
    setText(this.range, `${moment(from, options)} to ${moment(to, options)}, ${length((to - from) / 1e6, { exact: true })}, ${offsetWord(to)}`);
  }

  runsOf({ first: firsts, last: lasts, holes }) {
    const most = GAP_PERIODS * this.context.periodMs() * 1000;
    const runs = [];
    firsts.forEach((first, n) => {
      const bucket = { n, first, last: lasts[n] };
      const run = runs.at(-1);
      const before = run?.at(-1).last;
      // Of a hole nothing is known: no line goes across it, and it is no gap either.
      const isHole = run && holes.some(([from, to]) => before < to && first > from);
      if (!run || isHole || first - before > most) runs.push([bucket]);
      else run.push(bucket);
      if (isHole) runs.at(-1).afterHole = true;
    });
    return runs;
  }

  /** Gaps as the readings show them, those the events tell of, and the one that lasts. */
  gaps() {
    const found = this.runs.slice(1).map((run, n) => ({ from: this.runs[n].at(-1).last, to: run[0].first, afterHole: run.afterHole })).filter(({ afterHole }) => !afterHole);
    for (const [from, to] of this.happened?.gaps ?? []) {
      if (to !== null && !found.some((gap) => gap.from < to && gap.to > from)) found.push({ from, to });
    }
    const { last } = this.context.record();
    if (this.context.isSilent() && this.view.to > last) found.push({ from: last, to: this.view.to });
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
    const { events, shares } = this.happened;
    const kinds = Object.keys(EVENTS).filter((kind) => MARKS[kind] && events.some((event) => event.kind === kind));
    const key = JSON.stringify([kinds, shares !== null]);
    if (key === this.legended) return;
    this.legended = key;
    const item = (kind) => {
      const shape = markShape(kind, 14);
      shape.setAttribute("data-colour", MARK_COLOURS[kind] ?? "quiet");
      return el("li", {}, shape, EVENTS[kind].word);
    };
    this.legend.replaceChildren(...kinds.map(item),
      el("li", {}, el("span", { class: "key key-on" }), shares === null ? "on" : "on: as high as its share of the time"),
      el("li", {}, el("span", { class: "key key-open" }), "off, protector open"),
      el("li", {}, el("span", { class: "key key-gap" }), "no samples"));
  }

  // Reading.

  /** By keys, from one bucket to the next. */
  step(n) {
    const buckets = this.runs.flat();
    if (buckets.length === 0) return;
    const at = this.cursor === null ? Math.floor(buckets.length / 2) : nearest(buckets, this.cursor) + n;
    const bucket = buckets[Math.min(Math.max(at, 0), buckets.length - 1)];
    this.readAt((bucket.first + bucket.last) / 2, "polite");
  }

  write() {
    if (this.cursor === null) {
      this.readout.replaceChildren(el("span", { class: "none" }, "Point at the chart, or touch it, to read values."));
      return;
    }
    const bucket = this.runs.flat().find(({ first, last }) => this.cursor >= first && this.cursor <= last) ?? this.close();
    const time = el("strong", {}, atClock(bucket ? bucket.first : this.cursor, { decimals: this.view.to - this.view.from < 6e7 ? 1 : 0 }));
    const event = this.eventWords();
    if (!bucket) {
      this.readout.replaceChildren(time, el("span", {}, "no samples"), event);
      return;
    }
    const value = ({ role, low, high }) => el("span", { "data-colour": role }, `${roleWord(role)} ${rangeWord(role, low[bucket.n], high[bucket.n])}`);
    const lasts = (bucket.last - bucket.first) / 1e6;
    this.readout.replaceChildren(time, lasts < 1 ? "" : el("span", { class: "none" }, `and ${length(lasts)} on`), ...[...this.data.channels.values()].map(value), event);
  }

  /** The event next to the pointer, in words. */
  eventWords() {
    const x = this.place.x(this.cursor);
    const away = ({ time_us: at }) => Math.abs(this.place.x(at) - x);
    const event = (this.happened?.events ?? []).filter((one) => away(one) <= NEAR_PX).sort((a, b) => away(a) - away(b))[0];
    if (!event || !EVENTS[event.kind]) return "";
    const cause = event.cause === null ? "" : ` (${CAUSES[event.cause]})`;
    const others = event.others > 0 ? `, and ${event.others} more here` : "";
    return el("span", { class: "event-words" }, `${EVENTS[event.kind].word}${cause} at ${atClock(event.time_us)}${others}`);
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
