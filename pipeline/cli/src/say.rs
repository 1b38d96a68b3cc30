//! Messages: problems with their place in the file, errors, exit codes.

use crate::plain;
use crate::signals::BY_SIGNAL;
use lentic_engine::EngineError;
use lentic_engine::check::order::{in_order, next};
use lentic_study::Problem;
use miette::{Diagnostic, GraphicalReportHandler, LabeledSpan, NamedSource, SourceCode};
use serde_json::{Value, json};
use std::io::{ErrorKind, IsTerminal, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// All done.
pub const DONE: u8 = 0;
/// The input is refused.
pub const REFUSED: u8 = 1;
/// The machine failed.
pub const FAILED: u8 = 3;

/// A problem as miette shows it.
#[derive(Debug)]
struct Shown {
    problem: Problem,
    source: Option<NamedSource<String>>,
}

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.problem.message)
    }
}

impl std::error::Error for Shown {}

impl Diagnostic for Shown {
    fn severity(&self) -> Option<miette::Severity> {
        self.problem.warning.then_some(miette::Severity::Warning)
    }

    fn help<'a>(&'a self) -> Option<Box<dyn std::fmt::Display + 'a>> {
        (!self.problem.help.is_empty()).then(|| Box::new(&self.problem.help) as _)
    }

    fn source_code(&self) -> Option<&dyn SourceCode> {
        self.source.as_ref().map(|s| s as _)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        let place = self.problem.place.filter(|_| self.source.is_some())?;
        let text = self.source.as_ref()?.inner();
        let (start, end) = if place.end > place.start {
            (place.start, place.end)
        } else {
            // only the line is known
            let start = text.split_inclusive('\n').take(place.line.saturating_sub(1)).map(str::len).sum();
            let length = text.get(start..)?.lines().next().map_or(0, str::len);
            (start, start + length)
        };
        Some(Box::new(std::iter::once(LabeledSpan::underline(start..end))))
    }
}

/// Prints problems to standard error: with an excerpt of the file on a terminal, one line each otherwise.
pub fn problems(problems: &[Problem]) {
    let fancy = std::io::stderr().is_terminal();
    for problem in problems {
        if !fancy {
            let kind = if problem.warning { "warning" } else { "error" };
            err(&format!("{kind}: {problem}"));
            continue;
        }
        let text = problem.place.and_then(|_| std::fs::read_to_string(&problem.file).ok());
        let file = plain::shown(&problem.file.display().to_string()).into_owned();
        let source = text.map(|text| NamedSource::new(&file, plain::shown(&text).into_owned()));
        let message =
            if source.is_some() { problem.message.clone() } else { format!("{file}: {}", problem.message) };
        let [message, help] = [&message, &problem.help].map(|words| plain::shown(words).into_owned());
        let shown = Shown { problem: Problem { message, help, ..problem.clone() }, source };
        let mut out = String::new();
        if GraphicalReportHandler::new().render_report(&mut out, &shown).is_ok() {
            // with its own colours
            coloured(&out);
        } else {
            err(&problem.to_string());
        }
    }
}

/// What standard output refused, if it did.
static REFUSED_OUTPUT: Mutex<Option<std::io::Error>> = Mutex::new(None);

/// Writes to standard output, so that no word of a study commands a terminal; a reader who has seen enough (`| head`) is no error, any
/// other refusal is remembered for [`output_refused`].
pub fn out(text: &str) {
    // nothing but JSON begins so
    let text = if text.starts_with('{') { plain::json(text) } else { plain::shown(text) };
    let mut stdout = std::io::stdout();
    match writeln!(stdout, "{text}").and_then(|()| stdout.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            REFUSED_OUTPUT.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(error);
        }
        _ => {}
    }
}

/// What standard output refused, to be said at the end.
pub fn output_refused() -> Option<std::io::Error> {
    REFUSED_OUTPUT.lock().unwrap_or_else(PoisonError::into_inner).take()
}

/// Writes to standard error, as [`out`] does; where that is closed nobody can be told.
pub fn err(text: &str) {
    coloured(&plain::shown(text));
}

fn coloured(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// Says what a check found: problems by what they are about, in the order in which they are best mended, and what to do next.
pub fn check_error(study: &Path, error: &EngineError, json: bool) -> u8 {
    let Some(found) = error.problems().filter(|_| !json) else { return self::error(error, json) };
    let steps = in_order(study, found);
    for (step, of) in &steps {
        if steps.len() > 1 {
            err(&format!("-- {} ({})", step.title(), of.len()));
        }
        problems(of);
    }
    count(found.len());
    err(&format!("next: {}", next(study, &steps)));
    REFUSED
}

fn count(n: usize) {
    err(&format!("{n} problem{} in the study; nothing was computed", if n == 1 { "" } else { "s" }));
}

/// Says an error and gives its exit code.
pub fn error(error: &EngineError, json: bool) -> u8 {
    if json {
        out(&format!("{:#}", error_json(error)));
    } else if let Some(found) = error.problems() {
        problems(found);
        count(found.len());
    } else {
        err(&format!("error: {error}"));
    }
    match error {
        EngineError::Stopped { signal, .. } => u8::try_from(BY_SIGNAL + signal).unwrap_or(FAILED),
        _ if error.is_refusal() => REFUSED,
        _ => FAILED,
    }
}

/// Problems as JSON.
pub fn problems_json(problems: &[Problem]) -> Value {
    let one = |p: &Problem| {
        json!({
            "file": p.file.display().to_string(),
            "line": p.place.map(|place| place.line),
            "message": p.message,
            "help": p.help,
            "warning": p.warning,
        })
    };
    problems.iter().map(one).collect()
}

fn error_json(error: &EngineError) -> Value {
    let problems = error.problems().map(problems_json);
    json!({ "done": false, "error": if problems.is_some() { Value::Null } else { json!(error.to_string()) }, "problems": problems })
}
