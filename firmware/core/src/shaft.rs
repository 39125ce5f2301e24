//! Whether the shaft turns, driven or coasting, told from its speed pulses.

/// No pulse for so long is standstill: hands may come near.
const STILL_MS: u16 = 2_000;

/// No pulse for so long and a coasting shaft delivers nothing any more: with sixty pulses a revolution it makes
/// less than two revolutions a minute.
const SLOW_MS: u16 = 500;

/// A shaft that turns for so long without its drive, coasting or from standstill, is being driven by something.
const COAST_MS_MAX: u16 = 5_000;

/// What the speed pulses tell.
#[derive(Debug)]
pub(crate) struct Shaft {
    last_count: Option<u16>,
    /// Since the latest pulse.
    age_ms: u16,
    /// Since the drive went off, or the shaft began to turn without it; `None` while it stands.
    coasting_ms: Option<u16>,
    /// The drive was on, and half a second without a pulse: until one comes nobody knows whether the shaft turns.
    dumb: bool,
}

impl Shaft {
    pub(crate) const STILL: Shaft =
        Shaft { last_count: None, age_ms: STILL_MS, coasting_ms: None, dumb: false };

    /// One tick. `drive_on` is what was applied during it.
    pub(crate) fn take(&mut self, count: u16, drive_on: bool) {
        let pulse = self.last_count.replace(count).is_some_and(|last| last != count);
        self.age_ms = if pulse { 0 } else { self.age_ms.saturating_add(1) };
        self.dumb = !pulse && (self.dumb || (drive_on && self.age_ms >= SLOW_MS));
        self.coasting_ms = match self.coasting_ms {
            _ if drive_on => Some(0),
            Some(ms) if self.turning() => Some(ms.saturating_add(1)),
            // Nobody asked for it: a drive that starts by itself, or a hand on the coupling.
            None if pulse => Some(0),
            _ => None,
        };
    }

    /// A pulse came within the latest two seconds.
    pub(crate) const fn turning(&self) -> bool {
        self.age_ms < STILL_MS
    }

    /// A pulse came within the latest half second, or the sensor is dumb: the pump may still deliver.
    pub(crate) const fn delivers(&self) -> bool {
        self.age_ms < SLOW_MS || self.dumb
    }

    /// A pulse came on this tick although the shaft has turned for long without its drive and has not been still
    /// in between: a hand that turns the coupling a little is none. Told again every so often while it lasts.
    pub(crate) fn turns_on(&mut self) -> bool {
        let turns_on = self.age_ms == 0 && self.coasting_ms.is_some_and(|ms| ms >= COAST_MS_MAX);
        if turns_on {
            self.coasting_ms = None;
        }
        turns_on
    }
}
