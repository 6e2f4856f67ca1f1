"""Runs the README's queries on a record in four programs, and reads its tables as CSV; Nightclamp's own figures have to come out.

    neighbours.py README.md RECORD FIGURES.json NIGHTCLAMP

FIGURES.json is what `cargo run -p nightclamp-tests --example figures -- RECORD` prints: starts in each clock hour (UTC) and trips
by cause, worked out from the raw logs by the code that fills pages and reports. Exit code 0 if all holds, else 1 and a message.
"""

import csv
import io
import json
import pathlib
import re
import subprocess
import sys

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds

PROGRAMS = {"pandas", "polars", "duckdb", "pyarrow"}


def require(holds, what):
    if not holds:
        sys.exit(f"does not hold: {what}")


def pairs(result):
    """A result of two columns in whatever a program gives, as a dictionary."""
    kind = type(result).__module__.split(".")[0].lstrip("_")
    if kind == "pandas":
        rows = result.items()
    elif kind == "polars":
        rows = result.rows()
    elif kind == "pyarrow":
        rows = zip(*(column.to_pylist() for column in result.columns))
    else:
        rows = result.fetchall()
    return {key if isinstance(key, str) else f"{key:%Y-%m-%d %H:00}": int(count) for key, count in rows}


def queries(readme, record):
    """The README's queries, by program: what each makes of `starts` and `trips`."""
    blocks = re.findall(r"(?:^    .*\n|^\n(?=    ))+", readme, re.MULTILINE)
    for block in (block for block in blocks if "starts = " in block and "trips = " in block):
        code = "\n".join(line[4:] for line in block.splitlines()).replace("DIR/", f"{record}/")
        program = re.search(r"^import (\w+)", code, re.MULTILINE).group(1)
        names = {}
        exec(compile(code, f"README.md, {program}", "exec"), names)
        yield program, pairs(names["starts"]), pairs(names["trips"])


def check_csv(nightclamp, record, table):
    """The CSV has the rows of the table: as many, and value by value (of a long table, of some 20,000 rows across it)."""
    text = subprocess.run([nightclamp, "table", record, table], check=True, capture_output=True).stdout.decode()
    require("\r\n" in text and "\n" not in text.replace("\r\n", ""), f"{table}: lines do not end as RFC 4180 says")
    header, *rows = csv.reader(io.StringIO(text, newline=""))
    opened = ds.dataset(pathlib.Path(record) / table, partitioning="hive").to_table()
    require(len(rows) == opened.num_rows, f"{table}: {len(rows)} rows, not {opened.num_rows}")
    by = header[0]
    when = "on_at" if table == "cycles" else "time"
    opened = opened.take(pc.sort_indices(opened, sort_keys=[(by, "ascending"), (when, "ascending")]))
    rows.sort(key=lambda row: (row[0], row[header.index(when)]))
    step = 1 + len(rows) // 20_000
    for index, name in enumerate(header):
        column = opened[name].take(pa.array(range(0, len(rows), step))).to_pylist()
        for row, value in zip(rows[::step], column):
            require(same(row[index], value, opened[name].type, name), f"{table}, {name}: {row[index]!r} is not {value!r}")
    return len(rows)


def same(text, value, kind, name):
    if value is None:
        return text == ""
    if pa.types.is_timestamp(kind):
        return text == f"{value:%Y-%m-%dT%H:%M:%S.%f}Z"
    if pa.types.is_floating(kind):
        return float(text) == value
    if pa.types.is_boolean(kind):
        return text == str(value).lower()
    return text == (str(value).removeprefix("b-") if name == "board" else str(value))


def main():
    if len(sys.argv) != 5:
        sys.exit(__doc__)
    readme, record, figures, nightclamp = pathlib.Path(sys.argv[1]).read_text(encoding="utf-8"), *sys.argv[2:]
    (own,) = json.loads(pathlib.Path(figures).read_text()).values()
    require(own["starts"] and own["trips"], f"the record has no starts or no trips: {own}")
    seen = set()
    for program, starts, trips in queries(readme, record):
        require(starts == own["starts"], f"{program}: starts {starts}, not {own['starts']}")
        require(trips == own["trips"], f"{program}: trips {trips}, not {own['trips']}")
        print(f"{program}: {sum(starts.values())} starts in {len(starts)} hours, {sum(trips.values())} trips by cause, the same")
        seen.add(program)
    require(seen == PROGRAMS, f"the README has queries for {sorted(seen)}, not for {sorted(PROGRAMS)}")
    for table in ("samples", "events", "cycles"):
        print(f"{table}: {check_csv(nightclamp, record, table)} rows of CSV, the same")


if __name__ == "__main__":
    main()
