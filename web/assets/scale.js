// Scales and their ticks.

import { changesUs, day, offsetUs, offsetWord, timeOfDay } from "./clock.js";

const S = 1e6;
const M = 60 * S;
const H = 60 * M;
const D = 24 * H;
const STEPS = [
  0.01 * S, 0.02 * S, 0.05 * S, 0.1 * S, 0.2 * S, 0.5 * S, S, 2 * S, 5 * S, 10 * S, 15 * S, 30 * S, M, 2 * M, 5 * M, 10 * M, 15 * M, 30 * M,
  H, 2 * H, 3 * H, 6 * H, 12 * H, D, 2 * D, 7 * D, 14 * D, 28 * D, 84 * D,
];

/** Maps a domain linearly to pixels. */
export function linear(from, to, start, end) {
  const slope = (end - start) / (to - from || 1);
  const scale = (value) => start + (value - from) * slope;
  scale.invert = (pixel) => from + (pixel - start) / slope;
  return scale;
}

/** Round values between two, about `count` of them, and the decimals they need. */
export function valueTicks(from, to, count) {
  const step = roundStep((to - from) / Math.max(1, count));
  const decimals = [0, 1, 2, 3].find((count) => Math.abs(step * 10 ** count - Math.round(step * 10 ** count)) < 1e-6) ?? 4;
  const ticks = [];
  for (let n = Math.ceil(from / step - 1e-9); n * step <= to + step * 1e-9; n += 1) ticks.push(n * step);
  return { ticks, decimals };
}

function roundStep(rough) {
  const power = 10 ** Math.floor(Math.log10(rough || 1));
  const factor = [1, 2, 2.5, 5, 10].find((candidate) => candidate * power >= rough) ?? 10;
  return factor * power;
}

/** A domain widened to round values. */
export function rounded(from, to, count) {
  const step = roundStep((to - from || 1) / count);
  return [Math.floor(from / step + 1e-9) * step, Math.ceil(to / step - 1e-9) * step];
}

/** Ticks of local time, no closer than `leastPx`; midnight carries the date. */
export function timeTicks(fromUs, toUs, widthPx, leastPx) {
  const rough = ((toUs - fromUs) * leastPx) / Math.max(1, widthPx);
  const step = STEPS.find((candidate) => candidate >= rough) ?? STEPS.at(-1);
  const ticks = [];
  let at = nextLocal(fromUs, step);
  while (at <= toUs && ticks.length < 200) {
    ticks.push({ at, ...tickLabel(at, step) });
    at = nextLocal(at + step / 2, step);
  }
  return ticks;
}

/** The first instant from `atUs` on whose local time is a multiple of `step`. */
function nextLocal(atUs, step) {
  const offset = offsetUs(atUs);
  const next = Math.ceil((atUs + offset) / step) * step - offset;
  if ((next + offsetUs(next)) % step === 0) return next;
  // A change of clocks lies between: the multiple is elsewhere by the difference.
  const moved = next + offset - offsetUs(next);
  return moved >= atUs ? moved : next;
}

function tickLabel(at, step) {
  const midnight = (at + offsetUs(at)) % D === 0;
  if (step >= D) return { label: day(at), strong: false };
  if (midnight) return { label: day(at), strong: true };
  const options = { seconds: step < M, decimals: step < 0.1 * S ? 2 : step < S ? 1 : 0 };
  return { label: timeOfDay(at, options), strong: false };
}

/** Changes of clocks in a range, with both offsets. */
export function clockChanges(fromUs, toUs) {
  return changesUs()
    .filter((at) => at > fromUs && at < toUs)
    .map((at) => ({ at, word: `clocks: ${offsetWord(at - 1)} to ${offsetWord(at)}` }));
}
