//! Restrictions: sharp orifices that turn laminar near zero, and the filter.
//!
//! Each law returns the flow and its slope, because the pressures are advanced linear-implicitly and need both.

/// Laminar-turbulent transition Reynolds number of an orifice, 1 (20-300, from memory).
const TRANSITION_REYNOLDS: f64 = 100.0;
/// Smallest transition pressure, Pa: keeps the slope at zero finite, blunts flow only under about 2 mbar.
pub const TRANSITION_FLOOR_PA: f64 = 200.0;
/// Transition pressure of small fixed passages to tank, Pa.
pub const TRANSITION_SMALL_PA: f64 = 2_000.0;

/// A volume flow and its derivative by the pressure difference.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flow {
    /// Flow, m3/s.
    pub q_m3_per_s: f64,
    /// Slope, m3/(s Pa).
    pub slope_m3_per_s_pa: f64,
}

impl Flow {
    /// No flow.
    pub const NONE: Self = Self { q_m3_per_s: 0.0, slope_m3_per_s_pa: 0.0 };

    /// The flow once its pressure difference has changed by `change_pa`, m3/s.
    pub fn after(&self, change_pa: f64) -> f64 {
        self.q_m3_per_s + self.slope_m3_per_s_pa * change_pa
    }

    /// The flow of a source that gives way as the pressure it works against rises by `change_pa`, m3/s.
    pub fn after_giving_way(&self, change_pa: f64) -> f64 {
        self.q_m3_per_s - self.slope_m3_per_s_pa * change_pa
    }

    /// This flow, at pressure difference `dp_pa` > 0, with the slope of the line to zero instead of the tangent's.
    ///
    /// A check valve needs it: from a large difference the tangent of a square root leads past the point where the
    /// check shuts, and flow would then jump on and off from step to step.
    #[must_use]
    pub fn with_secant(self, dp_pa: f64) -> Self {
        Self { slope_m3_per_s_pa: self.q_m3_per_s / dp_pa, ..self }
    }

    /// This flow with anything running backwards held by a check valve.
    #[must_use]
    pub fn forward_only(self) -> Self {
        if self.q_m3_per_s > 0.0 { self } else { Self::NONE }
    }
}

/// Orifice flow `q = CdA sqrt(2/rho) dp / (dp^2 + dp_cr^2)^(1/4)`: turbulent for large `dp`, linear near zero,
/// smooth (the purpose of the two-regime formula by Ellman and Piche, J. Dyn. Syst. Meas. Control 121, 1999).
///
/// `dp_pa` Pa, `effective_area_m2` = discharge coefficient times area, `density` kg/m3, `transition_pa` > 0 Pa.
pub fn orifice(dp_pa: f64, effective_area_m2: f64, density_kg_per_m3: f64, transition_pa: f64) -> Flow {
    let dp2 = dp_pa * dp_pa;
    let t2 = transition_pa * transition_pa;
    let square = dp2 + t2;
    let per_pa = effective_area_m2 * libm::sqrt(2.0 / (density_kg_per_m3 * libm::sqrt(square)));
    Flow { q_m3_per_s: per_pa * dp_pa, slope_m3_per_s_pa: per_pa * (0.5 * dp2 + t2) / square }
}

/// Pressure difference at which an orifice of hydraulic diameter `diameter_m` turns turbulent, Pa:
/// `rho/2 (Re_cr nu / (C_d D_h))^2`, not less than [`TRANSITION_FLOOR_PA`].
pub fn transition_pa(
    density_kg_per_m3: f64,
    viscosity_m2_per_s: f64,
    discharge: f64,
    diameter_m: f64,
) -> f64 {
    let speed = TRANSITION_REYNOLDS * viscosity_m2_per_s / (discharge * diameter_m);
    (0.5 * density_kg_per_m3 * speed * speed).max(TRANSITION_FLOOR_PA)
}

/// Hydraulic diameter of a round hole of area `area_m2`, m (`2 sqrt(A/pi)`).
pub fn round_diameter_m(area_m2: f64) -> f64 {
    1.128 * libm::sqrt(area_m2)
}

/// Filter flow from `dp = a q + b |q| q`, solved for `q`: `q = 2 dp / (a + sqrt(a^2 + 4 b |dp|))`.
///
/// `a` Pa s/m3, `b` Pa s2/m6, both > 0.
pub fn filter(dp_pa: f64, a: f64, b: f64) -> Flow {
    let root = libm::sqrt(a * a + 4.0 * b * dp_pa.abs());
    Flow { q_m3_per_s: 2.0 * dp_pa / (a + root), slope_m3_per_s_pa: 1.0 / root }
}
