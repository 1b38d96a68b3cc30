//! Progress on a terminal: one bar per stage, with cells per second and time left.

use indicatif::{HumanCount, ProgressBar, ProgressDrawTarget, ProgressState, ProgressStyle};
use lentic_engine::Progress;
use std::fmt::Write;
use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Bars for a person; nothing where nobody watches.
pub struct Bars {
    bar: Mutex<Option<ProgressBar>>,
    quiet: bool,
}

impl Bars {
    /// Bars, silent if asked or off a terminal.
    pub fn new(quiet: bool) -> Self {
        Bars { bar: Mutex::new(None), quiet }
    }

    fn with<T>(&self, act: impl FnOnce(&mut Option<ProgressBar>) -> T) -> T {
        act(&mut self.bar.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

fn style(cells: u64) -> ProgressStyle {
    let template = if cells == 0 {
        "{msg:24} {spinner} {elapsed}"
    } else {
        "{msg:24} [{bar:32}] {percent:>3} % {cells} cells/s, {eta} left"
    };
    ProgressStyle::with_template(template)
        .unwrap_or_else(|_| ProgressStyle::default_bar())
        .with_key("cells", |state: &ProgressState, out: &mut dyn Write| {
            let _ = write!(out, "{:>9}", HumanCount(state.per_sec() as u64));
        })
        .progress_chars("=> ")
}

impl Progress for Bars {
    fn start(&self, stage: &str, cells: u64) {
        let bar = if cells == 0 { ProgressBar::new_spinner() } else { ProgressBar::new(cells) };
        if self.quiet || !std::io::stderr().is_terminal() {
            bar.set_draw_target(ProgressDrawTarget::hidden());
        } else {
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        bar.set_style(style(cells));
        bar.set_message(stage.to_string());
        self.with(|slot| *slot = Some(bar));
    }

    fn advance(&self, cells: u64) {
        self.with(|slot| {
            if let Some(bar) = slot {
                bar.inc(cells);
            }
        });
    }

    fn finish(&self) {
        self.with(|slot| {
            if let Some(bar) = slot.take() {
                bar.finish();
            }
        });
    }

    fn warn(&self, message: &str) {
        if self.quiet {
            return;
        }
        self.with(|slot| match slot {
            Some(bar) if !bar.is_hidden() => bar.println(format!("warning: {message}")),
            _ => crate::say::err(&format!("warning: {message}")),
        });
    }
}
