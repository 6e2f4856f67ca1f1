// The fields of the set-up page: keys of the job file, in the words of the trade.

/* An option: its value, its words, and the value by which a file may say the same in full. */

export const JOB_FIELDS = [
  { key: "name", words: "Name of the job", hint: "as it stands on reports: what and where, not whose" },
  { key: "timezone", words: "Time zone of the place", kind: "zone", hint: "such as Europe/Lisbon" },
  { key: "site", words: "Short name of the site", hint: "a-z, 0-9 and -, may be empty" },
  { key: "temperature", words: "Temperatures shown in", options: [["", "°C", "celsius"], ["fahrenheit", "°F"]] },
  { key: "clock_s", words: "This machine’s clock, off by at most", unit: "± s", kind: "number", hint: "as you compared it; for the report" },
];

export const BOARD_FIELDS = ["id", "port"];

export const PLATE_FIELDS = [
  { key: "name", words: "Name of the compressor", hint: "a-z, 0-9 and -, such as freezer" },
  { key: "rated_load_a", words: "Rated load current", unit: "A", kind: "number", hint: "nameplate" },
  { key: "locked_rotor_a", words: "Locked rotor current", unit: "A", kind: "number", hint: "nameplate" },
  { key: "clamp_on", words: "The clamp is on", options: [["", "the lead to the common terminal", "common"], ["appliance", "the lead of the whole appliance"]] },
  { key: "clamp_turns", words: "Turns through the clamp", kind: "number", hint: "1 if the lead goes through once" },
];

/** Role, what it is, and the quantities its channel may have. */
export const ROLES = [
  { key: "current", words: "Current", needed: true, quantities: ["current"], hint: "clamp on the lead" },
  { key: "case", words: "Protector’s case", quantities: ["temperature", "emf", "resistance"], hint: "bead under tape on its case" },
  { key: "ambient", words: "Ambient", quantities: ["temperature", "emf", "resistance"], hint: "air around the compressor" },
  { key: "supply", words: "Supply", quantities: ["voltage"], hint: "line voltage, upstream of every control" },
  { key: "demand", words: "Demand", quantities: ["contact"], hint: "closed while power is offered: after all controls, before the protector" },
  { key: "start_current", words: "Start lead", quantities: ["current"], hint: "second clamp, on the start lead" },
  { key: "dome", words: "Shell", quantities: ["temperature", "emf", "resistance"], hint: "bead on the shell, away from the protector" },
  { key: "box", words: "Cooled space", quantities: ["temperature", "emf", "resistance"], hint: "air of the cooled space" },
];

export const PROTECTOR_FIELDS = [
  { key: "protector.kind", words: "Kind", options: [["", "not known", "unknown"], ["external-strip", "outside, strip with a heater"], ["external-round", "outside, round line-break"], ["internal", "inside the winding"]] },
  { key: "protector.model", words: "Model", hint: "as printed on it" },
  { key: "protector.opens_c", words: "Opens at", unit: "temperature", kind: "number" },
  { key: "protector.opens_tol_c", words: "Tolerance of that", unit: "difference", kind: "number" },
  { key: "protector.closes_c", words: "Closes again at", unit: "temperature", kind: "number" },
  { key: "protector.closes_tol_c", words: "Tolerance of that", unit: "difference", kind: "number" },
  { key: "protector.heating_c_per_a2", words: "Heating by current", unit: "K/A²", kind: "number", hint: "from a bench test" },
  { key: "protector.heating_tau_s", words: "Time constant", unit: "s", kind: "number", hint: "from a bench test" },
  { key: "protector.longest_trip_s", words: "Longest time to open, rotor locked", unit: "s", kind: "number", hint: "longer without opening is a danger" },
];

export const LIMIT_FIELDS = [
  { key: "limits.starts_per_hour", words: "Most starts an hour", unit: "1/h", kind: "number" },
  { key: "limits.starts_per_hour_from", words: "Where that stands", hint: "such as: manual, section 4" },
  { key: "limits.min_off_s", words: "Shortest off-time", unit: "s", kind: "number" },
  { key: "limits.min_off_from", words: "Where that stands" },
  { key: "limits.min_run_s", words: "Shortest on-time", unit: "s", kind: "number" },
  { key: "limits.min_run_from", words: "Where that stands" },
];

export const SENSOR_FIELDS = [
  { key: "sensors.clamp_percent", words: "Clamp, of the reading", unit: "± %", kind: "number" },
  { key: "sensors.clamp_range_percent", words: "Clamp, of its range", unit: "± %", kind: "number" },
  { key: "sensors.clamp_range_a", words: "That range", unit: "A", kind: "number" },
  { key: "sensors.clamp_a", words: "Clamp, at any reading", unit: "± A", kind: "number" },
  { key: "sensors.bead_k", words: "Bead on the case", unit: "difference", kind: "number", hint: "with its reference junction" },
];
