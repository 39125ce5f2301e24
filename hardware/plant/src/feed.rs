//! What brings oil from the tank: an electric supply pump, or a transfer pump on the shaft; and a hand primer.
//!
//! All draw through one suction line. Dry, it must fill first; meanwhile air is moved, and less of it. The line's
//! pressure may not fall to boiling: beyond that the pump cavitates and takes no more.

use crate::constants::{GRAVITY_M_PER_S2, P_ATMOSPHERE_PA, P_VAPOUR_PA};
use crate::orifice::Flow;

/// Which pump feeds the rig.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FeedPump {
    /// Driven by a motor on the supply output.
    Electric {
        /// Flow at 12 V against no pressure, m3/s.
        flow_12v_m3_per_s: f64,
        /// Gauge pressure at which it stalls, Pa.
        stall_pa: f64,
        /// Current when on, A.
        current_a: f64,
    },
    /// Built into the pump, on its shaft.
    Transfer {
        /// Displacement, m3/rev.
        displacement_m3_per_rev: f64,
        /// Share lost inside, 1.
        leak: f64,
    },
}

/// The feed and its suction line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FeedParameters {
    /// The pump.
    pub pump: FeedPump,
    /// Whether an electric pump has power when it is switched on.
    pub powered: bool,
    /// Volume of the suction line, m3.
    pub suction_m3: f64,
    /// How well the pump moves air, compared with oil, 1.
    pub dry_share: f64,
    /// Gas in what the suction line takes in, share of volume at one atmosphere, 0..=1.
    pub gas_share: f64,
    /// Height from tank level to pump, m.
    pub lift_m: f64,
    /// Laminar resistance of the suction line, Pa s/m3.
    pub suction_pa_s_per_m3: f64,
    /// Turbulent resistance of the suction line, Pa s2/m6.
    pub suction_pa_s2_per_m6: f64,
    /// Volume of one stroke of the hand primer, m3.
    pub stroke_m3: f64,
    /// Duration of a stroke, s.
    pub stroke_s: f64,
    /// Gauge pressure against which a hand can no longer press, Pa.
    pub hand_pa: f64,
}

impl Default for FeedParameters {
    fn default() -> Self {
        Self {
            pump: FeedPump::Electric { flow_12v_m3_per_s: 45e-6, stall_pa: 7e5, current_a: 5.0 },
            powered: true,
            suction_m3: 30e-6,
            dry_share: 0.4,
            gas_share: 0.0,
            lift_m: 0.5,
            suction_pa_s_per_m3: 5e7,
            suction_pa_s2_per_m6: 5e12,
            stroke_m3: 40e-6,
            stroke_s: 1.0,
            hand_pa: 4e5,
        }
    }
}

/// Pressure kept above boiling in the suction line, Pa.
const SUCTION_MARGIN_PA: f64 = 2e4;

impl FeedParameters {
    /// A transfer pump on the shaft, 4 cm3/rev with 10 % lost inside.
    pub fn transfer() -> Self {
        Self { pump: FeedPump::Transfer { displacement_m3_per_rev: 4e-6, leak: 0.1 }, ..Self::default() }
    }

    /// Most liquid the suction line lets through before the oil boils, m3/s: the root of
    /// `p_a - rho g z - a q - b q^2 = p_v + 0.2 bar`.
    pub fn suction_limit_m3_per_s(&self, density_kg_per_m3: f64) -> f64 {
        let margin = P_ATMOSPHERE_PA
            - P_VAPOUR_PA
            - SUCTION_MARGIN_PA
            - density_kg_per_m3 * GRAVITY_M_PER_S2 * self.lift_m;
        if margin <= 0.0 {
            return 0.0;
        }
        let a = self.suction_pa_s_per_m3;
        2.0 * margin / (a + libm::sqrt(a * a + 4.0 * self.suction_pa_s2_per_m6 * margin))
    }

    /// Current of the feed's own motor, A.
    pub fn current_a(&self, on: bool) -> f64 {
        match self.pump {
            FeedPump::Electric { current_a, .. } if on && self.powered => current_a,
            _ => 0.0,
        }
    }
}

/// State of suction line and primer.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Suction {
    /// How far the suction line is filled, m3.
    pub filled_m3: f64,
    /// Strokes of the hand primer still to be made, the present one included.
    strokes: u32,
    /// Time since the present stroke began, s.
    stroke_s: f64,
}

/// What drives the feed during a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FeedDrive {
    /// Whether the supply output is on.
    pub on: bool,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Speed of the pump's shaft, rad/s.
    pub shaft_rad_per_s: f64,
    /// Suction limit, m3/s (see [`FeedParameters::suction_limit_m3_per_s`]).
    pub suction_limit_m3_per_s: f64,
}

impl Suction {
    /// A suction line full of oil.
    pub fn full(feed: &FeedParameters) -> Self {
        Self { filled_m3: feed.suction_m3, ..Self::default() }
    }

    /// Asks for one more stroke of the hand primer.
    pub fn stroke(&mut self) {
        self.strokes = self.strokes.saturating_add(1);
    }

    /// Whether nobody is pressing the primer.
    pub fn hand_is_off(&self) -> bool {
        self.strokes == 0
    }

    /// Gas share of what arrives at the pump, 0..=1: all air until the suction line has filled.
    pub fn gas_share(&self, feed: &FeedParameters) -> f64 {
        if self.filled_m3 < feed.suction_m3 { 1.0 } else { feed.gas_share }
    }

    /// Flow into the first node against its pressure `p_pa`, as volume at one atmosphere. Electric:
    /// `Q_f (V_s/12) (1 - (p - p_a)/p_stall)`; transfer: `D n (1 - leak)`; primer: a raised cosine.
    pub fn flow(&self, p_pa: f64, drive: &FeedDrive, feed: &FeedParameters) -> Flow {
        let gas_share = self.gas_share(feed);
        let gauge = p_pa - P_ATMOSPHERE_PA;
        let helped = 1.0 - (1.0 - feed.dry_share) * gas_share;
        let mut flow = match feed.pump {
            FeedPump::Electric { flow_12v_m3_per_s, stall_pa, .. } if drive.on => {
                pressed(flow_12v_m3_per_s * helped * drive.supply_v / 12.0, gauge, stall_pa)
            }
            FeedPump::Electric { .. } => Flow::NONE,
            FeedPump::Transfer { displacement_m3_per_rev, leak } => Flow {
                q_m3_per_s: displacement_m3_per_rev * drive.shaft_rad_per_s / (2.0 * core::f64::consts::PI)
                    * (1.0 - leak)
                    * helped,
                slope_m3_per_s_pa: 0.0,
            },
        };
        if self.strokes > 0 {
            let turn = 2.0 * core::f64::consts::PI * self.stroke_s / feed.stroke_s;
            let hand = feed.stroke_m3 / feed.stroke_s * (1.0 - libm::cos(turn));
            let primer = pressed(hand, gauge, feed.hand_pa);
            flow.q_m3_per_s += primer.q_m3_per_s;
            flow.slope_m3_per_s_pa += primer.slope_m3_per_s_pa;
        }
        let limit = drive.suction_limit_m3_per_s;
        if flow.q_m3_per_s * (1.0 - gas_share) > limit {
            flow = Flow { q_m3_per_s: limit / (1.0 - gas_share), slope_m3_per_s_pa: 0.0 };
        }
        flow
    }

    /// Moves on by `dt_s` after `q_m3_per_s` was drawn.
    pub fn advance(&mut self, dt_s: f64, q_m3_per_s: f64, feed: &FeedParameters) {
        if self.filled_m3 < feed.suction_m3 {
            self.filled_m3 += dt_s * q_m3_per_s;
        }
        if self.strokes > 0 {
            self.stroke_s += dt_s;
            if self.stroke_s >= feed.stroke_s {
                self.stroke_s = 0.0;
                self.strokes -= 1;
            }
        }
    }
}

/// A source of `q0` that gives way linearly and stalls at gauge pressure `stall_pa`. Its slope is the fall of
/// flow per pressure, positive.
fn pressed(q0_m3_per_s: f64, gauge_pa: f64, stall_pa: f64) -> Flow {
    let q = q0_m3_per_s * (1.0 - gauge_pa / stall_pa);
    if q > 0.0 { Flow { q_m3_per_s: q, slope_m3_per_s_pa: q0_m3_per_s / stall_pa } } else { Flow::NONE }
}
