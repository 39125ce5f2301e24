//! What can go wrong, as named data: one thing, from an instant on, for a while, and how badly.
//!
//! Written `name@onset+duration*severity`, in milliseconds of rig time: `unplug@12000+3000*1`; or with an onset in
//! milliseconds of work, that is of dwells: `unplug@work3500+3000*1`. What is wrong with the rig itself is the
//! model's own list ([`FaultKind`]).

use std::fmt;
use std::str::FromStr;
use stepwell_plant::{FaultKind, SEVERITY_MAX};

/// One thing going wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mishap {
    /// What.
    pub what: What,
    /// From when on, ms of rig time, or of work.
    pub onset_ms: u64,
    /// Whether the onset counts the time in which dwells are carried out, and no other.
    pub of_work: bool,
    /// For how long, ms. What happens in an instant takes no notice.
    pub for_ms: u64,
    /// How badly, 0 to [`SEVERITY_MAX`]; 1 is what the description says.
    pub severity: f64,
}

impl Mishap {
    /// The same, begun at `ms` of rig time.
    #[must_use]
    pub fn begun(self, ms: u64) -> Mishap {
        Mishap { onset_ms: ms, of_work: false, ..self }
    }

    /// Whether it acts at `ms`.
    #[must_use]
    pub fn acts_at(&self, ms: u64) -> bool {
        (self.onset_ms..self.onset_ms + self.for_ms).contains(&ms)
    }

    /// Whether it begins at `ms`: what happens in an instant happens then.
    #[must_use]
    pub fn begins_at(&self, ms: u64) -> bool {
        ms == self.onset_ms
    }
}

/// Where something goes wrong, and what.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum What {
    /// In the rig or the pump, as the model has it.
    Rig(FaultKind),
    /// On the line between host and board.
    Line(LineMishap),
    /// In the computer or its program.
    Host(HostMishap),
    /// In the board.
    Board(BoardMishap),
    /// With the person at the bench.
    Person(PersonMishap),
}

macro_rules! named {
    ($(#[$doc:meta])* $name:ident { $($kind:ident $word:literal $describe:literal;)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum $name {
            $(#[doc = $describe] $kind,)*
        }

        impl $name {
            /// All of them.
            pub const ALL: &'static [$name] = &[$($name::$kind,)*];

            /// Name in scripts and tables.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $($name::$kind => $word,)* }
            }

            /// What it is, at severity 1.
            #[must_use]
            pub const fn describe(self) -> &'static str {
                match self { $($name::$kind => $describe,)* }
            }
        }
    };
}

named! {
    /// What the line does to bytes while it acts.
    LineMishap {
        Drop "line-drops" "Every other frame is lost, both ways; in proportion.";
        Flip "line-flips" "Every other frame has bits flipped, both ways; in proportion.";
        Truncate "line-truncates" "Every other frame loses its end, both ways; in proportion.";
        Duplicate "line-duplicates" "Every other frame arrives twice, both ways; in proportion.";
        Reorder "line-reorders" "Every other frame is overtaken by the next, both ways; in proportion.";
        Delay "line-delays" "Everything takes 20 s longer, both ways; in proportion.";
        ForeignBytes "line-foreign-bytes" "4000 bytes a second that mean nothing reach the board besides; in proportion.";
        DeafBoard "line-to-board-dead" "Nothing reaches the board.";
        DeafHost "line-to-host-dead" "Nothing reaches the host.";
        TelemetryLost "telemetry-lost" "No telemetry reaches the host; answers and reports do.";
        ReportsLost "reports-lost" "No report of a dwell's end or of a trip reaches the host; telemetry and answers do.";
        Interrupted "line-interrupted" "Nothing gets through, either way, then everything again; the port stays.";
        Unplug "unplug" "The plug is pulled and put back: the port is gone for the program.";
        SecondHost "second-host" "Another program renews a lease of its own on the same board ten times a second.";
        OldFrames "old-frames" "What reached the board in the last 30 s reaches it again.";
    }
}

named! {
    /// What happens to the computer or its program.
    HostMishap {
        Kill "host-killed" "The program is killed and not started again.";
        Restart "host-restarted" "The program is killed and started again at once, with the same procedure.";
        Stop "host-stopped" "The program stands still, its clock goes on.";
        Suspend "host-suspended" "The computer sleeps, its clock sleeps too.";
        Slow "host-slow" "The program is served every 600 ms only; in proportion.";
        ClockJump "host-clock-jumps" "The clock of the program jumps ahead by an hour; in proportion.";
        ClockBack "host-clock-goes-back" "The clock of the program is set back by an hour; in proportion.";
        ScreenHangs "screen-hangs" "The operator's side gives no sign of life.";
        DiskFull "disk-full" "Nothing more fits on the disk.";
        DiskFullOnce "disk-full-once" "Nothing more fits on the disk, until it has said so once: somebody makes room.";
        ReadOnly "disk-read-only" "Every write is refused.";
        WriteError "disk-write-error" "The disk fails to write: an I/O error in the middle of each transaction.";
        SyncError "disk-sync-error" "The disk fails to sync: an I/O error at the end of each transaction.";
        Mad "host-mad" "A command that nothing can mean is sent: a duty of 655 %.";
    }
}

named! {
    /// What happens to the board.
    BoardMishap {
        Reset "board-reset" "Its reset is pulled.";
        BrownOut "board-brown-out" "Its supply dips for 20 ms.";
        HungLoop "board-hangs" "Its loop hangs: outputs stay as they are until the watchdog bites after 50 ms.";
        StuckAdc "board-adc-stuck" "Its converter stands still: the same counts, the same number of conversions.";
        Forgets "board-forgets" "It loses guards, session and dwell, and neither says so nor begins its time anew.";
        Fault "board-faults" "Its processor runs into a fault and starts it again at once.";
        PowerLost "board-power-lost" "Its supply is off for a while.";
    }
}

named! {
    /// What the person at the bench does.
    PersonMishap {
        Stop "person-stops" "The stop key is pressed.";
        StopTwice "person-stops-twice" "The stop key is pressed again and again, ten times a second.";
        No "person-says-no" "The next question is answered with no.";
        Silent "person-silent" "No question is answered.";
        DoubleKeys "person-double-keys" "Every answer is given three times.";
    }
}

impl What {
    /// Everything that can go wrong.
    pub fn all() -> impl Iterator<Item = What> {
        let rig = FaultKind::ALL.iter().map(|&kind| What::Rig(kind));
        let line = LineMishap::ALL.iter().map(|&kind| What::Line(kind));
        let host = HostMishap::ALL.iter().map(|&kind| What::Host(kind));
        let board = BoardMishap::ALL.iter().map(|&kind| What::Board(kind));
        let person = PersonMishap::ALL.iter().map(|&kind| What::Person(kind));
        rig.chain(line).chain(host).chain(board).chain(person)
    }

    /// Name in scripts and tables.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            What::Rig(kind) => kind.name(),
            What::Line(kind) => kind.name(),
            What::Host(kind) => kind.name(),
            What::Board(kind) => kind.name(),
            What::Person(kind) => kind.name(),
        }
    }
}

impl fmt::Display for Mishap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let of_work = if self.of_work { "work" } else { "" };
        write!(f, "{}@{of_work}{}+{}*{}", self.what.name(), self.onset_ms, self.for_ms, self.severity)
    }
}

/// No onset and no duration is longer, ms: a day.
const TIME_MS_MAX: u64 = 24 * 3_600_000;

impl FromStr for Mishap {
    type Err = String;

    fn from_str(text: &str) -> Result<Mishap, String> {
        let wrong = || format!("{text:?} is not NAME@ONSET+DURATION*SEVERITY, times in ms");
        let (name, rest) = text.split_once('@').ok_or_else(wrong)?;
        let (onset, rest) = rest.split_once('+').ok_or_else(wrong)?;
        let (of_work, onset) = onset.strip_prefix("work").map_or((false, onset), |onset| (true, onset));
        let (duration, severity) = rest.split_once('*').ok_or_else(wrong)?;
        let what = What::all()
            .find(|what| what.name() == name)
            .ok_or_else(|| format!("nothing that goes wrong is called {name:?}"))?;
        let time_ms = |text: &str| {
            let ms = text.parse().map_err(|_| wrong())?;
            if ms <= TIME_MS_MAX { Ok(ms) } else { Err(format!("{ms} ms is more than {TIME_MS_MAX}")) }
        };
        let severity: f64 = severity.parse().map_err(|_| wrong())?;
        if !(0.0..=SEVERITY_MAX).contains(&severity) {
            return Err(format!("the severity is from 0 to {SEVERITY_MAX}, not {severity}"));
        }
        Ok(Mishap { what, onset_ms: time_ms(onset)?, of_work, for_ms: time_ms(duration)?, severity })
    }
}

#[cfg(test)]
mod tests {
    use super::{Mishap, What};

    #[test]
    fn every_mishap_reads_back_as_it_was_written_and_has_a_name_of_its_own() {
        let mut names: Vec<_> = What::all().map(What::name).collect();
        for what in What::all() {
            for of_work in [false, true] {
                let mishap = Mishap { what, onset_ms: 1_234, of_work, for_ms: 56, severity: 0.789 };
                assert_eq!(mishap.to_string().parse(), Ok(mishap));
            }
        }
        let count = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), count);
    }

    #[test]
    fn nonsense_is_told() {
        for text in [
            "",
            "unplug",
            "unplug@1",
            "unplug@1+2",
            "moon@1+2*1",
            "unplug@x+2*1",
            "unplug@1+2*NaN",
            "unplug@1+2*-1",
            "unplug@1+2*4.1",
            "unplug@1+18446744073709551615*1",
        ] {
            assert!(text.parse::<Mishap>().is_err(), "{text}");
        }
    }
}
