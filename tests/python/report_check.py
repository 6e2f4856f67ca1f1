"""Holds the text of a report against the record's tables, both read by other programs.

    report_check.py RECORD STEM

Every opening of the protector stands in STEM.pdf and in STEM.html with its time, cause, amps, temperatures and lengths as pyarrow
reads them from the tables of RECORD, in that order; so does what its cause rests on, every sealed file with its hash, and the
chain of the manifest. Every pair of cycles that breaks a term of the job file is found here anew and stands there, below the
term's own words. Every page says which of how many it is, and none ends in a heading or in the head of a table. Nothing in the HTML is a script or is fetched. Needs pyarrow and
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
        # What must not stand alone: headings, and heads of tables.
        self.leading, self.is_leading = [], False

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.hidden += tag in ("style", "title")
        if tag in ("h2", "h3", "thead"):
            self.leading.append("")
            self.is_leading = True
        assert not any(name.startswith("on") or name in ("src", "href") for name, _ in attributes), (tag, attributes)

    def handle_endtag(self, tag):
        self.hidden -= tag in ("style", "title")
        self.is_leading &= tag not in ("h2", "h3", "thead")
        self.parts.append(" ")

    def handle_data(self, data):
        if not self.hidden:
            self.parts.append(data)
        if self.is_leading:
            self.leading[-1] += data


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


def cycles_of(record):
    """The cycles of each unit, in order."""
    cycles = ds.dataset(record / "cycles", partitioning="hive").to_table().to_pylist()
    by_unit = {}
    for cycle in sorted(cycles, key=lambda cycle: cycle["on_at"]):
        by_unit.setdefault(cycle["unit"], []).append(cycle)
    return by_unit


def instant(at, zone):
    return at.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


def trips(by_unit, zone):
    for cycles in by_unit.values():
        for number, cycle in enumerate((cycle for cycle in cycles if cycle["ended_by"] == "protector"), 1):
            off_at = instant(cycle["off_at"], zone)
            back = duration(cycle["off_s"])
            if cycle["off_s"] is not None and not cycle["reset_exact"]:
                back = f"≤ {back}"
            cells = [
                str(number), off_at, cycle["cause"], duration(cycle["on_s"]), amps(cycle["peak_a"]), amps(cycle["end_a"]),
                degrees(cycle["case_off_c"]), back, degrees(cycle["case_reset_c"]), cycle["basis"],
            ]
            yield " ".join(cells)


def broken(unit, cycles, zone):
    """The pairs that break a term as they are printed, group by group, each with the words where the term stands. Pairs of which not
    everything was seen are left out here, and may stand between."""
    limits = unit.get("limits", {})
    most = limits.get("starts_per_hour")
    if most is not None and most >= 1:
        # A start after the protector opened counts with all of them, and not with the others.
        resets = {after["on_at"] for before, after in zip(cycles, cycles[1:]) if before["ended_by"] == "protector"}
        for of in (lambda at: True, lambda at: at not in resets):
            starts = [cycle["on_at"] for cycle in cycles if cycle["on_seen"] and of(cycle["on_at"])]
            rows = []
            for first, last in zip(starts, starts[int(most):]):
                if (last - first).total_seconds() < 3600:
                    count = sum(0 <= (at - first).total_seconds() < 3600 for at in starts)
                    rows.append(f"{instant(first, zone)} {instant(last, zone)} {count}")
            yield limits["starts_per_hour_from"], rows
    for key, length, ends in (("min_off", "off_s", ("off_at", "next_on_at")), ("min_run", "on_s", ("on_at", "off_at"))):
        for by in ("control", "protector", "supply", "unknown"):
            rows = []
            for cycle in cycles:
                seen = cycle["on_seen"] or length == "off_s"
                if cycle["ended_by"] == by and seen and cycle[length] is not None and cycle[length] < limits.get(f"{key}_s", 0):
                    first, second = (instant(cycle[end], zone) for end in ends)
                    rows.append(f"{first} {second} {duration(cycle[length])}")
            yield limits.get(f"{key}_from"), rows


def check_terms(job, by_unit, zone, name, text):
    """How many pairs that break a term stand in the text, of paper the first of each group, and the words where the term stands."""
    found = 0
    for unit in job["unit"]:
        cycles = by_unit.get(unit["name"], [])
        starts = f"starts, all {sum(cycle['on_seen'] for cycle in cycles)}"
        assert flat(starts) in text, f"not in the {name}: {starts}"
        for words, rows in broken(unit, cycles, zone):
            for row in rows[:10] if name == "PDF" else rows:
                assert flat(row) in text, f"not in the {name}: {row}"
                found += 1
            assert not rows or flat(words) in text, f"not in the {name}: {words}"
    return found


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
    leading = {flat(text) for text in page.leading}
    for number, text in enumerate(pages, 1):
        above_foot = flat(text.rpartition("Nightclamp ")[0])
        alone = [text for text in leading if above_foot.endswith(text)]
        assert not alone, f"page {number} ends in {alone}"
    manifest = [json.loads(line) for line in (record / "manifest.jsonl").read_text().splitlines()]
    files = {entry["path"]: entry for entry in manifest}
    by_unit = cycles_of(record)
    expected = list(trips(by_unit, zone))
    hashes = [f"{path} {entry['rows'] if entry['rows'] is not None else NOTHING} {entry['bytes']} {entry['sha256']}" for path, entry in files.items() if not entry.get("withdrawn")]
    hashes.append(manifest[-1]["chain"])
    for name, text in (("PDF", "\n".join(pages)), ("HTML", "".join(page.parts))):
        text = flat(text)
        for row in expected:
            assert flat(row) in text, f"not in the {name}: {row}"
        for row in hashes if name == "HTML" else [entry["sha256"] for entry in files.values()] + hashes[-1:]:
            assert flat(row) in text, f"not in the {name}: {row}"
        pairs = check_terms(job, by_unit, zone, name, text)
    print(f"{len(pages)} pages: {len(expected)} openings, {len(hashes)} hashes and {pairs} pairs that break a term as in the tables, in PDF and HTML")


main()
