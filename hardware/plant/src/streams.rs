//! Everything that flows between the four volumes during a step, from flows and slopes at the old pressures to what
//! the flows at the end of the step carry.

use crate::constants::P_ATMOSPHERE_PA;
use crate::fluid::{Fluid, outlet_gas_share};
use crate::network::{Boundary, LowPressureParameters, Network, Parts};
use crate::node::Node;
use crate::orifice::{self, Flow, TRANSITION_SMALL_PA};
use crate::pump::{Plan, Surroundings};

/// A filter passes gas almost freely; these keep its resistances above zero for pure gas.
const GAS_RESISTANCE_SHARE: [f64; 2] = [0.02, 1e-3];
/// Bubble effect on the gas share of a stroke, in standard deviations of a yes-no variable.
const BUBBLE_SHARE: f64 = 0.5;

/// Liquid (m3 at one atmosphere) and gas (kg) in a stream, per second.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Load {
    pub m3: f64,
    pub kg: f64,
}

/// What a volume flow takes on where it comes from.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Side {
    gas_share: f64,
    p_pa: f64,
    compression: f64,
}

impl Side {
    fn of(node: &Node, gas_share: f64, fluid: &Fluid) -> Self {
        Self { gas_share, p_pa: node.p_pa, compression: fluid.compression_low(node.p_pa) }
    }

    /// What volume flow `q_m3_per_s` from here carries.
    fn load(&self, q_m3_per_s: f64, fluid: &Fluid) -> Load {
        Load {
            m3: (1.0 - self.gas_share) * q_m3_per_s * self.compression,
            kg: self.gas_share * q_m3_per_s * self.p_pa * fluid.gas_kg_per_j,
        }
    }

    /// Volume that one volume from here becomes at `there`.
    fn expansion(&self, there: &Self) -> f64 {
        (1.0 - self.gas_share) * self.compression / there.compression
            + self.gas_share * self.p_pa / there.p_pa
    }

    fn density_kg_per_m3(&self, fluid: &Fluid) -> f64 {
        fluid.mixture_density_kg_per_m3(self.gas_share, self.p_pa)
    }
}

/// Gas shares of the volumes, and what leaves them where.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sides {
    /// Gas shares of feed, filter, gallery and rail.
    shares: [f64; 4],
    tank: Side,
    suction: Side,
    feed: Side,
    filter: Side,
    filter_top: Side,
    gallery: Side,
    rail: Side,
    rail_top: Side,
}

impl Sides {
    pub(crate) fn of(net: &Network, around: &Boundary, parts: &Parts<'_>) -> Self {
        let Parts { low, rail, fluid, .. } = *parts;
        let shares = [
            net.feed.gas_share(low.feed_m3, fluid),
            net.filter.gas_share(low.filter_m3, fluid),
            net.gallery.gas_share(low.gallery_m3, fluid),
            net.rail.gas_share(rail, fluid),
        ];
        let tank = Side { gas_share: 0.0, p_pa: P_ATMOSPHERE_PA, compression: 1.0 };
        let from_rail = Side {
            gas_share: around.valve_gas_share,
            p_pa: net.rail.p_pa,
            compression: net.rail.compression,
        };
        Self {
            shares,
            tank,
            suction: Side { gas_share: net.suction.gas_share(parts.feed), ..tank },
            feed: Side::of(&net.feed, outlet_gas_share(shares[0], low.feed_slip), fluid),
            filter: Side::of(&net.filter, outlet_gas_share(shares[1], low.filter_slip), fluid),
            filter_top: Side::of(&net.filter, outlet_gas_share(shares[1], low.bleed_slip), fluid),
            gallery: Side::of(&net.gallery, outlet_gas_share(shares[2], low.gallery_slip), fluid),
            rail: from_rail,
            rail_top: Side {
                gas_share: net.rail.outlet_gas_share(rail.union_slip, rail, fluid),
                ..from_rail
            },
        }
    }
}

/// Flows with their slopes at the old pressures. The supply's slope is how it gives way.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Streams {
    supply: Flow,
    regulator: Flow,
    filter: Flow,
    /// Where the filter's flow comes from.
    filter_from: Side,
    inlet: Flow,
    inlet_from: Side,
    bleed: Flow,
    bypass: Flow,
    valve: Flow,
    leak: Flow,
    dump: Flow,
    spill: Flow,
    /// What the pump sees.
    pub around_pump: Surroundings,
    /// What the pump is about to do.
    pub plan: Plan,
}

/// What flows at the end of a step carry, per second.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Carried {
    pub supplied: Load,
    pub regulated: Load,
    pub filtered: Load,
    pub metered: Load,
    pub bled: Load,
    /// Liquid through the zero-delivery orifice.
    pub bypassed_m3: f64,
    /// Through both checks of the pump.
    pub passed: Load,
    pub returned: Load,
    pub leaked_m3: f64,
    pub dumped: Load,
    pub spilled: Load,
    /// Liquid put in from outside.
    pub external_m3: [f64; 4],
    pub supply_m3_per_s: f64,
    pub filter_m3_per_s: f64,
    pub inlet_m3_per_s: f64,
    pub valve_m3_per_s: f64,
    /// Out of the rail by valve, dump and union.
    pub from_rail_m3_per_s: f64,
}

impl Streams {
    /// All flows at the present pressures; turns the pump's shaft.
    pub(crate) fn of(
        net: &mut Network,
        dt_s: f64,
        sides: &Sides,
        around: &Boundary,
        parts: &Parts<'_>,
    ) -> Self {
        let Parts { low, rail, fluid, .. } = *parts;
        let [p1, p2, p3, p4] = net.pressures_pa();
        let cd = low.discharge;
        let nu = fluid.viscosity_m2_per_s;

        let filter_from = if p1 > p2 { sides.feed } else { sides.filter };
        let inlet_from = if p2 > p3 { sides.filter } else { sides.gallery };
        let inlet_density = inlet_from.density_kg_per_m3(fluid);
        let hole_m = orifice::round_diameter_m(around.inlet_area_m2);
        let transition_pa = orifice::transition_pa(inlet_density, nu, cd, hole_m);
        let bleed = if low.bleed_area_m2 > 0.0 {
            let density = sides.filter_top.density_kg_per_m3(fluid);
            orifice::orifice(p2 - P_ATMOSPHERE_PA, cd * low.bleed_area_m2, density, TRANSITION_SMALL_PA)
                .forward_only()
        } else {
            Flow::NONE
        };
        let around_pump = Surroundings {
            gallery_pa: p3,
            gallery_gas_share: sides.gallery.gas_share,
            intake_gas_share: bubbly(sides.gallery.gas_share, around.bubbles),
            rail_pa: p4,
            rail_stiffness_pa: fluid.stiffness_pa(p4, rail.wall_pa),
            discharge: cd,
        };
        let leak_slope = rail.leak_m3_per_s_pa / fluid.viscosity_ratio * (1.0 - sides.shares[3]);
        let overflow = relief(p4, rail.relief_pa, rail.relief_m3_per_s_pa);
        let spill = if around.union.area_m2 > 0.0 {
            around.union.flow(p4, sides.rail_top.density_kg_per_m3(fluid), nu, cd).forward_only()
        } else {
            Flow::NONE
        };
        Self {
            supply: net.suction.flow(p1, &around.drive, parts.feed),
            regulator: relief(p1, low.regulator_pa, low.regulator_m3_per_s_pa),
            filter: filter_flow(p1 - p2, &filter_from, low, fluid),
            filter_from,
            inlet: orifice::orifice(p2 - p3, cd * around.inlet_area_m2, inlet_density, transition_pa),
            inlet_from,
            bleed,
            bypass: bypass_flow(p3, sides.gallery.gas_share, low, fluid),
            valve: around.valve,
            leak: Flow {
                q_m3_per_s: leak_slope * (p4 - P_ATMOSPHERE_PA) + overflow.q_m3_per_s,
                slope_m3_per_s_pa: leak_slope + overflow.slope_m3_per_s_pa,
            },
            dump: around.dump.flow(p4, sides.rail.density_kg_per_m3(fluid), nu, cd),
            spill,
            plan: net.pump.plan(dt_s, around.pump_rad_per_s, &around_pump, parts.pump, fluid),
            around_pump,
        }
    }

    /// Linear-implicit (Rosenbrock-Euler) prediction of how the four pressures change over `dt_s`, Pa:
    /// `(V/(K h) + sum of slopes) dp = sum of flows`, volumes taken at the pressure of the node.
    pub(crate) fn pressure_changes_pa(
        &self,
        net: &Network,
        dt_s: f64,
        sides: &Sides,
        parts: &Parts<'_>,
    ) -> [f64; 4] {
        let Parts { low, rail, fluid, .. } = *parts;
        let [p1, p2, p3, p4] = net.pressures_pa();
        let [phi1, phi2, phi3, phi4] = sides.shares;
        let per_dt = 1.0 / dt_s;
        let wall = rail.wall_pa;
        let stiffness4 = self.around_pump.rail_stiffness_pa;
        let c1 = low.feed_m3 * per_dt / fluid.mixture_stiffness_pa(phi1, p1, wall);
        let c2 = low.filter_m3 * per_dt / fluid.mixture_stiffness_pa(phi2, p2, wall);
        let c3 = low.gallery_m3 * per_dt / fluid.mixture_stiffness_pa(phi3, p3, wall);
        let c4 = rail.volume_m3 * per_dt * (p4 * (1.0 - phi4) + phi4 * stiffness4) / (stiffness4 * p4);
        let e1 = sides.suction.expansion(&sides.feed);
        let e2 = self.filter_from.expansion(&sides.filter);
        let e3 = self.inlet_from.expansion(&sides.gallery);
        let e4 = sides.gallery.expansion(&sides.rail);
        let (intake, through) = (self.plan.intake_total, self.plan.through);
        let outside = low.external_m3_per_s;
        let flows = [
            e1 * self.supply.q_m3_per_s - self.regulator.q_m3_per_s - self.filter.q_m3_per_s + outside[0],
            e2 * self.filter.q_m3_per_s - self.inlet.q_m3_per_s - self.bleed.q_m3_per_s + outside[1],
            e3 * self.inlet.q_m3_per_s - self.bypass.q_m3_per_s - intake.q_m3_per_s - through.q_m3_per_s
                + outside[2],
            e4 * (self.plan.delivery_m3_per_s + through.q_m3_per_s)
                - self.valve.q_m3_per_s
                - self.leak.q_m3_per_s
                - self.dump.q_m3_per_s
                - self.spill.q_m3_per_s
                + outside[3],
        ];
        let gf = self.filter.slope_m3_per_s_pa;
        let gi = self.inlet.slope_m3_per_s_pa;
        let gt = through.slope_m3_per_s_pa;
        let diagonal = [
            c1 + e1 * self.supply.slope_m3_per_s_pa + self.regulator.slope_m3_per_s_pa + gf,
            c2 + e2 * gf + gi + self.bleed.slope_m3_per_s_pa,
            c3 + e3 * gi + self.bypass.slope_m3_per_s_pa + intake.slope_m3_per_s_pa + gt,
            c4 + e4 * gt
                + self.valve.slope_m3_per_s_pa
                + self.leak.slope_m3_per_s_pa
                + self.dump.slope_m3_per_s_pa
                + self.spill.slope_m3_per_s_pa,
        ];
        tridiagonal(&diagonal, &[-e2 * gf, -e3 * gi, -e4 * gt], &[-gf, -gi, -gt], &flows)
    }

    /// What the flows carry once the pressures have changed by `change_pa`.
    pub(crate) fn carried(&self, change_pa: [f64; 4], sides: &Sides, parts: &Parts<'_>) -> Carried {
        let Parts { low, fluid, .. } = *parts;
        let [d1, d2, d3, d4] = change_pa;
        let supply = self.supply.after_giving_way(d1).max(0.0);
        let filter = self.filter.after(d1 - d2);
        let inlet = self.inlet.after(d2 - d3);
        let valve = self.valve.after(d4).max(0.0);
        let dump = self.dump.after(d4);
        let spill = self.spill.after(d4).max(0.0);
        let from_dump = if dump >= 0.0 { sides.rail } else { sides.tank };
        let filter_from = if filter >= 0.0 { sides.feed } else { sides.filter };
        let inlet_from = if inlet >= 0.0 { sides.filter } else { sides.gallery };
        let outside = low.external_m3_per_s;
        Carried {
            supplied: sides.suction.load(supply, fluid),
            regulated: sides.feed.load(self.regulator.after(d1).max(0.0), fluid),
            filtered: filter_from.load(filter, fluid),
            metered: inlet_from.load(inlet, fluid),
            bled: sides.filter_top.load(self.bleed.after(d2).max(0.0), fluid),
            bypassed_m3: self.bypass.after(d3),
            passed: sides.gallery.load(self.plan.through.after(d3 - d4).max(0.0), fluid),
            returned: sides.rail.load(valve, fluid),
            leaked_m3: self.leak.after(d4).max(0.0) * sides.rail.compression,
            dumped: from_dump.load(dump, fluid),
            spilled: sides.rail_top.load(spill, fluid),
            external_m3: [
                outside[0] * sides.feed.compression,
                outside[1] * sides.filter.compression,
                outside[2] * sides.gallery.compression,
                outside[3] * sides.rail.compression,
            ],
            supply_m3_per_s: supply,
            filter_m3_per_s: filter,
            inlet_m3_per_s: inlet,
            valve_m3_per_s: valve,
            from_rail_m3_per_s: valve + dump.max(0.0) + spill,
        }
    }
}

/// Zero-delivery orifice: it stands low, so it lets only liquid out, as far as there is any, and sucks liquid back in.
fn bypass_flow(p_pa: f64, gas_share: f64, low: &LowPressureParameters, fluid: &Fluid) -> Flow {
    let gauge = p_pa - P_ATMOSPHERE_PA;
    let wetted = if gauge > 0.0 { 1.0 - gas_share } else { 1.0 };
    let area = low.discharge * low.bypass_area_m2 * wetted;
    orifice::orifice(gauge, area, fluid.density_kg_per_m3, TRANSITION_SMALL_PA)
}

/// A spring-loaded valve to tank: `G (p - p_a - p_set)` above its setting.
fn relief(p_pa: f64, set_pa: f64, slope_m3_per_s_pa: f64) -> Flow {
    let over = p_pa - P_ATMOSPHERE_PA - set_pa;
    if over > 0.0 { Flow { q_m3_per_s: slope_m3_per_s_pa * over, slope_m3_per_s_pa } } else { Flow::NONE }
}

/// Filter flow for what comes from `side`: resistances scale with viscosity and density of the mixture.
fn filter_flow(dp_pa: f64, side: &Side, low: &LowPressureParameters, fluid: &Fluid) -> Flow {
    let thinner = fluid.mixture_density_kg_per_m3(side.gas_share, side.p_pa) / fluid.density_kg_per_m3;
    let dirt = 1.0 + low.contamination;
    orifice::filter(
        dp_pa,
        low.filter_pa_s_per_m3 * dirt * fluid.viscosity_ratio * thinner.max(GAS_RESISTANCE_SHARE[0]),
        low.filter_pa_s2_per_m6 * dirt * thinner.max(GAS_RESISTANCE_SHARE[1]),
    )
}

/// Gas share of one stroke when bubbles come in lumps: `phi + 0.5 sqrt(phi (1 - phi)) n`, kept within 0..=1.
fn bubbly(gas_share: f64, noise: f64) -> f64 {
    if noise == 0.0 || gas_share <= 0.0 {
        return gas_share;
    }
    (gas_share + BUBBLE_SHARE * noise * libm::sqrt(gas_share * (1.0 - gas_share))).clamp(0.0, 1.0)
}

/// Solves a tridiagonal system of four by elimination (diagonally dominant by construction).
fn tridiagonal(diagonal: &[f64; 4], below: &[f64; 3], above: &[f64; 3], right: &[f64; 4]) -> [f64; 4] {
    let mut pivot = *diagonal;
    let mut x = *right;
    for k in 0..3 {
        let m = below[k] / pivot[k];
        pivot[k + 1] -= m * above[k];
        x[k + 1] -= m * x[k];
    }
    x[3] /= pivot[3];
    for k in (0..3).rev() {
        x[k] = (x[k] - above[k] * x[k + 1]) / pivot[k];
    }
    x
}
