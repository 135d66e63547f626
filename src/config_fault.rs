//! A fault of the settings, as every room that reads settings tells it.

use std::fmt;

/// One thing wrong, with the place and the mend.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigFault {
    /// Dotted path inside the file, e.g. `policy.get_ready_chance`.
    pub path: String,
    pub what: String,
    /// Line of the file, from 1, where the setting or its section stands there.
    pub line: Option<usize>,
}

impl ConfigFault {
    pub fn new(path: impl Into<String>, what: impl Into<String>) -> Self {
        Self { path: path.into(), what: what.into(), line: None }
    }
}

/// The path and what is wrong; the line is for whoever knows the file's name.
impl fmt::Display for ConfigFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.path.is_empty() { f.write_str(&self.what) } else { write!(f, "{}: {}", self.path, self.what) }
    }
}

/// Faults as they are found.
#[derive(Clone, Debug, Default)]
pub struct Faults {
    found: Vec<ConfigFault>,
}

impl Faults {
    /// `path` is dotted, such as `email.dkim.key`; `what` says what is wrong and how to mend it.
    pub fn add(&mut self, path: impl Into<String>, what: impl Into<String>) {
        self.push(ConfigFault::new(path, what));
    }

    /// Takes a fault that was found elsewhere, unless the same is told already.
    pub fn push(&mut self, fault: ConfigFault) {
        if !self.found.iter().any(|told| told.path == fault.path && told.what == fault.what) {
            self.found.push(fault);
        }
    }

    pub fn extend(&mut self, faults: impl IntoIterator<Item = ConfigFault>) {
        faults.into_iter().for_each(|fault| self.push(fault));
    }

    pub fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    pub fn iter(&self) -> impl Iterator<Item = &ConfigFault> {
        self.found.iter()
    }

    pub fn into_vec(self) -> Vec<ConfigFault> {
        self.found
    }
}
