// What the chart and the comparison have in common: a view that somebody moves about, and a place in it that is read. Whoever is
// one of them has `view` and `place`, and knows how to `look` at another view, to `draw` it and to `write` what is read.

import { sized, theme } from "./dom.js";

export class Moved {
  cursor = null;

  /** What a zoom without a pointer is about. */
  middle() {
    return (this.view.from + this.view.to) / 2;
  }

  zoom(x, factor, shiftPx) {
    const about = x === null ? (this.cursor ?? this.middle()) : this.place.x.invert(x);
    const shift = shiftPx * ((this.view.to - this.view.from) / (this.place.right - this.place.left));
    this.look({ from: about + (this.view.from - about) * factor + shift, to: about + (this.view.to - about) * factor + shift });
  }

  move(share) {
    const by = share * (this.view.to - this.view.from);
    this.look({ from: this.view.from + by, to: this.view.to + by });
  }

  pick(a, b) {
    const [from, to] = [Math.min(a, b), Math.max(a, b)].map((x) => this.place.x.invert(x));
    this.look({ from, to });
  }

  /** However often it is wished for: once a picture. */
  drawSoon() {
    if (this.picture !== undefined) return;
    this.picture = requestAnimationFrame(() => {
      this.picture = undefined;
      this.draw();
    });
  }

  /** At a pixel, by a pointer. */
  read(x) {
    if (this.place) this.readAt(this.place.x.invert(x), "off");
  }

  /** At an instant, told aloud or not (`live`: as aria-live has it). */
  readAt(at, live) {
    this.cursor = Math.min(Math.max(at, this.view.from), this.view.to);
    this.readout.setAttribute("aria-live", live);
    this.drawOver(null);
  }

  unread() {
    this.cursor = null;
    if (this.place) this.drawOver(null);
  }

  /** What follows the pointer: the stretch that is being picked, or the line that is read. */
  drawOver(picked) {
    const { context, height } = sized(this.over);
    const colours = theme();
    if (picked) {
      context.fillStyle = colours.pick;
      context.fillRect(Math.min(...picked), 0, Math.abs(picked[1] - picked[0]), height);
    } else if (this.cursor !== null) {
      context.fillStyle = colours.ink;
      context.fillRect(Math.round(this.place.x(this.cursor)), this.lineFrom, 1, this.place.bottom - this.lineFrom);
    }
    this.write();
  }
}
