//! Flow meter and shaft sensor: edges that `clock.rs` notes, gathered by DMA.

use super::dma::Channel;
use core::sync::atomic::AtomicU32;
use embassy_stm32::pac::TIM2;
use stepwell_core::Pulses;
use stepwell_core::pins::PulseCounter;
use stepwell_nucleo_g474re::pulses::{EDGES, EdgeRing, Edges};

static FLOW_RING: EdgeRing = [const { AtomicU32::new(0) }; EDGES as usize];
static SHAFT_RING: EdgeRing = [const { AtomicU32::new(0) }; EDGES as usize];

/// One pulse input.
#[derive(Debug)]
pub struct PulseInput {
    edges: Edges<'static>,
    channel: Channel,
}

impl PulseInput {
    /// The flow meter.
    pub fn flow() -> PulseInput {
        PulseInput::start(0, Channel::FLOW, &FLOW_RING)
    }

    /// The shaft sensor.
    pub fn shaft() -> PulseInput {
        PulseInput::start(2, Channel::SHAFT, &SHAFT_RING)
    }

    fn start(capture: usize, channel: Channel, ring: &'static EdgeRing) -> PulseInput {
        channel.fill(TIM2.ccr(capture).as_ptr().cast(), ring);
        PulseInput { edges: Edges::new(ring), channel }
    }
}

impl PulseCounter for PulseInput {
    fn pulses(&mut self) -> Pulses {
        self.edges.pulses(self.channel.left())
    }
}
