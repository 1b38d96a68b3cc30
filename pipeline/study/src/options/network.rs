//! `[network]` as written.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// `[network]`: which files on servers the study may read. Without it nothing is fetched.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NetworkSection {
    /// What addresses of layers must begin with, as "https://host/folder/"; a redirect must lead to such an address too.
    pub allow: Vec<String>,
    /// Name of an environment variable that holds a query to put behind every address, as a signed link has; never its value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub query_from: Option<String>,
    /// Name of an environment variable that holds a header to send with every request, as "Authorization: Bearer ..."; never its value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub header_from: Option<String>,
    /// How often a request is tried before the run gives up (5); the pause before doubles from half a second on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1, max = 20))]
    pub tries: Option<u32>,
    /// A server that sends nothing for so long has failed, seconds (60).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 1.0, max = 3600.0))]
    pub timeout_s: Option<f64>,
}
