#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| stepwell_fuzz::store::check(data));
