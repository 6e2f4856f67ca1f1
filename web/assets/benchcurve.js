// How soon a protector opens at which current: what was measured, and the fitted curve with its band. Both axes are logarithmic.

import { el, svg } from "./dom.js";

const WIDTH = 640;
const HEIGHT = 400;
const EDGE = { left: 62, right: 18, top: 16, bottom: 52 };
/** Room beyond what is shown, as a factor. */
const MARGIN = 1.2;
/** Just above the ultimate trip current it takes for ever: the curve is drawn up to so many times the longest time measured. */
const LONGEST_OF = 6;
/** Steps of a decade, coarsest first: runs that are all at one current leave an axis too short for the coarse ones to be read by. */
const parts = (count) => Array.from({ length: 9 * count }, (_, at) => 1 + at / count);
const STEPS = [[1, 1.5, 2, 3, 5, 7], parts(2), parts(10), parts(50)];
const TICKS_LEAST = 3;
/** The words beside upright lines stand one below the other, this far apart: on a phone they are half as large again. */
const ROW = 27;

/** One axis: from figures to places between two ends. */
function axis(values, from, to) {
  const low = Math.log(Math.min(...values) / MARGIN);
  const high = Math.log(Math.max(...values) * MARGIN);
  const at = (value) => from + ((to - from) * (Math.log(value) - low)) / (high - low);
  const holds = (value) => Math.log(value) >= low && Math.log(value) <= high;
  const decades = Array.from({ length: 9 }, (_, at) => 10 ** (at - 3));
  const stepped = STEPS.map((steps) => decades.flatMap((decade) => steps.map((step) => step * decade)).filter(holds));
  const ticks = stepped.find(({ length }) => length >= TICKS_LEAST) ?? stepped.at(-1);
  return { at, holds, ticks };
}

const path = (points) => points.map(([x, y], at) => `${at === 0 ? "M" : "L"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
const short = (value) => String(Number(value.toPrecision(3)));

/** The drawing of a block of the kind `curve`. */
export function curve({ told, curve: points, measured, ultimate_a: ultimate, references }) {
  const longest = Math.max(...measured.map(({ s }) => s)) * LONGEST_OF;
  const inside = points.filter(([, s]) => s <= longest);
  const currents = [...measured, ...references].map(({ amps }) => amps).concat(inside.map(([amps]) => amps), ultimate ?? []);
  const x = axis(currents, EDGE.left, WIDTH - EDGE.right);
  const y = axis([...measured.map(({ s }) => s), ...inside.map(([, s]) => s)], HEIGHT - EDGE.bottom, EDGE.top);
  const within = (s) => Math.min(Math.max(y.at(s), EDGE.top), HEIGHT - EDGE.bottom);
  const band = [...inside.map(([a, , low]) => [x.at(a), within(low)]), ...inside.map(([a, , , high]) => [x.at(a), within(high)]).reverse()];
  const upright = (amps, kind, words, row) => [
    svg("line", { class: kind, x1: x.at(amps), x2: x.at(amps), y1: EDGE.top, y2: HEIGHT - EDGE.bottom }),
    svg("text", { class: kind, x: x.at(amps) + 5, y: EDGE.top + 18 + ROW * row }, words),
  ];
  const marks = measured.map(({ amps, s, what }) => svg("circle", { class: `mark ${what}`, cx: x.at(amps), cy: y.at(s), r: 6 }));
  const words = `${told}: ${measured.length} openings measured${inside.length > 1 ? ", with the fitted curve and its 95 % band" : ""}.`;
  return el("figure", { class: "trip-curve" },
    svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": words },
      ultimate === null ? null : svg("rect", { class: "ultimate-band", x: x.at(ultimate[1]), width: x.at(ultimate[2]) - x.at(ultimate[1]), y: EDGE.top, height: HEIGHT - EDGE.bottom - EDGE.top }),
      x.ticks.map((a) => [svg("line", { class: "grid", x1: x.at(a), x2: x.at(a), y1: EDGE.top, y2: HEIGHT - EDGE.bottom }), svg("text", { class: "tick", x: x.at(a), y: HEIGHT - EDGE.bottom + 20, "text-anchor": "middle" }, short(a))]).flat(),
      y.ticks.map((s) => [svg("line", { class: "grid", y1: y.at(s), y2: y.at(s), x1: EDGE.left, x2: WIDTH - EDGE.right }), svg("text", { class: "tick", x: EDGE.left - 8, y: y.at(s) + 5, "text-anchor": "end" }, short(s))]).flat(),
      svg("text", { class: "tick", x: WIDTH - EDGE.right, y: HEIGHT - 10, "text-anchor": "end" }, "current, A"),
      svg("text", { class: "tick", x: EDGE.left, y: HEIGHT - 10 }, "↑ time to trip, s"),
      inside.length > 1 ? [svg("path", { class: "band", d: `${path(band)}Z` }), svg("path", { class: "fitted", d: path(inside.map(([a, s]) => [x.at(a), y.at(s)])) })] : null,
      references.map(({ amps, what }, at) => upright(amps, "reference", what, at + 1)).flat(),
      ultimate === null ? null : upright(ultimate[0], "ultimate", "never opens below", 0),
      marks),
    el("figcaption", { class: "fine" }, ["Measured: filled from cold, hollow warm.",
      inside.length > 1 ? "Line and band: fitted, from cold." : null,
      ultimate === null ? null : "Dashed: the ultimate trip current with its interval.",
      references.length === 0 ? null : "Dotted: reference lines."].filter(Boolean).join(" ")));
}
