//! Nothing appears and nothing is lost: liquid, gas, energy.

use stepwell_plant::{Fault, FaultKind, Hand, Inputs, Plant, Rig};

use crate::support::{STILL, SUPPLIED, TURNING, near, run};

/// Liquid that came in less what went out, m3.
fn liquid_balance_m3(plant: &Plant) -> f64 {
    let c = plant.truth().counters;
    c.supplied_m3 + c.external_m3
        - c.returned_m3
        - c.leaked_m3
        - c.regulated_m3
        - c.bled_m3
        - c.dumped_m3
        - c.spilled_m3
}

/// A run through all that can happen: filling, turning, pressing, dumping, cracking, resting.
fn whole_story(plant: &mut Plant) {
    run(plant, 11.0, SUPPLIED);
    for cycle in 0..3_u16 {
        run(plant, 4.0, TURNING);
        run(plant, 2.0, Inputs { pressure_duty_e4: 1_500 + 500 * cycle, ..TURNING });
        run(plant, 1.0, Inputs { inlet_duty_e4: 4_000, pressure_duty_e4: 1_500, ..TURNING });
        plant.hand(Hand::CrackUnion);
        run(plant, 1.0, TURNING);
        plant.hand(Hand::CloseUnion);
        run(plant, 2.0, Inputs { dump_closed: false, ..TURNING });
        run(plant, 3.0, STILL);
        run(plant, 3.0, Inputs::default());
    }
}

#[test]
fn liquid_and_gas_are_conserved() {
    for (faults, what) in [
        (&[][..], "healthy"),
        (&[FaultKind::AirIngress, FaultKind::WornPump, FaultKind::LeakingSeat][..], "faulty"),
        (&[FaultKind::BlockedFilter][..], "starved"),
    ] {
        let mut plant = Plant::new(Rig::default(), 3);
        for &kind in faults {
            plant.inject(Fault { kind, severity: 1.0, onset_us: 15_000_000, end_us: None });
        }
        let before = plant.truth();
        whole_story(&mut plant);
        let after = plant.truth();
        let throughput = after.counters.supplied_m3;
        assert!(throughput > 100e-6, "{what}: {throughput} m3 supplied");
        let stored = after.stored_liquid_m3 - before.stored_liquid_m3;
        // Contents move by the same number out of one volume and into the next: only rounding is left, and the
        // requirement is 1e-4 of the throughput.
        near(&format!("{what}: liquid"), liquid_balance_m3(&plant), stored, 1e-4 * throughput);
        let stored_kg = after.stored_gas_kg - before.stored_gas_kg;
        let passed_kg = after.counters.gas_in_kg - after.counters.gas_out_kg;
        let gas_throughput = before.stored_gas_kg + after.counters.gas_in_kg;
        near(&format!("{what}: gas"), passed_kg, stored_kg, 1e-4 * gas_throughput);
    }
}

#[test]
fn closed_lines_keep_what_they_hold() {
    // Shaft still, supply off, dump shut, pressure valve held shut: only leaks leave.
    let mut plant = Plant::new(Rig { initial_rail_pa: 20e6, primed: true, ..Rig::default() }, 0);
    let held = Inputs { pressure_duty_e4: 6_000, ..STILL };
    run(&mut plant, 0.2, held);
    let before = plant.truth();
    run(&mut plant, 5.0, held);
    let after = plant.truth();
    let gone = before.stored_liquid_m3 - after.stored_liquid_m3;
    let leaked = after.counters.leaked_m3 + after.counters.bled_m3 + after.counters.returned_m3
        - before.counters.leaked_m3
        - before.counters.bled_m3
        - before.counters.returned_m3;
    near("what is gone has leaked", gone, leaked, 1e-15);
    near("nothing returned", after.counters.returned_m3, before.counters.returned_m3, 1e-12);
}

#[test]
fn a_coil_takes_more_than_its_copper_turns_into_heat() {
    let mut plant = Plant::new(Rig { primed: true, ..Rig::default() }, 0);
    let on = Inputs { pressure_duty_e4: 2_000, ..STILL };
    let (mut taken_j, mut heat_j) = (0.0, 0.0);
    for _ in 0..20_000 {
        plant.step(&on);
        let t = plant.truth();
        let amps = t.pressure_coil.mean_current_a;
        // The channel draws the coil's current while on; the diode carries it the rest of the time.
        taken_j += 0.2 * amps * t.supply_v * 1e-4;
        heat_j += t.pressure_coil.resistance_ohm * amps * amps * 1e-4;
    }
    assert!(taken_j > heat_j, "took {taken_j} J, made {heat_j} J of heat");
}
