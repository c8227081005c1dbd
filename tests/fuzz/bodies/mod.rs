//! What each fuzz target holds true of any bytes. `targets/` gives them to the fuzzer, `tests/it/fuzz_corpus.rs` the kept corpus.

pub mod config;
pub mod events;
pub mod house;
pub mod lexer;
pub mod replies;
pub mod survey;
pub mod uploads;
