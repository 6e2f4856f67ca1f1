// What is in view as a file: links to the rows of its stretch, as CSV and as Parquet.

import { addressOf } from "./api.js";
import { el, setText } from "./dom.js";

const FORMATS = { csv: "CSV", parquet: "Parquet" };
/** More rows than this the recorder does not give at once. */
const ROWS_MOST = 8e6;

/** Links for some tables, with words before them. */
export class Files {
  constructor(words, tables) {
    this.links = [];
    const link = (table, format) => {
      const node = el("a", { "aria-label": `${table} of what is shown, as ${FORMATS[format]}`, download: true }, FORMATS[format]);
      this.links.push({ node, table, format });
      return node;
    };
    this.word = el("span", { class: "fine" });
    const parts = tables.map((table) => el("span", {}, `${table} `, Object.keys(FORMATS).map((format) => link(table, format))));
    this.root = el("p", { class: "files" }, el("span", { class: "fine" }, words), parts, this.word);
  }

  /** `asked` is what the recorder is asked for beside table and form: unit, from, to, filters; `periodMs`, where samples are, the time between two. */
  show(asked, periodMs = 0) {
    const isLong = periodMs > 0 && (asked.to - asked.from) / 1000 / periodMs > ROWS_MOST;
    for (const { node, table, format } of this.links) {
      node.parentElement.hidden = isLong && table === "samples";
      node.href = addressOf("/api/v1/table", { table, format, ...asked });
    }
    setText(this.word, isLong ? "The samples of a stretch as long as this are too many for one file: look closer." : "");
  }
}
