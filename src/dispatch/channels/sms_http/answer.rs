//! What a gateway's answer says about the message.

use std::time::{Duration, SystemTime};

use chrono::{DateTime, Utc};
use reqwest::header::RETRY_AFTER;
use reqwest::{Response, StatusCode};

use crate::dispatch::channels::{Receipt, SendFailure};
use crate::text::root_cause;

/// How the gateway's answer is read.
pub(super) struct Reading {
    pub(super) reference_pointer: Option<String>,
    pub(super) accepted_when: Vec<String>,
    pub(super) refused_when: Vec<String>,
    pub(super) refused_statuses: Vec<u16>,
    pub(super) uncertain_statuses: Vec<u16>,
}

/// Answers are short; what comes after this is not read.
const ANSWER_AT_MOST: usize = 64 * 1024;

impl Reading {
    pub(super) fn needs_no_text(&self) -> bool {
        self.reference_pointer.is_none() && self.accepted_when.is_empty() && self.refused_when.is_empty()
    }

    pub(super) fn receipt(&self, status: StatusCode, text: &str) -> Result<Receipt, SendFailure> {
        if self.refused_when.iter().any(|mark| text.contains(mark)) {
            return Err(SendFailure::GiveUp { cause: format!("the gateway answered {status}: {text}") });
        }
        if !self.accepted_when.is_empty() && !self.accepted_when.iter().any(|mark| text.contains(mark)) {
            return Err(SendFailure::Uncertain {
                cause: format!("the gateway answered {status} with none of the texts in sms.accepted_when: {text}"),
            });
        }
        let Some(pointer) = &self.reference_pointer else { return Ok(Receipt::default()) };
        let reference =
            serde_json::from_str::<serde_json::Value>(text).ok().and_then(|answer| match answer.pointer(pointer) {
                Some(serde_json::Value::String(id)) if !id.is_empty() => Some(id.clone()),
                Some(serde_json::Value::Number(id)) => Some(id.to_string()),
                _ => None,
            });
        match reference {
            Some(reference) => Ok(Receipt { provider_ref: Some(reference) }),
            // Perhaps not the gateway at all: a proxy's page of greeting also comes with 200.
            None => Err(SendFailure::Uncertain {
                cause: format!("the gateway answered {status} without a reference at `{pointer}`: {text}"),
            }),
        }
    }

    pub(super) fn refusal(&self, status: StatusCode, after: Option<Duration>, text: &str) -> SendFailure {
        let cause = format!("the gateway answered {status}: {text}");
        let refused = self.refused_statuses.contains(&status.as_u16())
            || self.refused_when.iter().any(|mark| text.contains(mark));
        if refused {
            SendFailure::GiveUp { cause }
        } else if self.uncertain_statuses.contains(&status.as_u16()) {
            SendFailure::Uncertain { cause }
        } else {
            match status.as_u16() {
                // Too fast, closed, wrong log-in, no credit, moved: it would be the same for every message.
                300..=399 | 401..=404 | 407 | 429 | 503 => SendFailure::ChannelDown { after, cause },
                _ => SendFailure::TryLater { after, cause },
            }
        }
    }
}

/// What the error of a request says about the message.
pub(super) fn sorted(why: &reqwest::Error) -> SendFailure {
    // The outer errors only repeat the address.
    let cause = if why.is_timeout() { "no answer in time".to_owned() } else { root_cause(why) };
    if why.is_connect() {
        SendFailure::ChannelDown { after: None, cause: format!("no connection to the gateway: {cause}") }
    } else if why.is_builder() {
        SendFailure::GiveUp { cause }
    } else {
        // The request was on its way: the gateway may have all of it.
        SendFailure::Uncertain { cause: format!("no answer from the gateway: {cause}") }
    }
}

/// The text of an answer, or what of it came.
pub(super) async fn read(mut answer: Response) -> Result<String, String> {
    let mut bytes = Vec::new();
    let whole = loop {
        match answer.chunk().await {
            Ok(Some(chunk)) if bytes.len() < ANSWER_AT_MOST => bytes.extend_from_slice(&chunk),
            Ok(_) => break true,
            Err(_) => break false,
        }
    };
    let text = String::from_utf8_lossy(&bytes).into_owned();
    if whole { Ok(text) } else { Err(text) }
}

/// RFC 9110 section 10.2.3: seconds, or a date.
pub(super) fn retry_after(answer: &Response, now: DateTime<Utc>) -> Option<Duration> {
    let value = answer.headers().get(RETRY_AFTER)?.to_str().ok()?.trim();
    if let Ok(seconds) = value.parse() {
        return Some(Duration::from_secs(seconds));
    }
    let at = DateTime::parse_from_rfc2822(value).ok()?;
    SystemTime::from(at).duration_since(SystemTime::from(now)).ok().or(Some(Duration::ZERO))
}
