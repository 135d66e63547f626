//! Who acts on a store and what they can do: see [`super::audit`].

use std::sync::Arc;

use serde::Serialize;

use crate::clock::Clock;

/// Who acts, and on which clock.
pub struct Actor {
    /// The user of the system, such as `maria (uid 1000)`.
    pub user: String,
    /// Of staff who log in; `None` for who types commands.
    pub account: Option<String>,
    /// As it was given with the act.
    pub why: Option<String>,
    pub clock: Arc<dyn Clock>,
}

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    SubscriberAdded,
    SubscribersImported,
    /// Addresses were shown in full.
    SubscribersListed,
    SubscriberExported,
    SubscriberErased,
    /// Nothing more is sent to them; what is known of them stays.
    SubscriberStopped,
    /// How high their trees stand.
    SubscriberChanged,
    RegionAdded,
    RegionChanged,
    RegionRetired,
    StationAdded,
    StationsImported,
    StationChanged,
    StationRetired,
    /// A table of ZIP areas in the place of the one inside the program.
    PlacesImported,
    PlacesReset,
    WeatherImported,
    ProfileAdopted,
    LearningFrozen,
    LearningThawed,
    NoticeHeld,
    /// Confirmed by staff, or let out before its time.
    NoticeReleased,
    NoticeCancelled,
    NoticeRecalled,
    /// A word of staff was taken back before the notice left.
    NoticeUndone,
    /// One notice was given words of its own, or those of the templates again.
    NoticeReworded,
    DeliveryRetried,
    DeliveryCancelled,
    ReportAdded,
    ReportConfirmed,
    ReportSetAside,
    ReportChanged,
    SettingsLoaded,
    WordingLoaded,
    /// A text of the messages was given other words, or those without ours again.
    WordingChanged,
    KeyMoved,
    AuditExported,
    /// Rows of more than seven years were taken away.
    AuditTrimmed,
    AccountAdded,
    AccountInvited,
    /// Its role, or the regions within reach.
    AccountChanged,
    AccountLocked,
    AccountUnlocked,
    /// Password, second factor and sessions were taken away.
    AccountReset,
    AccountRemoved,
    SignedIn,
    /// Wrong tries to sign in came so thick that they are slowed down.
    SignInsFailed,
    SignedOut,
    SessionEnded,
    PasswordSet,
    SecondFactorSet,
    RecoveryCodesMade,
    RecoveryCodeUsed,
    /// A token by which a program asks the desk.
    TokenMade,
    TokenEnded,
}

impl Act {
    /// As the store keeps it.
    pub fn as_str(self) -> &'static str {
        match self {
            Act::SubscriberAdded => "subscriber-added",
            Act::SubscribersImported => "subscribers-imported",
            Act::SubscribersListed => "subscribers-listed",
            Act::SubscriberExported => "subscriber-exported",
            Act::SubscriberErased => "subscriber-erased",
            Act::SubscriberStopped => "subscriber-stopped",
            Act::SubscriberChanged => "subscriber-changed",
            Act::RegionAdded => "region-added",
            Act::RegionChanged => "region-changed",
            Act::RegionRetired => "region-retired",
            Act::StationAdded => "station-added",
            Act::StationsImported => "stations-imported",
            Act::StationChanged => "station-changed",
            Act::StationRetired => "station-retired",
            Act::PlacesImported => "places-imported",
            Act::PlacesReset => "places-reset",
            Act::WeatherImported => "weather-imported",
            Act::ProfileAdopted => "profile-adopted",
            Act::LearningFrozen => "learning-frozen",
            Act::LearningThawed => "learning-thawed",
            Act::NoticeHeld => "notice-held",
            Act::NoticeReleased => "notice-released",
            Act::NoticeCancelled => "notice-cancelled",
            Act::NoticeRecalled => "notice-recalled",
            Act::NoticeUndone => "notice-undone",
            Act::NoticeReworded => "notice-reworded",
            Act::DeliveryRetried => "delivery-retried",
            Act::DeliveryCancelled => "delivery-cancelled",
            Act::ReportAdded => "report-added",
            Act::ReportConfirmed => "report-confirmed",
            Act::ReportSetAside => "report-set-aside",
            Act::ReportChanged => "report-changed",
            Act::SettingsLoaded => "settings-loaded",
            Act::WordingLoaded => "wording-loaded",
            Act::WordingChanged => "wording-changed",
            Act::KeyMoved => "key-moved",
            Act::AuditExported => "audit-exported",
            Act::AuditTrimmed => "audit-trimmed",
            Act::AccountAdded => "account-added",
            Act::AccountInvited => "account-invited",
            Act::AccountChanged => "account-changed",
            Act::AccountLocked => "account-locked",
            Act::AccountUnlocked => "account-unlocked",
            Act::AccountReset => "account-reset",
            Act::AccountRemoved => "account-removed",
            Act::SignedIn => "signed-in",
            Act::SignInsFailed => "sign-ins-failed",
            Act::SignedOut => "signed-out",
            Act::SessionEnded => "session-ended",
            Act::PasswordSet => "password-set",
            Act::SecondFactorSet => "second-factor-set",
            Act::RecoveryCodesMade => "recovery-codes-made",
            Act::RecoveryCodeUsed => "recovery-code-used",
            Act::TokenMade => "token-made",
            Act::TokenEnded => "token-ended",
        }
    }
}

#[cfg(test)]
mod tests {
    use clap::ValueEnum;

    use super::*;

    #[test]
    fn acts_have_one_name_everywhere() {
        for act in Act::value_variants() {
            assert_eq!(serde_json::to_value(act).unwrap(), act.as_str());
            assert_eq!(act.to_possible_value().unwrap().get_name(), act.as_str());
        }
    }
}
