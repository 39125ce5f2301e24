//! Laws with closed forms: orifice, filter, gas, pump, primer, variants of pumps.

use stepwell_plant::constants::{BAR_PA, P_ATMOSPHERE_PA};
use stepwell_plant::drive::pump_torque_n_m;
use stepwell_plant::fluid::{Fluid, FluidParameters, kinematic_viscosity_m2_per_s, outlet_gas_share};
use stepwell_plant::node::Node;
use stepwell_plant::orifice::{filter, orifice};
use stepwell_plant::{Feed, Hand, Inputs, Plant, PumpFacts, Rig, ValveRest};

use crate::support::{STILL, SUPPLIED, TURNING, gauge_bar, mean, near, primed, run};

#[test]
fn oil_meets_its_standard() {
    let oil = FluidParameters::default();
    // ISO 4113:2010: 820-830 kg/m3 at 15 degC; 2.45-2.75 mm2/s at 40 degC.
    let at_15 = Fluid::at(&oil, 288.15);
    assert!((820.0..=830.0).contains(&at_15.density_kg_per_m3));
    let nu_40 = kinematic_viscosity_m2_per_s(&oil, 313.15);
    assert!((2.45e-6..=2.75e-6).contains(&nu_40), "{nu_40}");
    // The Walther law's own values, to their last digit.
    for (celsius, mm2_s) in [(10.0, 5.63), (20.0, 4.19), (40.0, 2.600), (60.0, 1.79)] {
        near("viscosity", kinematic_viscosity_m2_per_s(&oil, celsius + 273.15) * 1e6, mm2_s, 0.006);
    }
}

#[test]
fn compression_integrates_the_bulk_modulus() {
    let oil = FluidParameters::default();
    let fluid = Fluid::at(&oil, 313.15);
    // d(ln c)/dp = 1/K: central difference of 1 bar against K0 + K' p.
    for bar in [1.0, 300.0, 1_000.0] {
        let p = P_ATMOSPHERE_PA + bar * BAR_PA;
        let slope = (fluid.compression(p + 1e5).ln() - fluid.compression(p - 1e5).ln()) / 2e5;
        let k = 1.33e9 + 10.5 * bar * BAR_PA;
        near("1/K", slope * k, 1.0, 1e-6);
    }
    // 1.644 GPa at 300 bar and 2.38 GPa at 1 000 bar; 824 kg/m3 at 300 bar.
    near("density at 300 bar", 807.5 * fluid.compression(30.1e6), 824.0, 0.6);
    for e in [-0.009, -1e-4, 1e-3, 0.009] {
        near("series", fluid.compression_change(e), (1.0_f64 + e).powf(1.0 / 10.5), 1e-13);
    }
}

#[test]
fn orifice_is_turbulent_linear_and_smooth() {
    let rho = 807.5;
    let area = 0.7 * 1e-6;
    let dp = 10.0 * BAR_PA;
    // Far above transition: C_d A sqrt(2 dp/rho), less (1/4) (dp_cr/dp)^2.
    let turbulent = area * (2.0 * dp / rho).sqrt();
    near("turbulent", orifice(dp, area, rho, 200.0).q_m3_per_s, turbulent, 1e-7 * turbulent);
    assert_eq!(orifice(0.0, area, rho, 200.0).q_m3_per_s, 0.0);
    for dp in [-3e5_f64, -100.0, -1.0, 0.0, 1.0, 50.0, 200.0, 5e3, 2e6] {
        let q = |x: f64| orifice(x, area, rho, 200.0).q_m3_per_s;
        near("odd", q(-dp), -q(dp), 0.0);
        let h = 1e-3 * dp.abs().max(10.0);
        let slope = (q(dp + h) - q(dp - h)) / (2.0 * h);
        let given = orifice(dp, area, rho, 200.0).slope_m3_per_s_pa;
        near("slope", given, slope, 1e-4 * slope.abs());
    }
}

#[test]
fn filter_inverts_its_own_law() {
    let (a, b) = (4e8, 1e13);
    for q in [-2e-5_f64, -1e-6, 1e-9, 1e-5, 1e-4] {
        let dp = a * q + b * q * q.abs();
        near("flow", filter(dp, a, b).q_m3_per_s, q, 1e-9 * q.abs());
    }
    // Clean at 10 cm3/s: 5 kPa.
    near("clean", filter(5e3, a, b).q_m3_per_s, 1e-5, 1e-10);
}

#[test]
fn trapped_gas_follows_boyle() {
    let fluid = Fluid::at(&FluidParameters::default(), 313.15);
    let volume = 300e-6;
    let mut node = Node::empty(volume, &fluid);
    for liquid in [0.0, 100e-6, 200e-6, 280e-6] {
        node.liquid_m3 = liquid;
        node.settle(volume, &fluid);
        let gas_m3 = volume - liquid / fluid.compression_low(node.p_pa);
        near("p V", node.p_pa * gas_m3, P_ATMOSPHERE_PA * volume, 1e-4 * P_ATMOSPHERE_PA * volume);
    }
    // Less liquid than room and no gas: it boils.
    let mut starved = Node { liquid_m3: 0.9 * volume, ..Node::full(volume) };
    starved.settle(volume, &fluid);
    assert_eq!(starved.p_pa, stepwell_plant::constants::P_VAPOUR_PA);
}

#[test]
fn slip_law_has_its_limits() {
    for k in [0.6, 1.0, 2.0, 50.0] {
        assert_eq!(outlet_gas_share(0.0, k), 0.0);
        near("all gas", outlet_gas_share(1.0, k), 1.0, 1e-15);
    }
    near("well mixed", outlet_gas_share(0.3, 1.0), 0.3, 1e-15);
    assert!(outlet_gas_share(0.3, 0.6) < 0.3 && outlet_gas_share(0.3, 2.0) > 0.3);
}

#[test]
fn torque_by_displacement() {
    // p D/(2 pi eta): 13.1 MPa, 0.6 cm3, 0.85.
    near("torque", pump_torque_n_m(13.1e6, 0.6e-6, 0.85), 1.472, 0.001);
    let mut plant = Plant::new(primed(), 0);
    let on = Inputs { pressure_duty_e4: 2_000, ..TURNING };
    run(&mut plant, 2.0, on);
    let mut sum = [0.0; 2];
    for _ in 0..12_000 {
        plant.step(&on);
        let t = plant.truth();
        sum[0] += t.flows.torque_n_m / 12_000.0;
        sum[1] += pump_torque_n_m(t.p4_pa - P_ATMOSPHERE_PA, 0.6e-6, 0.85) / 12_000.0;
    }
    // Five turns less a bit; the compression phase of each stroke (1.4 %) already bears full pressure here.
    near("mean torque", sum[0], sum[1], 0.01 * sum[1]);
}

#[test]
fn full_filling_pulsates_by_geometry() {
    // Peak to peak of three rectified sines: 1 - cos(30 deg) = 13.4 % of the peak.
    let mut plant = Plant::new(primed(), 0);
    // Some 10 bar: above what the feed passes through by itself, and the clearance leak is only 0.1 % of the flow.
    let on = Inputs { pressure_duty_e4: 1_200, ..TURNING };
    run(&mut plant, 2.0, on);
    let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
    for _ in 0..4_800 {
        plant.step(&on);
        let t = plant.truth();
        let per_speed = t.flows.delivery_m3_per_s / t.speed_rad_per_s;
        low = low.min(per_speed);
        high = high.max(per_speed);
    }
    // Steps of 0.15 degrees; the torque ripple is divided out.
    near("pulsation", 1.0 - low / high, 1.0 - 30.0_f64.to_radians().cos(), 0.005);
}

fn facts(feed: Feed) -> PumpFacts {
    PumpFacts {
        inlet_valve: ValveRest::Open,
        pressure_valve: Some(ValveRest::Open),
        feed,
        displacement_m3_per_rev: 0.6e-6,
    }
}

#[test]
fn default_pump_is_the_default_rig() {
    assert_eq!(Rig::for_pump(&facts(Feed::ElectricSupply)), Rig::default());
}

#[test]
fn normally_closed_inlet_valve_feeds_only_with_current() {
    let rig = Rig {
        primed: true,
        ..Rig::for_pump(&PumpFacts { inlet_valve: ValveRest::Closed, ..facts(Feed::ElectricSupply) })
    };
    let mut plant = Plant::new(rig, 0);
    run(&mut plant, 1.5, TURNING);
    let starved = mean(&mut plant, 0.48, TURNING).return_cm3_s;
    let on = Inputs { inlet_duty_e4: 6_000, ..TURNING };
    run(&mut plant, 1.5, on);
    let fed = mean(&mut plant, 0.48, on).return_cm3_s;
    // The leak of the covered slot and the zero-delivery orifice, as with a closed normally-open valve; full flow.
    near("without current", starved, 0.203, 0.02);
    near("with current", fed, 2.49, 0.02);
}

#[test]
fn normally_closed_pressure_valve_holds_without_current() {
    let rig = Rig {
        primed: true,
        ..Rig::for_pump(&PumpFacts { pressure_valve: Some(ValveRest::Closed), ..facts(Feed::ElectricSupply) })
    };
    let mut plant = Plant::new(rig, 0);
    run(&mut plant, 2.0, TURNING);
    let held = mean(&mut plant, 0.48, TURNING).p4_bar;
    // 30 MPa, plus spring and flow force at the lift that passes the pump's flow: k_ff x is some 5 % (c_q C_d A_p p
    // cos(alpha) against A_s p with A_p = 12 x 10^-9 m2: 2.4 %), and 1.5 N/mm x 7 um next to nothing.
    assert!(held > 300.0 && held < 300.0 * 1.06, "holds {held} bar");
    let less = Inputs { pressure_duty_e4: 2_000, ..TURNING };
    run(&mut plant, 1.0, less);
    let lower = mean(&mut plant, 0.48, less).p4_bar;
    assert!(lower < held - 50.0, "current lowers the pressure: {lower} bar");
    let open = Inputs { pressure_duty_e4: 6_000, ..TURNING };
    run(&mut plant, 1.0, open);
    assert!(mean(&mut plant, 0.48, open).p4_bar < 1.0, "and opens");
    // Current lost while stopped: the rail keeps its pressure, but for the leak.
    run(&mut plant, 2.0, TURNING);
    run(&mut plant, 1.0, STILL);
    assert!(gauge_bar(plant.truth().p4_pa) > 250.0, "kept {} bar", gauge_bar(plant.truth().p4_pa));
    run(&mut plant, 0.5, Inputs::default());
    assert!(gauge_bar(plant.truth().p4_pa) < 1.0, "the dump empties it");
}

#[test]
fn without_pressure_valve_only_dump_and_union_empty_the_rail() {
    let rig = Rig {
        primed: true,
        ..Rig::for_pump(&PumpFacts { pressure_valve: None, ..facts(Feed::ElectricSupply) })
    };
    let mut plant = Plant::new(rig, 0);
    let open = Inputs { dump_closed: false, ..TURNING };
    run(&mut plant, 1.0, open);
    let m = mean(&mut plant, 0.48, open);
    assert!(m.p4_bar < 0.5 && m.return_cm3_s == 0.0, "{m:?}");
    assert!(plant.truth().pressure_coil.mean_current_a < 1e-6);
    run(&mut plant, 0.3, TURNING);
    assert!(gauge_bar(plant.truth().p4_pa) > 100.0, "dead-headed");
    plant.hand(Hand::CrackUnion);
    run(&mut plant, 1.5, STILL);
    assert!(gauge_bar(plant.truth().p4_pa) < 1.0, "the union empties it");
    assert!(plant.truth().counters.spilled_m3 > 0.0);
}

#[test]
fn transfer_pump_primes_by_turning() {
    let mut plant = Plant::new(Rig::for_pump(&facts(Feed::TransferPump)), 0);
    run(&mut plant, 10.0, SUPPLIED);
    near("a still shaft brings nothing", gauge_bar(plant.truth().p2_pa), 0.0, 1e-6);
    run(&mut plant, 60.0, TURNING);
    // 4 cm3 x 250/60 x 0.9 = 15 cm3/s: bleed 4.5 at its pressure, valve 2.7, the rest through the regulator at 5 bar:
    // 5 + 7.8/150 bar.
    near("regulated, bar", gauge_bar(plant.truth().p1_pa), 5.05, 0.02);
}

#[test]
fn hand_primer_fills_by_strokes() {
    let mut plant = Plant::new(Rig::for_pump(&facts(Feed::HandPrimer)), 0);
    run(&mut plant, 20.0, TURNING);
    assert_eq!(plant.truth().counters.supplied_m3, 0.0, "turning alone does not prime");
    // One stroke against next to no pressure moves 40 cm3: 30 fill the suction line... what turning moved counts too.
    let strokes = 12;
    for _ in 0..strokes {
        plant.hand(Hand::StrokePrimer);
    }
    run(&mut plant, f64::from(strokes) + 0.1, STILL);
    let supplied = plant.truth().counters.supplied_m3 * 1e6;
    // At most 40 cm3 a stroke; the hand gives way to pressure linearly up to 4 bar.
    assert!(
        supplied > 0.4 * 40.0 * f64::from(strokes) && supplied < 40.0 * f64::from(strokes),
        "{supplied} cm3"
    );
    let before = plant.truth().counters.supplied_m3;
    run(&mut plant, 2.0, STILL);
    assert_eq!(plant.truth().counters.supplied_m3, before, "strokes end");
    run(&mut plant, 20.0, TURNING);
    assert!(gauge_bar(plant.truth().p2_pa) > 3.0, "primed, the transfer pump takes over");
}
