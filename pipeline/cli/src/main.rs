//! The program `lentic`: where suitable wetland habitat is, and how much of it would be left.

#![forbid(unsafe_code)]
// they panic where nobody reads: `say` is the way
#![warn(clippy::print_stdout, clippy::print_stderr)]

mod args;
mod bars;
mod commands;
mod explain;
mod report;
mod run;
mod say;
mod signals;
mod submit;
mod survey;
mod trace;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    match args::Args::try_parse() {
        Ok(args) => commands::dispatch(&args),
        Err(e) => {
            // help and version are no errors
            let code = if e.use_stderr() { say::REFUSED } else { say::DONE };
            let _ = e.print();
            ExitCode::from(code)
        }
    }
}
