//! Prints every sensor over its whole standard range as CSV, for comparison with published tables: see
//! `tests/python/sensor_oracle.py`.
//!
//! Columns: `kind`; `t_c` in °C; `electrical`, the EMF in mV or the resistance in Ohm at that temperature; `back_c`, the
//! temperature in °C that is made of that EMF or resistance again. Kinds: the sensor names of the board protocol, `tc-K@25`
//! for an EMF against a reference junction at 25 °C, and `ntc-steinhart-hart` and `ntc-beta` with the coefficients below.

use std::io::{self, Write};

use nightclamp_analysis::sensor::{Ntc, Platinum, RangeError, ThermocoupleType};

/// Coefficients published for a common 10 kOhm thermistor.
const STEINHART_HART: Ntc = Ntc::SteinhartHart {
    a: 1.129148e-3,
    b: 2.34125e-4,
    c: 8.76741e-8,
};
/// A usual pair of values for a 10 kOhm thermistor.
const BETA: Ntc = Ntc::Beta {
    beta_k: 3950.0,
    r25_ohm: 10_000.0,
};
/// Reference junction temperatures to print, °C.
const REFERENCES_C: [i32; 3] = [-20, 25, 60];
/// Measuring junctions against these references, °C.
const MEASURED_C: (i32, i32) = (-40, 200);
/// Thermistor temperatures to print, °C.
const NTC_C: (i32, i32) = (-40, 150);

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    writeln!(out, "kind,t_c,electrical,back_c")?;
    for kind in ThermocoupleType::ALL {
        let (min_c, max_c) = kind.range_c();
        let back = |mv: f64| kind.temperature_c(mv / 1e3);
        print(
            &mut out,
            kind.sensor(),
            (min_c as i32, max_c as i32),
            |t_c| Ok(kind.emf_v(t_c)? * 1e3),
            back,
        )?;
        for reference in REFERENCES_C {
            let reference_c = f64::from(reference);
            let name = format!("{}@{reference}", kind.sensor());
            let forward = |t_c| Ok((kind.emf_v(t_c)? - kind.emf_v(reference_c)?) * 1e3);
            print(&mut out, &name, MEASURED_C, forward, |mv| {
                kind.compensated_c(mv / 1e3, reference_c)
            })?;
        }
    }
    for (name, element) in [("pt100", Platinum::PT100), ("pt1000", Platinum::PT1000)] {
        print(
            &mut out,
            name,
            (-200, 850),
            |t_c| element.resistance_ohm(t_c),
            |ohm| element.temperature_c(ohm),
        )?;
    }
    for (name, ntc) in [("ntc-steinhart-hart", STEINHART_HART), ("ntc-beta", BETA)] {
        print(
            &mut out,
            name,
            NTC_C,
            |t_c| ntc.resistance_ohm(t_c),
            |ohm| ntc.temperature_c(ohm),
        )?;
    }
    Ok(out.flush()?)
}

/// One row a degree.
fn print(
    out: &mut impl Write,
    kind: &str,
    (from_c, to_c): (i32, i32),
    forward: impl Fn(f64) -> Result<f64, RangeError>,
    back: impl Fn(f64) -> Result<f64, RangeError>,
) -> Result<(), Box<dyn std::error::Error>> {
    for t_c in from_c..=to_c {
        let electrical = forward(f64::from(t_c))?;
        writeln!(out, "{kind},{t_c},{electrical},{}", back(electrical)?)?;
    }
    Ok(())
}
