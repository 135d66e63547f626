//! Settings of the staff's desk.

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
    /// So many minutes a notice that was sent at the desk waits before it leaves: so long the word can be taken back.
    pub undo_min: u32,
}

impl Default for DeskConfig {
    fn default() -> Self {
        Self { enabled: false, keys: Vec::new(), invitation_hours: 72, undo_min: 2 }
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
        if self.web.listen.is_none() {
            let what =
                "is not set, and the desk (desk.enabled) is served there: write an address such as 127.0.0.1:8080";
            faults.add("web.listen", what);
        }
        if self.desk.keys.is_empty() {
            let what = "is empty, and the desk seals secrets of second factors by it: `treebell key new --to FILE` makes a key";
            faults.add("desk.keys", what);
        }
    }
}
