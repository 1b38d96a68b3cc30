//! Writes the report page, figures, tables and record of invented results, to look at them.
//!
//! `cargo run --release -p lentic-report --example sample_page -- FOLDER`

#[path = "../tests/sample/mod.rs"]
mod sample;

use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        eprintln!("give the folder to write into");
        return ExitCode::FAILURE;
    };
    match write(&folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn write(folder: &std::path::Path) -> Result<(), lentic_report::ReportError> {
    let sample = sample::Sample::new();
    let page = sample.page();
    lentic_report::write_figures(&folder.join("figures"), &page)?;
    for table in page.tables {
        lentic_report::write_table(&folder.join("tables"), table)?;
    }
    lentic_report::write_record(&folder.join("run.json"), page.record)?;
    lentic_report::write_page(&folder.join("report.html"), &page)
}
