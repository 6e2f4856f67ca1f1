//! `framing` of `nightclamp_tests::hostile`, with a fuzzer in front.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| nightclamp_tests::hostile::framing(bytes));
