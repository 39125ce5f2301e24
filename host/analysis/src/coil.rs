//! A coil seen from outside: resistance from a steady dwell, time constant and inductance from a step.

mod resistance;
mod ripple;
mod time_constant;
pub mod transient;

pub use resistance::{
    CoilCircuit, CoilTemperature, DRIFT_PERCENT_MAX, PERIODS_MIN, Resistance, SteadyDwell,
    TIME_CONSTANT_S_MIN, resistance_at_20c, resistance_at_most,
};
pub use ripple::{
    RIPPLE_PERIODS_MIN, RIPPLE_SAMPLES_PER_PERIOD_MIN, Ripple, RippleInductance, ripple_inductance,
};
pub use time_constant::{
    CurrentStep, RISE_SAMPLES_MIN, RISE_TIME_CONSTANTS_MIN, TimeConstant, inductance, time_constant,
};
