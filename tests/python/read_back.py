"""Reads a record's tables with pyarrow, as an outsider would: names, types and partitions as the data contract has them.

    read_back.py RECORD [OTHER]

With OTHER, a second record made from the same raw logs, the rows of both are compared as well: those that are final in the
second have to begin with those of the first. Exits 1 with a message on any deviation.
"""

import pathlib
import sys

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq

TIME = pa.timestamp("us", tz="UTC")
EVENTS = [("time", TIME), ("kind", pa.string()), ("cause", pa.string()), ("current_a", pa.float64()),
          ("case_c", pa.float64()), ("detail", pa.string())]
CYCLES = [("on_at", TIME), ("off_at", TIME), ("next_on_at", TIME), ("on_seen", pa.bool_()), ("on_s", pa.float64()),
          ("off_s", pa.float64()), ("start", pa.string()), ("ended_by", pa.string()), ("cause", pa.string()),
          ("peak_a", pa.float64()), ("run_a", pa.float64()), ("end_a", pa.float64()), ("i2t_a2s", pa.float64()),
          ("case_on_c", pa.float64()), ("case_off_c", pa.float64()), ("case_max_c", pa.float64()),
          ("case_reset_c", pa.float64()), ("reset_exact", pa.bool_()), ("disc_c", pa.float64()),
          ("valid", pa.float64()), ("basis", pa.string())]
FIXED = [("time", TIME), ("arrival", TIME), ("boot", pa.uint32()), ("seq", pa.uint16()), ("board_ms", pa.uint64())]
KINDS = {"start", "stop", "trip", "reset", "supply-lost", "supply-back", "gap-begin", "gap-end", "sensor", "late",
         "clock-step", "mark"}


def files(root, table):
    return sorted((root / table).rglob("*.parquet"), key=lambda path: (path.name == "open.parquet", str(path)))


def check_columns(path, columns):
    schema = pq.read_schema(path)
    found = [(field.name, field.type) for field in schema]
    assert found == columns, f"{path}: {found}"


def check_samples(root):
    rows, columns = 0, {}
    for path in files(root, "samples"):
        board, date = (part.split("=")[1] for part in path.parts[-3:-1])
        schema = pq.read_schema(path)
        assert [(f.name, f.type) for f in schema][:5] == FIXED, f"{path}: {schema}"
        channels = [(f.name, f.type) for f in schema][5:]
        for at in range(0, len(channels), 3):
            name = channels[at][0]
            wanted = [(name, pa.float64()), (f"{name}_raw", pa.int32()), (f"{name}_fault", pa.string())]
            assert channels[at:at + 3] == wanted and "-" not in name, f"{path}: {channels[at:at + 3]}"
        assert columns.setdefault(board, schema.names) == schema.names, f"{path}: not the columns of its board"
        table = pq.read_table(path)
        days = {str(time.date()) for time in (table["time"][0].as_py(), table["time"][-1].as_py())}
        assert days == {date}, f"{path}: holds {days}"
        steps = pc.pairwise_diff(table["time"].cast(pa.int64()).combine_chunks())
        assert table.num_rows < 2 or pc.min(steps).as_py() >= 0, f"{path}: time goes backwards"
        rows += table.num_rows
    return rows


def rows_of(root, table):
    parts = {}
    for path in files(root, table):
        key = next(part for part in path.parts if part.startswith(("board=", "unit=")))
        parts.setdefault(key, []).append(pq.read_table(path))
    return {key: pa.concat_tables(tables) for key, tables in parts.items()}


def compare(root, other):
    for table in ("samples", "events", "cycles"):
        one, two = rows_of(root, table), rows_of(other, table)
        assert one.keys() == two.keys(), f"{table}: {one.keys()} and {two.keys()}"
        for key, rows in one.items():
            assert rows.equals(two[key].slice(0, rows.num_rows)) and rows.num_rows == two[key].num_rows, (
                f"{table}/{key}: the rows of the two records differ")
            print(f"{table}/{key}: {rows.num_rows} rows, the same in both")


def main():
    root = pathlib.Path(sys.argv[1])
    samples = check_samples(root)
    for path in files(root, "events"):
        check_columns(path, EVENTS)
    for path in files(root, "cycles"):
        check_columns(path, CYCLES)
    whole = {name: ds.dataset(root / name, partitioning="hive").to_table() for name in ("samples", "events", "cycles")}
    assert whole["samples"].num_rows == samples > 0
    kinds = set(whole["events"]["kind"].to_pylist())
    assert kinds <= KINDS, kinds
    cycles = whole["cycles"].to_pylist()
    trips = [row for row in cycles if row["ended_by"] == "protector"]
    assert all(row["cause"] for row in trips) and all(row["basis"] for row in cycles if row["ended_by"])
    print(f"{samples} samples, {whole['events'].num_rows} events, {len(cycles)} cycles, {len(trips)} trips")
    if len(sys.argv) > 2:
        compare(root, pathlib.Path(sys.argv[2]))


if __name__ == "__main__":
    try:
        main()
    except AssertionError as error:
        sys.exit(f"does not hold: {error}")
