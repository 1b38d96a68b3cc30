//! Programs under way that are sent signals.

use crate::Outcome;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Waits until something holds, or the program is done.
#[track_caller]
pub fn until(child: &mut Child, mut holds: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !holds() && child.try_wait().unwrap().is_none() {
        assert!(begun.elapsed() < Duration::from_secs(300), "it never came to that");
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// Sends a signal, by its name without `SIG`, unless the program is done.
#[track_caller]
pub fn signal(child: &mut Child, name: &str) {
    if child.try_wait().unwrap().is_some() {
        return;
    }
    // ended or not, its number is its own until it was waited for
    Outcome::of(Command::new("kill").args(["-s", name, &child.id().to_string()])).done();
}

/// A command that listens to signals, even where the tests themselves were started by a program that has them ignored (`nohup`).
pub fn listening(command: &Command) -> Command {
    let mut listening = Command::new("env");
    listening.arg("--default-signal=HUP,INT,TERM").arg(command.get_program()).args(command.get_args());
    for (name, value) in command.get_envs() {
        listening.env(name, value.unwrap_or_default());
    }
    listening
}

/// Starts a command, its output kept.
#[track_caller]
pub fn started(command: &mut Command) -> Child {
    command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// Waits for the end.
#[track_caller]
pub fn ended(child: Child) -> Outcome {
    let output = child.wait_with_output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Outcome { code: output.status.code(), stdout: text(output.stdout), stderr: text(output.stderr) }
}
