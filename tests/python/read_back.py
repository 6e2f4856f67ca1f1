"""Reads a record with pyarrow, as an outsider would, and checks that it is what it is said to be.

    read_back.py RECORD [OTHER]

Names, types and partitions of every file, as Parquet itself has them and as pyarrow makes them; words, nulls and times that
belong together; the manifest's figures, hashes and chain. With OTHER, a second record made from the same raw logs, the rows of
both have to be the same, one by one. Needs Python 3.11 and pyarrow; DuckDB, where it is installed, has to count the same rows.
Exit code 0 if all holds, else 1 and a message.
"""

import datetime
import hashlib
import itertools
import json
import pathlib
import re
import sys

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq

TIME = pa.timestamp("us", tz="UTC")
TEXT, REAL, BOOL = pa.string(), pa.float64(), pa.bool_()
# Name, type, and whether it may be null.
FIXED = [("time", TIME, False), ("arrival", TIME, False), ("boot", pa.uint32(), False), ("seq", pa.uint16(), False),
         ("board_ms", pa.uint64(), False)]
EVENTS = [("time", TIME, False), ("kind", TEXT, False), ("cause", TEXT, True), ("current_a", REAL, True),
          ("case_c", REAL, True), ("detail", TEXT, False)]
CYCLES = [("on_at", TIME, False), ("off_at", TIME, True), ("next_on_at", TIME, True), ("on_seen", BOOL, False),
          ("on_s", REAL, True), ("off_s", REAL, True), ("start", TEXT, False), ("ended_by", TEXT, True), ("cause", TEXT, True),
          ("peak_a", REAL, True), ("run_a", REAL, True), ("end_a", REAL, True), ("i2t_a2s", REAL, True),
          ("case_on_c", REAL, True), ("case_off_c", REAL, True), ("case_max_c", REAL, True), ("case_reset_c", REAL, True),
          ("reset_exact", BOOL, False), ("disc_c", REAL, True), ("valid", REAL, False), ("basis", TEXT, False),
          ("start_s", REAL, True), ("supply_before_v", REAL, True), ("supply_low_v", REAL, True),
          ("start_lead_peak_a", REAL, True), ("start_lead_a", REAL, True), ("run_first_a", REAL, True),
          ("run_last_a", REAL, True), ("ambient_on_c", REAL, True), ("floor_a", REAL, True), ("noise_a", REAL, True)]
LINES = ["current_{}_a", "case_{}_c", "ambient_{}_c", "dome_{}_c", "box_{}_c", "supply_{}_v", "demand_{}", "start_{}_a", "disc_{}_c"]
OVERVIEW = [("time", TIME, False), ("first", TIME, False), ("last", TIME, False), ("samples", pa.uint32(), False),
            *((line.format(end), REAL, True) for line in LINES for end in ("low", "high")),
            ("disc_first_c", REAL, True), ("floor_a", REAL, True)]
ROW_US = 8_000_000
# What Parquet itself says of a type, whatever is noted in the file for readers of Arrow: physical type, and logical.
PARQUET = {
    TIME: ("INT64", {"Type": "Timestamp", "isAdjustedToUTC": True, "timeUnit": "microseconds"}),
    TEXT: ("BYTE_ARRAY", {"Type": "String"}),
    REAL: ("DOUBLE", {"Type": "None"}),
    BOOL: ("BOOLEAN", {"Type": "None"}),
    pa.int32(): ("INT32", {"Type": "None"}),
    pa.uint16(): ("INT32", {"Type": "Int", "bitWidth": 16, "isSigned": False}),
    pa.uint32(): ("INT32", {"Type": "Int", "bitWidth": 32, "isSigned": False}),
    pa.uint64(): ("INT64", {"Type": "Int", "bitWidth": 64, "isSigned": False}),
}
WORDS = {
    "kind": {"start", "stop", "trip", "reset", "supply-lost", "supply-back", "gap-begin", "gap-end", "loss", "sensor",
             "sensor-back", "late", "clock-step", "mark"},
    "cause": {"locked-rotor", "overload", "overheat", "early", "undetermined"},
    "start": {"normal", "locked-rotor", "unknown"},
    "ended_by": {"protector", "control", "supply", "unknown"},
}
PLACES = {
    "samples": re.compile(r"samples/board=b-[0-9a-f]{8}/date=\d{4}-\d\d-\d\d/(\d{6}|open)\.parquet"),
    "events": re.compile(r"events/unit=(board-[0-9a-f]{8}|(?!board-)[a-z][a-z0-9-]*)/(\d{6}|open)\.parquet"),
    "cycles": re.compile(r"cycles/unit=(?!board-)[a-z][a-z0-9-]*/(\d{6}|open)\.parquet"),
    "overview": re.compile(r"overview/unit=(?!board-)[a-z][a-z0-9-]*/(\d{6}|open)\.parquet"),
}
PLACE_COLUMN = re.compile(r"[a-z][a-z0-9_]{0,15}")
LENGTH_S = 2e-6  # durations are of instants to a microsecond


class Deviation(Exception):
    """Something is not as it is said to be."""


def require(holds, what):
    if not holds:
        raise Deviation(what)


def files(root, table):
    """A table's files in the order of their rows: by partition, those that are sealed before the open one."""
    return sorted((root / table).rglob("*"), key=lambda path: (path.parent, path.name == "open.parquet", path.name))


def parts(root, table):
    """The rows of a table by board or unit."""
    found = {}
    for path in files(root, table):
        if path.is_file():
            key = next(part for part in path.parts if part.startswith(("board=", "unit=")))
            found.setdefault(key, []).append(pq.ParquetFile(path).read())
    return {key: pa.concat_tables(tables) for key, tables in found.items()}


def check_columns(path, expected):
    """Columns as Parquet has them and as pyarrow makes them, and no null where none may be."""
    file = pq.ParquetFile(path)
    found = [f"{field.name} ({field.type})" for field in file.schema_arrow]
    wanted = [f"{name} ({kind})" for name, kind, _ in expected]
    for is_there, should_be in itertools.zip_longest(found, wanted, fillvalue="nothing"):
        require(is_there == should_be, f"{path}: has {is_there} where {should_be} should be")
    for index, (name, kind, may_be_null) in enumerate(expected):
        column = file.schema.column(index)
        physical, logical = PARQUET[kind]
        said = json.loads(column.logical_type.to_json())
        is_same = column.physical_type == physical and all(said.get(key) == value for key, value in logical.items())
        require(is_same and column.max_repetition_level == 0, f"{path}, {name}: in Parquet it is {column.physical_type} {said}")
        is_nullable = file.schema_arrow.field(index).nullable
        require(is_nullable == may_be_null, f"{path}, {name}: null must {'be' if may_be_null else 'not be'} possible")


def channel_columns(path):
    """The columns of the channels, which have to come by threes."""
    names = pq.read_schema(path).names[len(FIXED):]
    places = names[::3]
    require(names and len(names) == 3 * len(places), f"{path}: columns of channels do not come by threes: {names}")
    expected = []
    for place in places:
        require(PLACE_COLUMN.fullmatch(place), f"{path}: no name of a place: {place}")
        expected += [(place, REAL, True), (f"{place}_raw", pa.int32(), True), (f"{place}_fault", TEXT, True)]
    return expected


def check_words(where, table):
    for name, words in WORDS.items():
        if name in table.column_names:
            strange = set(pc.unique(table[name].drop_null()).to_pylist()) - words
            require(not strange, f"{where}, {name}: no such word: {strange}")


def check_samples(path, table, expected):
    date = path.parent.name.removeprefix("date=")
    days = {str(day) for day in pc.unique(table["time"].cast(pa.date32())).to_pylist()}
    require(days == {date}, f"{path}: has rows of {days}")
    for place in (name for name, _, _ in expected[len(FIXED)::3]):
        value, raw, fault = (table[place + ending] for ending in ("", "_raw", "_fault"))
        both = pc.sum(pc.and_(raw.is_valid(), fault.is_valid())).as_py()
        require(not both, f"{path}, {place}: {both} rows have a number and a fault")
        valued = pc.sum(pc.and_(value.is_valid(), raw.is_null())).as_py()
        require(not valued, f"{path}, {place}: {valued} rows have a value of nothing that was sent")
        require(not pc.sum(pc.is_nan(value)).as_py(), f"{path}, {place}: not a number where null is meant")
        letters = set(pc.unique(fault.drop_null()).to_pylist())
        require(letters <= set("xosr"), f"{path}, {place}: no such fault: {letters}")


def check_board(board, rows):
    """Time goes on, and within a boot so does the board's clock."""
    time = rows["time"].cast(pa.int64()).combine_chunks()
    boot, board_ms = (rows[name].combine_chunks() for name in ("boot", "board_ms"))
    if len(time) < 2:
        return
    require(pc.min(pc.pairwise_diff(time)).as_py() >= 0, f"{board}: time goes backwards")
    same = pc.equal(boot.slice(1), boot.slice(0, len(boot) - 1))
    goes_on = pc.greater(board_ms.slice(1), board_ms.slice(0, len(board_ms) - 1))
    require(pc.all(pc.or_(pc.invert(same), goes_on)).as_py(), f"{board}: the board's clock stands still within a boot")


def check_gaps(unit, rows):
    """Gaps of a board begin and end by turns; only the last may not have ended."""
    gaps = sorted((row["time"], row["kind"] == "gap-begin") for row in rows.to_pylist() if row["kind"].startswith("gap-"))
    is_begin = [begins for _, begins in gaps]
    require(is_begin == [n % 2 == 0 for n in range(len(gaps))], f"events/{unit}: gaps that do not begin and end by turns: {gaps}")


def check_event(unit, row):
    require(row["cause"] is None or row["kind"] == "trip", f"events/{unit}: a cause where none applies: {row}")
    is_boards = row["kind"] in ("gap-begin", "gap-end", "loss", "clock-step")
    require(not is_boards or unit.startswith("unit=board-"), f"events/{unit}: not of a unit: {row}")


def check_overview(unit, rows):
    """Rows begin at multiples of eight seconds, their samples lie in them, and lowest is not above highest."""
    time, first, last = (rows[name].cast(pa.int64()).combine_chunks() for name in ("time", "first", "last"))
    begin = pc.multiply(pc.divide(time, ROW_US), ROW_US)
    within = [pc.equal(time, begin), pc.less_equal(time, first), pc.less_equal(first, last), pc.less(last, pc.add(time, ROW_US))]
    within += [pc.fill_null(pc.less_equal(rows[line.format("low")], rows[line.format("high")]), True).combine_chunks() for line in LINES]
    require(all(pc.all(each).as_py() for each in within), f"overview/{unit}: a row that is not of its eight seconds")
    require(len(time) < 2 or pc.min(pc.pairwise_diff(time)).as_py() >= 0, f"overview/{unit}: time goes backwards")


def check_cycle(unit, row):
    where = f"cycles/{unit}, on at {row['on_at']}"
    is_trip = row["ended_by"] == "protector"
    require((row["cause"] is not None) == is_trip, f"{where}: ended by {row['ended_by']}, cause {row['cause']}")
    require(row["ended_by"] is None or row["basis"], f"{where}: nothing that its end rests on")
    require(0 <= row["valid"] <= 1, f"{where}: valid is {row['valid']}")
    require(row["on_seen"] or row["start"] == "unknown", f"{where}: its beginning was not seen, yet its start is {row['start']}")
    for begin, end, length in (("on_at", "off_at", "on_s"), ("off_at", "next_on_at", "off_s")):
        if row[length] is not None:
            require(row[begin] is not None and row[end] is not None, f"{where}: {length} of what was not seen")
            elapsed_s = (row[end] - row[begin]) / datetime.timedelta(seconds=1)
            is_so = elapsed_s >= 0 and abs(elapsed_s - row[length]) <= LENGTH_S
            require(is_so, f"{where}: {length} is {row[length]}, not {elapsed_s}")


def check_files(root):
    """Every file of every table; how many rows each table has."""
    counts, boards = {}, {}
    for table, place in PLACES.items():
        counts[table] = 0
        for path in files(root, table):
            if path.is_dir():
                continue
            require(place.fullmatch(path.relative_to(root).as_posix()), f"{path}: does not belong there")
            expected = {"events": EVENTS, "cycles": CYCLES, "overview": OVERVIEW}.get(table) or FIXED + channel_columns(path)
            check_columns(path, expected)
            rows = pq.ParquetFile(path).read()
            require(rows.num_rows > 0, f"{path}: is empty")
            if table != "samples":
                check_words(path, rows)
            else:
                board = path.parent.parent.name
                names = boards.setdefault(board, rows.column_names)
                require(names == rows.column_names, f"{path}: not the columns of the other files of {board}")
                check_samples(path, rows, expected)
            counts[table] += rows.num_rows
    return counts


def check_rows(root):
    for board, rows in parts(root, "samples").items():
        check_board(board, rows)
    for unit, rows in parts(root, "events").items():
        check_gaps(unit, rows)
        for row in rows.to_pylist():
            check_event(unit, row)
    for unit, rows in parts(root, "cycles").items():
        for row in rows.to_pylist():
            check_cycle(unit, row)
    for unit, rows in parts(root, "overview").items():
        check_overview(unit, rows)


def check_datasets(root, counts):
    """Each table opens as one, its partitions become columns, and boards unite by name."""
    for table, count in counts.items():
        if count == 0:
            continue
        opened = ds.dataset(root / table, partitioning="hive")
        partitions = {"samples": ["board", "date"]}.get(table, ["unit"])
        require(opened.schema.names[-len(partitions):] == partitions, f"{table}: opens with {opened.schema.names}")
        boards = [ds.dataset(path, partitioning="hive").schema for path in sorted((root / table).iterdir())]
        united = ds.dataset(root / table, partitioning="hive", schema=pa.unify_schemas([opened.schema, *boards]))
        require(united.to_table().num_rows == count, f"{table}: as one table it has not {count} rows")


def check_duckdb(root, counts):
    try:
        import duckdb
    except ImportError:
        return "DuckDB is not installed"
    for table, count in counts.items():
        if count:
            call = "select count(*) from read_parquet(?, hive_partitioning = true, union_by_name = true)"
            found = duckdb.execute(call, [str(root / table / "**/*.parquet")]).fetchone()[0]
            require(found == count, f"{table}: DuckDB counts {found} rows, not {count}")
    return f"DuckDB {duckdb.__version__} counts the same"


def instant(us):
    second = datetime.datetime.fromtimestamp(us // 1_000_000, datetime.timezone.utc)
    return second.strftime("%Y-%m-%dT%H:%M:%S.") + f"{us % 1_000_000:06}Z"


def check_manifest(root):
    """The chain, and of every file the line that holds for it; every sealed table has one."""
    chain, holding = "0" * 64, {}
    for number, line in enumerate((root / "manifest.jsonl").read_text().splitlines(), 1):
        body, _, end = line.partition(',"chain":"')
        chain = hashlib.sha256(f"{chain}\n{body}}}".encode()).hexdigest()
        require(end == f'{chain}"}}', f"manifest.jsonl:{number}: breaks the chain")
        entry = json.loads(line)
        holding[entry["path"]] = entry
    for name, entry in holding.items():
        path = root / name
        if entry.get("withdrawn"):
            require(not path.exists(), f"{name}: withdrawn, and still there")
            continue
        data = path.read_bytes()
        require(entry["bytes"] == len(data), f"{name}: {len(data)} bytes, not {entry['bytes']}")
        require(entry["sha256"] == hashlib.sha256(data).hexdigest(), f"{name}: its sha256 is another")
        if path.suffix == ".parquet":
            rows = pq.ParquetFile(path).read()
            times = rows["on_at" if name.startswith("cycles") else "time"].cast(pa.int64())
            found = (rows.num_rows, instant(pc.min(times).as_py()), instant(pc.max(times).as_py()))
            said = (entry["rows"], entry["first_time"], entry["last_time"])
            require(found == said, f"{name}: holds {found}, the manifest says {said}")
    for table in PLACES:
        for path in files(root, table):
            name = path.relative_to(root).as_posix()
            is_sealed = path.is_file() and path.name != "open.parquet"
            require(not is_sealed or name in holding, f"{name}: is not in the manifest")
    return len(holding)


def first_difference(one, two):
    """Which row and column of two tables differ first."""
    if one.column_names != two.column_names:
        return f"columns {one.column_names} and {two.column_names}"
    for at in range(min(one.num_rows, two.num_rows)):
        rows = [table.slice(at, 1).to_pylist()[0] for table in (one, two)]
        for name in one.column_names:
            if rows[0][name] != rows[1][name]:
                return f"row {at}, {name}: {rows[0][name]!r} and {rows[1][name]!r}"
    return f"{one.num_rows} and {two.num_rows} rows"


def compare(root, other):
    for table in PLACES:
        ours, theirs = parts(root, table), parts(other, table)
        require(ours.keys() == theirs.keys(), f"{table}: {sorted(ours)} and {sorted(theirs)}")
        for key, rows in ours.items():
            is_same = rows.equals(theirs[key])
            require(is_same, f"{table}/{key}: not the same: {'' if is_same else first_difference(rows, theirs[key])}")
            print(f"{table}/{key}: {rows.num_rows} rows, the same in both")


def main():
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    root = pathlib.Path(sys.argv[1])
    counts = check_files(root)
    require(counts["samples"] > 0, f"{root}: no samples")
    check_rows(root)
    check_datasets(root, counts)
    listed = check_manifest(root)
    duckdb = check_duckdb(root, counts)
    print(f"{root.name}: {', '.join(f'{count} {table}' for table, count in counts.items())}; {listed} files listed; {duckdb}")
    if len(sys.argv) == 3:
        other = pathlib.Path(sys.argv[2])
        check_files(other)
        check_rows(other)
        check_manifest(other)
        compare(root, other)


if __name__ == "__main__":
    try:
        main()
    except Deviation as deviation:
        sys.exit(f"does not hold: {deviation}")
