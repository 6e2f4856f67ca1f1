//! Prints trip and closing times of the protector's model over a grid as CSV, for comparison with a numerical integration: see
//! `tests/python/trip_times.py`.
//!
//! Columns: `kind` (`open` or `close`); `heating_c_per_a2`, `tau_s`; `start_c`, the disc at the beginning; `amps`, `case_c`,
//! held constant; `level_c`, the opening or closing temperature; `time_s`, empty for never; `disc_c`, the disc
//! followed in steps of `tau / 7` for so long (three time constants for never).

use std::io::{self, Write};

use nightclamp_analysis::protector::{Disc, Heating, TripTime};

/// Heating constants, K/A²; time constants, s; multiples of the ultimate trip current.
const K: [f64; 4] = [0.05, 0.62, 2.5, 40.0];
const TAU_S: [f64; 5] = [2.0, 9.0, 24.0, 80.0, 600.0];
const TIMES: [f64; 9] = [0.5, 0.99, 1.0, 1.01, 1.1, 1.5, 2.5, 4.0, 8.0];
/// Disc at the beginning, case, opening, Cel.
const LEVELS_C: [(f64, f64, f64); 5] = [
    (25.0, 25.0, 120.0),
    (-10.0, -10.0, 105.0),
    (61.0, 48.0, 120.0),
    (100.0, 70.0, 112.0),
    (121.0, 60.0, 120.0),
];
/// Closing, Cel.
const CLOSES_C: [f64; 3] = [52.0, 66.0, 90.0];

fn main() -> io::Result<()> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    writeln!(
        out,
        "kind,heating_c_per_a2,tau_s,start_c,amps,case_c,level_c,time_s,disc_c"
    )?;
    for (k, tau_s) in K.iter().flat_map(|&k| TAU_S.map(|tau_s| (k, tau_s))) {
        let Some(heating) = Heating::new(k, tau_s) else {
            continue;
        };
        for (start_c, case_c, opens_c) in LEVELS_C {
            let ultimate_a = heating.ultimate_trip_current_a(opens_c, case_c);
            for amps in TIMES.map(|times| times * ultimate_a) {
                let time = heating.time_to_open(start_c, amps, case_c, opens_c);
                row(
                    &mut out,
                    heating,
                    ("open", start_c, amps, case_c, opens_c),
                    time,
                )?;
            }
            for closes_c in CLOSES_C {
                let time = heating.time_to_close(opens_c, case_c, closes_c);
                row(
                    &mut out,
                    heating,
                    ("close", opens_c, 0.0, case_c, closes_c),
                    time,
                )?;
            }
        }
    }
    out.flush()
}

fn row(
    out: &mut impl Write,
    heating: Heating,
    (kind, start_c, amps, case_c, level_c): (&str, f64, f64, f64, f64),
    time: TripTime,
) -> io::Result<()> {
    let (k, tau_s) = (heating.heating_c_per_a2(), heating.tau_s());
    let mut disc = Disc::at(heating.into(), start_c, 0.0);
    let mut left_s = time.seconds().unwrap_or(3.0 * tau_s);
    while left_s > 0.0 {
        let step_s = left_s.min(tau_s / 7.0);
        disc.step(step_s, amps, case_c);
        left_s -= step_s;
    }
    let time_s = time.seconds().map_or_else(String::new, |s| s.to_string());
    let disc_c = disc.temp_c();
    writeln!(
        out,
        "{kind},{k},{tau_s},{start_c},{amps},{case_c},{level_c},{time_s},{disc_c}"
    )
}
