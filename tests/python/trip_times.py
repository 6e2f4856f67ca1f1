"""Checks trip and closing times of the protector's model against a numerical integration by scipy.

    cargo run -p nightclamp-analysis --example trip_times > trip_times.csv
    python tests/python/trip_times.py trip_times.csv

The differential equation is written anew here, tau dT/dt = T_case + k I^2 - T, and integrated with an event where the disc
comes to its opening or closing temperature (solve_ivp, DOP853). Nothing of the closed form is used, except to know how long to
wait before "never" is believed: thirty time constants. At the very threshold, where the event is an asymptote, "never" is
what the standard says (IEC 60255-149: no operation at or below the basic current times k).

Prints the largest differences. Exit code 0 if all agree, 1 if not, 2 if it could not be tried.
"""

import csv
import sys

try:
    from scipy.integrate import solve_ivp
except ImportError as error:
    print(f"scipy is missing: {error}", file=sys.stderr)
    sys.exit(2)

NEVER_TAUS = 30
TIME_SHARE = 1e-7  # of the time, and of the time constant near zero
DISC_C = 1e-6
ROWS = 4 * 5 * 5 * (9 + 3)


def integrate(row):
    """When the disc gets there (None for never within the wait), and the disc as a function of time."""
    k, tau, start, amps, case, level = (
        float(row[c]) for c in ("heating_c_per_a2", "tau_s", "start_c", "amps", "case_c", "level_c")
    )
    is_open = row["kind"] == "open"
    there = start >= level if is_open else start <= level

    def event(_, disc):
        return disc[0] - level

    event.terminal = True
    event.direction = 1 if is_open else -1
    options = {"method": "DOP853", "rtol": 1e-12, "atol": 1e-11, "dense_output": True}

    def slope(_, disc):
        return [(case + k * amps * amps - disc[0]) / tau]

    free = solve_ivp(slope, (0, NEVER_TAUS * tau), [start], **options)
    if there:
        return 0.0, free.sol
    got = solve_ivp(slope, (0, NEVER_TAUS * tau), [start], events=event, **options)
    return (got.t_events[0][0] if len(got.t_events[0]) else None), free.sol


def main():
    with open(sys.argv[1], newline="") as file:
        rows = list(csv.DictReader(file))
    wrong = [] if len(rows) == ROWS else [f"{len(rows)} rows, not {ROWS}"]
    worst_time = worst_disc = 0.0
    nevers = 0
    for row in rows:
        tau = float(row["tau_s"])
        expected, disc = integrate(row)
        at_threshold = row["kind"] == "open" and abs(
            float(row["case_c"]) + float(row["heating_c_per_a2"]) * float(row["amps"]) ** 2 - float(row["level_c"])
        ) < 1e-9
        if row["time_s"] == "":
            nevers += 1
            if expected is not None and not at_threshold:
                wrong.append(f"never, but {expected} s: {row}")
            waited = 3 * tau
        elif expected is None:
            # At the very threshold the last digit of the current decides; the time then has to be beyond any wait.
            waited = float(row["time_s"])
            if not (at_threshold and waited > NEVER_TAUS * tau * 0.8):
                wrong.append(f"not within {NEVER_TAUS} time constants: {row}")
            continue
        else:
            waited = float(row["time_s"])
            if at_threshold:
                continue
            difference = abs(waited - expected) / max(expected, tau)
            worst_time = max(worst_time, difference)
            if not difference <= TIME_SHARE:
                wrong.append(f"{expected} s by integration: {row}")
        difference = abs(float(row["disc_c"]) - disc(waited)[0])
        worst_disc = max(worst_disc, difference)
        if not difference <= DISC_C:
            wrong.append(f"disc at {disc(waited)[0]} by integration: {row}")
    print(f"{len(rows)} times, {nevers} of them never; largest difference {worst_time:.1e} of the time, {worst_disc:.1e} K")
    for line in wrong[:20]:
        print(line, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
