// Figures as people read them: amperes and volts, and temperatures in the scale that was chosen.

let fahrenheit = false;

export function setScale(name) {
  fahrenheit = name === "fahrenheit";
}

export const scaleName = () => (fahrenheit ? "fahrenheit" : "celsius");

/** Degrees of the scale from degrees Celsius. */
export const shown = (celsius) => (fahrenheit ? celsius * 1.8 + 32 : celsius);
export const degree = () => (fahrenheit ? "°F" : "°C");

const number = (value, decimals) => (value === null || value === undefined ? null : value.toFixed(decimals));

export const amps = (value) => number(value, value !== null && value >= 100 ? 1 : 2);
export const volts = (value) => number(value, 0);
export const degrees = (celsius) => (celsius === null || celsius === undefined ? null : shown(celsius).toFixed(1));

// A figure, perhaps another before it with " to " or " ± " between, and a unit of temperature behind.
const IN_WORDS = /(?:(?:(-?\d+(?:\.\d+)?)( to | ± ))?(-?\d+(?:\.\d+)?))?( °C|(?<=\d) K(?![\p{L}\p{N}/]))/gu;

/** A sentence of the recorder, which speaks in °C and of differences in K, in the scale; a figure stays with its unit. */
export const told = (text) => (fahrenheit ? inWordsFahrenheit(text) : text).replace(/(?<=\d) (?=(?:°[CF]|[AVKs%]|min|h)(?![\p{L}\p{N}]))/gu, "\u00a0");

/** A sentence with its temperatures in °F, as the report does it. */
export function inWordsFahrenheit(text) {
  return text.replace(IN_WORDS, (_, first, between, last, unit, at) => {
    const isLevel = unit === " °C";
    const isSpread = between === " ± " || text.slice(0, at).endsWith("± ");
    const before = first === undefined ? "" : `${inFahrenheit(first, isLevel)}${between}`;
    return `${before}${last === undefined ? "" : inFahrenheit(last, isLevel && !isSpread)} °F`;
  });
}

/** A figure with as many decimals as it had. */
function inFahrenheit(figure, isLevel) {
  const decimals = figure.split(".")[1]?.length ?? 0;
  const value = (Number(figure) * 1.8 + (isLevel ? 32 : 0)).toFixed(decimals);
  return Number(value) === 0 ? value.replace("-", "") : value; // nought has no sign
}

/** With the unit, or `none` where there is no value. */
export const withUnit = (text, unit, none = "no reading") => (text === null ? none : `${text} ${unit}`);

const ROLES = {
  current: { word: "Current", text: amps, unit: () => "A" },
  start: { word: "Start lead", text: amps, unit: () => "A" },
  case: { word: "Protector’s case", text: degrees, unit: degree },
  disc: { word: "Disc by the model", text: degrees, unit: degree },
  ambient: { word: "Ambient", text: degrees, unit: degree },
  dome: { word: "Shell", text: degrees, unit: degree },
  box: { word: "Cooled space", text: degrees, unit: degree },
  supply: { word: "Supply", text: volts, unit: () => "V" },
  demand: { word: "Power offered", text: (value) => (value > 0.5 ? "yes" : "no"), unit: () => "" },
};

export const roleWord = (role) => ROLES[role]?.word ?? role;

/** One value or a range: `0.00 to 12.41 A`. */
export function rangeWord(role, low, high) {
  const { text, unit } = ROLES[role];
  if (low === null) return "no reading";
  const [from, to] = [text(low), text(high)];
  return `${from === to ? from : `${from} to ${to}`} ${unit()}`.trim();
}
