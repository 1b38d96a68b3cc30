//! Examples of every command, as its help and its page of the manual show them.

use crate::args::Args;
use clap::{Command, CommandFactory};

/// Command, and lines that call it; each must be one the command line takes.
const EXAMPLES: &[(&[&str], &[&str])] = &[
    (&["demo"], &["lentic demo talverra", "lentic demo talverra --small"]),
    (
        &["new"],
        &[
            "lentic new my-basin",
            "lentic new my-basin --template closed-basin --like water/water_2020-01.tif --baseline 1991-2020",
            "lentic new marsh --template coastal-marsh --crs -18.2,-31.5 --bounds -1800,-1500,1800,1500 --layers ground,depth,wetland_class --climate table",
        ],
    ),
    (&["check"], &["lentic check study.toml", "lentic check study.toml --json"]),
    (
        &["run"],
        &[
            "lentic run study.toml",
            "lentic run study.toml --out reports/june --memory 1.5GiB",
            "lentic run study.toml --plan",
        ],
    ),
    (&["shard", "plan"], &["lentic shard plan study.toml --shards 8"]),
    (&["shard", "run"], &["lentic shard run study.toml --shards 8 --shard 0 --step 1"]),
    (&["shard", "merge"], &["lentic shard merge study.toml --shards 8"]),
    (
        &["submit"],
        &["lentic submit study.toml --profile slurm.toml --dry-run", "lentic submit study.toml --shards 32"],
    ),
    (&["calibrate"], &["lentic calibrate study.toml --out calibration"]),
    (
        &["explain"],
        &["lentic explain reports/basin 1200 -350", "lentic explain reports/basin -18.01 -31.02 --lonlat"],
    ),
    (
        &["verify"],
        &["lentic verify reports/basin", "lentic verify reports/basin --inputs --study study.toml"],
    ),
    (&["compare"], &["lentic compare reports/may reports/june --out reports/may-june"]),
    (
        &["report"],
        &["lentic report reports/basin", "lentic report reports/basin --public --generalise medium"],
    ),
    (&["water"], &["lentic water scenes.toml --out water"]),
    (&["survey", "draw"], &["lentic survey draw reports/basin --points 200"]),
    (&["survey", "correct"], &["lentic survey correct reports/basin survey/points.csv"]),
    (
        &["completions"],
        &[
            "lentic completions bash > ~/.local/share/bash-completion/completions/lentic",
            "lentic completions zsh > _lentic",
        ],
    ),
    (&["man"], &["lentic man ~/.local/share/man/man1"]),
    (&["schema"], &["lentic schema > study.schema.json", "lentic schema --scenes"]),
];

/// The command line with its examples.
pub fn command() -> Command {
    EXAMPLES.iter().fold(Args::command(), |command, (path, lines)| with(command, path, lines))
}

fn with(command: Command, path: &[&str], lines: &[&str]) -> Command {
    match path.split_first() {
        None => command.after_help(format!("Examples:\n  {}", lines.join("\n  "))),
        Some((name, rest)) => command.mut_subcommand(*name, |inner| with(inner, rest, lines)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every command without commands of its own, with its help.
    fn leaves(command: &Command, path: &str, found: &mut Vec<(String, String)>) {
        if command.get_name() == "help" {
            return;
        }
        if command.has_subcommands() {
            for inner in command.get_subcommands() {
                leaves(inner, &format!("{path} {}", inner.get_name()), found);
            }
        } else {
            found.push((path.to_string(), command.clone().render_long_help().to_string()));
        }
    }

    #[test]
    fn every_command_has_an_example_that_it_takes() {
        let mut found = Vec::new();
        leaves(&command(), "lentic", &mut found);
        assert!(found.len() >= EXAMPLES.len());
        for (path, help) in found {
            let lines: Vec<&str> =
                help.lines().map(str::trim).filter(|line| line.starts_with("lentic ")).collect();
            assert!(!lines.is_empty(), "{path} has no example:\n{help}");
            for line in lines {
                assert!(line.starts_with(&path), "{line} in the help of {path}");
                let words = line.split(" > ").next().unwrap_or_default().split_whitespace();
                if let Err(e) = command().try_get_matches_from(words) {
                    panic!("{line}: {e}");
                }
            }
        }
    }

    #[test]
    fn the_command_line_is_sound() {
        command().debug_assert();
    }
}
