//! Temperature from resistance: platinum (IEC 60751) and thermistors.

/// Kelvin at 0 degC.
const KELVIN_AT_0C: f64 = 273.15;

/// Coefficients of IEC 60751 (Callendar and van Dusen): 1/K, 1/K^2 and, below 0 degC only, 1/K^4.
const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// Resistance of a platinum sensor at `celsius` over that at 0 degC, -200 to 850 degC (IEC 60751).
#[must_use]
pub fn platinum_ratio(celsius: f64) -> f64 {
    let below = if celsius < 0.0 { C * (celsius - 100.0) * celsius.powi(3) } else { 0.0 };
    1.0 + A * celsius + B * celsius * celsius + below
}

/// Temperature of a platinum sensor in degC from its resistance over that at 0 degC: the inverse of
/// [`platinum_ratio`], in closed form above 0 degC and by Newton's method below. Not a number for a ratio
/// beyond the top of the parabola, 7.6, which is far outside the standard's range.
#[must_use]
pub fn platinum_celsius(ratio: f64) -> f64 {
    let mut celsius = (-A + (A * A - 4.0 * B * (1.0 - ratio)).sqrt()) / (2.0 * B);
    if ratio < 1.0 {
        // The parabola is off by 2.4 K at -200 degC; each step squares what is left of that.
        for _ in 0..NEWTON_STEPS {
            let slope = A + 2.0 * B * celsius + C * celsius * celsius * (4.0 * celsius - 300.0);
            celsius -= (platinum_ratio(celsius) - ratio) / slope;
        }
    }
    celsius
}

/// Steps after which nothing but rounding is left.
const NEWTON_STEPS: usize = 4;

/// Temperature of a thermistor in degC by Steinhart and Hart (Deep-Sea Res. 15, 1968):
/// `1/T = a + b ln R + c (ln R)^3` with T in kelvin and R in ohm, above zero.
#[must_use]
pub fn steinhart_hart_celsius(ohm: f64, [a, b, c]: [f64; 3]) -> f64 {
    let ln = ohm.ln();
    1.0 / (a + b * ln + c * ln * ln * ln) - KELVIN_AT_0C
}

/// Resistance in ohm of a thermistor at `celsius`: the inverse of [`steinhart_hart_celsius`], from the
/// one real root of the cubic in ln R (Cardano). `b` and `c` above zero.
#[must_use]
pub fn steinhart_hart_ohm(celsius: f64, [a, b, c]: [f64; 3]) -> f64 {
    let x = (a - 1.0 / (celsius + KELVIN_AT_0C)) / c;
    let y = ((b / (3.0 * c)).powi(3) + x * x / 4.0).sqrt();
    ((y - x / 2.0).cbrt() - (y + x / 2.0).cbrt()).exp()
}

/// Coefficients of Steinhart and Hart of the curve through three points (ohm, degC), in any order, all
/// different: differences of 1/T against ln R, twice.
#[must_use]
pub fn steinhart_hart_through(points: [(f64, f64); 3]) -> [f64; 3] {
    let l = points.map(|(ohm, _)| ohm.ln());
    let y = points.map(|(_, celsius)| 1.0 / (celsius + KELVIN_AT_0C));
    let second = (y[1] - y[0]) / (l[1] - l[0]);
    let third = (y[2] - y[0]) / (l[2] - l[0]);
    let c = (third - second) / (l[2] - l[1]) / (l[0] + l[1] + l[2]);
    let b = second - c * (l[0] * l[0] + l[0] * l[1] + l[1] * l[1]);
    let a = y[0] - (b + c * l[0] * l[0]) * l[0];
    [a, b, c]
}

/// Temperature of a thermistor in degC by its beta, in kelvin, and its resistance at 25 degC:
/// `R = R25 exp(beta (1/T - 1/298.15 K))`.
#[must_use]
pub fn beta_celsius(ohm: f64, ohm_at_25c: f64, beta_k: f64) -> f64 {
    1.0 / ((ohm / ohm_at_25c).ln() / beta_k + 1.0 / (25.0 + KELVIN_AT_0C)) - KELVIN_AT_0C
}

/// Resistance of a thermistor in ohm at `celsius`: the inverse of [`beta_celsius`].
#[must_use]
pub fn beta_ohm(celsius: f64, ohm_at_25c: f64, beta_k: f64) -> f64 {
    ohm_at_25c * (beta_k * (1.0 / (celsius + KELVIN_AT_0C) - 1.0 / (25.0 + KELVIN_AT_0C))).exp()
}
