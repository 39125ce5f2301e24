//! What several witnesses count with: raw words as quantities, and the period of what is chopped.

use stepwell_procedure::sheet::{BenchSheet, VoltageSpan};

/// Volts of one count of a word: ten conversions of 4095 counts over 5 V.
pub(crate) const VOLTS_PER_COUNT: f64 = 5.0 / (10.0 * 4_095.0);

/// A period of a 200 Hz PWM, in ms.
pub(crate) const PERIOD_MS: usize = 5;

/// What a pressure sensor shows, by the sheet's zero, in Pa.
pub(crate) fn pressure_pa(span: &VoltageSpan, counts: u16) -> f64 {
    (f64::from(counts) * VOLTS_PER_COUNT - span.zero_v) * span.span_pa / (span.span_v - span.zero_v)
}

/// Pascals of one count of a pressure sensor's word.
pub(crate) fn count_pa(span: &VoltageSpan) -> f64 {
    VOLTS_PER_COUNT * span.span_pa / (span.span_v - span.zero_v)
}

/// Amperes of one count of a coil's word.
pub(crate) fn count_a(bench: &BenchSheet) -> f64 {
    VOLTS_PER_COUNT / bench.current.volt_per_ampere
}
