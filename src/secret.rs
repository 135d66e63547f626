//! Secrets: where one is to be read from, and one in hand, which never prints.

use std::path::{Path, PathBuf};
use std::{fmt, io};

use serde::{Deserialize, Serialize};

use crate::config_fault::ConfigFault;
use crate::files;
use crate::text::from_base64;

/// Where a secret is to be read from; never the secret itself.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case", from = "Written")]
pub enum Secret {
    File(PathBuf),
    Env(String),
    /// A file of this name in the folder that systemd gives a service (`LoadCredential=`, `$CREDENTIALS_DIRECTORY`).
    Credential(String),
}

/// A setting that names a secret. Whatever else stands there may be the secret itself: it is refused without being repeated, as
/// the errors of a plain enum would.
#[derive(Deserialize)]
#[serde(
    untagged,
    expecting = "wants { file = \"…\" }, { env = \"…\" } or { credential = \"…\" }: the value itself does not belong in the settings"
)]
enum Written {
    Named(Named),
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Named {
    File(PathBuf),
    Env(String),
    Credential(String),
}

impl From<Written> for Secret {
    fn from(Written::Named(named): Written) -> Self {
        match named {
            Named::File(path) => Self::File(path),
            Named::Env(name) => Self::Env(name),
            Named::Credential(name) => Self::Credential(name),
        }
    }
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
            Secret::File(path) => {
                let file = path.clone();
                let read = tokio::task::spawn_blocking(move || files::read_text(&file, LARGEST));
                of_file(path, read.await.unwrap_or_else(|why| Err(io::Error::other(why))))
            }
            Secret::Env(name) => of_variable(name),
            Secret::Credential(name) => {
                let path = credential(name)?;
                of_file(&path, tokio::fs::read_to_string(&path).await)
            }
        }
    }

    /// As [`Secret::read`], for settings that are checked before anything is served.
    ///
    /// # Errors
    /// As [`Secret::read`].
    pub fn read_blocking(&self) -> Result<SecretText, ConfigFault> {
        match self {
            Secret::File(path) => of_file(path, files::read_text(path, LARGEST)),
            Secret::Env(name) => of_variable(name),
            Secret::Credential(name) => {
                let path = credential(name)?;
                of_file(&path, files::read_text(&path, LARGEST))
            }
        }
    }
}

/// Whether users of this machine who are neither the owner of a file or folder nor in its group may read or change it. What is
/// not there is not open, and what cannot be told (another system's rights) is not either.
pub fn is_open_to_others(path: &Path) -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        std::fs::metadata(path).is_ok_and(|found| found.permissions().mode() & 0o006 != 0)
    }
    #[cfg(not(unix))]
    {
        let _ = path;
        false
    }
}
/// Longest secret, bytes: a key in PEM form has a few thousand.
const LARGEST: u64 = 64 << 10;
fn credential(name: &str) -> Result<PathBuf, ConfigFault> {
    if name.is_empty() || name.contains('/') || name == "." || name == ".." {
        return Err(ConfigFault::new(
            "",
            format!("credential `{name}` must be the name of a file, without its folder"),
        ));
    }
    let folder = std::env::var_os("CREDENTIALS_DIRECTORY").ok_or_else(|| {
        let what = "there is no folder of credentials ($CREDENTIALS_DIRECTORY is not set): systemd makes one for a unit with \
                    LoadCredential=; commands by hand name it themselves";
        ConfigFault::new("", format!("credential `{name}`: {what}"))
    })?;
    Ok(Path::new(&folder).join(name))
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

/// The secret part of the webhooks' path, as it stands in an address.
///
/// # Errors
/// What is wrong with it, in words that hold nothing of it but a sign that may not be there.
pub fn hook_path(text: &SecretText) -> Result<Vec<u8>, String> {
    let path = text.expose();
    long_enough(path.as_bytes())?;
    // Unreserved in RFC 3986, section 2.3: any other is written in more than one way, or ends the part.
    match path.chars().find(|c| !(c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_' | '~'))) {
        None => Ok(path.as_bytes().to_vec()),
        Some(other) => {
            Err(format!("has a {other:?} in it: it stands in an address, where letters, digits and - . _ ~ are taken"))
        }
    }
}

/// The key of a webhook's signature: after `whsec_` base64, as Standard Webhooks writes it; any other text is its own bytes.
///
/// # Errors
/// As [`hook_path`].
pub fn hook_key(text: &SecretText) -> Result<Vec<u8>, String> {
    let key = match text.expose().strip_prefix("whsec_") {
        Some(coded) => from_base64(coded.trim()).ok_or("begins with whsec_, and what follows is not base64")?,
        None if text.expose().trim().is_empty() => Vec::new(),
        None => text.expose().as_bytes().to_vec(),
    };
    long_enough(&key)?;
    Ok(key)
}

/// Shorter secrets of webhooks, in bytes, can be guessed.
const LEAST: usize = 16;

fn long_enough(bytes: &[u8]) -> Result<(), String> {
    match bytes.len() {
        0 => Err("is empty: write a random secret into it, such as `openssl rand -hex 16` makes".into()),
        few @ 1..LEAST => Err(format!(
            "is {few} bytes long, and at least {LEAST} are wanted against guessing: `openssl rand -hex 16` makes some"
        )),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_never_printed() {
        assert_eq!(format!("{:?}", SecretText("hunter2".into())), "***");
    }
}
