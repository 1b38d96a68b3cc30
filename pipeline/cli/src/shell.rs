//! What shells and man know of the program, made from its command line.

use crate::examples::command;
use clap_complete::Shell;
use lentic_engine::EngineError;
use std::path::Path;

/// What completes commands and options in a shell.
pub fn completions(shell: Shell) -> String {
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut command(), "lentic", &mut text);
    String::from_utf8_lossy(&text).into_owned()
}

/// Writes a page of the manual for the program and for each command.
pub fn man(folder: &Path) -> Result<(), EngineError> {
    let failed = |source| EngineError::Io { path: folder.to_path_buf(), source };
    std::fs::create_dir_all(folder).map_err(failed)?;
    clap_mangen::generate_to(command().version(env!("CARGO_PKG_VERSION")).long_version(None::<&str>), folder)
        .map_err(failed)
}
