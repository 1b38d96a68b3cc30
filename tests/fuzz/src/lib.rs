//! The bodies of `tests/src/hostile`, compiled for the fuzzer.

#[path = "../../src/hostile/mod.rs"]
pub mod hostile;
