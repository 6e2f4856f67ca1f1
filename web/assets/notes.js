// What a person puts in: that something happened now, and what was measured by hand. It goes into the record as said.

import { tell } from "./api.js";
import { atClock, toRecordUs } from "./clock.js";
import { el, setText } from "./dom.js";

const MARK_CHARS_MAX = 160;
const BY_CHARS_MAX = 60;
/** What is often marked: one press. */
const OFTEN = ["Opened the door", "Closed the door", "Loaded it warm", "Defrost began", "Fan stopped by hand"];
/** What can be measured, as the record names it, and its unit. */
const KINDS = [
  ["common-start", "Winding, common to start", "Ω"],
  ["common-run", "Winding, common to run", "Ω"],
  ["start-run", "Winding, start to run", "Ω"],
  ["insulation", "Windings to earth", "MΩ"],
  ["capacitor", "Capacitor", "µF"],
  ["ptc", "PTC of the start device, cold", "Ω"],
  ["protector-cold", "Protector, cold", "Ω"],
  ["protector-hot", "Protector, just after it opened", "Ω"],
];

export class Notes {
  /** `unit` gives the compressor that is chosen; `onKept` is called when the record has something new. */
  constructor(root, unit, onKept) {
    this.unit = unit;
    this.onKept = onKept;
    this.said = el("p", { class: "kept", role: "status" });
    this.text = el("input", { id: "mark-text", name: "text", maxlength: MARK_CHARS_MAX, autocomplete: "off", required: true });
    this.what = el("select", { id: "reading-what", name: "what", onchange: () => this.showUnit() }, KINDS.map(([kind, word]) => el("option", { value: kind }, word)));
    this.value = el("input", { id: "reading-value", name: "value", inputmode: "decimal", autocomplete: "off", required: true, "aria-describedby": "reading-hint" });
    this.by = el("input", { id: "reading-by", name: "by", maxlength: BY_CHARS_MAX, autocomplete: "off" });
    this.measure = el("span", { class: "figure-note" });
    root.replaceChildren(this.markForm(), this.readingForm(), this.said);
    this.showUnit();
  }

  markForm() {
    const often = OFTEN.map((text) => el("button", { type: "button", onclick: () => this.mark(text) }, text));
    return el("form", { class: "note-form", id: "mark-form", onsubmit: (event) => this.submitted(event, () => this.mark(this.text.value)) },
      el("h3", {}, "It happened now"), el("div", { class: "choices", role: "group", "aria-label": "Often marked" }, often),
      field("mark-text", "Or in your own words", this.text), el("button", { type: "submit", class: "do" }, "Mark this instant"));
  }

  readingForm() {
    return el("form", { class: "note-form", id: "reading-form", onsubmit: (event) => this.submitted(event, () => this.reading()) },
      el("h3", {}, "Measured by hand"),
      el("p", { class: "caution" }, "Only with the supply off, locked out, proved dead, and the capacitors discharged."),
      field("reading-what", "What", this.what),
      field("reading-value", "The instrument shows", el("span", { class: "with-unit" }, this.value, this.measure)),
      el("p", { class: "fine", id: "reading-hint" }, "A figure in that unit, or OL where the instrument shows open."),
      field("reading-by", "Who says so (name, instrument; may stay empty)", this.by), el("button", { type: "submit", class: "do" }, "Take it down"));
  }

  showUnit() {
    setText(this.measure, KINDS.find(([kind]) => kind === this.what.value)[2]);
  }

  submitted(event, act) {
    event.preventDefault();
    act();
  }

  async mark(text) {
    if (await this.keep("/api/v1/marks", { text }, `“${text.trim()}”`)) this.text.value = "";
  }

  async reading() {
    const [kind, word] = KINDS.find(([known]) => known === this.what.value);
    const value = decimal(this.value.value.trim());
    if (await this.keep("/api/v1/readings", { what: kind, value, by: this.by.value }, `${word}: ${value}`)) this.value.value = "";
  }

  /** True once it is safe on the recorder's disk. */
  async keep(path, body, words) {
    const { name: unit } = this.unit();
    this.say("wait", "Asking the recorder to take it down …");
    try {
      const { at_us: at } = await tell(path, { unit, ...body });
      this.say("good", `Taken down for ${unit} at ${atClock(toRecordUs(at))}: ${words}. It is on the recorder’s disk.`);
      this.onKept();
      return true;
    } catch (error) {
      this.say("bad", `Not taken down: ${error.message}.`);
      return false;
    }
  }

  say(level, text) {
    this.said.dataset.level = level;
    setText(this.said, text);
  }
}

/** `4,8` is a decimal comma; `1,000` may be a thousand: the recorder refuses it. */
const decimal = (text) => (/^\d+,\d{1,2}$/.test(text) ? text.replace(",", ".") : text);

const field = (id, word, input) => el("div", { class: "field" }, el("label", { for: id }, word), input);
