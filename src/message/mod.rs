//! Templates to text: SMS length in segments, e-mail bodies, both languages.

use serde::{Deserialize, Serialize};

/// What one channel carries, fully written; only `{{stop_url}}`-like personal parts were filled in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "channel")]
pub enum Message {
    Email { subject: String, text: String, html: String },
    Sms { text: String },
}
