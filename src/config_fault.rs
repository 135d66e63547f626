//! A fault of the settings, as every room that reads settings tells it.

use std::fmt;

/// One thing wrong, with the place and the mend.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigFault {
    /// Dotted path inside the file, e.g. `policy.get_ready_chance`.
    pub path: String,
    pub what: String,
}

impl ConfigFault {
    pub fn new(path: impl Into<String>, what: impl Into<String>) -> Self {
        Self { path: path.into(), what: what.into() }
    }
}

impl fmt::Display for ConfigFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.path.is_empty() { f.write_str(&self.what) } else { write!(f, "{}: {}", self.path, self.what) }
    }
}
