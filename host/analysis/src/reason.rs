//! Why a recording gave no value, in words for the person at the bench.
//!
//! A reason is a result like any other: it says what was being done, what was expected, what was
//! found and what to do. Nothing here is a zero or a NaN in disguise.

use core::fmt;
use thiserror::Error;

/// What a recording is a recording of, for messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// Current of a coil.
    CoilCurrent,
    /// Rail pressure.
    Pressure,
    /// Voltage across a coil.
    CoilVoltage,
    /// Duty of a valve.
    Duty,
    /// Flow, as a column of its own.
    Flow,
    /// Pulses of the flow meter.
    FlowPulses,
    /// Pulses of the speed pick-up.
    SpeedPulses,
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Signal::CoilCurrent => "coil current",
            Signal::Pressure => "rail pressure",
            Signal::CoilVoltage => "coil voltage",
            Signal::Duty => "duty",
            Signal::Flow => "flow",
            Signal::FlowPulses => "flow meter",
            Signal::SpeedPulses => "speed pick-up",
        })
    }
}

/// The reason why there is no value.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum Unmeasured {
    /// The recording, or the part of it that could be used, holds too few samples.
    #[error(
        "the recording holds {found} usable samples where {needed} are needed; record for longer or sample faster"
    )]
    TooFewSamples {
        /// Samples that could be used.
        found: usize,
        /// Samples that are needed.
        needed: usize,
    },
    /// The recording is long enough, but too little of it is of the kind that is needed.
    #[error("{what}: {found}, where {needed} are needed; {what_to_do}")]
    TooFew {
        /// What there is too little of, and where.
        what: &'static str,
        /// What there is.
        found: usize,
        /// What is needed.
        needed: usize,
        /// How to get more.
        what_to_do: &'static str,
    },
    /// Too few pulses arrived.
    #[error(
        "the {signal} gave {found} pulses where {needed} are needed; measure for longer or check the sensor"
    )]
    TooFewPulses {
        /// Which sensor.
        signal: Signal,
        /// Pulses that arrived.
        found: usize,
        /// Pulses that are needed.
        needed: usize,
    },
    /// The recording, or a part of it, does not last long enough.
    #[error("{what} lasts {found_s:.4} s where {needed_s:.4} s are needed, {which_is}; record for longer")]
    TooShort {
        /// What is too short.
        what: &'static str,
        /// What the needed length is, in words.
        which_is: &'static str,
        /// Length that could be used, s.
        found_s: f64,
        /// Length that is needed, s.
        needed_s: f64,
    },
    /// Samples or pulses are missing.
    #[error(
        "the {signal} recording has a gap of {length_s:.4} s at {at_s:.3} s, usual spacing {usual_s:.4} s; \
         repeat the measurement"
    )]
    Gap {
        /// Which recording.
        signal: Signal,
        /// Where the gap begins, s on the recording's own time axis.
        at_s: f64,
        /// How long it is, s.
        length_s: f64,
        /// The median spacing, s.
        usual_s: f64,
    },
    /// Times stand still or run backwards.
    #[error("the times of the recording do not rise at sample {index}; check the recording")]
    OutOfOrder {
        /// First sample whose time is not later than the one before, counted from 0.
        index: usize,
    },
    /// Two columns that belong together have different lengths.
    #[error("two columns of one recording hold {left} and {right} samples; they must be equally long")]
    Unpaired {
        /// Samples in the first column.
        left: usize,
        /// Samples in the second column.
        right: usize,
    },
    /// A sample is not a number.
    #[error("sample {index} of the recording is not a finite number; mark missing samples as a gap instead")]
    NotANumber {
        /// First such sample, counted from 0.
        index: usize,
    },
    /// A given quantity is impossible.
    #[error("{name} is {found}, but must be {expected}; correct what was given")]
    Impossible {
        /// Which quantity, with its unit.
        name: &'static str,
        /// What was given.
        found: f64,
        /// What would be possible.
        expected: &'static str,
    },
    /// A level was still moving.
    #[error(
        "the {signal} had not settled: it drifted by {drift_percent:.2} % over the part used, \
         at most {allowed_percent:.2} % is taken as settled; wait longer before measuring"
    )]
    NotSettled {
        /// Which signal.
        signal: Signal,
        /// Drift over the window, in per cent of the level or of the step.
        drift_percent: f64,
        /// Largest drift that is accepted, in the same per cent.
        allowed_percent: f64,
    },
    /// The recording ends on the way.
    #[error(
        "the recording ends when {reached_percent:.0} % of the change have been made, where {needed_percent:.0} % are \
         needed to tell where it leads; record for longer after the step"
    )]
    Unfinished {
        /// How far it went, in per cent of where the curve leads.
        reached_percent: f64,
        /// How far it must go.
        needed_percent: f64,
    },
    /// Readings that never move at all.
    #[error(
        "the {signal} readings never move, so they show neither noise nor the steps of the recorder, and how small a \
         change would be seen nobody knows; record with more digits"
    )]
    Motionless {
        /// Which recording.
        signal: Signal,
    },
    /// It could be computed, but not well enough to be worth a number.
    #[error(
        "its standard uncertainty would be {found_percent:.0} % of it where at most {allowed_percent:.0} % is stated: \
         the readings scatter too much, or their steps are too coarse; record with a smaller range or for longer"
    )]
    TooUncertain {
        /// Relative standard uncertainty, per cent.
        found_percent: f64,
        /// Largest that is stated, per cent.
        allowed_percent: f64,
    },
    /// Nothing followed the duty step.
    #[error(
        "rail pressure changed by {:.3} MPa after the duty step, but a change of {:.3} MPa is needed to \
         tell it from noise; check valve, wiring and supply, or use a larger step",
        change_pa / 1.0e6, needed_pa / 1.0e6
    )]
    NoResponse {
        /// Change of the settled level, Pa.
        change_pa: f64,
        /// Smallest change that could be told from the noise, Pa.
        needed_pa: f64,
    },
    /// Pressure never reached the level the method works at.
    #[error(
        "rail pressure reached {:.3} MPa in the recording where {:.3} MPa is needed; \
         shut the rail tighter, or record until it gets there",
        reached_pa / 1.0e6, needed_pa / 1.0e6
    )]
    NotReached {
        /// Highest level reached, Pa gauge.
        reached_pa: f64,
        /// Level that is needed, Pa gauge.
        needed_pa: f64,
    },
    /// The coil carries no current.
    #[error(
        "the coil current is {found_a:.4} A where more than {needed_a:.4} A is needed; \
         check connector, harness and driver for an open circuit"
    )]
    NoCurrent {
        /// Mean current, A.
        found_a: f64,
        /// Smallest current that would be measurable, A.
        needed_a: f64,
    },
    /// The current falls to zero in every PWM period, so its mean says nothing about resistance.
    #[error(
        "at a duty of {duty_percent:.2} % the coil current stops, or may stop, within each PWM period, \
         and its mean says nothing about resistance; measure at a higher duty"
    )]
    BrokenCurrent {
        /// Duty of the dwell, per cent.
        duty_percent: f64,
    },
    /// The curve that physics expects does not describe the recording.
    #[error("no {curve} fits the recording: {why}; check that nothing else happened during the measurement")]
    NoFit {
        /// Which curve.
        curve: &'static str,
        /// What went wrong.
        why: &'static str,
    },
    /// Two sweeps have no duty in common.
    #[error(
        "the sweeps up and down share {found} duties where {needed} are needed; sweep the same range both ways"
    )]
    NoOverlap {
        /// Points of the upward sweep inside the downward one.
        found: usize,
        /// Points that are needed.
        needed: usize,
    },
    /// The recorder was at the end of its range.
    #[error(
        "the {signal} recording is cut off from {from_s:.4} s to {to_s:.4} s: the recorder \
         was at the end of its range; record again with a larger range"
    )]
    Clipped {
        /// Which recording.
        signal: Signal,
        /// The level it is cut off at, in the SI unit of the signal.
        level: f64,
        /// First sample of the longest stretch at that level, s on the recording's own time axis.
        from_s: f64,
        /// Last sample of that stretch, s.
        to_s: f64,
    },
    /// Readings that stand still where noise moves them elsewhere.
    #[error(
        "the {signal} readings do not change at all from {from_s:.4} s to {to_s:.4} s, while they move from sample to \
         sample elsewhere: the sensor or the recorder stopped; check it and its cable and record again"
    )]
    Frozen {
        /// Which recording.
        signal: Signal,
        /// First sample of the stretch, s on the recording's own time axis.
        from_s: f64,
        /// Last sample of the stretch, s.
        to_s: f64,
    },
    /// Nothing in the recording changes that should.
    #[error(
        "there is no step in the {signal} recording: it never changes by more than its noise; \
         record the change itself, with some time before it"
    )]
    NoStep {
        /// Which recording.
        signal: Signal,
    },
    /// More than one step.
    #[error(
        "the {signal} recording has {found} steps where one is wanted (the first two at {first_s:.4} s and \
         {second_s:.4} s); cut the recording so that it holds one, or say which one is meant"
    )]
    SeveralSteps {
        /// Which recording.
        signal: Signal,
        /// Steps in it.
        found: usize,
        /// Instant of the first, s.
        first_s: f64,
        /// Instant of the second, s.
        second_s: f64,
    },
    /// A quantity that the recording does not hold was not given.
    #[error("{name} is not known; {what_to_do}")]
    NotGiven {
        /// Which quantity.
        name: &'static str,
        /// How to give it.
        what_to_do: &'static str,
    },
    /// The fall is not known surely enough to have a time constant.
    #[error(
        "the rate of fall is {found:.1} times its standard uncertainty where {needed} times are needed for a time \
         constant, which is longer than {longer_than_s:.3} s (95 % confidence); watch for longer or at a higher \
         pressure"
    )]
    TooSlow {
        /// Rate over its standard uncertainty.
        found: f64,
        /// What it must come to.
        needed: f64,
        /// Lower bound of the time constant with 95 % confidence, s.
        longer_than_s: f64,
    },
    /// The recording is sound, but what it shows has no time constant.
    #[error("there is no time constant: {why}")]
    NoTimeConstant {
        /// How it changes instead.
        why: &'static str,
    },
    /// Pressure was let out before there was enough to see of a leak.
    #[error(
        "rail pressure falls all at once after {at_s:.3} s, as if the rail had been opened, and the {found} samples \
         before are too few for a leak where {needed} are needed; leave the rail shut for longer"
    )]
    Emptied {
        /// When the fall begins, s on the recording's own time axis.
        at_s: f64,
        /// Samples that come surely before it.
        found: usize,
        /// Samples that are needed.
        needed: usize,
    },
    /// Pressure was let out in a recording of something else.
    #[error(
        "the {signal} falls all at once at {at_s:.3} s, as if the rail had been opened, {what}; repeat the measurement \
         and keep the rail as it is until the recording ends"
    )]
    Opened {
        /// Which recording.
        signal: Signal,
        /// When the fall begins, s on the recording's own time axis.
        at_s: f64,
        /// Why what is left is of no use.
        what: &'static str,
    },
    /// The response is under way before the instant at which the step is said to have been made.
    #[error(
        "pressure begins to move at {began_s:.4} s, before the step that is said to have been made at {stated_s:.4} s; \
         check the instant and the clocks, or what else moved the pressure"
    )]
    BeganBefore {
        /// When pressure begins to move, s on the recording's own time axis.
        began_s: f64,
        /// The stated instant of the step, s on the same axis.
        stated_s: f64,
    },
    /// Pulses that come twice, or are missing, so often that a rate of them means nothing.
    #[error(
        "of {found} pulses of the {signal}, {doubled} come too soon beside another to be real, and {missing} more \
         should have come (the first is wrong at {at_s:.3} s); check the sensor's gap, cable and switching level"
    )]
    FalsePulses {
        /// Which sensor.
        signal: Signal,
        /// Pulses that arrived.
        found: usize,
        /// Of these, pulses that are none.
        doubled: usize,
        /// Pulses that should have come and did not.
        missing: usize,
        /// Where the first of either is, s on the recording's own time axis.
        at_s: f64,
    },
}
