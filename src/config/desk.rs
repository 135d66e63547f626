//! Settings of the staff's desk.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::config::{Config, Faults};
use crate::net::is_this_machine;
use crate::secret::Secret;

/// The staff's desk, at `/desk` below the public address.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct DeskConfig {
    pub enabled: bool,
    /// Keys by which secrets of second factors are sealed, made by `treebell key new`: the first seals, older ones open what they
    /// sealed until each has signed in once more.
    pub keys: Vec<Secret>,
    /// So many hours an invitation to an account is good.
    pub invitation_hours: u32,
    /// So many minutes a notice that was sent at the desk waits before it leaves: so long the word can be taken back. One that a
    /// report confirmed there brings up waits as long, and can be held or called off.
    pub undo_min: u32,
    /// Folder of the photographs of field reports; `None`: none are taken. No page is served from it, and nothing else belongs in it.
    pub photographs: Option<PathBuf>,
    /// Whether `web.listen` may be an address that other machines reach: what a proxy elsewhere hands on, passwords too, can be
    /// read on the way.
    pub allow_clear_text: bool,
}

impl Default for DeskConfig {
    fn default() -> Self {
        Self {
            enabled: false,
            keys: Vec::new(),
            invitation_hours: 72,
            undo_min: 2,
            photographs: None,
            allow_clear_text: false,
        }
    }
}

impl Config {
    /// A desk that is on wants a public address over TLS, since its cookies are sent over nothing else, and a key.
    pub(super) fn check_desk(&self, faults: &mut Faults) {
        if !self.desk.enabled {
            return;
        }
        let mend = "write the https:// address at which staff reach it";
        match self.messages.public_url.url() {
            None => faults.add("messages.public_url", format!("is missing, and the desk is on (desk.enabled): {mend}")),
            Some(url) if url.scheme() != "https" && !url.host_str().is_some_and(is_this_machine) => {
                faults
                    .add("messages.public_url", format!("is not https://, and the desk is on (desk.enabled): {mend}"));
            }
            Some(_) => {}
        }
        match self.web.listen {
            None => {
                let what =
                    "is not set, and the desk (desk.enabled) is served there: write an address such as 127.0.0.1:8080";
                faults.add("web.listen", what);
            }
            Some(listen) if !listen.ip().to_canonical().is_loopback() && !self.desk.allow_clear_text => {
                let what = format!(
                    "{listen} can be reached from other machines without TLS, and passwords of staff (desk.enabled) come there: \
                     listen on 127.0.0.1 behind a proxy on this machine, or accept that with desk.allow_clear_text = true"
                );
                faults.add("web.listen", what);
            }
            Some(_) => {}
        }
        if self.desk.keys.is_empty() {
            let what = "is empty, and the desk seals secrets of second factors by it: `treebell key new --to FILE` makes a key";
            faults.add("desk.keys", what);
        }
    }

    /// What should be thought about before the desk is used.
    pub fn desk_warnings(&self) -> Vec<String> {
        let Some(url) = self.messages.public_url.url().filter(|_| self.desk.enabled) else { return Vec::new() };
        let mut warnings = Vec::new();
        if !url.path().trim_matches('/').is_empty() {
            warnings.push(format!(
                "messages.public_url: holds the path `{}`, so whatever else is served at `{}` shares the cookies of the desk: give \
                 the desk a host of its own",
                url.path(),
                url.host_str().unwrap_or_default()
            ));
        }
        let is_behind = self.web.listen.is_some_and(|listen| listen.ip().to_canonical().is_loopback());
        if url.scheme() == "https" && is_behind && self.web.trusted_proxies.is_empty() {
            warnings.push(
                "web.trusted_proxies: is empty, so everybody behind the proxy is one place, and who guesses at the desk holds up \
                 all: name the proxy, such as 127.0.0.1"
                    .to_owned(),
            );
        }
        warnings
    }
}
