// How the page is shown, by choice and kept in this browser: its scheme, and the scale of temperatures.

import { el } from "./dom.js";
import { scaleName, setScale } from "./figures.js";

const SCHEME_KEY = "nightclamp-scheme";
const SCALE_KEY = "nightclamp-temperature";
const SCHEMES = [["", "as this device"], ["light", "light"], ["dark", "dark"], ["dim", "dim"]];
const SCALES = [["celsius", "°C"], ["fahrenheit", "°F"]];

function kept(key) {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

function keep(key, value) {
  try {
    if (value === "") localStorage.removeItem(key);
    else localStorage.setItem(key, value);
  } catch {
    // A browser that keeps nothing: it holds until the page is left.
  }
}

/** The scale of temperatures: what was chosen in this browser, else the job's. */
export function chooseScale(jobs) {
  setScale(kept(SCALE_KEY) ?? jobs);
}

/** The choices themselves, into `root`; `onScale` is called when temperatures are to be written anew. */
export function shownBy(root, onScale) {
  root.replaceChildren(
    choice("shown-scheme", "Brightness", SCHEMES, kept(SCHEME_KEY) ?? "", (value) => {
      keep(SCHEME_KEY, value);
      dispatchEvent(new Event("scheme-chosen"));
    }),
    choice("shown-scale", "Temperatures", SCALES, scaleName(), (value) => {
      keep(SCALE_KEY, value);
      setScale(value);
      onScale();
    }));
}

function choice(id, word, options, now, act) {
  const select = el("select", { id, "data-key": id, onchange: () => act(select.value) }, options.map(([value, text]) => el("option", { value, selected: value === now }, text)));
  return el("label", { for: id }, el("span", {}, word), select);
}
