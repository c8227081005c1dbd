#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| nosebar_fuzz::lexer::check(data));
