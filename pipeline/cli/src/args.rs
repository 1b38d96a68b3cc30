//! The command line.

use crate::new::NewArgs;
use crate::survey::SurveyCommand;
use clap::{Args as Group, Parser, Subcommand};
use clap_complete::Shell;
use lentic_study::settings::Generalise;
use std::path::PathBuf;
use std::sync::LazyLock;

/// Wetland habitat of a semi-aquatic turtle today, and what is left as its basin dries.
///
/// Reads raster layers named in a study file, scores wetland suitability, and projects habitat loss under drying
/// scenarios into rasters, tables and a report.
#[derive(Parser, Debug)]
#[command(name = "lentic", version = version(), long_version = long_version(), after_help = AFTER)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// How it speaks.
    #[command(flatten)]
    pub speech: Speech,
}

const AFTER: &str = "\
Start with the invented basin:
  lentic demo talverra
  lentic run talverra/study.toml --out talverra/run
Then with your own:
  lentic new my-basin

Exit codes: 0 done, 1 refused input or an altered run, 3 failed.";

/// How the program speaks.
#[derive(Group, Debug, Clone, Copy)]
pub struct Speech {
    /// Say only what is wrong
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Write the outcome as JSON on standard output
    #[arg(long, global = true)]
    pub json: bool,
}

/// The commands.
#[derive(Subcommand, Debug)]
pub enum Command {
    /// Write the study of Talverra Sink, an invented basin, to try everything on
    Demo {
        /// New or empty folder to write it to
        folder: PathBuf,
        /// A small basin (96 x 72 cells), for quick trials
        #[arg(long)]
        small: bool,
        /// The basin many times over, about so many million cells in all, with a study to measure speed on
        #[arg(long, value_name = "NUMBER", conflicts_with = "small", value_parser = million_cells)]
        million_cells: Option<f64>,
        /// Seed of the invention
        #[arg(long, default_value_t = 20)]
        seed: u64,
    },
    /// Write the folder of a new study from a template: asks on a terminal what no option answers
    ///
    /// The study file is commented line by line. Beside it: README.md (what to put where), legends to fill in, the schema for editors.
    New(NewArgs),
    /// Check a study and every file it names, without computing
    ///
    /// Problems come in the order in which they are best mended, and a last line says what to do next.
    Check {
        /// The study file
        study: PathBuf,
    },
    /// Compute a study and leave a run folder
    ///
    /// Steps are kept beside the run folder: a run that was stopped goes on where it was, and a run after a change computes only what hangs on the change.
    Run {
        /// What is run, and where.
        #[command(flatten)]
        of: RunArgs,
        /// Keep no steps and use none: compute everything
        #[arg(long, conflicts_with = "kept")]
        keep_nothing: bool,
        /// Say what would be computed and why, and what is kept; compute nothing
        #[arg(long, conflicts_with = "keep_nothing")]
        plan: bool,
    },
    /// Share one run out over several machines with a file system in common
    Shard {
        /// What to do.
        #[command(subcommand)]
        what: ShardCommand,
    },
    /// Hand a run to a cluster's Slurm: a job array for each step, and a last job that puts the run together
    ///
    /// Study, inputs, run folder and kept steps must lie on a file system that all machines of the cluster share.
    Submit(SubmitArgs),
    /// Fit response curves to the study's records, and hold them against its own
    Calibrate {
        /// The study file, with a section [records]
        study: PathBuf,
        /// Folder of the calibration; an earlier one there is replaced [default: that of the run, with -calibration]
        #[arg(long, short)]
        out: Option<PathBuf>,
        /// Threads [default: one per core]
        #[arg(long)]
        threads: Option<usize>,
        /// Cells a side of the tiles worked on at a time
        #[arg(long, default_value_t = 256, value_parser = clap::value_parser!(u32).range(16..=8192))]
        tile: u32,
    },
    /// Say why a cell of a finished run is what it is: measures, scores, weights and what limits it, in every scenario
    ///
    /// Places of a rare animal are sensitive: share an explanation as you would share a record.
    #[command(allow_negative_numbers = true)]
    Explain {
        /// The run folder
        run: PathBuf,
        /// Metres east in the study's reference system (with --lonlat: longitude)
        x: f64,
        /// Metres north (with --lonlat: latitude)
        y: f64,
        /// X and Y are degrees of longitude and latitude (WGS 84)
        #[arg(long)]
        lonlat: bool,
        /// The study file the run was made from [default: where the run found it]
        #[arg(long)]
        study: Option<PathBuf>,
    },
    /// Prove that a finished run is as it was left: every file, none missing, none added
    ///
    /// Exit code 1 if anything was altered, with a list of what.
    Verify {
        /// The run folder (or that of a calibration or a comparison)
        run: PathBuf,
        /// The checksum that a citation gives: its first 16 digits, or more
        #[arg(long)]
        cited: Option<String>,
        /// Look at the study file and its inputs too
        #[arg(long)]
        inputs: bool,
        /// The study file the run was made from [default: where the run found it]
        #[arg(long, requires = "inputs")]
        study: Option<PathBuf>,
    },
    /// Hold two or more finished runs against each other: what went in, what came out, and where
    Compare {
        /// Run folders; the first is what the others are compared with
        #[arg(required = true, num_args = 2..)]
        runs: Vec<PathBuf>,
        /// Folder of the comparison; an earlier one there is replaced [default: reports/comparison- and the identifiers]
        #[arg(long, short)]
        out: Option<PathBuf>,
        /// Bring runs on another grid onto that of the first, instead of refusing them
        #[arg(long)]
        regrid: bool,
        /// Compare runs that were altered all the same
        #[arg(long)]
        unverified: bool,
    },
    /// Write the page and the figures of a finished run again, or its public edition
    ///
    /// Nothing is computed: the page is made from what the run keeps. The public edition is a folder of its own, in which places are
    /// generalised and small patches withheld, as [publication] of the study says.
    Report(ReportArgs),
    /// Make monthly masks of water from multispectral scenes
    Water {
        /// The scenes file
        scenes: PathBuf,
        /// Folder of the masks; what is there already is used again [default: water, beside the scenes file]
        #[arg(long, short)]
        out: Option<PathBuf>,
        /// Threads [default: one per core]
        #[arg(long)]
        threads: Option<usize>,
        /// Cells a side of the tiles worked on at a time
        #[arg(long, default_value_t = 512, value_parser = clap::value_parser!(u32).range(16..=8192))]
        tile: u32,
    },
    /// Ground truth for a finished run: draw points to visit, correct areas by what was found there
    Survey {
        /// What to do.
        #[command(subcommand)]
        what: SurveyCommand,
    },
    /// Print what completes commands and options in a shell
    Completions {
        /// Which shell
        shell: Shell,
    },
    /// Write the pages of the manual, for man
    Man {
        /// Folder to write them to
        folder: PathBuf,
    },
    /// Print the JSON Schema of the study file, for editors
    Schema {
        /// That of the scenes file instead
        #[arg(long)]
        scenes: bool,
    },
}

/// What is run, and where.
#[derive(Group, Debug, Clone)]
pub struct RunArgs {
    /// The study file
    pub study: PathBuf,
    /// Run folder; an earlier run there is replaced [default: reports/ and the study's name]
    #[arg(long, short)]
    pub out: Option<PathBuf>,
    /// Threads [default: one per core]
    #[arg(long)]
    pub threads: Option<usize>,
    /// Cells a side of the tiles worked on at a time
    #[arg(long, default_value_t = 256, value_parser = clap::value_parser!(u32).range(16..=8192))]
    pub tile: u32,
    /// Memory to keep within, as 1.5GiB or 900MiB: fewer threads and a smaller cache where it is little, never other results
    #[arg(long, value_name = "SIZE", value_parser = mebibytes)]
    pub memory: Option<u64>,
    /// Folder of kept steps: what an earlier run computed is not computed again [default: the run folder's name with .kept]
    #[arg(long, value_name = "FOLDER")]
    pub kept: Option<PathBuf>,
}

/// What is handed to a cluster, and how.
#[derive(Group, Debug, Clone)]
pub struct SubmitArgs {
    /// The study file
    pub study: PathBuf,
    /// Run folder; an earlier run there is replaced [default: reports/ and the study's name]
    #[arg(long, short)]
    pub out: Option<PathBuf>,
    /// Who pays, where jobs run and what each may take, as configs/cluster/slurm.toml [default: as the cluster decides]
    #[arg(long)]
    pub profile: Option<PathBuf>,
    /// Shares that every step is cut into
    #[arg(long, default_value_t = 16, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub shards: u32,
    /// Cells a side of the tiles worked on at a time
    #[arg(long, default_value_t = 256, value_parser = clap::value_parser!(u32).range(16..=8192))]
    pub tile: u32,
    /// Folder of kept steps [default: the run folder's name with .kept]
    #[arg(long, value_name = "FOLDER")]
    pub kept: Option<PathBuf>,
    /// Print the scripts and the commands that submit them; submit nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Only the shares that are not kept yet, as after one has failed
    #[arg(long)]
    pub again: bool,
}

/// What is done with shares.
#[derive(Subcommand, Debug)]
pub enum ShardCommand {
    /// List the steps, in the order in which they must be run, and which of their shares are missing
    Plan {
        /// What is run, and where.
        #[command(flatten)]
        of: RunArgs,
        /// Shares that every step is cut into
        #[arg(long, default_value_t = 16, value_parser = clap::value_parser!(u32).range(1..=100_000))]
        shards: u32,
    },
    /// Compute one share of one step and keep it; all shares of the steps before must be done
    Run {
        /// What is run, and where.
        #[command(flatten)]
        of: RunArgs,
        /// Shares that every step is cut into
        #[arg(long, value_parser = clap::value_parser!(u32).range(1..=100_000))]
        shards: u32,
        /// Which share, from 0
        #[arg(long)]
        shard: u32,
        /// Which step, from 1
        #[arg(long)]
        step: u32,
    },
    /// Put the run together when all shares of all steps are done (exit code 3, with their names, while some are missing)
    Merge {
        /// What is run, and where.
        #[command(flatten)]
        of: RunArgs,
        /// Shares that every step is cut into
        #[arg(long, default_value_t = 16, value_parser = clap::value_parser!(u32).range(1..=100_000))]
        shards: u32,
    },
}

/// What of a run is written again.
#[derive(Group, Debug, Clone)]
pub struct ReportArgs {
    /// The run folder
    pub run: PathBuf,
    /// Write the public edition: places generalised, small patches withheld
    #[arg(long)]
    pub public: bool,
    /// Folder of the public edition; an earlier one there is replaced [default: RUN-public]
    #[arg(long, short, requires = "public")]
    pub out: Option<PathBuf>,
    /// How exactly places are told: "extreme" (not at all), "high" (10 km), "medium" (1 km), "low" (100 m), or metres [default: what
    /// the study says]
    #[arg(long, requires = "public", value_parser = generalise)]
    pub generalise: Option<Generalise>,
    /// Withhold patches smaller than this, hectares [default: what the study says]
    #[arg(long, requires = "public", value_parser = hectares)]
    pub withhold_under_ha: Option<f64>,
}

fn mebibytes(word: &str) -> Result<u64, String> {
    let units = [("GiB", 1024.0), ("MiB", 1.0)];
    let found = units.iter().find_map(|(unit, mib)| {
        let number = word.strip_suffix(unit)?.trim().parse::<f64>().ok()?;
        (number.is_finite() && number > 0.0).then_some((number * mib) as u64)
    });
    found.ok_or_else(|| "a size is expected, as 1.5GiB or 900MiB".to_string())
}

fn generalise(word: &str) -> Result<Generalise, String> {
    Generalise::parse(word).ok_or_else(|| {
        "extreme, high, medium, low, or a number of metres of 1 or more is expected".to_string()
    })
}

fn million_cells(word: &str) -> Result<f64, String> {
    let found = word.parse::<f64>().ok().filter(|millions| (0.001..=1000.0).contains(millions));
    found.ok_or_else(|| "a number from 0.001 to 1000 is expected".to_string())
}

fn hectares(word: &str) -> Result<f64, String> {
    let found = word.parse::<f64>().ok().filter(|area| area.is_finite() && *area >= 0.0);
    found.ok_or_else(|| "a number of hectares of 0 or more is expected".to_string())
}

fn version() -> &'static str {
    static VERSION: LazyLock<String> = LazyLock::new(|| {
        format!(
            "{} (GDAL {}, PROJ {})",
            env!("CARGO_PKG_VERSION"),
            lentic_engine::gdal_version(),
            lentic_engine::proj_version()
        )
    });
    &VERSION
}

/// As `version`, and what it was built from and for.
fn long_version() -> &'static str {
    static VERSION: LazyLock<String> = LazyLock::new(|| {
        let commit = match env!("LENTIC_COMMIT") {
            "" => "not built from a clone",
            commit => commit,
        };
        format!(
            "{}\ncommit   {commit}\ntarget   {}\nprofile  {}",
            version(),
            env!("LENTIC_TARGET"),
            env!("LENTIC_PROFILE")
        )
    });
    &VERSION
}
