// Drawing the chart: lanes and panels on one time axis. Pure: takes a context, a layout and data, draws, keeps nothing.

import { length, offsetWord } from "./clock.js";
import { canvasFont, textScale } from "./dom.js";
import { degree, shown } from "./figures.js";
import { clockChanges, linear, rounded, timeTicks, valueTicks } from "./scale.js";
import { MARKS, MARK_COLOURS } from "./shapes.js";
import { CAUSES, EVENTS } from "./words.js";

const LEAST_TICK_PX = 76;
const MARK_PX = 14;
const MARK_CLEAR_PX = 13;
export const EVENT_LANE_PX = 44;
export const ON_LANE_PX = 16;
const PANEL_GAP_PX = 32;
const AXIS_PX = 26;
/** Narrower than this the words of the reference lines stand in the plot, else to its right. */
const NARROW_PX = 640;
const LABELS_PX = 84;

/** Dashes, so that lines differ without their colour. */
export const DASHES = { current: [], case: [], ambient: [7, 4], dome: [2, 3], box: [9, 3, 2, 3], supply: [], start: [4, 3], disc: [1.5, 2.5] };

const PANELS = [
  { name: "current", roles: ["current", "start"], unit: () => "A", share: 5, least: 0, floor: true },
  { name: "temperature", roles: ["case", "disc", "ambient", "dome", "box"], unit: degree, share: 4, least: 10, show: shown },
  { name: "supply", roles: ["supply"], unit: () => "V", share: 2, least: 20 },
  { name: "demand", roles: ["demand"], lane: true, share: 0.5 },
];
/** Samples further apart than this are drawn as dots, px. */
const DOTS_PX = 9;
/** A band narrower than this would not be seen, px. */
const SEEN_PX = 1.5;
/** Lowest and highest nearer than this are under one line, px. */
const THICK_PX = 0.8;

/** Panels for the roles that are wired. */
export const panelsFor = (roles) => PANELS.filter((panel) => panel.roles.some((role) => roles.includes(role)));

/** Height of the whole chart for so many panels, px. */
export const chartHeight = (panels, narrow) =>
  EVENT_LANE_PX + ON_LANE_PX + AXIS_PX + panels.reduce((sum, { share }) => sum + share * (narrow ? 30 : 40) + PANEL_GAP_PX, 0);

/** Where everything stands. */
export function layout(width, height, panels, view) {
  const [left, right] = (width < NARROW_PX ? [40, 8] : [52, LABELS_PX]).map((px) => px * textScale());
  const body = height - EVENT_LANE_PX - ON_LANE_PX - AXIS_PX - panels.length * PANEL_GAP_PX;
  const shares = panels.reduce((sum, { share }) => sum + share, 0);
  let top = EVENT_LANE_PX + ON_LANE_PX;
  const placed = panels.map((panel) => {
    const from = top + PANEL_GAP_PX;
    top = from + (body * panel.share) / shares;
    return { ...panel, top: from, bottom: top };
  });
  return { width, height, left, right: width - right, bottom: height - AXIS_PX, panels: placed, x: linear(view.from, view.to, left, width - right) };
}

/** Draws everything that does not follow the pointer. */
export function plot(context, place, data, colours) {
  context.font = canvasFont();
  context.textBaseline = "alphabetic";
  drawTimeAxis(context, place, data.view, colours);
  inside(context, place, () => drawOnLane(context, place, data, colours));
  const words = place.panels.flatMap((panel) => drawPanel(context, place, panel, data, colours));
  inside(context, place, () => {
    data.holes.forEach((hole) => drawHole(context, place, hole, colours));
    data.gaps.forEach((gap) => drawGap(context, place, gap, colours));
  });
  // A gap does not lie over what a line is.
  words.forEach(({ word, align, x, y }) => {
    context.textAlign = align;
    haloed(context, word, x, y, colours.quiet, colours.card);
  });
  drawMarks(context, place, data, colours);
}

function inside(context, place, draw) {
  context.save();
  context.beginPath();
  context.rect(place.left, 0, place.right - place.left, place.height);
  context.clip();
  draw();
  context.restore();
}

function drawTimeAxis(context, place, view, colours) {
  context.textAlign = "center";
  for (const { at, label, strong } of timeTicks(view.from, view.to, place.right - place.left, LEAST_TICK_PX * textScale())) {
    const x = Math.round(place.x(at)) + 0.5;
    vertical(context, x, EVENT_LANE_PX, place.bottom, strong ? colours.quiet : colours.rule);
    context.font = canvasFont(strong ? "600" : "");
    context.fillStyle = colours.quiet;
    const half = context.measureText(label).width / 2;
    if (x - half > place.left - 22 && x + half < place.right + 4) context.fillText(label, x, place.height - 8);
  }
  context.font = canvasFont();
  if (place.width >= NARROW_PX) {
    context.textAlign = "left";
    context.fillStyle = colours.quiet;
    context.fillText(offsetWord(view.to), place.right + 6, place.height - 8);
    context.textAlign = "center";
  }
  for (const { at, word } of clockChanges(view.from, view.to)) {
    vertical(context, place.x(at), EVENT_LANE_PX, place.bottom, colours.warn);
    context.fillStyle = colours.warn;
    context.fillText(word, place.x(at), place.bottom - 4);
  }
}

function vertical(context, x, top, bottom, colour) {
  context.strokeStyle = colour;
  context.lineWidth = 1;
  context.beginPath();
  context.moveTo(x, top);
  context.lineTo(x, bottom);
  context.stroke();
}

/** On-periods as solid bars; off-periods behind an open protector as hatched ones. Of too many: their shares of the time. */
function drawOnLane(context, place, { happened, end }, colours) {
  if (!happened) return;
  const top = EVENT_LANE_PX;
  const fills = { on: colours.current, open: hatch(context, colours.trip) };
  for (const { what, from_us: from, to_us: to } of happened.spans ?? []) {
    const [left, right] = [place.x(from), place.x(to ?? end)];
    context.fillStyle = fills[what];
    context.fillRect(left, top, Math.max(1, right - left), ON_LANE_PX);
  }
  if (happened.shares === null) return;
  const { on, open, width_us: width } = happened.shares;
  on.forEach((share, n) => {
    const [left, right] = [n, n + 1].map((at) => place.x(happened.from_us + at * width));
    const [onPx, openPx] = [share * ON_LANE_PX, open[n] * ON_LANE_PX];
    context.fillStyle = fills.on;
    context.fillRect(left, top + ON_LANE_PX - onPx, right - left + 0.5, onPx);
    context.fillStyle = fills.open;
    context.fillRect(left, top + ON_LANE_PX - onPx - openPx, right - left + 0.5, openPx);
  });
}

/** Power offered or not: a bar where it is, half of one where it changed within a bucket. */
function drawLane(context, place, panel, data, colours) {
  const channel = data.channels.find(({ role }) => panel.roles.includes(role));
  const [top, height] = [panel.top, panel.bottom - panel.top];
  context.strokeStyle = colours.rule;
  context.strokeRect(place.left + 0.5, top + 0.5, place.right - place.left - 1, height - 1);
  context.textAlign = "left";
  context.fillStyle = colours.ink;
  context.fillText("power offered", place.left, top - 8);
  if (!channel) return;
  context.fillStyle = colours.go;
  inside(context, place, () => data.runs.forEach((run) => lanes(run, channel).forEach(({ from, to, share }) => {
    const left = place.x(from);
    context.fillRect(left, top + height * (1 - share), Math.max(1, place.x(to) - left), height * share);
  })));
}

/** Stretches of a run in which a contact was closed all the time, or now and again: `share` 1 or a half. */
function lanes(run, { low, high }) {
  const found = [];
  let before = null;
  for (const { n, first, last } of run) {
    const share = high[n] === null || high[n] < 0.5 ? 0 : low[n] < 0.5 ? 0.5 : 1;
    const lane = found.at(-1);
    if (share > 0 && lane?.share === share && lane.to === before) lane.to = last;
    else if (share > 0) found.push({ from: before ?? first, to: last, share });
    before = last;
  }
  return found;
}

/** The words of its lines are left to be written. */
function drawPanel(context, place, panel, data, colours) {
  if (panel.lane) {
    drawLane(context, place, panel, data, colours);
    return [];
  }
  const channels = data.channels.filter(({ role }) => panel.roles.includes(role));
  const lines = data.lines.filter(({ panel: name }) => name === panel.name);
  const show = panel.show ?? ((value) => value);
  const [low, high] = domain(channels, lines, panel, show);
  const count = Math.max(2, Math.round((panel.bottom - panel.top) / 32));
  const [from, to] = rounded(low, high, count);
  const y = linear(from, to, panel.bottom, panel.top);
  drawValueAxis(context, place, panel, { from, to, y, count }, colours);
  inside(context, place, () => {
    channels.forEach((channel) => drawBand(context, place, data.runs, channel, (value) => y(show(value)), colours));
  });
  drawPanelTitle(context, place, panel, channels, colours);
  return lines.flatMap((line) => drawLine(context, place, panel, line, y(show(line.value)), colours));
}

function domain(channels, lines, panel, show) {
  const values = channels.flatMap(({ low, high }) => [...low, ...high]).filter((value) => value !== null).map(show);
  const near = lines.filter(({ always }) => always).map(({ value }) => show(value));
  let low = values.concat(near).reduce((a, b) => Math.min(a, b), Infinity);
  let high = values.concat(near).reduce((a, b) => Math.max(a, b), -Infinity);
  if (low > high) [low, high] = [0, 1];
  if (panel.floor) low = Math.min(0, low);
  const lacking = panel.least - (high - low);
  return lacking > 0 ? [low - lacking / 2, high + lacking / 2] : [low, high === low ? low + 1 : high];
}

function drawValueAxis(context, place, panel, { from, to, y, count }, colours) {
  const { ticks, decimals } = valueTicks(from, to, count);
  context.textAlign = "right";
  for (const value of ticks) {
    const at = Math.round(y(value)) + 0.5;
    context.strokeStyle = colours.rule;
    context.lineWidth = 1;
    context.beginPath();
    context.moveTo(place.left, at);
    context.lineTo(place.right, at);
    context.stroke();
    context.fillStyle = colours.quiet;
    context.fillText(value.toFixed(decimals), place.left - 6, at + 4);
  }
}

function drawPanelTitle(context, place, panel, channels, colours) {
  context.textAlign = "left";
  const roles = channels.map(({ role }) => role);
  let at = place.left;
  context.fillStyle = colours.quiet;
  context.fillText(panel.unit(), place.left - 6 - context.measureText(panel.unit()).width, panel.top - 9);
  for (const role of roles) {
    context.strokeStyle = colours[role];
    context.lineWidth = 2.5;
    context.setLineDash(DASHES[role] ?? []);
    context.beginPath();
    context.moveTo(at, panel.top - 13);
    context.lineTo(at + 22, panel.top - 13);
    context.stroke();
    context.setLineDash([]);
    const word = WORDS[role] ?? role;
    context.fillStyle = colours.ink;
    context.fillText(word, at + 28, panel.top - 9);
    at += 28 + context.measureText(word).width + 16;
  }
}

const WORDS = { current: "current", start: "start lead", case: "case", disc: "disc by the model", ambient: "ambient", dome: "shell", box: "cooled space", supply: "supply" };

/** A value of the nameplate or of the protector; its word, and where it belongs. */
function drawLine(context, place, panel, line, y, colours) {
  if (y < panel.top || y > panel.bottom) return [];
  context.strokeStyle = colours.quiet;
  context.lineWidth = 1;
  context.setLineDash([1, 4]);
  context.beginPath();
  context.moveTo(place.left, y);
  context.lineTo(place.right, y);
  context.stroke();
  context.setLineDash([]);
  const beside = place.width >= NARROW_PX;
  return [beside ? { word: line.word, align: "left", x: place.right + 6, y: y + 4 } : { word: line.word, align: "right", x: place.right - 4, y: y - 4 }];
}

/** A word that stays legible on top of a line. */
function haloed(context, word, x, y, colour, ground) {
  context.strokeStyle = ground;
  context.lineWidth = 4;
  context.lineJoin = "round";
  context.strokeText(word, x, y);
  context.fillStyle = colour;
  context.fillText(word, x, y);
}

/** Lowest to highest per bucket as a filled band with an outline, broken where there are no samples. */
function drawBand(context, place, runs, channel, y, colours) {
  context.strokeStyle = colours[channel.role];
  context.fillStyle = colours[channel.role];
  context.lineWidth = 1.5;
  context.lineJoin = "round";
  for (const run of runs) {
    for (const part of parts(run, channel)) {
      const { upper, outline } = band(place, part, channel, y);
      if (outline !== null) {
        context.globalAlpha = 0.4;
        context.fill(outline);
        context.globalAlpha = 1;
      }
      context.setLineDash(DASHES[channel.role] ?? []);
      context.stroke(upper);
      context.setLineDash([]);
      drawSeen(context, place, part, channel, y);
    }
  }
}

/** What a line and a band leave unseen: a part no wider than a pixel, and where each sample is once there is room. */
function drawSeen(context, place, part, channel, y) {
  const [left, right] = [place.x(part[0].first), place.x(part.at(-1).last)];
  if (right - left < SEEN_PX) {
    const [top, bottom] = [Math.min(...part.map(({ n }) => y(channel.high[n]))), Math.max(...part.map(({ n }) => y(channel.low[n])))];
    context.fillRect((left + right) / 2 - 1, top - 1, 2, bottom - top + 2);
  }
  if (part.length < 2 || (right - left) / (part.length - 1) < DOTS_PX) return;
  for (const { n, first, last } of part) {
    context.beginPath();
    context.arc(place.x((first + last) / 2), y(channel.high[n]), 2.2, 0, 2 * Math.PI);
    context.fill();
  }
}

/** Stretches of a run in which the channel has values. */
function parts(run, channel) {
  const found = [];
  for (const bucket of run) {
    if (channel.high[bucket.n] === null) found.push([]);
    else if (found.length === 0) found.push([bucket]);
    else found.at(-1).push(bucket);
  }
  return found.filter((part) => part.length > 0);
}

/** The line of the highest, and the band down to the lowest; none where that is under the line. */
function band(place, part, channel, y) {
  const isThick = part.some(({ n }) => y(channel.low[n]) - y(channel.high[n]) > THICK_PX);
  const upper = new Path2D();
  const outline = new Path2D();
  const at = ({ first, last }) => place.x((first + last) / 2);
  const edges = [[place.x(part[0].first), part[0].n], ...part.map((bucket) => [at(bucket), bucket.n]), [place.x(part.at(-1).last), part.at(-1).n]];
  edges.forEach(([x, n], index) => {
    const top = y(channel.high[n]);
    if (index === 0) upper.moveTo(x, top);
    else upper.lineTo(x, top);
    outline.lineTo(x, top);
  });
  if (!isThick) return { upper, outline: null };
  edges.reverse().forEach(([x, n]) => outline.lineTo(x, y(channel.low[n])));
  outline.closePath();
  return { upper, outline };
}

/** A stretch that has not been read yet: neither readings nor a gap. */
function drawHole(context, place, [from, to], colours) {
  const [left, right] = [Math.max(place.x(from), place.left), Math.min(place.x(to), place.right)];
  context.fillStyle = colours.rule;
  context.globalAlpha = 0.5;
  context.fillRect(left, EVENT_LANE_PX + ON_LANE_PX, right - left, place.bottom - EVENT_LANE_PX - ON_LANE_PX);
  context.globalAlpha = 1;
}

/** A stretch without samples: hatched over all panels, with its length in words where there is room. */
function drawGap(context, place, { from, to }, colours) {
  const [left, right] = [place.x(from), Math.max(place.x(from) + 2, place.x(to))];
  if (right < place.left || left > place.right) return;
  const top = EVENT_LANE_PX;
  context.fillStyle = colours.card;
  context.fillRect(left, top, right - left, place.bottom - top);
  context.fillStyle = hatch(context, colours.quiet);
  context.globalAlpha = 0.55;
  context.fillRect(left, top, right - left, place.bottom - top);
  context.globalAlpha = 1;
  const word = `no samples for ${length((to - from) / 1e6)}`;
  const middle = (Math.max(left, place.left) + Math.min(right, place.right)) / 2;
  const room = Math.min(right, place.right) - Math.max(left, place.left);
  if (room > 9) gapWord(context, place, word, middle, room, colours);
}

function gapWord(context, place, word, x, room, colours) {
  const width = context.measureText(word).width + 12;
  context.save();
  context.translate(x, (EVENT_LANE_PX + ON_LANE_PX + place.bottom) / 2);
  if (width > room) context.rotate(-Math.PI / 2);
  context.fillStyle = colours.card;
  context.fillRect(-width / 2, -9, width, 18);
  context.fillStyle = colours.ink;
  context.textAlign = "center";
  context.fillText(word, 0, 4);
  context.restore();
}

function hatch(context, colour) {
  const tile = document.createElement("canvas");
  [tile.width, tile.height] = [8, 8];
  const pen = tile.getContext("2d");
  pen.strokeStyle = colour;
  pen.lineWidth = 1.4;
  pen.beginPath();
  for (const shift of [-8, 0, 8]) {
    pen.moveTo(shift, 8);
    pen.lineTo(shift + 8, 0);
  }
  pen.stroke();
  return context.createPattern(tile, "repeat");
}

/** Events by shape and word; where they would overlap, the graver one stays. */
function drawMarks(context, place, { happened, view }, colours) {
  const seen = (happened?.events ?? []).filter(({ kind, time_us: at }) => MARKS[kind] && at >= view.from && at <= view.to);
  const grave = [...seen].sort((a, b) => EVENTS[a.kind].grave - EVENTS[b.kind].grave);
  const kept = [];
  for (const event of grave) {
    const x = place.x(event.time_us);
    if (kept.every((other) => Math.abs(other.x - x) >= MARK_CLEAR_PX)) kept.push({ event, x });
  }
  kept.sort((a, b) => a.x - b.x);
  drawMarkWords(context, place, kept, colours);
  for (const { event, x } of kept) drawMark(context, event.kind, x, colours);
}

function drawMark(context, kind, x, colours) {
  context.save();
  context.translate(x - MARK_PX / 2, EVENT_LANE_PX - MARK_PX - 5);
  context.scale(MARK_PX / 20, MARK_PX / 20);
  context.fillStyle = colours[MARK_COLOURS[kind] ?? "quiet"];
  SHAPES[kind] ??= new Path2D(MARKS[kind]);
  context.fill(SHAPES[kind], "evenodd");
  context.restore();
}

const SHAPES = {};

/** Words over the graver marks, as long as they do not touch. */
function drawMarkWords(context, place, kept, colours) {
  context.textAlign = "center";
  context.fillStyle = colours.ink;
  const taken = [];
  const worded = kept.filter(({ event }) => EVENTS[event.kind].grave <= 6);
  for (const { event, x } of worded.sort((a, b) => EVENTS[a.event.kind].grave - EVENTS[b.event.kind].grave)) {
    const word = (CAUSES[event.cause] ?? EVENTS[event.kind].word) + (event.others > 0 ? ` +${event.others}` : "");
    const half = context.measureText(word).width / 2 + 4;
    const middle = Math.min(Math.max(x, place.left + half), place.right - half);
    if (taken.some(([from, to]) => middle + half > from && middle - half < to)) continue;
    taken.push([middle - half, middle + half]);
    context.fillText(word, middle, 16);
  }
}
