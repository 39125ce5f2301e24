//! The rig's own supply, while the board is fed by its cable.

use crate::bench::{Bench, quiet_dwell};
use stepwell_protocol::channel::Channel;
use stepwell_protocol::message::{Action, Refusal, TripCause};
use stepwell_protocol::{LEASE_MS, RELIEVE_MS_MAX};

#[test]
fn a_rig_supply_that_is_lost_and_back_restores_nothing() {
    // Back within the hold of the stop, and long after it.
    for lost_ms in [500, 20_000] {
        let mut bench = Bench::dwelling();
        bench.rig.broken.stuck[Channel::SupplyVoltage.index()] = Some(0);
        bench.run(lost_ms);
        bench.rig.broken.stuck[Channel::SupplyVoltage.index()] = None;
        bench.run(RELIEVE_MS_MAX + LEASE_MS);
        for _ in 0..10_000 {
            bench.tick();
            assert!(bench.is_at_rest(), "lost for {lost_ms} ms");
        }
        assert_eq!(bench.cause(), Some(TripCause::SupplyLow));
        let start = bench.soon();
        let dwell = Action::Dwell(quiet_dwell(2, start, 100));
        assert_eq!(bench.ask(dwell), Err(Refusal::Tripped(TripCause::SupplyLow)));
    }
}
