//! The profile of a cluster: who pays for the jobs of `lentic submit`, where they run and what each may take.

mod options;

pub use options::Profile;

use crate::problem::{Problem, Problems};
use crate::read::text_of;
use crate::schema::schema_of;
use crate::shape::{Shape, check_against};
use crate::source::{Source, item};
use std::path::Path;

/// What messages call the file.
const NAME: &str = "profile";

/// Options of sbatch that `lentic submit` sets itself.
const OWN: [&str; 13] = [
    "array",
    "dependency",
    "output",
    "error",
    "parsable",
    "job-name",
    "wrap",
    "kill-on-invalid-dep",
    "account",
    "partition",
    "time",
    "mem",
    "cpus-per-task",
];

/// Reads a profile.
///
/// # Errors
/// All problems together, each with its place: unknown keys with the nearest known one, wrong types, and what Slurm would not
/// understand.
pub fn load(path: &Path) -> Result<Profile, Problems> {
    parse(path, text_of(path, NAME)?)
}

/// As [`load`], of a text at hand; `path` is what messages name.
///
/// # Errors
/// As there.
pub fn parse(path: &Path, text: String) -> Result<Profile, Problems> {
    let (source, mut problems) = Source::parse(path, text).map_err(|problem| Problems(vec![problem]))?;
    let schema = schema_of::<Profile>("Profile of a cluster for lentic");
    let Shape { problems: found, .. } = check_against(&source, &schema, "the profile");
    problems.extend(found);
    let profile: Option<Profile> = serde_json::from_value(source.value().clone()).ok();
    match profile {
        Some(profile) if problems.is_empty() => {
            let found = senseless(&profile, &source);
            if found.is_empty() { Ok(profile) } else { Err(Problems::sorted(path, found)) }
        }
        _ => {
            if problems.is_empty() {
                problems.push(Problem {
                    file: path.to_path_buf(),
                    place: None,
                    message: "the profile does not fit its form".into(),
                    help: "compare it with configs/cluster/slurm.toml".into(),
                    warning: false,
                });
            }
            Err(Problems::sorted(path, problems))
        }
    }
}

/// What fits its type but would be misread or refused by the cluster.
fn senseless(profile: &Profile, source: &Source) -> Vec<Problem> {
    let mut found = Vec::new();
    let mut check = |at: &str, text: &Option<String>, fits: &dyn Fn(&str) -> bool, help: &str| {
        if let Some(text) = text.as_ref().filter(|text| !fits(text)) {
            found.push(source.problem(at, format!("{at}: {text:?} cannot be used"), help.into()));
        }
    };
    let word = |text: &str| {
        !text.is_empty()
            && !text.starts_with('-')
            && text.chars().all(|c| c.is_ascii_alphanumeric() || "_.,@+:-".contains(c))
    };
    let name = "letters, digits and _ . , @ + : - are expected";
    check("account", &profile.account, &word, name);
    check("partition", &profile.partition, &word, name);
    let times = "write minutes, hours:minutes:seconds or days-hours:minutes:seconds, as in \"02:00:00\"";
    check("time", &profile.time, &is_time, times);
    check("merge_time", &profile.merge_time, &is_time, times);
    let sizes = "write a number with K, M, G or T, as in \"4G\"";
    check("memory", &profile.memory, &is_size, sizes);
    check("merge_memory", &profile.merge_memory, &is_size, sizes);
    let plain = |text: &str| !text.trim().is_empty() && !text.contains(char::is_control);
    check("program", &profile.program, &plain, "give the path of the program");
    for (i, option) in profile.options.iter().enumerate() {
        let at = item("options", i);
        let known = option.strip_prefix("--").map(|rest| rest.split('=').next().unwrap_or_default());
        let help = match known {
            None | Some("") => "an option of sbatch begins with --, as in \"--constraint=fast\"".to_string(),
            Some(known) if OWN.contains(&known) => {
                format!("--{known} is set by lentic submit; see its own keys")
            }
            Some(_) if !plain(option) => "write it on one line".into(),
            Some(_) => continue,
        };
        found.push(source.problem(&at, format!("{at}: {option:?} cannot be used"), help));
    }
    for (i, line) in profile.before.iter().enumerate() {
        if line.contains(['\n', '\r', '\0']) {
            let at = item("before", i);
            found.push(source.problem(
                &at,
                format!("{at} is more than one line"),
                "write each line by itself".into(),
            ));
        }
    }
    found
}

/// Whether Slurm reads a text as a time: `M`, `M:S`, `H:M:S`, `D-H`, `D-H:M`, `D-H:M:S` (sbatch(1), --time).
fn is_time(text: &str) -> bool {
    let number = |part: &str| (1..=6).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit());
    let (days, rest) = match text.split_once('-') {
        Some((days, rest)) => (Some(days), rest),
        None => (None, text),
    };
    days.is_none_or(number) && rest.split(':').count() <= 3 && rest.split(':').all(number)
}

/// Whether Slurm reads a text as an amount of memory (sbatch(1), --mem); the unit must be there, as it is easily forgotten.
fn is_size(text: &str) -> bool {
    let digits = text.trim_end_matches(['K', 'M', 'G', 'T']);
    text.len() == digits.len() + 1
        && !digits.is_empty()
        && digits.len() <= 9
        && digits.bytes().all(|byte| byte.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEMPLATE: &str = include_str!("../../../../configs/cluster/slurm.toml");

    fn said(text: &str) -> String {
        parse(Path::new("cluster.toml"), text.into()).unwrap_err().to_string()
    }

    #[test]
    fn the_template_can_be_used() {
        let profile = parse(Path::new("slurm.toml"), TEMPLATE.into()).unwrap();
        assert_eq!(
            (profile.time.as_deref(), profile.cpus, profile.at_once),
            (Some("02:00:00"), Some(4), Some(100))
        );
        // and all that it shows commented out
        let open = TEMPLATE
            .replace("# account", "account")
            .replace("# partition", "partition")
            .replace("# options", "options");
        let open = open.replace("# before", "before").replace("# program", "program");
        let profile = parse(Path::new("slurm.toml"), open).unwrap();
        assert_eq!(profile.options, ["--constraint=local-disk"]);
        assert_eq!(profile.program.as_deref(), Some("/opt/lentic/bin/lentic"));
    }

    #[test]
    fn unknown_keys_are_refused_with_the_nearest() {
        let text = said("acount = \"a\"\n\ncpus = 0\n");
        assert!(text.contains("cluster.toml:1") && text.contains("\"account\""), "{text}");
        assert!(text.contains("cluster.toml:3") && text.contains("cpus"), "{text}");
    }

    #[test]
    fn what_the_cluster_would_misread_is_refused() {
        for (line, word) in [
            ("account = \"a b\"", "account"),
            ("partition = \"--x\"", "partition"),
            ("time = \"2 hours\"", "time"),
            ("time = \"1:2:3:4\"", "time"),
            ("memory = \"4\"", "memory"),
            ("merge_memory = \"4 GB\"", "merge_memory"),
            ("options = [\"-A x\"]", "begins with --"),
            ("options = [\"--array=1\"]", "--array is set by lentic submit"),
            ("before = [\"a\\nb\"]", "more than one line"),
            ("program = \"\"", "program"),
        ] {
            let text = said(&format!("{line}\n"));
            assert!(text.contains(word) && text.contains("cluster.toml:1"), "{line}: {text}");
        }
        for time in ["90", "90:00", "1:30:00", "2-12", "2-12:30", "2-12:30:00"] {
            assert!(is_time(time), "{time}");
        }
    }
}
