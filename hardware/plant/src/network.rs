//! Four volumes in a row and everything that flows between them: feed (1), filter (2), gallery (3), rail (4).
//!
//! One step: flows and their slopes at the old pressures; a linear-implicit (Rosenbrock-Euler) prediction of the
//! four pressure changes, tridiagonal; contents moved with the end-of-step flows, the same number out of one volume
//! and into the next; pressures from the contents. Explicit Euler would need steps under 1.2 us here.

use crate::feed::{FeedDrive, FeedParameters, Suction};
use crate::fluid::Fluid;
use crate::node::Node;
use crate::orifice::Flow;
use crate::pump::{Moved, Pump, PumpParameters};
use crate::rail::{Opening, Rail, RailParameters};
use crate::streams::{Carried, Sides, Streams};

/// What the low-pressure side is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowPressureParameters {
    /// Volume between feed pump and filter, m3.
    pub feed_m3: f64,
    /// Volume of filter and hoses, m3.
    pub filter_m3: f64,
    /// Volume of the gallery behind the inlet valve, m3.
    pub gallery_m3: f64,
    /// Laminar resistance of the clean filter at reference viscosity, Pa s/m3.
    pub filter_pa_s_per_m3: f64,
    /// Turbulent resistance of the clean filter, Pa s2/m6.
    pub filter_pa_s2_per_m6: f64,
    /// Contamination: both resistances grow by this factor on top of 1.
    pub contamination: f64,
    /// Gauge pressure of the regulator, Pa.
    pub regulator_pa: f64,
    /// Slope of the regulator, m3/(s Pa).
    pub regulator_m3_per_s_pa: f64,
    /// Bleed from the filter head to tank, m2.
    pub bleed_area_m2: f64,
    /// Slip of gas into the bleed, 1: it stands on top, so gas goes first.
    pub bleed_slip: f64,
    /// Zero-delivery orifice between gallery and tank, m2.
    pub bypass_area_m2: f64,
    /// Slip of gas out of the feed volume, 1.
    pub feed_slip: f64,
    /// Slip of gas out of the filter, 1.
    pub filter_slip: f64,
    /// Slip of gas out of the gallery, 1.
    pub gallery_slip: f64,
    /// Discharge coefficient of all orifices, 1.
    pub discharge: f64,
    /// What someone else puts in (+) or draws (-) at feed, filter, gallery and rail, m3/s of liquid at the pressure
    /// there. Nobody does on the rig; it lets one part be driven alone.
    pub external_m3_per_s: [f64; 4],
}

impl Default for LowPressureParameters {
    fn default() -> Self {
        Self {
            feed_m3: 20e-6,
            filter_m3: 300e-6,
            gallery_m3: 4e-6,
            filter_pa_s_per_m3: 4e8,
            filter_pa_s2_per_m6: 1e13,
            contamination: 0.0,
            regulator_pa: 3.5e5,
            regulator_m3_per_s_pa: 1.5e-9,
            bleed_area_m2: 0.2e-6,
            bleed_slip: 50.0,
            bypass_area_m2: 8e-9,
            feed_slip: 1.0,
            filter_slip: 2.0,
            gallery_slip: 1.0,
            discharge: 0.70,
            external_m3_per_s: [0.0; 4],
        }
    }
}

/// The parameters a hydraulic step needs, borrowed together.
#[derive(Clone, Copy, Debug)]
pub struct Parts<'a> {
    /// Feed.
    pub feed: &'a FeedParameters,
    /// Low-pressure side.
    pub low: &'a LowPressureParameters,
    /// Pump.
    pub pump: &'a PumpParameters,
    /// Rail.
    pub rail: &'a RailParameters,
    /// Oil at its present temperature.
    pub fluid: &'a Fluid,
}

/// What the rest of the rig does to the hydraulics during a step.
#[derive(Clone, Copy, Debug)]
pub struct Boundary {
    /// Supply, shaft and suction.
    pub drive: FeedDrive,
    /// Speed of the pump shaft, rad/s.
    pub pump_rad_per_s: f64,
    /// Area of the inlet valve, m2.
    pub inlet_area_m2: f64,
    /// Flow past the pressure valve's seat, computed by the valve from lift and rail outlet density.
    pub valve: Flow,
    /// Gas share of that flow, 1.
    pub valve_gas_share: f64,
    /// The dump.
    pub dump: Opening,
    /// The union.
    pub union: Opening,
    /// Bubble noise on the pump's intake, standard normal; 0 for none.
    pub bubbles: f64,
}

/// Volumes that have passed since the start, m3 of liquid at one atmosphere; gas in kg.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counters {
    /// Liquid from the tank through the feed pump.
    pub supplied_m3: f64,
    /// Liquid through the inlet valve.
    pub metered_m3: f64,
    /// Liquid from the pump into the rail.
    pub delivered_m3: f64,
    /// Liquid through the pressure valve and flow meter.
    pub returned_m3: f64,
    /// Liquid lost: pump clearance, rail leak, relief.
    pub leaked_m3: f64,
    /// Liquid through the regulator.
    pub regulated_m3: f64,
    /// Liquid through filter bleed and zero-delivery orifice.
    pub bled_m3: f64,
    /// Liquid through the dump.
    pub dumped_m3: f64,
    /// Liquid spilled at the union.
    pub spilled_m3: f64,
    /// Liquid put in from outside.
    pub external_m3: f64,
    /// Gas taken in.
    pub gas_in_kg: f64,
    /// Gas let out, dissolved gas included.
    pub gas_out_kg: f64,
}

impl Counters {
    /// Adds what went during `dt_s`.
    fn add(&mut self, dt_s: f64, c: &Carried, moved: &Moved, dissolved_out_kg: f64) {
        self.supplied_m3 += dt_s * c.supplied.m3;
        self.metered_m3 += dt_s * c.metered.m3;
        self.delivered_m3 += dt_s * c.passed.m3 + moved.delivered_m3;
        self.returned_m3 += dt_s * c.returned.m3;
        self.leaked_m3 += dt_s * c.leaked_m3 + moved.leaked_m3;
        self.regulated_m3 += dt_s * c.regulated.m3;
        self.bled_m3 += dt_s * (c.bled.m3 + c.bypassed_m3);
        self.dumped_m3 += dt_s * c.dumped.m3;
        self.spilled_m3 += dt_s * c.spilled.m3;
        self.external_m3 += dt_s * c.external_m3.iter().sum::<f64>();
        self.gas_in_kg += dt_s * c.supplied.kg;
        self.gas_out_kg += dt_s
            * (c.regulated.kg + c.bled.kg + c.returned.kg + c.dumped.kg + c.spilled.kg + dissolved_out_kg);
    }
}

/// Flows at the end of a step, m3/s; liquid at one atmosphere where it says so.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flows {
    /// Through the feed pump.
    pub supply_m3_per_s: f64,
    /// Through the filter.
    pub filter_m3_per_s: f64,
    /// Through the inlet valve.
    pub inlet_m3_per_s: f64,
    /// Into the rail, liquid at one atmosphere.
    pub delivery_m3_per_s: f64,
    /// Past the pressure valve, at rail pressure.
    pub valve_m3_per_s: f64,
    /// In the return line, liquid and gas at one atmosphere: what the meter sees.
    pub return_m3_per_s: f64,
    /// Leak of pump and rail, relief included, liquid at one atmosphere.
    pub leak_m3_per_s: f64,
    /// Torque of the pump on the shaft, N m.
    pub torque_n_m: f64,
}

/// The hydraulic state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Network {
    /// Suction line and primer.
    pub suction: Suction,
    /// Volume before the filter.
    pub feed: Node,
    /// Filter.
    pub filter: Node,
    /// Gallery.
    pub gallery: Node,
    /// Pump.
    pub pump: Pump,
    /// Rail.
    pub rail: Rail,
    /// What has passed.
    pub counters: Counters,
}

impl Network {
    /// Moves everything on by `dt_s`.
    pub fn advance(&mut self, dt_s: f64, around: &Boundary, parts: &Parts<'_>) -> Flows {
        let Parts { low, rail, fluid, .. } = *parts;
        let sides = Sides::of(self, around, parts);
        let streams = Streams::of(self, dt_s, &sides, around, parts);
        let change_pa = streams.pressure_changes_pa(self, dt_s, &sides, parts);
        let carried = streams.carried(change_pa, &sides, parts);
        let moved = self.pump.carry_out(dt_s, &streams.plan, change_pa[2], &streams.around_pump, fluid);

        let c = &carried;
        self.feed.add(
            dt_s * (c.supplied.m3 - c.regulated.m3 - c.filtered.m3 + c.external_m3[0]),
            dt_s * (c.supplied.kg - c.regulated.kg - c.filtered.kg),
        );
        self.filter.add(
            dt_s * (c.filtered.m3 - c.bled.m3 - c.metered.m3 + c.external_m3[1]),
            dt_s * (c.filtered.kg - c.bled.kg - c.metered.kg),
        );
        self.gallery.add(
            dt_s * (c.metered.m3 - c.bypassed_m3 - c.passed.m3 + c.external_m3[2]) - moved.drawn_m3
                + moved.returned_m3,
            dt_s * (c.metered.kg - c.passed.kg) - moved.drawn_kg,
        );
        let out_m3 = c.returned.m3 + c.leaked_m3 + c.dumped.m3 + c.spilled.m3;
        let out_kg = c.returned.kg + c.dumped.kg + c.spilled.kg;
        self.rail.liquid_m3 += dt_s * (c.passed.m3 - out_m3 + c.external_m3[3]) + moved.delivered_m3;
        self.rail.free_kg += dt_s * (c.passed.kg - out_kg) + moved.delivered_kg;
        let dissolved_out_kg = self.rail.exchange(dt_s, c.from_rail_m3_per_s, rail, fluid);
        self.suction.advance(dt_s, c.supply_m3_per_s, parts.feed);

        let guess_pa = self.rail.p_pa + change_pa[3];
        self.feed.settle(low.feed_m3, fluid);
        self.filter.settle(low.filter_m3, fluid);
        self.gallery.settle(low.gallery_m3, fluid);
        self.rail.settle(guess_pa, rail, fluid);

        let via_valve =
            if c.from_rail_m3_per_s > 0.0 { c.valve_m3_per_s / c.from_rail_m3_per_s } else { 0.0 };
        let bubbles_kg = rail.bubbling_share * dissolved_out_kg * via_valve;
        let return_m3_per_s =
            self.rail.mix_return(dt_s, c.returned.m3, c.returned.kg + bubbles_kg, rail, fluid);
        self.counters.add(dt_s, c, &moved, dissolved_out_kg);
        let per_dt = 1.0 / dt_s;
        Flows {
            supply_m3_per_s: c.supply_m3_per_s,
            filter_m3_per_s: c.filter_m3_per_s,
            inlet_m3_per_s: c.inlet_m3_per_s,
            delivery_m3_per_s: c.passed.m3 + moved.delivered_m3 * per_dt,
            valve_m3_per_s: c.valve_m3_per_s,
            return_m3_per_s,
            leak_m3_per_s: c.leaked_m3 + moved.leaked_m3 * per_dt,
            torque_n_m: streams.plan.torque_n_m,
        }
    }

    /// Largest relative change of a pressure since it was `before_pa`, 1.
    pub fn restlessness(&self, before_pa: &[f64; 4]) -> f64 {
        before_pa
            .iter()
            .zip(&self.pressures_pa())
            .fold(0.0, |most: f64, (before, now)| most.max((now - before).abs() / before))
    }

    /// Pressures of feed, filter, gallery and rail, Pa absolute.
    pub fn pressures_pa(&self) -> [f64; 4] {
        [self.feed.p_pa, self.filter.p_pa, self.gallery.p_pa, self.rail.p_pa]
    }

    /// All liquid in the four volumes and the pump, m3 at one atmosphere.
    pub fn stored_liquid_m3(&self) -> f64 {
        let chambers: f64 = self.pump.chambers.iter().map(|chamber| chamber.liquid_m3).sum();
        self.feed.liquid_m3 + self.filter.liquid_m3 + self.gallery.liquid_m3 + self.rail.liquid_m3 + chambers
    }

    /// All gas in the four volumes and the pump, dissolved gas included, kg.
    pub fn stored_gas_kg(&self) -> f64 {
        let chambers: f64 = self.pump.chambers.iter().map(|chamber| chamber.gas_kg).sum();
        let rail = self.rail.free_kg + self.rail.trapped_kg + self.rail.dissolved_kg;
        self.feed.gas_kg + self.filter.gas_kg + self.gallery.gas_kg + rail + chambers
    }
}
