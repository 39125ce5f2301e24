//! Constants of a step of one length.

use super::seconds;
use crate::coil::LowPass;
use crate::friction::Projection;
use crate::rig::Rig;
use crate::sensors::Lags;

/// What depends on the length of a step and the parameters only.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pace {
    pub dt_us: u64,
    pub sub_steps: usize,
    pub inlet: Projection,
    pub lags: Lags,
    pub meter_share: f64,
    pub amplifiers: [LowPass; 2],
}

impl Pace {
    pub(super) fn new(dt_us: u64, sub_steps: usize, rig: &Rig) -> Self {
        let dt_s = seconds(dt_us);
        let sub_s = dt_s / sub_steps as f64;
        Self {
            dt_us,
            sub_steps,
            inlet: rig.inlet_valve.projection(sub_s),
            lags: Lags::new(dt_s, &rig.sensors),
            meter_share: 1.0 - libm::exp(-dt_s / rig.sensors.meter.lag_s),
            amplifiers: [
                LowPass::new(rig.sensors.inlet_current.lag_s, sub_s),
                LowPass::new(rig.sensors.pressure_current.lag_s, sub_s),
            ],
        }
    }
}
