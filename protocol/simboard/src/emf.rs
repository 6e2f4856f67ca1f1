//! Sensors seen from the physical side: what a junction or a resistor gives at a temperature.

/// Type K, -270 to 0 Cel: coefficients of mV, NIST Monograph 175 (ITS-90).
const BELOW_ZERO: [f64; 11] = [
    0.0,
    0.394_501_280_250e-1,
    0.236_223_735_980e-4,
    -0.328_589_067_840e-6,
    -0.499_048_287_770e-8,
    -0.675_090_591_730e-10,
    -0.574_103_274_280e-12,
    -0.310_888_728_940e-14,
    -0.104_516_093_650e-16,
    -0.198_892_668_780e-19,
    -0.163_226_974_860e-22,
];

/// Type K, 0 to 1372 Cel, the polynomial part (same source).
const ABOVE_ZERO: [f64; 10] = [
    -0.176_004_136_860e-1,
    0.389_212_049_750e-1,
    0.185_587_700_320e-4,
    -0.994_575_928_740e-7,
    0.318_409_457_190e-9,
    -0.560_728_448_890e-12,
    0.560_750_590_590e-15,
    -0.320_207_200_030e-18,
    0.971_511_471_520e-22,
    -0.121_047_212_750e-25,
];

/// The exponential term above 0 Cel: `A0 exp(A1 (t - A2)^2)` mV (same source).
const A0: f64 = 0.118_597_600_000;
const A1: f64 = -0.118_343_200_000e-3;
const A2: f64 = 126.968_6;

fn horner(coefficients: &[f64], t: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * t + c)
}

/// EMF of type K in V at `t_c` (Cel) against a reference junction at 0 Cel.
pub fn type_k_v(t_c: f64) -> f64 {
    let mv = if t_c < 0.0 {
        horner(&BELOW_ZERO, t_c)
    } else {
        horner(&ABOVE_ZERO, t_c) + A0 * (A1 * (t_c - A2) * (t_c - A2)).exp()
    };
    mv / 1000.0
}

/// Resistance of a Pt100 in ohm at `t_c` from -50 to 300 Cel (IEC 60751, Callendar-Van Dusen above zero; the
/// small term below zero is left out, which is 0.01 ohm at -50).
pub fn pt100_ohm(t_c: f64) -> f64 {
    100.0 * (1.0 + 3.9083e-3 * t_c - 5.775e-7 * t_c * t_c)
}
