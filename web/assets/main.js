// The page: asks for the job, follows the live stream, and keeps every part current.

import { ask, follow, tell } from "./api.js";
import { lookFirst, soundness } from "./away.js";
import { Card } from "./cards.js";
import { Chart } from "./chart.js";
import { ago, day, offsetWord, recordNowUs, setClock, timeOfDay } from "./clock.js";
import { CycleTable } from "./cycles.js";
import { CyclingView } from "./cycling.js";
import { Dangers } from "./dangers.js";
import { byId, el, onTheme, refill, setText } from "./dom.js";
import { limitFiles } from "./files.js";
import { Notes } from "./notes.js";
import { chooseScale, shownBy } from "./shown.js";
import { Story } from "./story.js";

const RETRY_MS = 3000;
const TICK_MS = 500;
/** Lists and chart are asked for again this often while the page is seen. */
const REFRESH_MS = 5000;
/** Points of the curve of starts in the hour before. */
const CURVE_POINTS = 400;
/** A board that has said nothing for so long is a danger to the record. */
const SILENT_S = 10;
const H = 3600e6;
const PERIODS = [
  { name: "12 h", us: 12 * H },
  { name: "24 h", us: 24 * H },
  { name: "3 days", us: 72 * H },
  { name: "Whole record", us: Infinity },
];
/** Records up to this long are shown whole to begin with. */
const WHOLE_MOST_US = 26 * H;

/** A silence shorter than this is never taken for the end of a record. */
const OVER_LEAST_US = 12 * H;

class Page {
  constructor(now) {
    this.job = now.job;
    this.run = now.run;
    this.flows = true;
    this.opened = Date.now();
    chooseScale(this.job.temperature);
    setClock(now);
    limitFiles(now.download_rows_max);
    this.message = now;
    this.cards = new Map(this.job.units.map((unit) => [unit.name, new Card(unit, () => this.periodMs(unit))]));
    this.chart = new Chart(byId("chart"));
    this.unit = this.job.units.find(({ name }) => name === this.chart.linked?.unit) ?? this.job.units[0];
    this.chart.onUnit = (name) => this.choose({ unit: this.job.units.find((unit) => unit.name === name) });
    const show = (range) => this.chart.showRange(range);
    this.story = new Story(byId("account"), show);
    this.table = new CycleTable(byId("cycles"), this.chart);
    this.cycling = new CyclingView(byId("cycling"), show);
    this.notes = new Notes(byId("notes"), () => this.unit, () => this.refreshSoon());
    this.dangers = new Dangers();
    byId("setup-link").hidden = !now.set_up;
    this.build();
  }

  build() {
    setText(byId("job-name"), this.job.name);
    byId("bench-link").hidden = !this.job.is_bench;
    setText(byId("job-site"), [this.job.site, this.job.timezone].filter(Boolean).join(" · "));
    byId("now").replaceChildren(...[...this.cards.values()].map((card) => card.root));
    byId("now").dataset.count = String(this.cards.size);
    shownBy(byId("shown"), () => this.rescale());
    if (this.message.guarded) byId("shown").append(el("button", { type: "button", class: "leave", onclick: leave }, "Log out"));
    onTheme(() => this.cards.forEach((card) => card.strip.draw()));
    addEventListener("beforeprint", () => this.sayPrinted());
  }

  /** Temperatures in another scale: everything that shows one is written anew. */
  rescale() {
    this.cards.forEach((card) => card.rebuild());
    this.dangers.drawn = "";
    this.showDangers();
    this.chart.draw();
    this.chart.comparison.draw();
    this.refresh();
  }

  sayPrinted() {
    const at = recordNowUs();
    setText(byId("printed"), `As it stood at ${timeOfDay(at)} on ${day(at)}, ${offsetWord(at)}. For a document to hand over: nightclamp report.`);
  }

  /** Everything once, then the stream. */
  async start() {
    this.take(this.message);
    follow((message) => this.take(message), (flows) => this.setFlows(flows));
    setInterval(() => this.tick(), TICK_MS);
    setInterval(() => !document.hidden && this.flows && this.refresh(), REFRESH_MS);
    document.addEventListener("visibilitychange", () => !document.hidden && this.refresh());
    await this.loadStrips();
    await this.refresh();
  }

  loadStrips() {
    return Promise.all([...this.cards.values()].map((card) => card.strip.load())).catch(() => {});
  }

  take(message) {
    if (message.run !== this.run) {
      // The program was started anew: its page may be another one too.
      location.reload();
      return;
    }
    setClock(message);
    const before = this.states();
    this.message = message;
    for (const status of message.units) this.cards.get(status.name)?.update(status);
    for (const tail of message.tails ?? []) this.takeTail(tail);
    this.tick();
    if (before !== this.states()) this.refreshSoon();
  }

  takeTail(tail) {
    const strip = this.cards.get(tail.unit)?.strip;
    if (tail.cut) strip?.load().catch(() => {});
    else strip?.append(tail);
    strip?.draw();
  }

  states() {
    return this.message.units.map(({ state, starts, trips }) => `${state.code} ${starts} ${trips}`).join();
  }

  periodMs(unit) {
    const board = this.message.boards.find(({ id }) => id === unit.board);
    return board?.period_ms ?? 1000;
  }

  // What ticks.

  tick() {
    const at = recordNowUs();
    setText(byId("clock"), timeOfDay(at));
    setText(byId("clock-zone"), offsetWord(at));
    this.cards.forEach((card) => card.tick());
    this.showPulse();
    this.showDangers();
  }

  /** The age of the oldest "last sample" of all compressors, always in sight. */
  showPulse() {
    const cards = [...this.cards.values()];
    const ages = cards.map((card) => card.age_s());
    const silent = cards.some((card) => card.isSilent());
    const text = ages.includes(null) ? "No sample yet" : `Last sample ${ago(Math.max(...ages))}`;
    byId("pulse").dataset.level = !this.flows ? "lost" : silent ? "silent" : "good";
    setText(byId("pulse-text"), this.flows ? text : `Recorder lost. ${text}`);
  }

  setFlows(flows) {
    if (flows === this.flows) return;
    this.flows = flows;
    const lost = byId("lost");
    lost.hidden = flows;
    if (flows) {
      this.loadStrips();
      this.refresh();
    } else {
      setText(lost, `The recorder cannot be reached. What you see is from ${timeOfDay(recordNowUs())} and before. It may go on recording all the same: look at the machine it runs on. This page tries again by itself.`);
    }
    this.tick();
  }

  showDangers() {
    const count = this.dangers.show(this.message, this.silent());
    const title = `${count > 0 ? "Danger · " : ""}${this.job.name} · Nightclamp`;
    if (document.title !== title) document.title = title;
  }

  /** Compressors whose board says nothing while the recorder is there and has read all it has. */
  silent() {
    if (!this.flows || this.message.catching_up !== null) return [];
    const isSilent = (card) => card.isSilent() && (card.age_s() ?? (Date.now() - this.opened) / 1000) > SILENT_S;
    return [...this.cards.values()].filter(isSilent).map(({ unit, status }) =>
      ({ name: unit.name, board: unit.board, since_us: status.last_sample_us }));
  }

  // What is asked for.

  refreshSoon() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.refresh(), 800);
  }

  whole() {
    const record = this.message.record;
    if (record === null) return null;
    const to = this.until(record);
    const period = this.period ?? (to - record[0] <= WHOLE_MOST_US ? Infinity : 24 * H);
    return { from: Math.round(Math.max(record[0], to - period)), to: Math.round(to) };
  }

  /** A live record reaches to now, silence and all. One that is still being read, or ended long ago, to its last sample. */
  until([first, last]) {
    const now = recordNowUs();
    const isOver = now - last > Math.max(OVER_LEAST_US, last - first);
    return isOver || this.message.catching_up !== null ? last : Math.max(last, now);
  }

  async refresh() {
    const whole = this.whole();
    this.showChoices();
    this.showCatchingUp();
    if (whole === null) return;
    const { name: unit } = this.unit;
    const range = { unit, from: whole.from, to: whole.to };
    try {
      const [{ night }, { cycling }] = await Promise.all([
        ask("/api/v1/night", range),
        ask("/api/v1/cycling", { ...range, points: CURVE_POINTS }),
        this.chart.show(this.context(), whole),
        this.table.show(this.unit, { from: range.from, to: range.to }),
        ...[...this.cards.values()].map((card) => card.strip.loadEvents()),
      ]);
      if (unit === this.unit.name) this.showNight(night, cycling);
    } catch (error) {
      console.info("asked again later:", error.message);
    }
  }

  context() {
    const card = this.cards.get(this.unit.name);
    this.contexts ??= new Map();
    if (!this.contexts.has(card)) {
      this.contexts.set(card, { unit: this.unit, periodMs: () => this.periodMs(card.unit), isSilent: () => card.isSilent(), record: () => this.record() });
    }
    return this.contexts.get(card);
  }

  /** Where the record begins, where a view of it ends, and its last sample. */
  record() {
    const record = this.message.record ?? [0, 1];
    return { from: record[0], to: this.until(record), last: record[1] };
  }

  showNight(night, cycling) {
    this.story.show(this.unit.name, night);
    const next = lookFirst(night.counts);
    byId("next").hidden = next === null;
    if (next) replace(byId("next"), next);
    replace(byId("sound"), soundness(this.message, night.counts));
    this.cycling.show(this.unit.name, cycling);
  }

  showCatchingUp() {
    const share = this.message.catching_up;
    const words = share === null ? "While you were away" : `Reading the record: ${Math.round(share * 100)} %`;
    setText(byId("away-title"), words);
  }

  // What is chosen.

  showChoices() {
    const record = this.message.record;
    const lasts = record === null ? 0 : this.until(record) - record[0];
    const periods = PERIODS.filter(({ us }) => us === Infinity || us < lasts);
    const period = this.period ?? (lasts <= WHOLE_MOST_US ? Infinity : 24 * H);
    choices(byId("unit-choice"), this.job.units.length > 1 ? this.job.units.map((unit) => [unit.name, unit === this.unit, () => this.choose({ unit })]) : []);
    choices(byId("period-choice"), periods.length > 1 ? periods.map(({ name, us }) => [name, us === period, () => this.choose({ period: us })]) : []);
  }

  choose({ unit = this.unit, period = this.period }) {
    this.unit = unit;
    this.period = period;
    this.refresh();
  }
}

/** Ends the session: the token is needed to come back. */
async function leave() {
  await tell("/logout", {});
  location.assign("/login");
}

function choices(root, items) {
  const key = JSON.stringify(items.map(([name, chosen]) => [name, chosen]));
  if (root.dataset.key === key) return;
  root.dataset.key = key;
  refill(root, ...items.map(([name, chosen, act]) => el("button", { type: "button", "data-key": name, "aria-pressed": String(chosen), onclick: act }, name)));
}

/** Replaces content only where it reads differently. */
function replace(root, nodes) {
  const fresh = el("div", {}, nodes);
  if (fresh.textContent !== root.textContent) root.replaceChildren(...fresh.childNodes);
}

async function begin() {
  try {
    const page = new Page(await ask("/api/v1/now"));
    byId("lost").hidden = true;
    await page.start();
  } catch (error) {
    console.info("the recorder does not answer:", error.message);
    byId("lost").hidden = false;
    setText(byId("lost"), "The recorder does not answer. This page tries again by itself.");
    setTimeout(begin, RETRY_MS);
  }
}

begin();
