// What is in view as a file: links to tables, as CSV and as Parquet.

import { addressOf } from "./api.js";
import { el, setText } from "./dom.js";

const FORMATS = { csv: "CSV", parquet: "Parquet" };

/** Of more rows than this the recorder gives no file. */
let rowsMost = Infinity;
export const limitFiles = (rows) => { rowsMost = rows; };

/** A link for each form of a table; `addressed(format)` is where it is. */
function links(words, formats) {
  return Object.keys(FORMATS).map((format) => {
    const node = el("a", { "aria-label": `${words}, as ${FORMATS[format]}`, download: true }, FORMATS[format]);
    formats.push({ node, format });
    return node;
  });
}

/** Links for some tables, with words before them. */
export class Files {
  /** `tables`: the recorder's name of each, or that and the word for it; of a single one the words before it say what it is. */
  constructor(words, tables, path = "/api/v1/table") {
    this.path = path;
    this.links = [];
    const part = ([table, word]) => {
      const formats = [];
      const node = el("span", {}, tables.length > 1 ? `${word} ` : "", links(`${word} of what is shown`, formats));
      this.links.push(...formats.map((link) => ({ ...link, table })));
      return node;
    };
    this.word = el("span", { class: "fine" });
    this.root = el("p", { class: "files" }, el("span", { class: "fine" }, words), tables.map((table) => part(Array.isArray(table) ? table : [table, table])), this.word);
  }

  /** Whether there is such a table to be given. */
  offer(table, isThere) {
    for (const link of this.links.filter((one) => one.table === table)) link.node.parentElement.hidden = !isThere;
  }

  /** `asked` is what the recorder is asked for beside table and form: unit, from, to, filters; `periodMs`, where samples are, the time between two. */
  show(asked, periodMs = 0) {
    const isLong = periodMs > 0 && (asked.to - asked.from) / 1000 / periodMs > rowsMost;
    for (const { node, table, format } of this.links) {
      node.parentElement.hidden = isLong && table === "samples";
      node.href = addressOf(this.path, { table: table ?? undefined, format, ...asked });
    }
    setText(this.word, isLong ? "The samples of a stretch as long as this are too many for one file: look closer, or take the eight seconds." : "");
  }
}
