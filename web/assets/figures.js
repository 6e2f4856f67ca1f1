// Figures as people read them: amperes and volts, and temperatures in the job's scale.

let fahrenheit = false;

export function setScale(name) {
  fahrenheit = name === "fahrenheit";
}

/** Degrees of the job's scale from degrees Celsius. */
export const shown = (celsius) => (fahrenheit ? celsius * 1.8 + 32 : celsius);
export const degree = () => (fahrenheit ? "°F" : "°C");

const number = (value, decimals) => (value === null || value === undefined ? null : value.toFixed(decimals));

export const amps = (value) => number(value, value !== null && value >= 100 ? 1 : 2);
export const volts = (value) => number(value, 0);
export const degrees = (celsius) => (celsius === null || celsius === undefined ? null : shown(celsius).toFixed(1));

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
