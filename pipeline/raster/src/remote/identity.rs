//! What identifies a file on a server without reading it.

use std::fmt;

/// A file on a server as the server describes it. That two are equal does not prove that the bytes are: the server
/// is believed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identity {
    /// Length, bytes.
    pub bytes: u64,
    /// Its entity tag (RFC 9110, 8.8.3), "" where the server gives none.
    pub etag: String,
    /// When it was last modified (RFC 9110, 8.8.2), "" where the server does not say.
    pub last_modified: String,
}

impl Identity {
    /// Whether more than the length is known.
    #[must_use]
    pub fn tells_versions_apart(&self) -> bool {
        !self.etag.is_empty() || !self.last_modified.is_empty()
    }
}

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} bytes", self.bytes)?;
        if !self.etag.is_empty() {
            write!(f, ", entity tag {}", self.etag)?;
        }
        if !self.last_modified.is_empty() {
            write!(f, ", last modified {}", self.last_modified)?;
        }
        Ok(())
    }
}
