#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| lentic_fuzz::hostile::attack("matrix", bytes));
