// Readings by tiles. A tile is 512 buckets of one width, a power of two of a second, at a place that never moves, so that
// what was read once serves every view that touches it. What is missing is asked for at once, in one question; a question
// that nobody waits for any more is called off. Until the answer is there a coarser tile stands in.

import { ask } from "./api.js";

export const TILE_BUCKETS = 512;
/** From a 64th of a second, below any sample period, to two years a tile. */
const [LEVEL_LEAST, LEVEL_MOST] = [-6, 17];
const TILES_KEPT = 160;
/** A question is for so many tiles at most: the recorder gives 4,000 points. */
const TILES_ASKED = 7;
/** Coarser tiles looked through for one that stands in. */
const STAND_INS = 8;
const ASK_DELAY_MS = 40;
/** Samples of the last seconds may still come. */
const SETTLES_US = 10e6;

const bucketUs = (level) => 1e6 * 2 ** level;
const tileUs = (level) => bucketUs(level) * TILE_BUCKETS;

/** The widest buckets that are not wider than a pixel. */
export function levelFor(spanUs, px) {
  const level = Math.floor(Math.log2(spanUs / 1e6 / Math.max(1, px)));
  return Math.min(Math.max(level, LEVEL_LEAST), LEVEL_MOST);
}

export class Tiles {
  /** `reached()` is the last sample of the record; `onNews` is called when there is more to draw. */
  constructor(unit, reached, onNews) {
    [this.unit, this.reached, this.onNews] = [unit, reached, onNews];
    this.kept = new Map();
    this.wanted = null;
  }

  /** What of a view is at hand; what is not is asked for. `fresh` asks again for what may have grown. */
  look(view, px, fresh = false) {
    if (fresh) this.kept.forEach((tile) => { tile.isOld ||= !tile.isFinal; });
    this.want(view, px);
    return this.gathered(view, this.wanted.level);
  }

  /** Asks for what of a view is not at hand. */
  want(view, px) {
    this.wanted = { view, level: levelFor(view.to - view.from, px) };
    this.askSoon();
  }

  /** Whether everything of the view looked at last is there. */
  isWhole() {
    return this.wanted !== null && this.missing().length === 0;
  }

  // Asking.

  missing() {
    const { view, level } = this.wanted;
    const numbers = numbersOf(view, level).filter((number) => number * tileUs(level) <= this.reached());
    return numbers.filter((number) => {
      const tile = this.kept.get(`${level}/${number}`);
      return !tile || tile.isOld;
    });
  }

  askSoon() {
    if (this.soon !== undefined) return;
    this.soon = setTimeout(() => {
      this.soon = undefined;
      this.ask().catch((error) => console.info("asked again later:", error.message));
    }, ASK_DELAY_MS);
  }

  async ask() {
    const missing = this.missing();
    if (missing.length === 0) return;
    const { level } = this.wanted;
    const [first, last] = [missing[0], Math.min(missing.at(-1), missing[0] + TILES_ASKED - 1)];
    const question = `${level}/${first}/${last}`;
    if (this.asking?.question === question) return;
    this.asking?.control.abort();
    const asking = { question, control: new AbortController() };
    this.asking = asking;
    const reached = this.reached();
    const range = { from: first * tileUs(level), to: (last + 1) * tileUs(level), points: (last - first + 1) * TILE_BUCKETS };
    try {
      const { series } = await ask("/api/v1/series", { unit: this.unit, ...range }, asking.control.signal);
      this.take(series, level, first, last, reached);
    } catch (error) {
      if (error.name !== "AbortError") throw error;
      return;
    } finally {
      if (this.asking === asking) this.asking = null;
    }
    this.onNews();
    this.askSoon();
  }

  take(series, level, first, last, reached) {
    let from = 0;
    for (let number = first; number <= last; number += 1) {
      const end = (number + 1) * tileUs(level);
      let to = from;
      while (to < series.first_us.length && series.first_us[to] < end) to += 1;
      const slice = (values) => values.slice(from, to);
      this.kept.delete(`${level}/${number}`);
      this.kept.set(`${level}/${number}`, {
        first: slice(series.first_us), last: slice(series.last_us), width: series.width_us, isOld: false, isFinal: end < reached - SETTLES_US,
        channels: series.channels.map(({ role, low, high }) => ({ role, low: slice(low), high: slice(high) })),
      });
      from = to;
    }
    for (const key of this.kept.keys()) {
      if (this.kept.size <= TILES_KEPT) break;
      this.kept.delete(key);
    }
  }

  // What is there.

  /** Buckets of a view, and one to either side, as columns; `holes` are stretches of which nothing is known yet. */
  gathered(view, level) {
    const found = { first: [], last: [], channels: new Map(), holes: [] };
    for (const number of numbersOf(view, level)) {
      const [from, to] = [number * tileUs(level), (number + 1) * tileUs(level)];
      const tile = this.kept.get(`${level}/${number}`) ?? this.standIn(level, number);
      if (tile) append(found, tile, Math.max(from, view.from), Math.min(to, view.to));
      else if (from <= this.reached()) found.holes.push([from, to]);
    }
    return found;
  }

  standIn(level, number) {
    for (let up = 1; up <= STAND_INS; up += 1) {
      const tile = this.kept.get(`${level + up}/${Math.floor(number / 2 ** up)}`);
      if (tile) return tile;
    }
    return undefined;
  }
}

function numbersOf(view, level) {
  const [first, last] = [Math.floor(view.from / tileUs(level)), Math.floor(view.to / tileUs(level))];
  return Array.from({ length: last - first + 1 }, (_, n) => first + n);
}

/** Appends the buckets of a tile that reach into a stretch, and the one before and after it: lines go on to the edge. */
function append(found, tile, from, to) {
  const reached = found.last.at(-1) ?? -Infinity;
  let [begin, end] = [tile.first.length, 0];
  tile.first.forEach((first, n) => {
    if (tile.last[n] >= from && first < to) [begin, end] = [Math.min(begin, n), n + 1];
  });
  if (begin >= end) {
    // Between two samples: the last one before, and the first one after.
    begin = tile.first.findIndex((first) => first >= to);
    begin = begin < 0 ? tile.first.length : begin;
    end = begin;
  }
  [begin, end] = [Math.max(0, begin - 1), Math.min(tile.first.length, end + 1)];
  while (begin < end && tile.first[begin] <= reached) begin += 1;
  const before = found.first.length;
  for (let n = begin; n < end; n += 1) {
    found.first.push(tile.first[n]);
    found.last.push(tile.last[n]);
  }
  for (const { role, low, high } of tile.channels) {
    if (!found.channels.has(role)) found.channels.set(role, { role, low: Array(before).fill(null), high: Array(before).fill(null) });
    const channel = found.channels.get(role);
    for (let n = begin; n < end; n += 1) {
      channel.low.push(low[n]);
      channel.high.push(high[n]);
    }
  }
}
