//! Settings of the public pages and of the webhooks for other programs.

use std::net::{IpAddr, SocketAddr};

use serde::{Deserialize, Serialize};

use crate::secret::Secret;

/// The public pages and the webhooks for other programs. Their public address is `messages.public_url`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct WebConfig {
    /// Address and port to listen on; without it no pages are served. TLS is ended by a proxy in front.
    pub listen: Option<SocketAddr>,
    /// Proxies whose `X-Forwarded-For` is believed.
    pub trusted_proxies: Vec<IpAddr>,
    /// So many days a link to one's own settings is good.
    pub preferences_link_days: u32,
}

impl Default for WebConfig {
    fn default() -> Self {
        Self { listen: None, trusted_proxies: Vec::new(), preferences_link_days: 30 }
    }
}

/// The webhooks by which gateways bring texts and reports: `/hooks/PATH/text` and `/hooks/PATH/report`, by GET or POST,
/// with query, form or JSON.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct HooksConfig {
    /// The part of the path that nobody else knows. Without it the webhooks are closed.
    pub path: Option<Secret>,
    /// Keys of signatures in the form of Standard Webhooks; with any, each call must be signed by one of them. Two while one
    /// is being changed.
    pub secrets: Vec<Secret>,
    /// Key of the signed calls to `/hooks/bounce`, by which `treebell bounce --to` hands on mail that came back. It opens nothing
    /// else, so that a mail server's user may have it.
    pub bounce_secret: Option<Secret>,
    pub text: TextHookConfig,
    pub report: ReportHookConfig,
}

/// How a gateway names the parts of a text; in JSON also by a pointer such as `/data/from`.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct TextHookConfig {
    pub from: String,
    pub to: String,
    pub text: String,
    pub id: String,
    /// In which character set the text is, where the gateway says so; else UTF-8.
    pub charset: String,
}

impl Default for TextHookConfig {
    fn default() -> Self {
        let [from, to, text, id, charset] = ["from", "to", "text", "id", "charset"].map(str::to_owned);
        Self { from, to, text, id, charset }
    }
}

/// How a gateway names the parts of a delivery report, and what its words mean.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct ReportHookConfig {
    /// Our own reference, which travelled with the message as `{{ key }}`.
    pub key: String,
    /// The gateway's reference, where ours does not come back.
    pub reference: String,
    pub status: String,
    pub accepted: Vec<String>,
    pub delivered: Vec<String>,
    pub undelivered: Vec<String>,
}

impl Default for ReportHookConfig {
    fn default() -> Self {
        let words = |words: &[&str]| words.iter().map(|word| (*word).to_owned()).collect();
        Self {
            key: "ref".into(),
            reference: "id".into(),
            status: "status".into(),
            // The numbers are Kannel's.
            accepted: words(&["accepted", "sent", "8"]),
            delivered: words(&["delivered", "1"]),
            undelivered: words(&["undelivered", "failed", "rejected", "expired", "2", "16"]),
        }
    }
}
