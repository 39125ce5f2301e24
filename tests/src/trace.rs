//! The built-in bench with a witness: every tick, what the board set and what was really so.

use stepwell_core::Outputs;
use stepwell_plant::Truth;
use stepwell_plant::constants::P_ATMOSPHERE_PA;
use stepwell_protocol::state::State;
use stepwell_session::lockstep::Bench;
use stepwell_virtual::{Setup, SimulatedBench, VirtualBench};

/// One tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// Board time, ms.
    pub tick: u32,
    /// What the board is doing.
    pub state: State,
    /// What it drives.
    pub outputs: Outputs,
    /// True rail pressure above atmosphere, Pa.
    pub rail_pa: f64,
    /// True pressure of the feed behind the filter, above atmosphere, Pa.
    pub feed_pa: f64,
    /// True winding resistances at 20 °C, inlet first, Ω.
    pub resistance_20_ohm: [f64; 2],
    /// True incremental inductances at the mean current of a PWM period, inlet first, H.
    pub inductance_h: [f64; 2],
    /// True volume of fluid that has passed the flow meter so far, gas not counted, m³ at one
    /// atmosphere. A rate would not do: the valve beats with its PWM, and ticks see it always at the
    /// same instant of a beat.
    pub returned_m3: f64,
    /// True flow of fluid and gas to the flow meter at this instant, m³/s at one atmosphere.
    pub to_meter_m3_per_s: f64,
    /// True speed of the shaft, rev/s.
    pub speed_rev_per_s: f64,
    /// True angle of the pump's shaft, rad, 0 to 2π.
    pub angle_rad: f64,
    /// True volume of the gas in the rail that is not dissolved, at one atmosphere, m³.
    pub rail_gas_m3: f64,
}

impl Moment {
    pub(crate) fn of(bench: &impl SimulatedBench) -> Moment {
        let truth: Truth = bench.truth();
        Moment {
            tick: bench.now().0,
            state: bench.state(),
            outputs: bench.outputs(),
            rail_pa: truth.p4_pa - P_ATMOSPHERE_PA,
            feed_pa: truth.p2_pa - P_ATMOSPHERE_PA,
            resistance_20_ohm: [truth.inlet_coil.resistance_20_ohm, truth.pressure_coil.resistance_20_ohm],
            to_meter_m3_per_s: truth.flows.return_m3_per_s,
            inductance_h: [truth.inlet_coil.mean_inductance_h, truth.pressure_coil.mean_inductance_h],
            returned_m3: truth.counters.returned_m3,
            speed_rev_per_s: truth.speed_rad_per_s / std::f64::consts::TAU,
            angle_rad: truth.angle_rad,
            rail_gas_m3: truth.gas.rail_free_m3 + truth.gas.rail_trapped_m3,
        }
    }

    /// Whether the drive is permitted to turn.
    #[must_use]
    pub fn drive_on(&self) -> bool {
        self.outputs.drive_rpm > 0
    }
}

/// The mean of something over some ticks.
///
/// # Panics
/// When there are none.
#[must_use]
pub fn mean(moments: &[Moment], of: impl Fn(&Moment) -> f64) -> f64 {
    assert!(!moments.is_empty(), "a mean over nothing");
    moments.iter().map(of).sum::<f64>() / moments.len() as f64
}

/// A simulated bench, watched; the built-in one unless another is named.
#[derive(Debug)]
pub struct Traced<B = VirtualBench> {
    bench: B,
    trace: Vec<Moment>,
}

impl Traced {
    /// A built-in bench that has just been switched on.
    #[must_use]
    pub fn new(setup: &Setup) -> Traced {
        Traced::watching(VirtualBench::new(setup))
    }
}

impl<B: SimulatedBench> Traced<B> {
    /// A bench that has just been switched on.
    #[must_use]
    pub fn watching(bench: B) -> Traced<B> {
        Traced { bench, trace: Vec::new() }
    }

    /// The bench.
    #[must_use]
    pub fn bench(&self) -> &B {
        &self.bench
    }

    /// What it did so far, from its first tick on.
    #[must_use]
    pub fn trace(&self) -> &[Moment] {
        &self.trace
    }

    /// Its latest tick; 0 before the first.
    #[must_use]
    pub fn tick(&self) -> u32 {
        self.bench.now().0
    }

    /// Lets time pass without anybody at the other end of the wire.
    pub fn alone(&mut self, ms: u32) {
        self.exchange(&[], ms, &mut Vec::new());
    }
}

impl<B: SimulatedBench> Bench for Traced<B> {
    fn exchange(&mut self, to_board: &[u8], ms: u32, from_board: &mut Vec<u8>) {
        self.bench.receive(to_board);
        for _ in 0..ms {
            self.bench.tick().unwrap_or_else(|error| panic!("the bench is gone: {error}"));
            self.trace.push(Moment::of(&self.bench));
            self.bench.transmit(from_board);
        }
    }
}
