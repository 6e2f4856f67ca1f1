//! Sensors against published tables and worked examples. Every figure has its source beside it; every degree of the
//! thermocouple types is checked against the NIST tables by `tests/python/sensor_oracle.py`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a failed test has to stop"
)]

use nightclamp_analysis::sensor::{Converter, Ntc, Platinum, ThermocoupleType};
use nightclamp_protocol::Quantity;
use proptest::prelude::*;

use ThermocoupleType::{E, J, K, N, T};

/// Half of the last digit of the NIST tables, mV.
const HALF_DIGIT_MV: f64 = 0.0005 + 1e-9;

/// NIST SRD 60, ITS-90 tables for types K, J, T, N and E: EMF in mV, reference junction at 0 °C.
const NIST_MV: [(f64, [f64; 5]); 15] = [
    (-200.0, [-5.891, -7.890, -5.603, -3.990, -8.825]),
    (-100.0, [-3.554, -4.633, -3.379, -2.407, -5.237]),
    (-40.0, [-1.527, -1.961, -1.475, -1.023, -2.255]),
    (0.0, [0.0, 0.0, 0.0, 0.0, 0.0]),
    (20.0, [0.798, 1.019, 0.790, 0.525, 1.192]),
    (25.0, [1.000, 1.277, 0.992, 0.659, 1.495]),
    (50.0, [2.023, 2.585, 2.036, 1.340, 3.048]),
    (93.0, [3.806, 4.889, 3.953, 2.568, 5.848]),
    (94.0, [3.848, 4.943, 3.999, 2.597, 5.915]),
    (100.0, [4.096, 5.269, 4.279, 2.774, 6.319]),
    (115.0, [4.715, 6.087, 4.988, 3.223, 7.341]),
    (120.0, [4.920, 6.360, 5.228, 3.374, 7.685]),
    (150.0, [6.138, 8.010, 6.704, 4.302, 9.789]),
    (200.0, [8.138, 10.779, 9.288, 5.913, 13.421]),
    (300.0, [12.209, 16.327, 14.862, 9.341, 21.036]),
];

/// The same tables: both ends of each, and where a type's reference function changes its polynomial above 0 °C.
const NIST_EDGES: [(ThermocoupleType, f64, f64); 11] = [
    (K, -270.0, -6.458),
    (K, 1372.0, 54.886),
    (J, -210.0, -8.095),
    (J, 760.0, 42.919),
    (J, 1200.0, 69.553),
    (T, -270.0, -6.258),
    (T, 400.0, 20.872),
    (N, -270.0, -4.345),
    (N, 1300.0, 47.513),
    (E, -270.0, -9.835),
    (E, 1000.0, 76.373),
];

fn assert_near(what: &str, got: f64, expected: f64, tolerance: f64) {
    let near = (got - expected).abs() <= tolerance;
    assert!(
        near,
        "{what}: {got}, expected {expected} within {tolerance}"
    );
}

fn nist_rows() -> impl Iterator<Item = (ThermocoupleType, f64, f64)> {
    let of_row = |&(t_c, mv): &(f64, [f64; 5])| {
        ThermocoupleType::ALL
            .into_iter()
            .zip(mv)
            .map(move |(kind, mv)| (kind, t_c, mv))
    };
    NIST_MV.iter().flat_map(of_row).chain(NIST_EDGES)
}

#[test]
fn emf_is_that_of_the_nist_tables() {
    for (kind, t_c, mv) in nist_rows() {
        let got = kind.emf_v(t_c).unwrap() * 1e3;
        assert_near(&format!("{kind:?} at {t_c} °C"), got, mv, HALF_DIGIT_MV);
    }
}

/// A table value is rounded to 0.001 mV, which is at most 0.025 °C from -100 °C up.
#[test]
fn temperature_is_that_of_the_nist_tables() {
    let inside = nist_rows().filter(|&(kind, t_c, _)| t_c >= -100.0 && t_c < kind.range_c().1);
    for (kind, t_c, mv) in inside {
        let got = kind.temperature_c(mv / 1e3).unwrap();
        assert_near(&format!("{kind:?} at {mv} mV"), got, t_c, 0.025);
    }
}

/// NIST Monograph 175, IEC 60584-1: where each reference function begins and ends. Outside there is no answer.
#[test]
fn outside_the_reference_functions_there_is_no_answer() {
    let ranges = [
        (K, -270.0, 1372.0),
        (J, -210.0, 1200.0),
        (T, -270.0, 400.0),
        (N, -270.0, 1300.0),
        (E, -270.0, 1000.0),
    ];
    for (kind, min_c, max_c) in ranges {
        assert_eq!(kind.range_c(), (min_c, max_c));
        let (min_v, max_v) = (kind.emf_v(min_c).unwrap(), kind.emf_v(max_c).unwrap());
        assert_near("top", kind.temperature_c(max_v).unwrap(), max_c, 1e-9);
        for beyond_c in [min_c - 1e-6, max_c + 1e-6, f64::NAN, f64::INFINITY] {
            assert!(kind.emf_v(beyond_c).is_err(), "{kind:?} {beyond_c} °C");
        }
        for beyond_v in [min_v - 1e-9, max_v + 1e-9, f64::NAN, f64::NEG_INFINITY] {
            assert!(
                kind.temperature_c(beyond_v).is_err(),
                "{kind:?} {beyond_v} V"
            );
        }
        assert!(kind.compensated_c(0.0, f64::NAN).is_err());
    }
    let message = K.emf_v(1400.0).unwrap_err().to_string();
    assert_eq!(message, "tc-K: 1400 Cel is not within -270 to 1372 Cel");
}

/// Worked from the NIST tables by hand: the EMF between the junctions is the difference of two table values, so up to
/// 0.001 mV off, at most 0.05 °C. The last column is by how much adding the temperatures is wrong, K,
/// by linear interpolation in the same tables.
#[test]
fn reference_junction_is_compensated_in_volts_and_not_in_degrees() {
    let worked = [
        (K, 4.715 - 1.000, 25.0, 115.0, 0.79),
        (K, -1.527 - 1.000, 25.0, -40.0, -3.24),
        (J, 5.269 - 1.277, 25.0, 100.0, 1.38),
        (T, 6.704 - 0.790, 20.0, 150.0, 4.08),
        (N, 3.374 - 0.659, 25.0, 120.0, 3.00),
        (E, 7.341 - 1.495, 25.0, 115.0, 2.97),
    ];
    for (kind, mv, reference_c, t_c, wrong_by_k) in worked {
        let what = format!("{kind:?}, {mv:.3} mV, reference at {reference_c} °C");
        let right_c = kind.compensated_c(mv / 1e3, reference_c).unwrap();
        assert_near(&what, right_c, t_c, 0.05);
        let added_c = kind.temperature_c(mv / 1e3).unwrap() + reference_c;
        assert_near(
            &format!("{what}, added up"),
            added_c - t_c,
            wrong_by_k,
            0.05,
        );
    }
}

#[test]
fn reference_junction_worked_examples_of_others() {
    // Readme of the Python package thermocouples_reference 0.20: type K, 1.1 mV, reference at 23 °C: 49.9079 °C.
    assert_near("K", K.compensated_c(1.1e-3, 23.0).unwrap(), 49.9079, 5e-5);
    // Documentation of the Python package thermocouple-its90 1.0.2: type K, 4.096 mV, reference at 25 °C: 124.3 °C.
    assert_near("K", K.compensated_c(4.096e-3, 25.0).unwrap(), 124.3, 0.05);
}

/// IEC 60751, table of Pt100 in Ohm to 0.01, as printed in the Python package pt100 0.1. Pt1000 is ten times that.
#[test]
fn platinum_resistance_is_that_of_iec_60751() {
    let table = [
        (-200.0, 18.52),
        (-100.0, 60.26),
        (-40.0, 84.27),
        (0.0, 100.00),
        (20.0, 107.79),
        (25.0, 109.73),
        (50.0, 119.40),
        (100.0, 138.51),
        (115.0, 144.18),
        (150.0, 157.33),
        (200.0, 175.86),
        (300.0, 212.05),
        (400.0, 247.09),
        (850.0, 390.48),
    ];
    for (t_c, ohm) in table {
        let pt100_ohm = Platinum::PT100.resistance_ohm(t_c).unwrap();
        let pt1000_ohm = Platinum::PT1000.resistance_ohm(t_c).unwrap();
        assert_near(&format!("pt100 at {t_c} °C"), pt100_ohm, ohm, 0.005 + 1e-9);
        assert_near(
            &format!("pt1000 at {t_c} °C"),
            pt1000_ohm,
            10.0 * ohm,
            0.05 + 1e-9,
        );
        // The slope is at least 0.29 Ohm/K, so half a digit is at most 0.02 K.
        if t_c > -200.0 && t_c < 850.0 {
            let back_c = Platinum::PT100.temperature_c(ohm).unwrap();
            assert_near(&format!("pt100 at {ohm} Ohm"), back_c, t_c, 0.02);
        }
    }
    assert!(Platinum::PT100.temperature_c(18.5).is_err());
    assert!(Platinum::PT100.temperature_c(390.5).is_err());
    assert!(Platinum::PT1000.resistance_ohm(-200.1).is_err());
    assert!(Platinum::PT1000.temperature_c(f64::NAN).is_err());
}

/// Manual of the LDT-5525 temperature controller, appendix A, table A.1: a common 10 kOhm thermistor, which the equation is
/// said to fit to 0.01 °C. Coefficients through the rows at 0, 25 and 50 °C; the rows at 10, 20 and 30 °C are the check. (The
/// row at 40 °C, 5331 Ohm, does not lie on any smooth curve through the others, a misprint, and is left out.)
#[test]
fn steinhart_hart_reproduces_a_published_table() {
    let table = [
        (0.0, 32128.0),
        (10.0, 19549.0),
        (20.0, 12262.0),
        (25.0, 9814.0),
        (30.0, 7908.0),
        (50.0, 3542.0),
    ];
    let (a, b, c) = (1.10415912e-3, 2.38917947e-4, 6.93162653e-8);
    let thermistor = Ntc::SteinhartHart { a, b, c };
    for (t_c, ohm) in table {
        let got_c = thermistor.temperature_c(ohm).unwrap();
        assert_near(&format!("{ohm} Ohm"), got_c, t_c, 0.01);
        let got_ohm = thermistor.resistance_ohm(t_c).unwrap();
        assert_near(&format!("{t_c} °C"), got_ohm / ohm, 1.0, 5e-4);
    }
}

/// Coefficients published for a 10 kOhm thermistor: it has to have 10 kOhm at 25 °C. The other values are worked from
/// 1/T = A + B ln R + C (ln R)³ with another program.
#[test]
fn steinhart_hart_with_published_coefficients() {
    let (a, b, c) = (1.129148e-3, 2.34125e-4, 8.76741e-8);
    let thermistor = Ntc::SteinhartHart { a, b, c };
    assert_near(
        "10 kOhm",
        thermistor.temperature_c(10_000.0).unwrap(),
        25.0,
        0.001,
    );
    let worked = [
        (32_650.0, 0.0002),
        (3603.0, 49.9857),
        (2488.0, 59.990),
        (680.0, 99.921),
    ];
    for (ohm, t_c) in worked {
        assert_near(
            &format!("{ohm} Ohm"),
            thermistor.temperature_c(ohm).unwrap(),
            t_c,
            0.001,
        );
    }
}

/// Worked from R = R25 exp(beta (1/T - 1/298.15 K)) with another program.
#[test]
fn beta_equation() {
    let thermistor = Ntc::Beta {
        beta_k: 3950.0,
        r25_ohm: 10_000.0,
    };
    let worked = [
        (0.0, 33_620.604),
        (25.0, 10_000.0),
        (50.0, 3588.183),
        (100.0, 697.520),
    ];
    for (t_c, ohm) in worked {
        assert_near(
            &format!("{t_c} °C"),
            thermistor.resistance_ohm(t_c).unwrap(),
            ohm,
            0.001,
        );
    }
    assert_near(
        "5 kOhm",
        thermistor.temperature_c(5000.0).unwrap(),
        41.4602,
        1e-4,
    );
    assert_near(
        "1 kOhm",
        thermistor.temperature_c(1000.0).unwrap(),
        87.7197,
        1e-4,
    );
    for impossible_ohm in [0.0, -5.0, f64::NAN, f64::INFINITY, 1e12, 0.01] {
        assert!(
            thermistor.temperature_c(impossible_ohm).is_err(),
            "{impossible_ohm} Ohm"
        );
    }
}

#[test]
fn coefficients_of_no_thermistor_are_told() {
    let steinhart = |a, b, c| Ntc::SteinhartHart { a, b, c };
    let beta = |beta_k, r25_ohm| Ntc::Beta { beta_k, r25_ohm };
    assert!(steinhart(1.129148e-3, 2.34125e-4, 8.76741e-8).is_plausible());
    assert!(beta(3435.0, 10_000.0).is_plausible());
    let wrong = [
        (
            "A and B exchanged",
            steinhart(2.34125e-4, 1.129148e-3, 8.76741e-8),
        ),
        (
            "A without its power of ten",
            steinhart(1.129148, 2.34125e-4, 8.76741e-8),
        ),
        (
            "a minus too many",
            steinhart(1.129148e-3, -2.34125e-4, 8.76741e-8),
        ),
        ("nothing", steinhart(0.0, 0.0, 0.0)),
        ("a digit of beta lost", beta(395.0, 10_000.0)),
        ("no number", beta(f64::NAN, 10_000.0)),
        ("no resistance", beta(3950.0, -1.0)),
    ];
    for (what, ntc) in wrong {
        assert!(!ntc.is_plausible(), "{what}: {ntc:?}");
    }
}

/// What a channel comes to: quantity, EXP, sensor, whether the job file has coefficients, reading, reference junction; value
/// and unit.
#[test]
fn channels_are_converted_by_quantity_and_sensor() {
    use Quantity::{Contact, Current, Emf, Resistance, Temperature, Voltage};
    let none = f64::NAN;
    let cases = [
        (Current, -3, "ct", false, 13_480, None, 13.48, "A"),
        (Voltage, -1, "divider", false, 2301, None, 230.1, "V"),
        (Temperature, -2, "ic", false, -1845, None, -18.45, "Cel"),
        (Contact, 0, "opto", false, 1, None, 1.0, "1"),
        // 812 µV and 23.91 °C, by linear interpolation in the NIST table of type K: 0.919 + 0.91 x 0.041 + 0.812
        // = 1.768 mV, between 1.735 at 43 °C and 1.776 at 44 °C.
        (Emf, -6, "tc-K", false, 812, Some(23.91), 43.81, "Cel"),
        (Emf, -6, "tc-K", false, 812, None, none, "Cel"),
        (Emf, -6, "tc-K", false, 812, Some(2000.0), none, "Cel"),
        (Emf, -6, "tc-K", false, 60_000, Some(23.91), none, "Cel"),
        (Emf, -6, "tc-S", false, 812, Some(23.91), none, "V"),
        (Resistance, -2, "pt100", false, 13_851, None, 100.01, "Cel"),
        (Resistance, 0, "pt1000", false, 1000, None, 0.0, "Cel"),
        (Resistance, 0, "pt100", false, 1000, None, none, "Cel"),
        (Resistance, 0, "ntc", true, 10_000, None, 25.0, "Cel"),
        (Resistance, 0, "ntc", true, 0, None, none, "Cel"),
        (Resistance, 0, "ntc", false, 10_000, None, 10_000.0, "Ohm"),
        (Resistance, 0, "ptc", true, 10_000, None, 10_000.0, "Ohm"),
    ];
    for (quantity, exp, sensor, known, raw, reference_c, value, unit) in cases {
        let what = format!("{quantity} {sensor} {raw} {reference_c:?}");
        let ntc = known.then_some(Ntc::Beta {
            beta_k: 3950.0,
            r25_ohm: 10_000.0,
        });
        let mut converter = Converter::new(quantity, exp, sensor, ntc);
        let got = converter.value(raw, reference_c);
        let agrees = (got - value).abs() < 0.01 || (got.is_nan() && value.is_nan());
        assert!(agrees, "{what}: {got}, expected {value}");
        assert_eq!(converter.unit_after(), unit, "{what}");
        assert_eq!(
            converter.needs_reference(),
            quantity == Emf && unit == "Cel",
            "{what}"
        );
    }
}

/// Round-off of the high powers, °C. Below -200 °C the curves are nearly flat and it counts for more.
fn round_trip_tolerance_c(t_c: f64) -> f64 {
    if t_c < -200.0 { 1e-6 } else { 1e-9 }
}

proptest! {
    /// A reading that is only scaled is the very number its decimal digits mean: tables show 13.48, not 13.479999.
    #[test]
    fn scaling_gives_the_nearest_number(raw: i32, exp in -9i8..=3) {
        let value = Converter::new(Quantity::Current, exp, "ct", None).value(raw, None);
        prop_assert_eq!(value, format!("{raw}e{exp}").parse::<f64>().unwrap());
    }

    #[test]
    fn emf_goes_back_to_its_temperature(kind in 0usize..5, share in 0.0..=1.0f64) {
        let kind = ThermocoupleType::ALL[kind];
        let (min_c, max_c) = kind.range_c();
        let t_c = (min_c + share * (max_c - min_c)).min(max_c);
        // Where the two polynomials of type J meet, at 760 °C, they differ by 0.075 µV.
        prop_assume!(kind != J || (t_c - 760.0).abs() > 1e-5);
        let back_c = kind.temperature_c(kind.emf_v(t_c).unwrap()).unwrap();
        let near = (back_c - t_c).abs() < round_trip_tolerance_c(t_c);
        prop_assert!(near, "{:?} {} -> {}", kind, t_c, back_c);
    }

    #[test]
    fn compensation_goes_back_for_every_reference(
        kind in 0usize..5, t_c in -40.0..400.0f64, reference_c in -40.0..125.0f64,
    ) {
        let kind = ThermocoupleType::ALL[kind];
        let between_v = kind.emf_v(t_c).unwrap() - kind.emf_v(reference_c).unwrap();
        let back_c = kind.compensated_c(between_v, reference_c).unwrap();
        prop_assert!((back_c - t_c).abs() < 1e-9, "{:?} {} -> {}", kind, t_c, back_c);
    }

    #[test]
    fn hotter_is_more_emf(kind in 0usize..5, share in 0.0..0.999f64, step_c in 0.001..10.0f64) {
        let kind = ThermocoupleType::ALL[kind];
        let (min_c, max_c) = kind.range_c();
        let t_c = min_c + share * (max_c - min_c);
        let hotter_c = (t_c + step_c).min(max_c);
        prop_assert!(kind.emf_v(hotter_c).unwrap() > kind.emf_v(t_c).unwrap());
    }

    #[test]
    fn resistance_goes_back_to_its_temperature(pt_c in -200.0..=850.0f64, ntc_c in -55.0..=150.0f64) {
        for element in [Platinum::PT100, Platinum::PT1000] {
            let back_c = element.temperature_c(element.resistance_ohm(pt_c).unwrap()).unwrap();
            prop_assert!((back_c - pt_c).abs() < 1e-9, "{:?} {} -> {}", element, pt_c, back_c);
        }
        let steinhart = Ntc::SteinhartHart { a: 1.129148e-3, b: 2.34125e-4, c: 8.76741e-8 };
        for ntc in [steinhart, Ntc::Beta { beta_k: 3435.0, r25_ohm: 5000.0 }] {
            let back_c = ntc.temperature_c(ntc.resistance_ohm(ntc_c).unwrap()).unwrap();
            prop_assert!((back_c - ntc_c).abs() < 1e-9, "{:?} {} -> {}", ntc, ntc_c, back_c);
        }
    }

    /// A converter that has seen other readings gives what a new one gives.
    #[test]
    fn what_came_before_is_never_seen(readings in prop::collection::vec((0usize..3, 0usize..3), 1..20)) {
        let raws = [812, 813, -2000];
        let references_c = [Some(23.91), Some(24.0), None];
        let mut long_lived = Converter::new(Quantity::Emf, -6, "tc-K", None);
        for (raw, reference) in readings {
            let (raw, reference_c) = (raws[raw], references_c[reference]);
            let fresh = Converter::new(Quantity::Emf, -6, "tc-K", None).value(raw, reference_c);
            let value = long_lived.value(raw, reference_c);
            prop_assert_eq!(value.to_bits(), fresh.to_bits());
            prop_assert_eq!(value.is_nan(), reference_c.is_none());
        }
    }

    /// Whatever a board says: a temperature of the standard range or no number, and no panic.
    #[test]
    fn any_reading_is_survived(
        raw: i32, exp in -9i8..=3, reference_c in prop::option::of(any::<f64>()), sensor in 0usize..8,
    ) {
        let sensors = ["tc-K", "tc-J", "tc-T", "tc-N", "tc-E", "pt100", "pt1000", "ntc"];
        let ntc = Some(Ntc::Beta { beta_k: 3950.0, r25_ohm: 10_000.0 });
        let quantity = if sensor < 5 { Quantity::Emf } else { Quantity::Resistance };
        let value = Converter::new(quantity, exp, sensors[sensor], ntc).value(raw, reference_c);
        prop_assert!(value.is_nan() || (-270.0..=1372.0).contains(&value), "{}", value);
    }
}
