// The words for what the tables hold.

export const CAUSES = {
  "locked-rotor": "locked rotor",
  overload: "overload",
  overheat: "overheat",
  early: "opened early",
  undetermined: "undetermined",
};

export const ENDS = {
  protector: "protector",
  control: "its control",
  supply: "supply failed",
  unknown: "not known",
};

export const STARTS = {
  normal: "normal",
  "locked-rotor": "did not turn",
  unknown: "not seen",
};

/** Kinds of event: the word, and how grave it is where marks would overlap (0 is the gravest). */
export const EVENTS = {
  late: { word: "protector late", grave: 0 },
  trip: { word: "protector opened", grave: 1 },
  sensor: { word: "sensor not believed", grave: 2 },
  "sensor-back": { word: "sensor believed again", grave: 6 },
  "supply-lost": { word: "supply lost", grave: 3 },
  "supply-back": { word: "supply back", grave: 4 },
  "clock-step": { word: "clock was set", grave: 5 },
  "gap-begin": { word: "samples missing", grave: 6 },
  mark: { word: "marked by a person", grave: 6 },
  reset: { word: "on again after a trip", grave: 7 },
  start: { word: "start", grave: 8 },
  stop: { word: "stop", grave: 9 },
};

/** Where a technician commonly looks first for each cause: common practice, no source. The page says that it is that. */
export const LOOK_FIRST = {
  "locked-rotor": {
    finding: "Most trips: the rotor did not turn.",
    steps: [
      "Supply voltage at the compressor during a start, against the nameplate.",
      "Start relay or PTC, start capacitor, start winding. A PTC that is still hot holds a sound motor back.",
      "Off-time before the start: about five minutes for the pressures to equalise.",
      "Only then suspect a seized compressor.",
    ],
  },
  overload: {
    finding: "Most trips: running with too much current.",
    steps: [
      "Condenser and its fan: dirt, a stopped motor, hot air that comes back.",
      "Supply voltage while it runs.",
      "A start winding that never drops out: clamp the start lead.",
      "Head pressure, charge, air in the system.",
    ],
  },
  overheat: {
    finding: "Most trips: hot, though the current was normal.",
    steps: [
      "Cooling by suction gas: charge, restriction, superheat.",
      "Air around the compressor and over the condenser.",
      "Whether the protector sits where the maker put it, under its cover.",
    ],
  },
  early: {
    finding: "Most trips: neither current nor temperature explains them.",
    steps: [
      "Bench-test the protector, or replace it with the maker’s part.",
      "Its connections: a loose terminal heats it from outside.",
      "Whether the bead sat on its case all night.",
    ],
  },
  undetermined: {
    finding: "Most trips: the evidence does not decide.",
    steps: [
      "Open a row below: its basis says what is missing.",
      "Tape a bead to the protector’s case, or wire demand and supply, and record another night.",
    ],
  },
};

/** Why a board's line was refused: by the names that the recorder counts them under. */
export const REFUSALS = {
  empty: "empty",
  "too-long": "too long",
  "no-crc": "without a checksum",
  "bad-crc": "with a wrong checksum",
  "bad-byte": "with a byte that no line has",
  malformed: "not of the protocol’s form",
  version: "of another version of the protocol",
  "reserved-place": "with a reserved name of a place",
  "duplicate-place": "that declare a place twice",
  "undeclared-channel": "of a channel beyond those the board has",
  contradiction: "that declare a channel in two ways",
  "value-count": "without one value for every channel",
};
