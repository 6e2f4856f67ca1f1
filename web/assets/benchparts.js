// Parts of the bench test's page, each made of what the recorder tells.

import { curve } from "./benchcurve.js";
import { el, setText } from "./dom.js";

/** The figures, the first one largest. */
export function figures(root, all) {
  const key = all.map(({ label }) => label).join("|");
  if (root.dataset.key !== key) {
    root.dataset.key = key;
    root.replaceChildren(...all.map(({ label }) => el("p", { class: "bench-figure", "data-label": label },
      el("span", { class: "figure-word" }, label), el("span", { class: "bench-value" }, el("span", { class: "number" }), el("span", { class: "figure-unit" })))));
  }
  all.forEach(({ value, unit }, at) => {
    setText(root.children[at].querySelector(".number"), value);
    setText(root.children[at].querySelector(".figure-unit"), unit);
  });
}

/** One caution after the other; `onRead` gets its key. */
export function acknowledging({ cautions }, { read }, onRead) {
  const next = cautions.find(({ key }) => !read.includes(key));
  if (!next) return el("p", { class: "caution-now" }, "All of them are read; the record is being told.");
  const { key, head, text } = next;
  return el("article", { class: "caution-now", "data-caution": key, "aria-label": `Caution ${read.length + 1} of ${cautions.length}` },
    el("p", { class: "fine" }, `Caution ${read.length + 1} of ${cautions.length}`),
    el("h2", {}, head), el("p", {}, text),
    press("I have read this and keep to it", "do", () => onRead(key)));
}

/** The reading that is asked for. */
export function readingForm({ words, unit }, onReading) {
  const value = el("input", { id: "ohms", name: "value", inputmode: "text", autocomplete: "off", autocapitalize: "characters", spellcheck: "false", required: true });
  const send = async (text) => {
    if (await onReading(text)) value.value = "";
  };
  return el("form", { class: "reading", onsubmit: (event) => { event.preventDefault(); send(value.value); } },
    el("div", { class: "field" }, el("label", { for: "ohms" }, `The ohmmeter shows (${words})`),
      el("span", { class: "with-unit" }, value, el("span", { class: "figure-note" }, unit === "Ohm" ? "Ω" : unit))),
    el("div", { class: "choices" }, el("button", { type: "submit", class: "do" }, "Take it down"),
      press("OL: it shows open", "open", () => send("OL"))));
}

/** What can be said now. */
export function acts({ acts: known }, { acts: now }, onAct) {
  const all = known.filter(({ act }) => now.includes(act) && act !== "acknowledged");
  if (all.length === 0) return null;
  return el("ul", { class: "acts" }, all.map(({ act, words }) =>
    el("li", {}, act === "done" ? pressTwice(named(act), `${named(act)}? Press again`, act, () => onAct(act)) : press(named(act), act, () => onAct(act)),
      el("span", { class: "fine" }, words))));
}

const named = (act) => `${act.charAt(0).toUpperCase()}${act.slice(1)}`.replaceAll("-", " ");

/** A button that cannot be pressed again until it has been answered. */
function press(text, kind, act) {
  const button = el("button", { type: "button", class: `press press-${kind}`, "data-act": kind }, text);
  button.addEventListener("click", async () => {
    button.disabled = true;
    await act();
    button.disabled = false;
  });
  return button;
}

/** What cannot be taken back is asked twice. */
function pressTwice(text, again, kind, act) {
  const button = press(text, kind, async () => {
    if (button.dataset.armed) return act();
    button.dataset.armed = "yes";
    setText(button, again);
    return true;
  });
  return button;
}

/** The invented bench: its switch and its ohmmeter. */
export function invented(root, { invented: bench }, onSwitch) {
  root.hidden = bench === null;
  if (bench === null) return;
  if (root.childElementCount === 0) {
    const button = (on) => press(on ? "Switch on" : "Switch off", on ? "on" : "off", () => onSwitch(on));
    root.append(el("p", {}, el("strong", {}, "Simulated: "), "an invented protector, and no hardware. ", el("span", { id: "meter" })),
      el("div", { class: "choices", role: "group", "aria-label": "Your switch" }, button(true), button(false)));
  }
  setText(root.querySelector("#meter"), `The ohmmeter shows ${bench.meter}. Your switch is ${bench.is_on ? "on" : "off"}.`);
}

export const planned = (plan) => plan.map(([what, text]) => el("div", {}, el("dt", {}, what), el("dd", {}, text)));

/** What the recorder tells in blocks. */
export const sheet = (blocks) => blocks.map((block) => DRAWN[block.kind](block));

const DRAWN = {
  curve,
  head: ({ text }) => el("h3", {}, text),
  line: ({ text, depth, verdict }) => el("p", { class: verdict === null ? `depth-${depth}` : "judged", "data-verdict": verdict }, text),
  pairs: ({ heads, rows }) => el("table", { class: "pairs" },
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map(([what, ...cells]) => el("tr", {}, el("th", { scope: "row" }, what), cells.map((cell, at) => el("td", { "data-label": heads[at + 1] }, cell)))))),
  runs: ({ heads, rows }) => el("table", { class: "runs" },
    el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.flatMap((row) => runRows(heads, row)))),
};

const runRows = (heads, { cells, beneath }) => [
  el("tr", {}, cells.map((cell, at) => el("td", { "data-label": heads[at] }, cell))),
  beneath === null ? null : el("tr", { class: "beneath" }, el("td", { colspan: cells.length }, beneath)),
];
