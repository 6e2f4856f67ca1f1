// The guided bench test: another face of the test that the terminal shows. What is said here is the recorder's own wording;
// what a person says goes into the record, and comes back from there to every page.

import { ask, follow, tell } from "./api.js";
import { Alarm } from "./alarm.js";
import { acknowledging, acts, figures, invented, planned, readingForm, sheet } from "./benchparts.js";
import { ago, setClock } from "./clock.js";
import { Dangers } from "./dangers.js";
import { byId, el, setText } from "./dom.js";
import { setScale } from "./figures.js";
import { Files } from "./files.js";

const RETRY_MS = 3000;
const TICK_MS = 500;
/** The recorder sends a message a second at least: without one for so long it is not there. */
const LOST_MS = 4000;

class BenchPage {
  constructor({ test, now }) {
    this.test = test;
    this.run = now.run;
    this.dangers = new Dangers();
    this.alarm = new Alarm();
    this.flows = true;
    setScale(test.job.temperature);
    setText(byId("job-name"), test.job.name);
    setText(byId("job-unit"), `Bench test of a protector: ${test.unit}`);
    setText(byId("who"), test.who);
    setText(byId("partial"), test.partial);
    byId("caution-list").replaceChildren(...test.cautions.map(({ head, text }) => el("li", {}, el("strong", {}, head), ` ${text}`)));
    byId("plan").replaceChildren(...planned(test.plan));
    this.files = new Files("As a file:", ["runs", "figures", "verdicts", "readings", ["beside", "side by side"]], "/api/v1/bench/table");
    this.files.show({});
    byId("files").replaceChildren(this.files.root);
    this.by = el("input", { id: "by", name: "by", maxlength: 60, autocomplete: "name", required: true });
    this.take(now);
    follow((message) => this.take(message), (flows) => this.setFlows(flows), "/api/v1/bench/live");
    setInterval(() => this.tick(), TICK_MS);
  }

  take(message) {
    if (message.run !== this.run) {
      // The program was started anew: its page may be another one too.
      location.reload();
      return;
    }
    setClock(message);
    this.at = Date.now();
    this.now = message;
    this.show();
    this.tick();
  }

  setFlows(flows) {
    this.flows = flows;
    this.tick();
  }

  show() {
    const { stand, results, beside, acknowledging: reads } = this.now;
    if (this.by.value === "") this.by.value = stand?.by ?? reads.by;
    setText(byId("step"), stand === null ? "waiting" : stand.step.replaceAll("-", " "));
    setText(byId("count"), stand === null ? "" : `opening ${stand.repeat} of ${stand.repeats}`);
    setText(byId("line"), stand === null ? "Waiting for the board." : stand.line);
    figures(byId("figures"), stand?.figures ?? []);
    setText(byId("closes"), stand?.closes ?? "");
    byId("do").dataset.step = stand?.step ?? "";
    invented(byId("invented"), this.now, (on) => this.keep("/api/v1/bench/invented", { on }, on ? "Your switch is on" : "Your switch is off"));
    this.showSay();
    // Limits are not chosen after the figures.
    byId("change-plan").hidden = !this.test.may_plan || stand === null || stand.runs.rows.length > 0;
    if (results !== null) byId("sheet").replaceChildren(...sheet(results));
    if (beside !== null) byId("beside-sheet").replaceChildren(...sheet(beside));
    byId("beside").hidden = byId("beside-sheet").childElementCount === 0;
    byId("results").hidden = byId("sheet").childElementCount === 0;
    const isOver = stand?.step === "finished" && !byId("results").hidden;
    byId("so-far").hidden = isOver || !stand || stand.runs.rows.length === 0;
    if (!byId("so-far").hidden) this.showRuns(stand.runs);
    byId("files").hidden = byId("so-far").hidden && byId("results").hidden;
    this.files.offer("beside", !byId("beside").hidden);
  }

  showRuns(runs) {
    const drawn = JSON.stringify(runs);
    if (drawn === this.runs) return;
    this.runs = drawn;
    byId("runs").replaceChildren(...sheet([runs]));
  }

  /** What the person can say now; built anew only where that changes, so that nobody is interrupted in typing. */
  showSay() {
    const { stand, acknowledging: reads } = this.now;
    const key = JSON.stringify(stand && [stand.acts, stand.asks, stand.step, stand.acts.includes("acknowledged") ? reads : null]);
    if (key === this.said) return;
    this.said = key;
    if (stand === null) return byId("say").replaceChildren();
    const focused = document.activeElement;
    const next = stand.acts.includes("acknowledged") ? acknowledging(this.test, reads, (caution) => this.acknowledge(caution)) : null;
    const asks = stand.asks === null ? null : readingForm(stand.asks, (value) => this.reading(stand.asks, value));
    const field = stand.acts.length === 0 ? null
      : el("div", { class: "field by" }, el("label", { for: "by" }, "At the bench (your name, for the record)"), this.by);
    byId("say").replaceChildren(...[field, next, asks, acts(this.test, stand, (act) => this.act(act))].filter(Boolean));
    if (focused === this.by) this.by.focus();
    else if (next !== null && this.pressed) next.querySelector("button")?.focus();
    this.pressed = false;
  }

  acknowledge(caution) {
    this.pressed = true;
    return this.keep("/api/v1/bench/cautions", { caution, by: this.by.value }, "");
  }

  act(act) {
    return this.keep("/api/v1/bench/acts", { act, by: this.by.value }, `In the record: ${act}`);
  }

  reading({ what, words, unit }, value) {
    const shown = /^\s*ol\s*$/i.test(value) ? "OL (open)" : `${value.trim()} ${unit}`;
    return this.keep("/api/v1/bench/readings", { what, value: value.trim(), by: this.by.value }, `In the record: ${words}, ${shown}`);
  }

  /** True once it is safe on the recorder's disk. */
  async keep(path, body, words) {
    this.alarm.allow();
    const kept = byId("kept");
    try {
      await tell(path, body);
      kept.dataset.level = "good";
      setText(kept, words);
      return true;
    } catch (error) {
      kept.dataset.level = "bad";
      setText(kept, `Not taken down: ${error.message}.`);
      return false;
    }
  }

  // What ticks.

  isLost() {
    return !this.flows || Date.now() - this.at > LOST_MS;
  }

  tick() {
    const { stand } = this.now;
    const isLost = this.isLost();
    const heardS = stand === null ? null : stand.heard_s + (Date.now() - this.at) / 1000;
    const heard = heardS === null ? "No reading yet" : `Last reading ${ago(heardS)}`;
    byId("pulse").dataset.level = isLost ? "lost" : heardS === null ? "wait" : heardS > 3 ? "silent" : "good";
    setText(byId("pulse-text"), isLost ? `Recorder lost. ${heard}` : heard);
    this.showDangers(isLost);
  }

  showDangers(isLost) {
    const danger = isLost && this.now.stand?.step !== "finished" ? `The recorder cannot be reached: ${this.test.unseen}` : this.now.stand?.danger;
    const units = this.now.units.map((unit) => ({ ...unit, danger: unit.name === this.test.unit ? danger ?? (isLost ? null : unit.danger) : unit.danger }));
    const count = this.dangers.show({ units, notices: this.now.notices }, []);
    // The seconds in it count up; that it is in force is announced once.
    const began = (danger ?? "").slice(0, 12);
    if (began !== this.began) setText(byId("danger-said"), danger ? `Danger. ${danger}` : "");
    this.began = began;
    document.body.classList.toggle("in-danger", count > 0);
    this.alarm.sound(Boolean(danger));
    const title = `${count > 0 ? "Danger · " : ""}${this.now.stand?.line ?? "Bench test"} · Nightclamp`;
    if (document.title !== title) document.title = title;
  }
}

async function begin() {
  try {
    new BenchPage(await ask("/api/v1/bench"));
    byId("lost").hidden = true;
  } catch (error) {
    console.info("the recorder does not answer:", error.message);
    byId("lost").hidden = false;
    setText(byId("lost"), `The recorder does not answer (${error.message}). This page tries again by itself.`);
    setTimeout(begin, RETRY_MS);
  }
}

begin();
