"""Measures Nightclamp against a yardstick of the same run, on the same machine. Run it through `tests/benchmark`.

A raw log of five million lines is invented (the demo's board, 139 h at 10 Hz), and read by turns by

- parse: a program that reads, decodes and checks every line, and counts (`daemon/analysis/examples/parse_only.rs`);
- replay: `nightclamp replay`, up to sealed and hashed tables, the raw log linked and hashed, too;
- samples: the same under a job whose unit is on another board: samples are written, nothing is worked out;
- python: `baseline.py`, pandas and pyarrow.

What working out costs beside the samples is taken from both on one processor: two threads that share the units of one core wait
for each other, and a processor's clock counts that as work, the more of it the more they overlap.

The median of several turns counts: times differ between machines, their ratios hardly do. Whatever else runs on the machine
spoils them. Then a month at 10 Hz is replayed once for its peak memory. Nothing is asserted: targets stand beside the figures.
"""

import argparse
import os
import pathlib
import re
import shutil
import statistics
import subprocess
import sys
import time

HERE = pathlib.Path(__file__).resolve().parent
OUT = HERE.parent / "out" / "bench"
SEED = "1"
ELSEWHERE = """[job]
name = "nothing to work out"
timezone = "UTC"
[[unit]]
name = "elsewhere"
board = "00000001"
[unit.channels]
current = "common"
"""
MONTH_HOURS = 720
MIB = 1 << 20


def run(command, processors=None):
    """Runs a command, on some processors only if they are given; seconds, peak MiB, processor seconds, what it printed."""
    began = time.monotonic()
    bind = (lambda: os.sched_setaffinity(0, processors)) if processors else None
    child = subprocess.Popen([str(part) for part in command], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                             preexec_fn=bind)
    printed = child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.monotonic() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{command[0]} ended with {child.returncode}")
    return {"s": seconds, "mib": usage.ru_maxrss / 1024, "cpu_s": usage.ru_utime + usage.ru_stime, "said": printed}


def invent(night, hours):
    """A raw log and its job file."""
    directory = OUT / f"night-{hours}h"
    shutil.rmtree(directory, ignore_errors=True)
    run([night, "demo", SEED, hours, directory])
    return directory / f"demo-{SEED}.log", directory / f"demo-{SEED}.job.toml"


def replay(nightclamp, log, job, processors=None):
    record = OUT / "record"
    shutil.rmtree(record, ignore_errors=True)
    turn = run([nightclamp, "replay", log, "--job", job, "--out", record], processors)
    turn["hash_s"] = float(re.search(r"([\d.]+) s of a processor hashing", turn["said"]).group(1))
    return turn, record


def read_through(path):
    """Reads a file, so that it is in memory."""
    with open(path, "rb") as file:
        while file.read(MIB):
            pass


def columns_of(samples):
    """Rows, bytes on disk, and bytes of every column of a directory of Parquet files."""
    import pyarrow.parquet as pq  # only now: a child's peak memory counts what it was forked from

    rows, size, columns = 0, 0, {}
    for path in sorted(samples.rglob("*.parquet")):
        metadata = pq.ParquetFile(path).metadata
        size += path.stat().st_size
        rows += metadata.num_rows
        for group in range(metadata.num_row_groups):
            for index in range(metadata.num_columns):
                column = metadata.row_group(group).column(index)
                columns[column.path_in_schema] = columns.get(column.path_in_schema, 0) + column.total_compressed_size
    return rows, size, columns


def median(turns, key):
    return statistics.median(turn[key] for turn in turns)


def row(name, turns, lines, yardstick_s):
    seconds = median(turns, "s")
    spread = f"{min(t['s'] for t in turns):.2f}..{max(t['s'] for t in turns):.2f}"
    print(f"  {name:9} {seconds:8.2f} {spread:>14} {median(turns, 'cpu_s'):8.2f} {lines / seconds / 1e6:9.2f} "
          f"{yardstick_s / seconds:9.3f} {max(t['mib'] for t in turns):9.0f}")


def figure(name, value, least=None, most=None, aim=None):
    target = f"at least {least}" if least is not None else f"at most {most}"
    met = value >= least if least is not None else value <= most
    print(f"  {name:58} {value:8.2f}   {target}, aim {aim}{'' if met else '   NOT MET'}")


def measure(options):
    print(f"inventing {options.hours} h at 10 Hz", file=sys.stderr)
    log, job = invent(options.night, options.hours)
    read_through(log)
    elsewhere = OUT / "elsewhere.job.toml"
    elsewhere.write_text(ELSEWHERE, encoding="utf-8")
    parse, replays, bare, python, one_worked, one_bare = [], [], [], [], [], []
    one = {min(os.sched_getaffinity(0))}
    for turn in range(options.turns):
        print(f"turn {turn + 1} of {options.turns}", file=sys.stderr)
        parse.append(run([options.parse_only, log]))
        bare.append(replay(options.nightclamp, log, elsewhere)[0])
        replayed, record = replay(options.nightclamp, log, job)
        replays.append(replayed)
        one_bare.append(replay(options.nightclamp, log, elsewhere, one)[0])
        one_worked.append(replay(options.nightclamp, log, job, one)[0])
        if turn < options.python_turns:
            python.append(run([sys.executable, HERE / "baseline.py", log, OUT / "baseline.parquet"]))
    lines = int(re.match(r"(\d+) lines", parse[0]["said"]).group(1))
    samples = record / "samples"
    rows, size, columns = columns_of(samples)
    print(f"\n{lines} lines, {rows} samples, {log.stat().st_size / 1e6:.0f} MB; {os.cpu_count()} processors, load "
          f"{os.getloadavg()[0]:.1f}\n")
    print(f"  {'':9} {'s':>8} {'from..to':>14} {'cpu s':>8} {'Mlines/s':>9} {'of parse':>9} {'peak MiB':>9}")
    yardstick_s = median(parse, "s")
    row("parse", parse, lines, yardstick_s)
    row("replay", replays, lines, yardstick_s)
    row("samples", bare, lines, yardstick_s)
    row("python", python, lines, yardstick_s)
    row("replay 1", one_worked, lines, yardstick_s)
    row("samples 1", one_bare, lines, yardstick_s)
    replay_s, hash_s = median(replays, "s"), median(replays, "hash_s")
    print(f"\n  {'SHA-256 of the raw log, which is linked: processor s':58} {hash_s:8.2f}   part of replay, beside the rest\n")
    figure("replay, times as fast as python", median(python, "s") / replay_s, least=10, aim=20)
    figure("replay's speed, share of parse", yardstick_s / replay_s, least=0.33, aim=0.5)
    figure("replay's speed without the hashing, share of parse", yardstick_s / (replay_s - hash_s), least=0.33, aim=0.5)
    # Turn by turn: two that were measured one after the other share the machine's mood.
    worked_out = statistics.median(worked["cpu_s"] / only["cpu_s"] for worked, only in zip(one_worked, one_bare))
    figure("replay, processor time over that of samples alone", worked_out, most=1.3, aim=1.15)
    figure("samples, bytes a row on disk", size / rows, most=8, aim=5)
    print(f"  {'python, bytes a row on disk':58} {(OUT / 'baseline.parquet').stat().st_size / rows:8.2f}")
    if not options.no_month:
        print("inventing and replaying a month", file=sys.stderr)
        shutil.rmtree(log.parent)
        month, _ = replay(options.nightclamp, *invent(options.night, MONTH_HOURS))
        figure("replay of a month at 10 Hz, peak MiB", month["mib"], most=200, aim=100)
        print(f"  {'replay of a month, s':58} {month['s']:8.2f}")
    print("\n  bytes a row by column (below 0.01 left out)")
    for name, size in sorted(columns.items(), key=lambda item: -item[1]):
        if size / rows >= 0.01:
            print(f"    {name:24} {size / rows:6.3f}")


def main():
    parser = argparse.ArgumentParser(prog="tests/benchmark", description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    for program in ("nightclamp", "parse-only", "night"):
        parser.add_argument(f"--{program}", type=pathlib.Path, required=True, help=argparse.SUPPRESS)
    parser.add_argument("--hours", type=int, default=139, help="length of the invented night, h")
    parser.add_argument("--turns", type=int, default=5, help="turns of parse and replay")
    parser.add_argument("--python-turns", type=int, default=3, help="turns of python")
    parser.add_argument("--no-month", action="store_true", help="leave out the month (2 GB on disk for its time)")
    OUT.mkdir(parents=True, exist_ok=True)
    try:
        measure(parser.parse_args())
    finally:
        shutil.rmtree(OUT, ignore_errors=True)


if __name__ == "__main__":
    main()
