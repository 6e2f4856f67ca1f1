// What cannot wait: late protectors, sensors that are not believed, boards that have fallen silent, and what the recorder
// itself has to say. Each with what to do.

import { moment } from "./clock.js";
import { byId, el } from "./dom.js";
import { told } from "./figures.js";

const SENSORS = { current: "the clamp", case: "the bead on the protector’s case" };

/** What the recorder says in passing, as a sentence. */
const sentence = (text) => `${text.charAt(0).toUpperCase()}${text.slice(1)}${text.endsWith(".") ? "" : "."}`;

function ofUnit({ name, danger, doubts = [] }) {
  const found = danger ? [[name, told(danger)]] : [];
  for (const { sensor, saturated, since_us: since, text } of doubts) {
    if (saturated) continue;
    found.push([`${name}, ${SENSORS[sensor]} is not believed`,
      `Since ${moment(since)}: ${told(text)}. No cause is claimed from it while that holds. Switch the supply off and lock it out, then look where it sits.`]);
  }
  return found;
}

/** `silent`: units without a word, each with its board and since when. */
function ofSilent({ name, board, since_us: since }) {
  const heard = since === null ? "has not been heard yet" : `has said nothing since ${moment(since, {})}`;
  return [`${name} is not being recorded`,
    `Its board ${board} ${heard}. Look at its cable and its supply; the recorder takes it up again by itself as soon as it speaks.`];
}

const notes = (units) => units.flatMap(({ name, doubts = [] }) => doubts.filter(({ saturated }) => saturated)
  .map(({ sensor, text }) => ({ about: `${name}, ${SENSORS[sensor]}`, text: told(text), todo: "Currents above the clamp’s range read too small: use a larger clamp, or fewer turns." })));

export class Dangers {
  constructor() {
    this.drawn = "";
  }

  /** How many dangers there are now. */
  show({ units, notices = [] }, silent) {
    const isDanger = ({ level }) => level === "danger";
    const dangers = [
      ...units.flatMap(ofUnit),
      ...silent.map(ofSilent),
      ...notices.filter(isDanger).map(({ about, text, todo }) => [about, `${sentence(text)} ${todo}`]),
    ];
    const looks = [...notices.filter((notice) => !isDanger(notice)), ...notes(units)];
    const drawn = JSON.stringify([dangers, looks]);
    if (drawn === this.drawn) return dangers.length;
    this.drawn = drawn;
    byId("notices").replaceChildren(...looks.map(({ about, text, todo }) =>
      el("p", { class: "lost" }, el("strong", {}, `Look: ${about}. `), `${sentence(text)} ${todo}`)));
    byId("danger-link").hidden = dangers.length === 0;
    byId("dangers").replaceChildren(...dangers.map(([about, text]) =>
      el("p", { class: "danger" }, el("strong", {}, `Danger: ${about}. `), text)));
    return dangers.length;
  }
}
