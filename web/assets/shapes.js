// One shape for every kind of event and every state, so that colour never stands alone. Each fits a box of 20 by 20.

import { svg } from "./dom.js";

export const MARKS = {
  start: "M10 4 L16 15 H4 Z",
  stop: "M5 5 H15 V15 H5 Z",
  trip: "M10 2 L18 10 L10 18 L2 10 Z",
  reset: "M10 3 A7 7 0 1 1 9.9 3 Z M10 7 A3 3 0 1 0 10.1 7 Z",
  late: "M7 1 H13 L19 7 V13 L13 19 H7 L1 13 V7 Z M9 4 V11 H11 V4 Z M9 13.5 V15.5 H11 V13.5 Z",
  sensor: "M10 2 L19 18 H1 Z M9 8 V13 H11 V8 Z M9 14.5 V16.5 H11 V14.5 Z",
  "sensor-back": "M10 18 L1 2 H19 Z M5.5 5 L8.5 12 L15 5 H12.5 L8.8 9 L7.5 5 Z",
  "supply-lost": "M3 4 H17 L10 17 Z M6.5 6 L10 12.5 L13.5 6 Z",
  "supply-back": "M3 16 H17 L10 3 Z M6.5 14 L10 7.5 L13.5 14 Z",
  "clock-step": "M4 2 H16 L11 10 L16 18 H4 L9 10 Z",
  "gap-begin": "M2 3 H6 V17 H2 Z M14 3 H18 V17 H14 Z M8.5 9 H11.5 V11 H8.5 Z",
  mark: "M4 2 H6 V18 H4 Z M6 3 H17 L13.5 7 L17 11 H6 Z",
};

/** Which colour of the theme a mark has. */
export const MARK_COLOURS = {
  trip: "trip",
  late: "danger",
  sensor: "warn",
  "supply-lost": "supply",
  "supply-back": "supply",
  reset: "go",
  start: "go",
};

const STATES = {
  running: "M10 1.5 A8.5 8.5 0 1 1 9.9 1.5 Z",
  starting: "M4 2.5 L17.5 10 L4 17.5 Z",
  off: "M10 1.5 A8.5 8.5 0 1 1 9.9 1.5 Z M10 4.5 A5.5 5.5 0 1 0 10.1 4.5 Z",
  "protector-open": "M10 1 L19 10 L10 19 L1 10 Z M10 5 L5 10 L10 15 L15 10 Z",
  "locked-rotor": "M4.2 1.5 L10 7.3 L15.8 1.5 L18.5 4.2 L12.7 10 L18.5 15.8 L15.8 18.5 L10 12.7 L4.2 18.5 L1.5 15.8 L7.3 10 L1.5 4.2 Z",
  "no-data": "M2 4 H18 V6 H2 Z M2 9 H8 V11 H2 Z M12 9 H18 V11 H12 Z M2 14 H18 V16 H2 Z",
};

const drawing = (path, size) =>
  svg("svg", { viewBox: "0 0 20 20", width: size, height: size, "aria-hidden": "true", class: "shape" },
    svg("path", { d: path, fill: "currentColor", "fill-rule": "evenodd" }));

export const stateShape = (code, size) => drawing(STATES[code] ?? STATES["no-data"], size);
export const markShape = (kind, size) => drawing(MARKS[kind], size);
