//! How long what grows is kept: settings, shown on the privacy page and kept by a job of the daemon.

use serde::{Deserialize, Serialize};

/// Days after which rows are taken away. What has no time here is kept for ever: suppressions, temperatures, outlooks, notices,
/// what was seen at trees. The audit is kept for seven years, which is no setting.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default)]
pub struct RetentionConfig {
    /// A sign-up request that its owner never confirmed, with all that was written because of it; 3 to 7.
    pub unconfirmed_days: u32,
    /// An address in full after its owner said stop, or mail to it came back for good.
    pub stopped_days: u32,
    /// Marks of requests and of texts that came in, by which limits are kept; at least 30, since limits count 30 days.
    pub requests_days: u32,
    /// Which messages went to whom, and which questions; at least 366, since the key of a delivery keeps a season's notice from
    /// being sent twice.
    pub messages_days: u32,
    /// Who agreed to what, after an address is gone that said no stop. Of one that said stop it is kept as long as the
    /// suppression.
    pub consents_days: u32,
    /// What pulls of feeds came to; the newest of each stays.
    pub pulls_days: u32,
    /// Runs of the schedule; the newest stays.
    pub runs_days: u32,
    /// What staff were told.
    pub staff_log_days: u32,
    /// Past forecasts, without which a replay of their season knows less.
    pub forecasts_days: u32,
}

impl Default for RetentionConfig {
    fn default() -> Self {
        Self {
            unconfirmed_days: 7,
            stopped_days: 30,
            requests_days: 30,
            messages_days: 731,
            consents_days: 1827,
            pulls_days: 90,
            runs_days: 400,
            staff_log_days: 1096,
            forecasts_days: 1827,
        }
    }
}

/// Longest time that a setting may ask for: what is longer is meant to be for ever, and should be said.
const LONGEST_DAYS: u32 = 36_525;

impl RetentionConfig {
    /// Setting, value and what is wrong with it.
    pub fn faults(&self) -> Vec<(&'static str, String)> {
        [
            (
                "retention.unconfirmed_days",
                self.unconfirmed_days,
                3,
                7,
                "links are good for 3 days, and requests end after 7",
            ),
            ("retention.stopped_days", self.stopped_days, 1, 366, "an address is not kept for years after a stop"),
            ("retention.requests_days", self.requests_days, 30, 366, "limits count 30 days"),
            (
                "retention.messages_days",
                self.messages_days,
                366,
                LONGEST_DAYS,
                "a season's notice must not go out twice",
            ),
            ("retention.consents_days", self.consents_days, 366, LONGEST_DAYS, "an agreement may have to be shown"),
            ("retention.pulls_days", self.pulls_days, 14, LONGEST_DAYS, "sources are judged by their last days"),
            ("retention.runs_days", self.runs_days, 14, LONGEST_DAYS, "missed runs are found by those made"),
            (
                "retention.staff_log_days",
                self.staff_log_days,
                366,
                LONGEST_DAYS,
                "staff are told each fact of a season once",
            ),
            ("retention.forecasts_days", self.forecasts_days, 366, LONGEST_DAYS, "forecasts are judged over a year"),
        ]
        .into_iter()
        .filter(|(_, days, least, most, _)| !(*least..=*most).contains(days))
        .map(|(path, days, least, most, why)| (path, format!("{days} must lie between {least} and {most}: {why}")))
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_that_would_break_a_promise_are_refused() {
        assert_eq!(RetentionConfig::default().faults(), []);
        let wrong = RetentionConfig { unconfirmed_days: 8, requests_days: 29, messages_days: 0, ..Default::default() };
        let told: Vec<&str> = wrong.faults().iter().map(|(path, _)| *path).collect();
        assert_eq!(told, ["retention.unconfirmed_days", "retention.requests_days", "retention.messages_days"]);
    }
}
