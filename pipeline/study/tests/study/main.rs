//! Tests of the study file as a whole: its form, its sense, its schema, what it resolves to.

// Helpers outside test functions may stop a test too.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod climate;
mod common;
mod evidence;
mod form;
mod fragment;
mod ladder;
mod network;
mod over_time;
mod publication;
mod resolved;
mod robust;
mod schema;
mod sense;
mod surroundings;
mod together;
