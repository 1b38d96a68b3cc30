//! What `lentic --version` tells of the build: commit, target, profile.

use std::path::Path;
use std::process::Command;

fn git(arguments: &[&str]) -> Option<String> {
    let output =
        Command::new("git").args(arguments).output().ok().filter(|output| output.status.success())?;
    let text = String::from_utf8(output.stdout).ok()?.trim().to_string();
    (!text.is_empty()).then_some(text)
}

/// The commit, if the sources lie in a clone of their own, not in one that merely holds a copy of them.
fn commit() -> Option<String> {
    let top = git(&["rev-parse", "--show-toplevel"])?;
    let own = Path::new("../..").canonicalize().ok()?;
    if Path::new(&top).canonicalize().ok()? != own {
        return None;
    }
    // appended to by every commit and checkout
    if let Some(log) = git(&["rev-parse", "--git-path", "logs/HEAD"]) {
        println!("cargo:rerun-if-changed={log}");
    }
    git(&["rev-parse", "--short=12", "HEAD"])
}

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    let of = |name: &str| std::env::var(name).unwrap_or_default();
    println!("cargo:rustc-env=LENTIC_COMMIT={}", commit().unwrap_or_default());
    println!("cargo:rustc-env=LENTIC_TARGET={}", of("TARGET"));
    println!("cargo:rustc-env=LENTIC_PROFILE={}", of("PROFILE"));
}
