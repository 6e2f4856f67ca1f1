// Drawing a comparison: a panel for each reading, every trace by its own line style, time from the instant they are aligned
// at. Pure: takes a context, a layout and data, draws, keeps nothing.

import { canvasFont, textScale } from "./dom.js";
import { degree, roleWord, shown } from "./figures.js";
import { linear, rounded, valueTicks } from "./scale.js";

const PANEL_PX = 150;
const PANEL_GAP_PX = 26;
const AXIS_PX = 26;
const TICKS_S = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600];
const UNITS = { current: () => "A", case: degree, disc: degree, supply: () => "V" };
const FLOORED = ["current"];

export const overlayHeight = (panels) => panels * (PANEL_PX + PANEL_GAP_PX) + AXIS_PX;

export function overlayLayout(width, height, roles, view) {
  const [left, right] = [46 * textScale(), width - 10];
  const panels = roles.map((role, n) => ({ role, top: n * (PANEL_PX + PANEL_GAP_PX) + PANEL_GAP_PX, bottom: (n + 1) * (PANEL_PX + PANEL_GAP_PX) }));
  return { width, height, left, right, bottom: height - AXIS_PX, panels, x: linear(view.from, view.to, left, right) };
}

export function overlay(context, place, traces, gapUs, colours) {
  context.font = canvasFont();
  drawAxis(context, place, colours);
  for (const panel of place.panels) drawPanel(context, place, panel, traces, gapUs, colours);
}

function drawAxis(context, place, colours) {
  const [from, to] = [place.x.invert(place.left) / 1e6, place.x.invert(place.right) / 1e6];
  const step = TICKS_S.find((s) => s >= ((to - from) * 70 * textScale()) / (place.right - place.left)) ?? TICKS_S.at(-1);
  const decimals = step < 0.1 ? 2 : step < 1 ? 1 : 0;
  context.textAlign = "center";
  for (let n = Math.ceil(from / step); n * step <= to; n += 1) {
    const x = Math.round(place.x(n * step * 1e6)) + 0.5;
    context.strokeStyle = n === 0 ? colours.ink : colours.rule;
    context.lineWidth = 1;
    context.beginPath();
    context.moveTo(x, 8);
    context.lineTo(x, place.bottom);
    context.stroke();
    context.fillStyle = colours.quiet;
    if (x > place.left + 14 && x < place.right - 14) context.fillText(`${n > 0 ? "+" : n < 0 ? "−" : ""}${Math.abs(n * step).toFixed(decimals)} s`, x, place.height - 8);
  }
}

function drawPanel(context, place, { role, top, bottom }, traces, gapUs, colours) {
  const isTemperature = UNITS[role] === degree;
  const show = isTemperature ? shown : (value) => value;
  const within = ({ first, last, at }, n) => last[n] - at >= place.x.invert(place.left) && first[n] - at <= place.x.invert(place.right);
  const values = traces.flatMap((trace) => {
    const channel = trace.channels.get(role);
    return channel ? [...channel.low, ...channel.high].filter((value, n) => value !== null && within(trace, n % channel.low.length)) : [];
  }).map(show);
  let [low, high] = values.length > 0 ? [values.reduce((a, b) => Math.min(a, b)), values.reduce((a, b) => Math.max(a, b))] : [0, 1];
  if (FLOORED.includes(role)) low = Math.min(0, low);
  if (high - low < 1) [low, high] = [low - 0.5 * !FLOORED.includes(role), high + 0.5];
  const [from, to] = rounded(low, high, 4);
  const y = linear(from, to, bottom, top);
  const { ticks, decimals } = valueTicks(from, to, 4);
  context.textAlign = "right";
  for (const value of ticks) {
    const at = Math.round(y(value)) + 0.5;
    context.strokeStyle = colours.rule;
    context.beginPath();
    context.moveTo(place.left, at);
    context.lineTo(place.right, at);
    context.stroke();
    context.fillStyle = colours.quiet;
    context.fillText(value.toFixed(decimals), place.left - 6, at + 4);
  }
  context.textAlign = "left";
  context.fillStyle = colours.ink;
  context.fillText(`${roleWord(role)}, ${UNITS[role]()}`, place.left, top - 9);
  context.save();
  context.beginPath();
  context.rect(place.left, top - 4, place.right - place.left, bottom - top + 8);
  context.clip();
  for (const trace of traces) drawTrace(context, place, trace, role, (value) => y(show(value)), gapUs, colours);
  context.restore();
}

function drawTrace(context, place, { first, last, channels, at, style }, role, y, gapUs, colours) {
  const channel = channels.get(role);
  if (!channel) return;
  context.strokeStyle = colours[style.colour];
  context.lineWidth = 2;
  context.lineJoin = "round";
  context.setLineDash(style.dash);
  context.beginPath();
  let before = null;
  first.forEach((from, n) => {
    if (channel.high[n] === null) {
      before = null;
      return;
    }
    const x = place.x((from + last[n]) / 2 - at);
    if (before === null || from - before > gapUs) context.moveTo(x, y(channel.high[n]));
    else context.lineTo(x, y(channel.high[n]));
    // A bucket of several samples: down to the lowest and back.
    if (channel.low[n] !== channel.high[n]) {
      context.lineTo(x, y(channel.low[n]));
      context.lineTo(x, y(channel.high[n]));
    }
    before = last[n];
  });
  context.stroke();
  context.setLineDash([]);
}
