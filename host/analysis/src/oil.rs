//! Viscosity and density of petroleum liquids over temperature.

use crate::reason::Unmeasured;
use crate::series::check_positive;
use crate::uncertainty::{Input, Measured};

/// Zero Celsius, K.
const ZERO_C_K: f64 = 273.15;

/// Kinematic viscosity over temperature by ASTM D341 (Walther), `log log Z = A - B log T` with the
/// form for low viscosities, Z = nu + 0.7 + exp(-1.47 - 1.84 nu - 0.51 nu^2), nu in mm2/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Viscosity {
    a: f64,
    b: f64,
}

impl Viscosity {
    /// Through two points, each a temperature in degC and a viscosity in mm2/s.
    ///
    /// # Errors
    /// [`Unmeasured::Impossible`] for a viscosity or an absolute temperature that is not above zero,
    /// or twice the same temperature.
    pub fn through(first: (f64, f64), second: (f64, f64)) -> Result<Viscosity, Unmeasured> {
        for (degc, mm2_per_s) in [first, second] {
            check_positive("a kinematic viscosity in mm2/s", mm2_per_s)?;
            check_positive("an absolute temperature in K", degc + ZERO_C_K)?;
        }
        if first.0 == second.0 {
            return Err(Unmeasured::Impossible {
                name: "the second temperature in degC",
                found: second.0,
                expected: "other than the first",
            });
        }
        let point =
            |(degc, mm2_per_s): (f64, f64)| ((degc + ZERO_C_K).log10(), walther_z(mm2_per_s).log10().log10());
        let ((x0, y0), (x1, y1)) = (point(first), point(second));
        let b = (y0 - y1) / (x1 - x0);
        Ok(Viscosity { a: y0 + b * x0, b })
    }

    /// Kinematic viscosity at a temperature in degC, mm2/s. The published way back from Z is good to
    /// about 1e-4 of the viscosity.
    #[must_use]
    pub fn at_degc(&self, degc: f64) -> f64 {
        let z = 10_f64.powf(10_f64.powf(self.a - self.b * (degc + ZERO_C_K).log10()));
        let x = z - 0.7;
        x - (-0.7487 - 3.295 * x + 0.6119 * x * x - 0.3193 * x.powi(3)).exp()
    }
}

/// Z of a kinematic viscosity in mm2/s.
fn walther_z(mm2_per_s: f64) -> f64 {
    mm2_per_s + 0.7 + (-1.47 - 1.84 * mm2_per_s - 0.51 * mm2_per_s * mm2_per_s).exp()
}

/// Volume at 15 degC over volume at a temperature, at low pressure: the petroleum volume tables,
/// API MPMS 11.1 (1980) Table 54B, unrounded: `exp(-a dT (1 + 0.8 a dT))`, `dT = t - 15`,
/// `a = K0/rho^2 + K1/rho + K2` with the density at 15 degC, kg/m3.
///
/// # Errors
/// [`Unmeasured::Impossible`] for a density outside 653 to 1075 kg/m3 (the tables' range).
pub fn volume_correction(density_15c_kg_per_m3: f64, degc: f64) -> Result<f64, Unmeasured> {
    let rho = density_15c_kg_per_m3;
    let [k0, k1, k2] = match rho {
        653.0..770.5 => [346.4228, 0.4388, 0.0],
        770.5..787.5 => [2680.3206, 0.0, -0.003_363_12],
        787.5..838.5 => [594.5418, 0.0, 0.0],
        838.5..=1075.0 => [186.9696, 0.4862, 0.0],
        _ => {
            return Err(Unmeasured::Impossible {
                name: "the density at 15 degC in kg/m3",
                found: rho,
                expected: "653 to 1075",
            });
        }
    };
    let warm = (k0 / (rho * rho) + k1 / rho + k2) * (degc - 15.0);
    Ok((-warm * (1.0 + 0.8 * warm)).exp())
}

/// Density at 15 degC, kg/m3, from that at a temperature: Table 53B, by iteration of
/// `rho15 = rho/VCF`.
///
/// # Errors
/// [`Unmeasured::Impossible`] outside the tables' range.
pub fn density_15c(density_kg_per_m3: f64, degc: f64) -> Result<f64, Unmeasured> {
    let mut rho = density_kg_per_m3;
    // Each round leaves about a tenth of the error at most: two dozen leave nothing.
    for _ in 0..24 {
        rho = density_kg_per_m3 / volume_correction(rho, degc)?;
    }
    Ok(rho)
}

/// A flow as the volume at 15 degC per second, from the flow at a temperature in degC.
///
/// # Errors
/// As [`volume_correction`].
pub fn flow_at_15c(flow: &Measured, density_15c_kg_per_m3: f64, degc: Input) -> Result<Measured, Unmeasured> {
    let factor = volume_correction(density_15c_kg_per_m3, degc.value)?;
    let warmer = volume_correction(density_15c_kg_per_m3, degc.value + 1.0)?;
    Ok(flow.scaled(factor).with_given(
        "temperature at the meter",
        flow.value * (warmer - factor),
        degc.standard_uncertainty,
    ))
}
