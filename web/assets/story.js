// The stretch in sentences, as the recorder makes them from its rows. Each leads to the places in the chart it speaks of.

import { el, refill } from "./dom.js";
import { scaleName, told } from "./figures.js";
import { Files } from "./files.js";
import { linkTo } from "./link.js";

/** To either side of a place that is shown, at least, µs; and as a share of its length. */
const MARGIN_US = 30e6;
const MARGIN_SHARE = 0.4;

const BY_PEOPLE = ["mark", "reading"];
/** Under which heading a kind of sentence stands; what is not named here is a finding. */
const HEADINGS = [
  { title: "What happened", kinds: ["late", "starts", "trips", "trips-by-cause", "other-ends", "supply-lost", "shortest-off", "longest-off", "longest-on"] },
  { title: "What it shows", kinds: null },
  { title: "How far to believe it", kinds: ["sensor", "coverage", "gaps-hide", "clock-step"] },
  { title: "Said and measured by people", kinds: BY_PEOPLE },
];
const NAMED = new Set(HEADINGS.flatMap(({ kinds }) => kinds ?? []));
const LEADS = ["starts", "trips"];
const WEIGHTS = { danger: "danger", look: "look into it", doubt: "worth less" };

/** A place with something to either side; a place that is the whole stretch stays that. */
export function around([from, to], whole) {
  if (from <= whole.from_us && to >= whole.to_us) return { from: whole.from_us, to: whole.to_us };
  const margin = Math.max(MARGIN_US, (to - from) * MARGIN_SHARE);
  return { from: Math.round(from - margin), to: Math.round(to + margin) };
}

export class Story {
  /** `onShow` gets a stretch to be shown in the chart. */
  constructor(root, onShow) {
    this.root = root;
    this.onShow = onShow;
    this.drawn = "";
    this.files = new Files("These sentences, as a file:", ["sentences"]);
  }

  show(unit, night) {
    this.files.show({ unit, from: night.from_us, to: night.to_us });
    const drawn = JSON.stringify([unit, night.sentences, night.learned, night.cut, scaleName()]);
    if (drawn === this.drawn) return;
    this.drawn = drawn;
    this.unit = unit;
    this.night = night;
    refill(this.root, ...this.parts());
  }

  parts() {
    const { sentences, learned, cut } = this.night;
    if (sentences.length === 0) return [el("p", { class: "empty" }, "Nothing is recorded of this stretch yet.")];
    const groups = HEADINGS.map(({ title, kinds }) => {
      const of_it = sentences.filter(({ kind }) => (kinds === null ? !NAMED.has(kind) : kinds.includes(kind)));
      return of_it.length > 0 && el("section", { class: "told" }, el("h3", {}, title), el("ul", {}, of_it.map((said) => this.item(said))));
    });
    return [
      cut && el("p", { class: "fine" }, "The oldest rows of this stretch are no longer in memory: they are in the record’s tables on disk, and not in these sentences."),
      ...groups,
      learned.length > 0 && el("section", { class: "told" }, el("h3", {}, "What the record shows of the machine itself"),
        el("ul", {}, learned.map((words) => el("li", {}, el("span", {}, told(words)))))),
      this.files.root,
    ].filter(Boolean);
  }

  item(said) {
    const n = this.night.sentences.indexOf(said);
    const word = WEIGHTS[said.weight];
    return el("li", { class: `said said-${said.weight}${LEADS.includes(said.kind) ? " lead" : ""}`, "data-kind": said.kind },
      word && el("span", { class: "weight" }, word), word && " ",
      this.link(said, n),
      said.places.length > 1 && this.stepper(said, n),
      said.check !== "" && el("p", { class: "check" }, told(said.check)));
  }

  link(said, n) {
    // What a person said stays as it was said.
    const text = BY_PEOPLE.includes(said.kind) ? said.text : told(said.text);
    if (said.places.length === 0) return el("span", {}, text);
    const { from, to } = around(said.places[0], this.night);
    const show = (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      this.onShow({ from, to });
    };
    return el("a", { href: linkTo({ unit: this.unit, from, to }), "data-key": `said-${n}`, onclick: show }, text);
  }

  /** From one place of a sentence to the next. */
  stepper(said, n) {
    let at = 0;
    const words = () => `${at + 1} of ${said.places.length}${said.rows_total > said.places.length ? " (the first)" : ""}, next`;
    const button = el("button", { type: "button", class: "next-place", "data-key": `next-${n}` }, words());
    button.addEventListener("click", () => {
      at = (at + 1) % said.places.length;
      button.textContent = words();
      this.onShow(around(said.places[at], this.night));
    });
    return button;
  }
}
