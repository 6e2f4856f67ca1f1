// The fields of a bench test's plan on the set-up page: every key of the table [bench], in the words of the trade.

/** What matters on the bench of what a compressor's protector may have. */
export const BENCH_ROLES = ["current", "case", "ambient", "demand"];

export const BENCH_KINDS = [["", "choose its kind"], ["external-strip", "strip with a heater"], ["external-round", "round line-break"]];

const STANDS_IN = { words: "Where that stands", hint: "such as: data sheet, page 2" };
const CHOICE = [["", "no", "false"], ["true", "yes"]];

/** A group's words, what its fields share, and they. */
export const PLAN_GROUPS = [
  { words: "The test", hint: "What draws the current, and how often. Each run with a locked rotor heats the winding: as few as the answer needs.", fields: [
    { key: "load", words: "What draws the current", options: [["", "choose"], ["locked-rotor", "a compressor whose rotor cannot turn"], ["safe-load", "a load that may draw it for long"]] },
    { key: "repeats", words: "Openings to be timed", kind: "number", hint: "1 to 20; a spread needs three of a kind" },
    { key: "rest_s", words: "Rest after each reset", unit: "s", kind: "number", hint: "empty: power stays on, and each reset begins the next run, a warm one" },
    { key: "longest_reset_s", words: "Longest time open", unit: "s", kind: "number", hint: "longer, and it has failed to close again" },
    { key: "hot_reading", words: "Resistance after the last opening", options: CHOICE },
    { key: "cooled_reading", words: "Resistance when cool again", options: CHOICE },
  ] },
  { words: "Limits of error", hint: "From the sensors’ data sheets or a calibration. What is not given is not assumed: figures that need it are told, and not judged.", fields: [
    { key: "sensors.clamp_percent", words: "Clamp, of the reading", unit: "± %", kind: "number" },
    { key: "sensors.clamp_range_percent", words: "Clamp, of its range", unit: "± %", kind: "number" },
    { key: "sensors.clamp_range_a", words: "That range", unit: "A", kind: "number" },
    { key: "sensors.clamp_a", words: "Clamp, at any reading", unit: "± A", kind: "number" },
    { key: "sensors.bead_k", words: "Bead on the case", unit: "difference", kind: "number", hint: "with its place and its reference junction" },
    { key: "sensors.time_s", words: "A time", unit: "± s", kind: "number", hint: "beyond what the sample period costs" },
    { key: "sensors.meter_percent", words: "Ohmmeter, of the reading", unit: "± %", kind: "number" },
    { key: "sensors.meter_ohm", words: "Ohmmeter and its leads", unit: "± Ω", kind: "number" },
  ] },
  { words: "Time to trip", hint: "All empty: told, and not judged.", fields: [
    { key: "trip.start", words: "Runs from", options: [["", "not judged"], ["cold", "cold"], ["warm", "warm, after a reset"]] },
    { key: "trip.current_a", words: "At this current", unit: "A", kind: "number" },
    { key: "trip.ambient_c", words: "In a room at", unit: "temperature", kind: "number", hint: "only for runs from cold" },
    { key: "trip.least_s", words: "Not sooner than", unit: "s", kind: "number" },
    { key: "trip.most_s", words: "Not later than", unit: "s", kind: "number" },
    { key: "trip.stands_in", ...STANDS_IN },
  ] },
  { words: "Time to reset", hint: "All empty: told, and not judged.", fields: [
    { key: "reset.least_s", words: "Open for at least", unit: "s", kind: "number" },
    { key: "reset.most_s", words: "Open for at most", unit: "s", kind: "number" },
    { key: "reset.stands_in", ...STANDS_IN },
  ] },
  { words: "Cold resistance", hint: "All empty: only open, closed and far from usual are told.", fields: [
    { key: "resistance.least_ohm", words: "At least", unit: "Ω", kind: "number" },
    { key: "resistance.most_ohm", words: "At most", unit: "Ω", kind: "number" },
    { key: "resistance.stands_in", ...STANDS_IN },
  ] },
];

export const PLAN_FIELDS = PLAN_GROUPS.flatMap(({ fields }) => fields);
