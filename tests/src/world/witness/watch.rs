//! What really happened on the bench, tick by tick, and what was said on the wire: kept by somebody who
//! stands beside it and trusts nobody.

use super::ear::Ear;
use super::said::{Overheard, Said};
use crate::trace::Moment;
use crate::world::played::machine::Machine;
use std::collections::HashMap;
use std::fmt::Write;
use stepwell_core::Pulses;
use stepwell_plant::Truth;
use stepwell_plant::sensors::SensorParameters;
use stepwell_protocol::channel::{ANALOG_CHANNELS, Coil, Sample};
use stepwell_protocol::dwell::DwellReport;
use stepwell_protocol::time::Tick;
use stepwell_virtual::SimulatedBench;

/// One millisecond beside the bench.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Beside {
    /// What the harness always looks at.
    pub moment: Moment,
    /// Milliseconds since the board started, this one included: what its tick must be.
    pub true_tick: u32,
    /// Time of the rig, µs.
    pub us: u64,
    /// What the converter gives the board: sums of this tick's conversions, or old ones when it stands still.
    pub analog: [u16; ANALOG_CHANNELS],
    /// What the pulse inputs show: flow, shaft.
    pub pulses: [Pulses; 2],
    /// Whether the contacts of stop chain, guard and tank say that these are as they should be.
    pub contacts: [bool; 3],
    /// Whether they are.
    pub truly: [bool; 3],
    /// True supply voltage, V.
    pub supply_v: f64,
    /// True mean currents over a PWM period, inlet first, A.
    pub current_a: [f64; 2],
    /// What the current channels show, inlet first: sums of a tick's conversions, which end at full scale.
    pub current_words: [u16; 2],
    /// What a sensor in the fluid could show by then at the best, °C: its true temperature, and the sensor's lag.
    pub fluid_sensed_celsius: f64,
    /// True resistances of the circuits, inlet first, Ω.
    pub circuit_ohm: [f64; 2],
    /// Whether the converter stands still.
    pub converter_stands: bool,
    /// Whether the board started anew at this tick.
    pub restarted: bool,
    /// Whether the board's loop ran.
    pub running: bool,
}

/// What the board did from one start to the next.
#[derive(Debug, Default)]
struct Life {
    /// Samples it has put on the wire, by its tick.
    sent: HashMap<u32, Sample>,
    /// The place of each of its ticks in the order of milliseconds.
    places: HashMap<u32, usize>,
}

/// The watch.
#[derive(Debug, Default)]
pub struct Watch {
    /// Every millisecond, from the first on. The one at `place` lasts from `place` to `place + 1` ms of rig time, and
    /// its tick is at its end: then [`Machine::ms`] is `place + 1`, and so is the tick of a board that started with
    /// the rig. So a mishap of the rig that begins at `ms` spoils the millisecond at `ms` first; one of the board,
    /// which acts at a tick, the one at `ms - 1`.
    pub ticks: Vec<Beside>,
    /// What was heard, with the place of the millisecond whose tick it came before.
    pub said: Vec<(usize, Said)>,
    /// What reached each life of the program.
    pub ears: Vec<Ear>,
    lives: Vec<Life>,
    overheard: Overheard,
    /// The millisecond at which the board's present life began.
    began: usize,
    stuck: Option<[u16; ANALOG_CHANNELS]>,
    /// Single conversions of a coil, with the millisecond in which they were made.
    bursts: Vec<(usize, Coil, Vec<u16>)>,
    /// What was true at the first tick, and at the latest.
    pub truths: Option<(Truth, Truth)>,
}

impl Watch {
    /// A watch that begins before the rig is switched on.
    #[must_use]
    pub fn new() -> Watch {
        Watch::default()
    }

    /// Bytes reach the board. One whose loop does not run hears nothing.
    pub fn heard(&mut self, bytes: &[u8]) {
        if self.ticks.last().is_none_or(|beside| beside.running) {
            let place = self.ticks.len();
            self.overheard.heard(place, Tick((place - self.began) as u32), bytes);
        }
    }

    /// The board has said this.
    pub fn spoke(&mut self, bytes: &[u8]) {
        for (first, _, samples) in self.overheard.spoke(self.ticks.len(), bytes) {
            self.life().sent.extend((first..).zip(samples));
        }
    }

    /// A program with this number of a session begins to listen.
    pub fn program(&mut self, session: u32) {
        self.ears.push(Ear::new(session));
    }

    /// Bytes reach the program.
    pub fn arrived(&mut self, bytes: &[u8]) {
        if let Some(ear) = self.ears.last_mut() {
            ear.hear(self.ticks.len(), bytes);
        }
    }

    /// The board's present life.
    fn life(&mut self) -> &mut Life {
        if self.lives.is_empty() {
            self.lives.push(Life::default());
        }
        let last = self.lives.len() - 1;
        &mut self.lives[last]
    }

    /// A millisecond has passed.
    pub fn ticked(&mut self, machine: &Machine) {
        let place = self.ticks.len();
        if machine.restarted() {
            self.overheard.restarted();
            if let Some(ear) = self.ears.last_mut() {
                ear.board_restarted();
            }
            if !machine.forgot() {
                self.lives.push(Life::default());
                self.began = place;
            }
        }
        let readings = machine.rig().readings();
        let truth = machine.truth();
        self.truths = Some((self.truths.map_or(truth, |(before, _)| before), truth));
        if machine.running() {
            self.life().places.insert(machine.now().0, place);
        }
        self.stuck = machine.converter_stands().then(|| self.stuck.unwrap_or(readings.analog));
        if let Some(coil) = self.ticks.last().and_then(|before| before.moment.outputs.burst)
            && !readings.burst.is_empty()
        {
            self.bursts.push((place, coil, readings.burst.to_vec()));
        }
        self.ticks.push(Beside {
            moment: Moment::of(machine),
            true_tick: (place - self.began + 1) as u32,
            us: machine.rig().time_us(),
            analog: self.stuck.unwrap_or(readings.analog),
            pulses: [readings.flow, readings.speed],
            contacts: [readings.stop_chain_closed, readings.guard_closed, readings.tank_level_ok],
            truly: [
                truth.contacts.stop_chain_closed,
                truth.contacts.guard_closed,
                truth.contacts.tank_level_ok,
            ],
            supply_v: truth.supply_v,
            current_a: [truth.inlet_coil.mean_current_a, truth.pressure_coil.mean_current_a],
            current_words: Coil::BOTH.map(|coil| readings.analog[coil.current().index()]),
            fluid_sensed_celsius: self.sensed_celsius(truth.fluid_k - 273.15),
            circuit_ohm: [truth.inlet_coil.circuit_ohm, truth.pressure_coil.circuit_ohm],
            converter_stands: machine.converter_stands(),
            restarted: machine.restarted(),
            running: machine.running(),
        });
    }

    /// A first-order lag behind the true temperature, as the rig's sensor has it.
    fn sensed_celsius(&self, true_celsius: f64) -> f64 {
        let lag_s = SensorParameters::default().fluid.lag_s;
        self.ticks.last().map_or(true_celsius, |before| {
            before.fluid_sensed_celsius
                + (true_celsius - before.fluid_sensed_celsius) * (1.0 - (-1e-3 / lag_s).exp())
        })
    }

    /// The millisecond at which a board of any life had this tick and put this sample on the wire.
    #[must_use]
    pub fn place_of(&self, tick: u32, sample: &Sample) -> Option<usize> {
        let lives = self.lives.iter().rev();
        lives
            .filter(|life| life.sent.get(&tick) == Some(sample))
            .find_map(|life| life.places.get(&tick))
            .copied()
    }

    /// The milliseconds at which a board of any life had this tick.
    pub fn places_of(&self, tick: u32) -> impl Iterator<Item = usize> {
        self.lives.iter().filter_map(move |life| life.places.get(&tick)).copied()
    }

    /// The times at which a board of any life had this tick, µs.
    pub fn times_of(&self, tick: u32) -> impl Iterator<Item = u64> {
        self.places_of(tick).map(|place| self.ticks[place].us)
    }

    /// Single conversions of a coil from the millisecond at `place` on, as many as were made in a row.
    #[must_use]
    pub fn burst_from(&self, place: usize, coil: Coil) -> Vec<u16> {
        let from = self.bursts.partition_point(|(at, ..)| *at < place);
        let row = self.bursts[from..].iter().zip(place..);
        row.take_while(|((at, of, _), due)| (at, of) == (due, &coil))
            .flat_map(|((.., counts), _)| counts)
            .copied()
            .collect()
    }

    /// Reports of dwells that the board has told in a session, in order.
    pub fn reports(&self, session: u32) -> impl Iterator<Item = &DwellReport> {
        self.said.iter().filter_map(move |(_, said)| match said {
            Said::Ended(of, report) if *of == Some(session) => Some(report),
            _ => None,
        })
    }

    /// The time of watching is over: what was heard, in order of time.
    pub fn over(&mut self) {
        self.said = self.overheard.over();
    }

    /// A line for each change of what the board does, and for each thing said that changes something.
    #[must_use]
    pub fn changes(&self) -> String {
        let mut out = String::new();
        let mut said = self.said.iter().peekable();
        let mut before = None;
        for (place, Beside { moment, restarted, .. }) in self.ticks.iter().enumerate() {
            while let Some((_, what)) = said.next_if(|(at, _)| *at <= place) {
                if let Said::Dwell(dwell) = what {
                    let _ = writeln!(
                        out,
                        "{place:7} ms  taken: dwell {} {:?}, {} ms",
                        dwell.serial, dwell.start, dwell.duration_ms
                    );
                } else if !matches!(what, Said::Renewed | Said::Asked | Said::Broken) {
                    let _ = writeln!(out, "{place:7} ms  heard: {what:?}");
                }
            }
            let outputs = &moment.outputs;
            let now = (
                moment.state,
                [outputs.inlet_duty_e4, outputs.pressure_duty_e4].map(|duty_e4| duty_e4 / 100),
                (outputs.supply_on, outputs.drive_rpm, outputs.dump_closed),
            );
            if *restarted {
                let _ = writeln!(out, "{place:7} ms  the board starts anew");
            }
            if before != Some(now) {
                before = Some(now);
                let (state, [inlet, pressure], (supply, rpm, dump)) = now;
                let _ = writeln!(
                    out,
                    "{place:7} ms  {state:?}: inlet {inlet} %, pressure {pressure} %, supply {}, drive {rpm} rpm, dump {}; \
                     rail {:.2} MPa, shaft {:.2} rev/s",
                    if supply { "on" } else { "off" },
                    if dump { "shut" } else { "open" },
                    moment.rail_pa * 1e-6,
                    moment.speed_rev_per_s
                );
            }
        }
        out
    }
}
