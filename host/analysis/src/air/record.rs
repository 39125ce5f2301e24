//! What a rise is recorded with, and what is taken for granted where a recording says no more than its columns.

use crate::uncertainty::Input;

/// The exponent lies between 1.0 and 1.4. Recordings are made at either end (isothermal, adiabatic) more often
/// than between, and a rectangle would hold its ends as unlikely: they are one standard deviation away.
const GAS_EXPONENT_U: f64 = 0.2;

/// Mean and standard deviation of the three forms of the balance, 0 to 2.
const FORM_KNOWN: (f64, f64) = (1.0, 0.816_496_580_927_726);

/// Rise of an oil's modulus per rise of pressure: none in the figures of whoever states one modulus, up to
/// 12 in oils (n-dodecane: 11; common practice). Both ends are one standard deviation away.
const MODULUS_SLOPE: (f64, f64) = (6.0, 6.0);

/// Wavering of the inflow with the plungers.
#[derive(Clone, Copy, Debug)]
pub struct InflowRipple {
    /// Period, s.
    pub period_s: f64,
    /// Amplitude over the mean inflow: 0.07 for +-7 %.
    pub amplitude: f64,
}

/// A pressure rise with all ways out of the rail shut. It may begin before, at or after the first
/// sample; a base line is used where there is one.
#[derive(Clone, Copy, Debug)]
pub struct BuildUp<'a> {
    /// Time, s, rising, without gaps.
    pub time_s: &'a [f64],
    /// Rail pressure, Pa gauge.
    pub pressure_pa: &'a [f64],
    /// Flow into the rail at each sample, m3/s; `None` for a steady inflow that was not recorded.
    pub flow_m3_per_s: Option<&'a [f64]>,
    /// True flow over reported flow, about 1; does not matter without a flow column.
    pub flow_gain: Input,
    /// Atmospheric pressure, Pa.
    pub atmosphere_pa: Input,
    /// Bulk modulus of the liquid at zero gauge pressure, Pa. Needed.
    pub liquid_modulus_pa: Option<Input>,
    /// Rise of the modulus per rise of pressure, dimensionless (about 10).
    pub modulus_slope: Input,
    /// Stiffness of the walls, V dp/dV, Pa; infinite for rigid ones.
    pub wall_modulus_pa: f64,
    /// Volume of the rail and everything connected to it, m3. The fraction needs it only to make the
    /// most of a flow column; the volume of the air needs it.
    pub volume_m3: Option<Input>,
    /// Exponent of the gas law: 1 for slow squeezing or fine bubbles, 1.4 for a fast squeeze of
    /// large ones.
    pub gas_exponent: Input,
    /// How the balance is written: 0 for a rail that keeps its air and takes in liquid, 1 for the
    /// effective modulus of a mixture that comes in as it is, 2 where the liquid keeps the share that it
    /// had at first. They differ by up to about x, relatively. With an uncertainty: any of the three, by
    /// their evidence.
    pub form: Input,
    /// True pressure over reported pressure, about 1.
    pub gain: Input,
    /// Standard uncertainty of the pressure zero, Pa.
    pub zero_u_pa: f64,
    /// Wavering of a steady inflow, when the pump's speed is known. Together with the soft start, or not at
    /// all: where neither is known both are looked for in the recording, if it has a base line.
    pub ripple: Option<InflowRipple>,
    /// How long a steady inflow may take to come on in full, s: closing of the valve and lag of the
    /// sensor. A soft start looks like a little air.
    pub soft_start_s: Option<f64>,
}

impl<'a> BuildUp<'a> {
    /// A recording made elsewhere, of which no more is known than its columns.
    ///
    /// Atmospheric pressure is 101 325 Pa within 2 kPa (weather); the gas exponent anywhere between 1
    /// and 1.4; the modulus may be constant or rise by up to 12 times the pressure rise, as that of oils
    /// does (n-dodecane: 11; common practice); any form of the balance may hold. The instruments
    /// are taken as exact. How the inflow came on and whether it wavers is looked for in the recording.
    #[must_use]
    pub fn recorded(
        time_s: &'a [f64],
        pressure_pa: &'a [f64],
        flow_m3_per_s: Option<&'a [f64]>,
        volume_m3: Option<Input>,
        liquid_modulus_pa: Option<Input>,
    ) -> BuildUp<'a> {
        BuildUp {
            time_s,
            pressure_pa,
            flow_m3_per_s,
            flow_gain: Input::exact(1.0),
            atmosphere_pa: Input::rectangular(101_325.0, 2_000.0),
            liquid_modulus_pa,
            modulus_slope: Input::new(MODULUS_SLOPE.0, MODULUS_SLOPE.1),
            wall_modulus_pa: f64::INFINITY,
            volume_m3,
            gas_exponent: Input::new(1.2, GAS_EXPONENT_U),
            form: Input::new(FORM_KNOWN.0, FORM_KNOWN.1),
            gain: Input::exact(1.0),
            zero_u_pa: 0.0,
            ripple: None,
            soft_start_s: None,
        }
    }
}
