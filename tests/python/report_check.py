"""Holds the text of a report against the record's tables, both read by other programs.

    report_check.py RECORD STEM

Every opening of the protector stands in STEM.pdf and in STEM.html with its time, cause, amps, temperatures and lengths as pyarrow
reads them from the tables of RECORD, in that order; so does what its cause rests on, every sealed file with its hash, and the
chain of the manifest. Every page says which of how many it is. Nothing in the HTML is a script or is fetched. Needs pyarrow and
pypdf. Exit code 0 if all holds, else 1 and a message.
"""

import html.parser
import json
import pathlib
import re
import sys
import tomllib
import zoneinfo

import pyarrow.dataset as ds
import pypdf

NOTHING = "–"


class Text(html.parser.HTMLParser):
    """The text of a page as it is read, and its tags."""

    def __init__(self):
        super().__init__()
        self.parts, self.tags, self.hidden = [], set(), 0

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.hidden += tag in ("style", "title")
        assert not any(name.startswith("on") or name in ("src", "href") for name, _ in attributes), (tag, attributes)

    def handle_endtag(self, tag):
        self.hidden -= tag in ("style", "title")
        self.parts.append(" ")

    def handle_data(self, data):
        if not self.hidden:
            self.parts.append(data)


def flat(text):
    """Without what lines and typefaces do to spaces."""
    return re.sub(r"\s+", "", text.replace("\u00a0", " ").replace("−", "-"))


def duration(length_s):
    if length_s is None:
        return NOTHING
    if length_s < 119.95:
        return f"{length_s:.1f} s"
    whole = int(length_s + 0.5)
    hours, minutes = whole // 3600, whole // 60 % 60
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min {whole % 60:02} s"


def amps(value_a):
    return NOTHING if value_a is None else f"{value_a:.2f} A" if abs(value_a) < 10 else f"{value_a:.1f} A"


def degrees(value_c):
    return NOTHING if value_c is None else f"{value_c:.1f} °C"


def trips(record, zone):
    cycles = ds.dataset(record / "cycles", partitioning="hive").to_table().to_pylist()
    cycles.sort(key=lambda cycle: cycle["on_at"])
    by_unit = {}
    for cycle in cycles:
        if cycle["ended_by"] == "protector":
            by_unit.setdefault(cycle["unit"], []).append(cycle)
    for unit in by_unit.values():
        for number, cycle in enumerate(unit, 1):
            off_at = cycle["off_at"].astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")
            back = duration(cycle["off_s"])
            if cycle["off_s"] is not None and not cycle["reset_exact"]:
                back = f"≤ {back}"
            cells = [
                str(number), off_at, cycle["cause"], duration(cycle["on_s"]), amps(cycle["peak_a"]), amps(cycle["end_a"]),
                degrees(cycle["case_off_c"]), back, degrees(cycle["case_reset_c"]), cycle["basis"],
            ]
            yield " ".join(cells)


def main():
    record, stem = pathlib.Path(sys.argv[1]), sys.argv[2]
    job = tomllib.loads((record / "job.toml").read_text())
    zone = zoneinfo.ZoneInfo(job["job"]["timezone"])
    reader = pypdf.PdfReader(stem + ".pdf")
    pages = [page.extract_text() for page in reader.pages]
    for number, text in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in text, f"page {number} does not say so"
    page = Text()
    page.feed(pathlib.Path(stem + ".html").read_text())
    assert not page.tags & {"script", "img", "link", "iframe", "object"}, page.tags
    manifest = [json.loads(line) for line in (record / "manifest.jsonl").read_text().splitlines()]
    files = {entry["path"]: entry for entry in manifest}
    expected = list(trips(record, zone))
    hashes = [f"{path} {entry['rows'] if entry['rows'] is not None else NOTHING} {entry['bytes']} {entry['sha256']}" for path, entry in files.items() if not entry.get("withdrawn")]
    hashes.append(manifest[-1]["chain"])
    for name, text in (("PDF", "\n".join(pages)), ("HTML", "".join(page.parts))):
        text = flat(text)
        for row in expected:
            assert flat(row) in text, f"not in the {name}: {row}"
        for row in hashes if name == "HTML" else [entry["sha256"] for entry in files.values()] + hashes[-1:]:
            assert flat(row) in text, f"not in the {name}: {row}"
    print(f"{len(pages)} pages: {len(expected)} openings and {len(hashes)} hashes as in the tables, in PDF and HTML")


main()
