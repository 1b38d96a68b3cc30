//! The profile of a cluster as written (TOML). Nothing is checked beyond its type.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A whole profile. What is left out, the cluster decides.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// Who pays.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub account: Option<String>,
    /// Part of the cluster.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub partition: Option<String>,
    /// Longest time of one share of a step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<String>,
    /// Memory of one share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory: Option<String>,
    /// Processors of one share, and its threads.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 4096))]
    pub cpus: Option<u32>,
    /// Most shares of a step that run at one time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 1_000_000))]
    pub at_once: Option<u32>,
    /// Longest time of the job that puts the run together (that of a share).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub merge_time: Option<String>,
    /// Memory of that job (that of a share).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub merge_memory: Option<String>,
    /// Processors of that job (those of a share).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 4096))]
    pub merge_cpus: Option<u32>,
    /// Further options of sbatch, as they stand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub options: Vec<String>,
    /// Lines of shell before the program, in every job: modules, environment.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub before: Vec<String>,
    /// The program on the cluster's machines (the one that submits).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub program: Option<String>,
}
