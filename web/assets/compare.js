// Starts and trips laid over each other, aligned at their instant: each a line style and a word, its colour comes third.

import { length, moment } from "./clock.js";
import { el, onTheme, setText, sized, svg, theme } from "./dom.js";
import { rangeWord, roleWord } from "./figures.js";
import { Files } from "./files.js";
import { listen } from "./gestures.js";
import { LAID_MOST } from "./link.js";
import { Moved } from "./moved.js";
import { overlay, overlayHeight, overlayLayout } from "./overlay.js";
import { Tiles } from "./tiles.js";

/** What is shown to begin with, s: before and after a start; before and after a trip. */
const FIRST_S = { start: [-2, 20], trip: [-30, 15] };
const SPAN_LEAST_US = 1e5;
const SPAN_MOST_US = 6 * 3600e6;
const LETTERS = ["A", "B", "C", "D"];
const ROLES = ["current", "case", "disc", "supply"];
export const STYLES = [
  { dash: [], colour: "current", word: "solid" },
  { dash: [7, 4], colour: "ambient", word: "dashed" },
  { dash: [2, 3], colour: "dome", word: "dotted" },
  { dash: [10, 3, 2, 3], colour: "box", word: "dashed and dotted" },
];

export class Comparison extends Moved {
  lineFrom = 4;

  /** `onChange` is called when another set is laid. */
  constructor(onChange) {
    super();
    [this.onChange, this.laid] = [onChange, []];
    this.list = el("ul", { class: "laid", "aria-label": "Laid over each other" });
    this.word = el("p", { class: "fine", role: "status" });
    this.range = el("p", { class: "chart-range" });
    this.readout = el("p", { class: "readout", "aria-live": "off" });
    this.base = el("canvas", { class: "compare-base", "aria-hidden": "true" });
    this.over = el("canvas", { class: "chart-over compare-over", tabindex: "0", role: "application", "aria-roledescription": "chart", "aria-label": "Starts and trips laid over each other, aligned at their instant" });
    this.stack = el("div", { class: "chart-stack" }, this.base, this.over);
    const button = (word, label, act) => el("button", { type: "button", "aria-label": label, onclick: act }, word);
    const tools = el("div", { class: "tools", role: "group", "aria-label": "Move about the comparison" },
      button("+", "Closer, of the comparison", () => this.zoom(null, 0.5, 0)), button("−", "Wider, of the comparison", () => this.zoom(null, 2, 0)),
      button("←", "Earlier, of the comparison", () => this.move(-0.4)), button("→", "Later, of the comparison", () => this.move(0.4)),
      button("Clear", "Take all away from the comparison", () => this.set([])));
    this.files = new Files("What is shown here, as a file:", [[null, "samples of each"]], "/api/v1/laid");
    this.shown = el("div", { class: "compare-shown" }, el("div", { class: "chart-head" }, this.range, tools), this.readout, this.stack, this.files.root);
    this.root = el("section", { class: "compare", "aria-label": "Comparison", hidden: true }, el("h3", {}, "Laid over each other"), this.list, this.word, this.shown);
    listen(this.over, {
      read: (x) => this.read(x), unread: () => this.unread(), picking: (a, b) => this.drawOver([a, b]), pick: (a, b) => this.pick(a, b),
      zoom: (x, factor, shift) => this.zoom(x, factor, shift), move: (share) => this.move(share), step: (n) => this.step(n), whole: () => this.first(),
      end: () => {}, lay: () => {},
    });
    onTheme(() => this.draw());
    new ResizeObserver(() => this.draw()).observe(this.stack);
  }

  show(context) {
    if (this.context && this.context.unit !== context.unit) this.lay([]);
    if (this.context?.unit !== context.unit) this.tiles = new Tiles(context.unit.name, () => this.context.record().last, () => this.drawSoon());
    this.context = context;
    this.draw();
  }

  /** Lays a set without telling of it. */
  lay(laid) {
    if (JSON.stringify(laid) === JSON.stringify(this.laid)) return;
    this.laid = laid;
    this.first();
    this.build();
  }

  set(laid) {
    this.lay(laid);
    this.onChange();
  }

  add(item) {
    if (this.laid.some(({ at }) => at === item.at)) return this.say("This one is laid already.");
    if (this.laid.length === LAID_MOST) return this.say(`${LAID_MOST} are laid already: take one away first.`);
    return this.set([...this.laid, item]);
  }

  say(words) {
    this.root.hidden = false;
    setText(this.word, words);
  }

  build() {
    const remove = (item) => el("button", { type: "button", "aria-label": `Take ${this.name(item)} away`, onclick: () => this.set(this.laid.filter((other) => other !== item)) }, "✕");
    this.list.replaceChildren(...this.laid.map((item, n) => el("li", {}, sampleOf(STYLES[n]), el("span", {}, `${this.name(item)}, ${STYLES[n].word}`), remove(item))));
    this.root.hidden = this.laid.length === 0;
    this.shown.hidden = this.laid.length < 2;
    setText(this.word, this.laid.length === 1 ? "Choose a second one: stand on it in the chart and press c, or Lay over." : "");
    this.draw();
  }

  name({ kind, at }) {
    const letter = LETTERS[this.laid.findIndex((item) => item.at === at)] ?? "";
    return `${letter}: ${kind} at ${moment(at, { seconds: true })}`;
  }

  // Moving about; instants are µs since the instant they are aligned at.

  middle() {
    return 0;
  }

  first() {
    const bounds = this.laid.map(({ kind }) => FIRST_S[kind]);
    const [from, to] = bounds.length > 0 ? [Math.min(...bounds.map(([from]) => from)), Math.max(...bounds.map(([, to]) => to))] : FIRST_S.start;
    this.look({ from: from * 1e6, to: to * 1e6 });
  }

  look({ from, to }) {
    const span = Math.min(Math.max(to - from, SPAN_LEAST_US), SPAN_MOST_US);
    const middle = (from + to) / 2;
    this.view = { from: Math.round(middle - span / 2), to: Math.round(middle + span / 2) };
    this.cursor = null;
    this.drawSoon();
  }

  // Drawing and reading.

  roles() {
    return ROLES.filter((role) => this.context.unit.roles.includes(role));
  }

  draw() {
    if (!this.context || this.laid.length < 2 || this.root.hidden) return;
    this.stack.style.height = `${overlayHeight(this.roles().length)}px`;
    const { context, width, height } = sized(this.base);
    if (width === 0) return;
    this.place = overlayLayout(width, height, this.roles(), this.view);
    const px = this.place.right - this.place.left;
    // The tiles of the last one are asked for first; each answer draws anew and asks for the next.
    this.traces = this.laid.map(({ at }, n) => ({
      style: STYLES[n],
      letter: LETTERS[n],
      ...this.tiles.look({ from: at + this.view.from, to: at + this.view.to }, px),
      at,
      isWhole: this.tiles.isWhole(),
    }));
    const lacking = this.traces.findIndex(({ isWhole }) => !isWhole);
    if (lacking >= 0) this.tiles.look({ from: this.laid[lacking].at + this.view.from, to: this.laid[lacking].at + this.view.to }, px);
    overlay(context, this.place, this.traces, this.context.periodMs() * 3500, theme());
    this.files.show({ unit: this.context.unit.name, laid: this.laid.map(({ kind, at }) => `${kind}@${at}`).join(","), since: this.view.from, until: this.view.to });
    setText(this.range, `${signed(this.view.from)} to ${signed(this.view.to)}, from the instant they are aligned at`);
    this.stack.dataset.whole = String(lacking < 0);
    this.drawOver(null);
  }

  step(n) {
    const by = (this.view.to - this.view.from) / 100;
    this.readAt((this.cursor ?? 0) + n * by, "polite");
  }

  write() {
    if (this.cursor === null) {
      this.readout.replaceChildren(el("span", { class: "none" }, "Point at the lines, or touch them, to read values of each."));
      return;
    }
    const words = this.traces.map(({ letter, first, last, channels, at }) => {
      const n = first.findIndex((from, k) => at + this.cursor <= last[k] + this.context.periodMs() * 1000 && at + this.cursor >= from - this.context.periodMs() * 1000);
      const values = n < 0 ? "no samples" : this.roles().map((role) => `${roleWord(role)} ${rangeWord(role, channels.get(role)?.low[n] ?? null, channels.get(role)?.high[n] ?? null)}`).join(", ");
      return el("span", {}, `${letter}: ${values}`);
    });
    this.readout.replaceChildren(el("strong", {}, signed(this.cursor)), ...words);
  }
}

/** `2.0 s before`, `12 s after`. */
function signed(us) {
  if (Math.abs(us) < 5e4) return "at the instant";
  return `${length(Math.abs(us) / 1e6, { exact: true })} ${us < 0 ? "before" : "after"}`;
}

function sampleOf({ dash, colour }) {
  return svg("svg", { viewBox: "0 0 40 8", width: 40, height: 8, "aria-hidden": "true", "data-colour": colour },
    svg("line", { x1: 0, y1: 4, x2: 40, y2: 4, stroke: "currentColor", "stroke-width": 3, "stroke-dasharray": dash.join(" ") }));
}
