#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| stepwell_fuzz::telemetry::check(data));
