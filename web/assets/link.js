// A view of the chart as an address, so that it can be kept, sent and gone back to:
// `#unit=freezer&from=2026-11-25T03:00:00.000Z&to=2026-11-25T03:05:00.000Z&laid=start@2026-11-25T03:01:12.400Z,trip@...`
// Instants are record time, to a millisecond.

/** So many things can be laid over each other. */
export const LAID_MOST = 4;
const SETTLES_MS = 600;

const iso = (us) => new Date(us / 1000).toISOString();

function instant(text) {
  const ms = Date.parse(text ?? "");
  return Number.isNaN(ms) ? null : ms * 1000;
}

/** The address of a view; empty for the view that the page opens with. */
export function linkTo({ unit, from = null, to = null, laid = [] }) {
  const fields = [];
  if (unit) fields.push(`unit=${encodeURIComponent(unit)}`);
  if (from !== null && to !== null) fields.push(`from=${iso(from)}`, `to=${iso(to)}`);
  if (laid.length > 0) fields.push(`laid=${laid.map(({ kind, at }) => `${kind}@${iso(at)}`).join(",")}`);
  return fields.length > 0 ? `#${fields.join("&")}` : "";
}

/** What an address asks for; null if it is not one of a view. */
export function readLink(hash = location.hash) {
  const fields = new URLSearchParams(hash.replace(/^#/, "").replaceAll("+", "%2B"));
  if (!fields.has("unit") && !fields.has("from") && !fields.has("laid")) return null;
  const [from, to] = [instant(fields.get("from")), instant(fields.get("to"))];
  const isRange = from !== null && to !== null && from < to;
  return { unit: fields.get("unit"), from: isRange ? from : null, to: isRange ? to : null, laid: laidIn(fields.get("laid") ?? "") };
}

function laidIn(text) {
  const found = text.split(",").map((item) => item.split("@")).map(([kind, at]) => ({ kind, at: instant(at) }));
  return found.filter(({ kind, at }) => at !== null && ["start", "trip"].includes(kind)).slice(0, LAID_MOST);
}

/** Keeps the browser's address with the view; `onBack` gets what the address asks for when somebody goes back to it. */
export class Address {
  constructor(onBack) {
    this.written = location.hash;
    addEventListener("popstate", () => {
      clearTimeout(this.soon);
      const link = readLink();
      if (location.hash === this.written || (link === null && location.hash !== "")) return;
      this.written = location.hash;
      onBack(link);
    });
  }

  /** A view to be kept once nobody moves it any more. */
  settle(view) {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.keep(view), SETTLES_MS);
  }

  keep(view) {
    const hash = linkTo(view);
    if (hash === this.written) return;
    this.written = hash;
    history.pushState(null, "", hash === "" ? location.pathname + location.search : hash);
  }
}
