//! The kinds of notice, and where a decided one stands.

use serde::{Deserialize, Serialize};

/// What a region can be told, each once a season, in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoticeKind {
    GetReady,
    InspectNow,
    WashNow,
    /// The deadline that people were told does not hold any more. Stands beside the others: it overtakes none.
    DeadlineMoved,
    LastDaysToWash,
    TooLateToWash,
}

impl NoticeKind {
    pub const ALL: [NoticeKind; 6] = [
        NoticeKind::GetReady,
        NoticeKind::InspectNow,
        NoticeKind::WashNow,
        NoticeKind::DeadlineMoved,
        NoticeKind::LastDaysToWash,
        NoticeKind::TooLateToWash,
    ];

    pub fn name(self) -> &'static str {
        match self {
            NoticeKind::GetReady => "get-ready",
            NoticeKind::InspectNow => "inspect-now",
            NoticeKind::WashNow => "wash-now",
            NoticeKind::DeadlineMoved => "deadline-moved",
            NoticeKind::LastDaysToWash => "last-days-to-wash",
            NoticeKind::TooLateToWash => "too-late-to-wash",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// Whether a notice of the kind `earlier` is of no use once one of this kind has gone out in the same season.
    pub fn overtakes(self, earlier: Self) -> bool {
        self > earlier && self != Self::DeadlineMoved && earlier != Self::DeadlineMoved
    }
}

/// Where a decided notice stands. The store writes the name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoticeStatus {
    /// For its hour, or for a word of staff.
    Waiting,
    /// Staff said: not now.
    Held,
    /// Its deliveries are queued; a recall stops those that have not left.
    Released,
    /// It came to be of no use before it went out.
    Skipped,
    /// Staff said: not this season.
    Cancelled,
}

impl NoticeStatus {
    pub const ALL: [NoticeStatus; 5] = [
        NoticeStatus::Waiting,
        NoticeStatus::Held,
        NoticeStatus::Released,
        NoticeStatus::Skipped,
        NoticeStatus::Cancelled,
    ];

    pub fn name(self) -> &'static str {
        match self {
            NoticeStatus::Waiting => "waiting",
            NoticeStatus::Held => "held",
            NoticeStatus::Released => "released",
            NoticeStatus::Skipped => "skipped",
            NoticeStatus::Cancelled => "cancelled",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.name() == name)
    }
}
