//! A coil seen from outside: resistance from a steady dwell, resistance, inductance and
//! time constant from a recording of voltage and current, inductance from the ripple of a burst.

mod resistance;
mod ripple;
pub mod transient;

pub use resistance::{
    CoilCircuit, CoilTemperature, DRIFT_PERCENT_MAX, PERIODS_MIN, Resistance, SteadyDwell,
    TIME_CONSTANT_S_MIN, resistance_at_20c, resistance_at_most,
};
pub use ripple::{
    RIPPLE_PERIODS_MIN, RIPPLE_SAMPLES_PER_PERIOD_MIN, Ripple, RippleInductance, ripple_inductance,
};
