//! `[network]` resolved.

use crate::address::Prefix;
use url::Url;

/// What a study may fetch, and how.
#[derive(Clone, Debug, PartialEq)]
pub struct Network {
    /// Addresses must begin with one of these.
    pub allow: Vec<Prefix>,
    /// Environment variable with a query for every address.
    pub query_from: Option<String>,
    /// Environment variable with a header for every request.
    pub header_from: Option<String>,
    /// How often a request is tried.
    pub tries: u32,
    /// A server that sends nothing for so long has failed, seconds.
    pub timeout_s: f64,
}

impl Network {
    /// Whether an address may be fetched.
    #[must_use]
    pub fn allows(&self, url: &Url) -> bool {
        self.allow.iter().any(|prefix| prefix.holds(url))
    }

    /// What is allowed, for a message.
    #[must_use]
    pub fn allowed(&self) -> String {
        let all: Vec<String> = self.allow.iter().map(ToString::to_string).collect();
        if all.is_empty() { "nothing".into() } else { all.join(", ") }
    }
}
