//! Secrets: where one is to be read from, and one in hand, which never prints.

use std::path::{Path, PathBuf};
use std::{fmt, io};

use serde::{Deserialize, Serialize};

use crate::config_fault::ConfigFault;

/// Where a secret is to be read from; never the secret itself.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Secret {
    File(PathBuf),
    Env(String),
}

/// A secret in hand. Prints as `***`.
#[derive(Clone, PartialEq, Eq)]
pub struct SecretText(String);

impl SecretText {
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for SecretText {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("***")
    }
}

impl Secret {
    /// # Errors
    /// When the file cannot be read or the variable is not set.
    pub async fn read(&self) -> Result<SecretText, ConfigFault> {
        match self {
            Secret::File(path) => of_file(path, tokio::fs::read_to_string(path).await),
            Secret::Env(name) => of_variable(name),
        }
    }

    /// As [`Secret::read`], for settings that are checked before anything is served.
    ///
    /// # Errors
    /// As [`Secret::read`].
    #[expect(clippy::disallowed_methods, reason = "nothing is served yet")]
    pub fn read_blocking(&self) -> Result<SecretText, ConfigFault> {
        match self {
            Secret::File(path) => of_file(path, std::fs::read_to_string(path)),
            Secret::Env(name) => of_variable(name),
        }
    }
}

fn of_file(path: &Path, text: io::Result<String>) -> Result<SecretText, ConfigFault> {
    text.map(|text| SecretText(text.trim_end_matches(['\r', '\n']).to_owned()))
        .map_err(|why| ConfigFault::new("", format!("secret file `{}` cannot be read: {why}", path.display())))
}

fn of_variable(name: &str) -> Result<SecretText, ConfigFault> {
    std::env::var(name)
        .map(SecretText)
        .map_err(|_| ConfigFault::new("", format!("environment variable `{name}` is not set or not text")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_never_printed() {
        assert_eq!(format!("{:?}", SecretText("hunter2".into())), "***");
    }
}
