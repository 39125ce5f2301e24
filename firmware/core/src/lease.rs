//! The host's right to keep outputs energised. It runs out by itself.

use stepwell_protocol::LEASE_MS;
use stepwell_protocol::time::Tick;

/// The lease of the current session.
#[derive(Debug)]
pub(crate) struct Lease {
    renewed: Option<Tick>,
}

impl Lease {
    pub(crate) const NONE: Lease = Lease { renewed: None };

    /// A renewal arrived at `now`. One that has waited in a buffer past `valid_until` counts for
    /// nothing, however many of its kind follow: a link that delays everything loses the lease.
    pub(crate) fn renew(&mut self, now: Tick, valid_until: Tick) {
        if !now.is_after(valid_until) {
            self.renewed = Some(now);
        }
    }

    /// Lets a lease that has run out go for good, so that the wrap of the tick counter cannot
    /// bring it back. Called every tick.
    pub(crate) fn expire(&mut self, now: Tick) {
        if self.renewed.is_some_and(|renewed| now.ms_since(renewed) >= LEASE_MS as i32) {
            self.renewed = None;
        }
    }

    pub(crate) const fn alive(&self) -> bool {
        self.renewed.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::Lease;
    use stepwell_protocol::LEASE_MS;
    use stepwell_protocol::time::Tick;

    #[test]
    fn it_runs_out_on_its_tick_and_not_before() {
        let mut lease = Lease::NONE;
        let start = Tick(u32::MAX - 100);
        lease.renew(start, start);
        lease.expire(start.plus_ms(LEASE_MS - 1));
        assert!(lease.alive());
        lease.expire(start.plus_ms(LEASE_MS));
        assert!(!lease.alive());
    }

    #[test]
    fn a_renewal_that_has_waited_too_long_counts_for_nothing() {
        let mut lease = Lease::NONE;
        lease.renew(Tick(1_000), Tick(999));
        assert!(!lease.alive());
    }
}
