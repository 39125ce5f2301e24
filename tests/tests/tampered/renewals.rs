//! For how long a renewal may count.

use super::says;
use stepwell_protocol::message::{Renew, ToBoard};
use stepwell_tests::world::played::case::{Case, Length};
use stepwell_tests::world::played::machine::Machine;
use stepwell_tests::world::scripted::{SESSION, Scripted};
use stepwell_virtual::SimulatedBench;

#[test]
fn a_renewal_that_counts_as_long_as_the_lease_is_found() {
    let found = |session: u32, ahead_ms: u32| {
        let case = Case::healthy(Length::Short, "heron", 1);
        let mut host = Scripted::new(&case.plan(), Machine::new(case.rig(), 1, None));
        let valid_until = host.machine.now().plus_ms(ahead_ms);
        host.say(&ToBoard::Renew(Renew { session, valid_until }));
        host.pass(10);
        host.over().1.wrong.join("\n")
    };
    assert_eq!(found(SESSION, 449), "");
    says(&found(SESSION, 450), "a renewal that counts for 450 ms was heard at 110 ms");
    // It renews nothing.
    assert_eq!(found(SESSION + 1, 450), "");
}
