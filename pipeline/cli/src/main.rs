//! The program `lentic`: where suitable wetland habitat is, and how much of it would be left.

#![forbid(unsafe_code)]
// they panic where nobody reads: `say` is the way
#![warn(clippy::print_stdout, clippy::print_stderr)]

// its texts are those of the help, where brackets hold names of sections
#[allow(rustdoc::broken_intra_doc_links)]
mod args;
mod bars;
mod commands;
mod examples;
mod explain;
mod new;
mod plain;
mod report;
mod run;
mod say;
mod shell;
mod signals;
mod submit;
mod survey;
mod trace;

use clap::FromArgMatches;
use std::process::ExitCode;

fn main() -> ExitCode {
    let parsed = examples::command().try_get_matches().and_then(|found| args::Args::from_arg_matches(&found));
    match parsed {
        Ok(args) => commands::dispatch(&args),
        Err(e) => {
            // help and version are no errors
            let code = if e.use_stderr() { say::REFUSED } else { say::DONE };
            let _ = e.print();
            ExitCode::from(code)
        }
    }
}
