// Instants and lengths. Rows and samples carry record time in µs; people see the host's clock as last set, in the job's
// time zone, whose offsets the recorder sends.

const US_PER_S = 1e6;
const SKEWS_KEPT = 30;
const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

let spans = [{ from_us: 0, offset_s: 0, name: "UTC" }];
let hostOffsetUs = 0;
let skewsMs = [];

/** Takes the offsets of a message, and how the recorder's clock stands to this browser's. */
export function setClock(message) {
  if (message.zone.length > 0) spans = message.zone;
  hostOffsetUs = message.host_offset_us;
  // A message only ever arrives late: the largest difference is the one with the least delay in it.
  skewsMs = [...skewsMs.slice(1 - SKEWS_KEPT), message.wall_us / 1000 - Date.now()];
}

/** The recorder's clock now, ms. */
export const wallMs = () => Date.now() + (skewsMs.length > 0 ? Math.max(...skewsMs) : 0);

/** The same as record time, µs. */
export const recordNowUs = () => wallMs() * 1000 - hostOffsetUs;

/** An instant of the recorder's clock (µs) as record time, µs. */
export const toRecordUs = (wallUs) => wallUs - hostOffsetUs;

/** Seconds since an instant of the recorder's clock (µs). */
export const ageS = (arrivalUs) => Math.max(0, (wallMs() * 1000 - arrivalUs) / US_PER_S);

/** The instants at which local time changes its offset, record time. */
export const changesUs = () => spans.slice(1).map((span) => span.from_us - hostOffsetUs);

function spanAt(recordUs) {
  const wallUs = recordUs + hostOffsetUs;
  return spans.findLast((span) => span.from_us <= wallUs) ?? spans[0];
}

/** Local time minus UTC at an instant, µs. */
export const offsetUs = (recordUs) => spanAt(recordUs).offset_s * US_PER_S + hostOffsetUs;

const two = (number) => String(number).padStart(2, "0");
const local = (recordUs) => new Date((recordUs + offsetUs(recordUs)) / 1000);

/** `03:12:44`; with `decimals`, parts of a second too. */
export function timeOfDay(recordUs, { seconds = true, decimals = 0 } = {}) {
  const at = local(recordUs);
  const minutes = `${two(at.getUTCHours())}:${two(at.getUTCMinutes())}`;
  if (!seconds) return minutes;
  const part = decimals > 0 ? `.${String(at.getUTCMilliseconds()).padStart(3, "0").slice(0, decimals)}` : "";
  return `${minutes}:${two(at.getUTCSeconds())}${part}`;
}

/** `Wed 25 Nov` */
export function day(recordUs) {
  const at = local(recordUs);
  return `${DAYS[at.getUTCDay()]} ${at.getUTCDate()} ${MONTHS[at.getUTCMonth()]}`;
}

/** `UTC+01:00` */
export function offsetWord(recordUs) {
  const { offset_s: offset } = spanAt(recordUs);
  const minutes = Math.round(Math.abs(offset) / 60);
  return `UTC${offset < 0 ? "−" : "+"}${two(Math.floor(minutes / 60))}:${two(minutes % 60)}`;
}

/** `03:12`, or `03:12 on Wed 25 Nov` if that is not today; with the offset where the clocks change in the record. */
export function moment(recordUs, options = { seconds: false }) {
  const today = day(recordNowUs()) === day(recordUs) ? "" : ` on ${day(recordUs)}`;
  const offset = spans.length > 1 ? ` (${offsetWord(recordUs)})` : "";
  return timeOfDay(recordUs, options) + today + offset;
}

/** `03:12:44`, with the offset where the clocks change in the record: an hour may come twice. */
export const atClock = (recordUs, options = {}) => timeOfDay(recordUs, options) + (offsetVaries() ? ` (${offsetWord(recordUs)})` : "");

/** Whether the clocks change within the record: times then need their offset beside them. */
export const offsetVaries = () => spans.length > 1;

/** A length in words: `0.4 s`, `11 s`, `4 min 12 s`, `2 h 05 min`, `3 d 4 h`. */
export function length(seconds, { exact = false } = {}) {
  if (seconds < 60) return exact && seconds < 59.95 ? `${seconds.toFixed(1)} s` : `${Math.floor(seconds)} s`;
  const whole = Math.floor(seconds);
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${two(whole % 60)} s`;
  if (whole < 86400) return `${Math.floor(whole / 3600)} h ${two(Math.floor((whole % 3600) / 60))} min`;
  return `${Math.floor(whole / 86400)} d ${Math.floor((whole % 86400) / 3600)} h`;
}

/** How long ago, calmly: no decimals that flicker. */
export function ago(seconds) {
  return seconds < 1 ? "under 1 s ago" : `${length(seconds)} ago`;
}
