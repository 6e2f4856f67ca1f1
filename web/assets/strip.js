// The last quarter of an hour of one compressor, live: current as a filled line, the protector's case as a thin one.

import { ask } from "./api.js";
import { atClock, recordNowUs, timeOfDay } from "./clock.js";
import { canvasFont, el, sized, theme } from "./dom.js";
import { amps, degree, degrees } from "./figures.js";
import { linear } from "./scale.js";
import { MARKS, MARK_COLOURS, markShape } from "./shapes.js";
import { CAUSES, EVENTS } from "./words.js";

const SPAN_US = 15 * 60 * 1e6;
const BUCKET_US = 1e6;
const TICK_US = 5 * 60 * 1e6;
/** A stretch without samples longer than this is a gap, µs. Finer gaps are the big chart's affair. */
const GAP_US = 3 * BUCKET_US;
const EVENTS_LIMIT = 200;
/** So many of them stand below it in words, the newest first. */
const WORDED = 3;
/** Marks nearer to each other than this would lie over each other: the graver one is drawn, px. */
const MARK_PX = 15;
const PAD = { left: 8, right: 8, top: 18, bottom: 18 };

export class Strip {
  constructor(unit) {
    this.unit = unit;
    this.buckets = [];
    this.events = [];
    this.canvas = el("canvas", { class: "strip", role: "img", "aria-label": `${unit.name}: current of the last 15 minutes` });
    this.words = el("ul", { class: "strip-words" });
    this.root = el("div", { class: "strip-box" }, this.canvas, this.words);
    new ResizeObserver(() => this.draw()).observe(this.canvas);
  }

  /** Asks for the whole quarter of an hour. Samples that came meanwhile stay. */
  async load() {
    const from = Math.round(recordNowUs() - SPAN_US);
    const { series } = await ask("/api/v1/series", { unit: this.unit.name, from, points: SPAN_US / BUCKET_US });
    const came = this.buckets;
    this.buckets = [];
    const channel = (role) => series.channels.find((candidate) => candidate.role === role);
    const [current, shell] = [channel("current"), channel("case")];
    series.first_us.forEach((at, n) => {
      this.add(at, current?.low[n] ?? null, current?.high[n] ?? null, shell?.high[n] ?? null);
      this.buckets.at(-1).last = series.last_us[n];
    });
    const reached = this.buckets.at(-1)?.last ?? -Infinity;
    came.filter(({ last }) => last > reached).forEach((bucket) => this.buckets.push(bucket));
    this.draw();
  }

  /** What happened in it, as the record has it. */
  async loadEvents() {
    const from = Math.round(recordNowUs() - SPAN_US);
    const { events } = await ask("/api/v1/events", { unit: this.unit.name, from, limit: EVENTS_LIMIT });
    this.events = events.filter(({ kind }) => MARKS[kind]);
    this.drawWords();
    this.draw();
  }

  /** The newest events by shape and word, for whoever does not know the shapes. */
  drawWords() {
    const newest = this.events.slice(0, WORDED);
    const drawn = JSON.stringify(newest.map(({ kind, time_us: at, cause }) => [kind, at, cause]));
    if (drawn === this.worded) return;
    this.worded = drawn;
    const item = ({ kind, time_us: at, cause }) => {
      const shape = markShape(kind, 13);
      shape.setAttribute("data-colour", MARK_COLOURS[kind] ?? "quiet");
      const why = cause === null ? "" : ` (${CAUSES[cause]})`;
      return el("li", {}, shape, `${atClock(at)} ${EVENTS[kind].word}${why}`);
    };
    const rest = this.events.length - newest.length;
    this.words.replaceChildren(...newest.map(item), rest > 0 ? el("li", {}, `${rest} more`) : "");
  }

  /** Takes the samples of a message in. */
  append(tail) {
    const column = (role) => tail.columns[this.unit.roles.indexOf(role)];
    const [current, shell] = [column("current"), column("case")];
    const reached = this.buckets.at(-1)?.last ?? -Infinity;
    tail.times_us.forEach((at, n) => {
      if (at > reached) this.add(at, current?.[n] ?? null, current?.[n] ?? null, shell?.[n] ?? null);
    });
    const oldest = recordNowUs() - SPAN_US - BUCKET_US;
    const keep = this.buckets.findIndex(({ last }) => last >= oldest);
    if (keep > 0) this.buckets.splice(0, keep);
  }

  add(at, low, high, shell) {
    const index = Math.floor(at / BUCKET_US);
    let bucket = this.buckets.at(-1);
    if (bucket?.index !== index) {
      bucket = { index, first: at, last: at, low: null, high: null, shell: null };
      this.buckets.push(bucket);
    }
    bucket.last = at;
    if (low !== null) bucket.low = Math.min(bucket.low ?? low, low);
    if (high !== null) bucket.high = Math.max(bucket.high ?? high, high);
    if (shell !== null) bucket.shell = shell;
  }

  draw() {
    const { context, width, height } = sized(this.canvas);
    if (width === 0) return;
    const colours = theme();
    const now = recordNowUs();
    const x = linear(now - SPAN_US, now, PAD.left, width - PAD.right);
    const runs = this.runs();
    this.drawTicks(context, x, now, height, colours);
    this.drawCurrent(context, x, runs, height, colours);
    this.drawShell(context, x, runs, height, colours);
    this.drawEvents(context, x, now, height, colours);
  }

  /** Each by its shape, the graver before the others, at the foot. */
  drawEvents(context, x, now, height, colours) {
    const taken = [];
    const shown = this.events.filter(({ time_us: at }) => at >= now - SPAN_US && at <= now);
    for (const { kind, time_us: at } of shown.sort((a, b) => EVENTS[a.kind].grave - EVENTS[b.kind].grave)) {
      const middle = x(at);
      if (taken.some((other) => Math.abs(other - middle) < MARK_PX)) continue;
      taken.push(middle);
      context.save();
      context.translate(middle - 6.5, height - PAD.bottom - 15);
      context.scale(0.65, 0.65);
      context.fillStyle = colours[MARK_COLOURS[kind] ?? "quiet"];
      context.strokeStyle = colours.card;
      context.lineWidth = 3;
      const shape = new Path2D(MARKS[kind]);
      context.stroke(shape);
      context.fill(shape, "evenodd");
      context.restore();
    }
  }

  /** Stretches without a gap. */
  runs() {
    const runs = [];
    for (const bucket of this.buckets) {
      const run = runs.at(-1);
      if (!run || bucket.first - run.at(-1).last > GAP_US) runs.push([bucket]);
      else run.push(bucket);
    }
    return runs;
  }

  drawTicks(context, x, now, height, colours) {
    context.strokeStyle = colours.rule;
    context.fillStyle = colours.quiet;
    context.font = canvasFont();
    context.textBaseline = "alphabetic";
    for (let back = 0; back <= SPAN_US; back += TICK_US) {
      const at = x(now - back);
      context.beginPath();
      context.moveTo(at, PAD.top);
      context.lineTo(at, height - PAD.bottom);
      context.stroke();
      context.textAlign = back === 0 ? "right" : back === SPAN_US ? "left" : "center";
      const label = back === 0 ? "now" : back === SPAN_US ? timeOfDay(now - back, { seconds: false }) : `−${back / 6e7} min`;
      context.fillText(label, at, height - 4);
    }
  }

  drawCurrent(context, x, runs, height, colours) {
    const top = Math.max(0.1, ...this.buckets.map(({ high }) => high ?? 0));
    const y = linear(0, top * 1.05, height - PAD.bottom, PAD.top);
    context.fillStyle = colours["current-soft"];
    context.strokeStyle = colours.current;
    context.lineWidth = 1.5;
    context.lineJoin = "round";
    for (const run of runs) {
      const line = new Path2D();
      run.forEach(({ first, last, high }, n) => {
        if (n === 0) line.moveTo(x(first), y(high ?? 0));
        line.lineTo(x((first + last) / 2), y(high ?? 0));
      });
      line.lineTo(x(run.at(-1).last), y(run.at(-1).high ?? 0));
      const area = new Path2D(line);
      area.lineTo(x(run.at(-1).last), y(0));
      area.lineTo(x(run[0].first), y(0));
      context.fill(area);
      context.stroke(line);
    }
    context.fillStyle = colours.current;
    context.textAlign = "left";
    if (this.buckets.length > 0) context.fillText(`highest ${amps(top)} A`, PAD.left, 12);
  }

  drawShell(context, x, runs, height, colours) {
    const values = this.buckets.map(({ shell }) => shell).filter((value) => value !== null);
    if (values.length === 0) return;
    const [low, high] = [Math.min(...values), Math.max(...values)];
    const y = linear(Math.min(low, high - 5), high + 1, height - PAD.bottom - 2, PAD.top + 4);
    context.strokeStyle = colours.case;
    context.lineWidth = 1.5;
    context.setLineDash([5, 3]);
    for (const run of runs) {
      context.beginPath();
      run.filter(({ shell }) => shell !== null).forEach(({ last, shell }) => context.lineTo(x(last), y(shell)));
      context.stroke();
    }
    context.setLineDash([]);
    context.fillStyle = colours.case;
    context.textAlign = "right";
    context.fillText(`case ${degrees(low)} to ${degrees(high)} ${degree()}`, this.canvas.clientWidth - PAD.right, 12);
  }
}
