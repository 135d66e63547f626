//! What can go wrong, each with its word.

use serde::{Deserialize, Serialize};

/// What an alarm is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmKind {
    /// No cycle succeeded though one was due.
    Cycle,
    /// A cycle did its work but for a part of it, or failed where somebody asked for it by hand.
    Work,
    /// A station in season gives no temperatures.
    Station,
    /// A source answers, and nothing in its answers can be used.
    Answers,
    /// A notice waits for a word of staff.
    NoticeWaits,
    /// A notice goes out by itself unless staff hold it.
    NoticeLeaves,
    /// The same, and its time runs out.
    NoticeRunsOut,
    /// A notice that people should have had did not go out.
    NoticeMissed,
    /// Too many messages are refused or come back.
    Deliveries,
    /// Messages wait that should have gone.
    Queue,
    /// Nothing gets through a channel.
    Channel,
    /// Sign-ups come so thick that they are held back.
    SignUps,
    /// The texts, or the e-mails, that a day allows are used up.
    Texts,
    /// Addresses that are written to no more because mail comes back.
    Addresses,
    /// Somebody was let in to the desk without the app, or guesses at an account.
    SignIns,
    /// Words that staff gave a message are not used, since they break a rule.
    Wording,
    /// Other things that staff should know, gathered for a day.
    Remarks,
    /// The disk is nearly full.
    Disk,
    /// The store cannot be written.
    Store,
    /// The clock jumped.
    Clock,
    /// A date of the settings is near.
    Date,
    /// Somebody wants to see that alarms arrive.
    Test,
}

/// Who has to do with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmGroup {
    /// Those who keep the season: notices, stations, what people say.
    Season,
    /// Those who run the service.
    Service,
}

/// How long a kind lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lasts {
    /// As long as it is observed; repeated with growing pauses.
    WhileObserved,
    /// The same, repeated once a week.
    Slowly,
    /// It happened: told once, open for a day.
    Once,
}

impl AlarmKind {
    pub const ALL: [AlarmKind; 22] = [
        AlarmKind::Cycle,
        AlarmKind::Work,
        AlarmKind::Station,
        AlarmKind::Answers,
        AlarmKind::NoticeWaits,
        AlarmKind::NoticeLeaves,
        AlarmKind::NoticeRunsOut,
        AlarmKind::NoticeMissed,
        AlarmKind::Deliveries,
        AlarmKind::Queue,
        AlarmKind::Channel,
        AlarmKind::SignUps,
        AlarmKind::Texts,
        AlarmKind::Addresses,
        AlarmKind::SignIns,
        AlarmKind::Wording,
        AlarmKind::Remarks,
        AlarmKind::Disk,
        AlarmKind::Store,
        AlarmKind::Clock,
        AlarmKind::Date,
        AlarmKind::Test,
    ];

    /// As settings and the store name it.
    pub fn name(self) -> &'static str {
        match self {
            AlarmKind::Cycle => "cycle",
            AlarmKind::Work => "work",
            AlarmKind::Station => "station",
            AlarmKind::Answers => "answers",
            AlarmKind::NoticeWaits => "notice-waits",
            AlarmKind::NoticeLeaves => "notice-leaves",
            AlarmKind::NoticeRunsOut => "notice-runs-out",
            AlarmKind::NoticeMissed => "notice-missed",
            AlarmKind::Deliveries => "deliveries",
            AlarmKind::Queue => "queue",
            AlarmKind::Channel => "channel",
            AlarmKind::SignUps => "sign-ups",
            AlarmKind::Texts => "texts",
            AlarmKind::Addresses => "addresses",
            AlarmKind::SignIns => "sign-ins",
            AlarmKind::Wording => "wording",
            AlarmKind::Remarks => "remarks",
            AlarmKind::Disk => "disk",
            AlarmKind::Store => "store",
            AlarmKind::Clock => "clock",
            AlarmKind::Date => "date",
            AlarmKind::Test => "test",
        }
    }

    /// Whether its end tells what became of it: that a notice waits no longer may mean that it went out, or that it never will.
    pub fn tells_its_end(self) -> bool {
        matches!(self, AlarmKind::NoticeWaits | AlarmKind::NoticeRunsOut)
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// In a few words, as the subject of an e-mail.
    pub fn title(self) -> &'static str {
        match self {
            AlarmKind::Cycle => "no cycle has succeeded",
            AlarmKind::Work => "work of a cycle failed",
            AlarmKind::Station => "a station gives no temperatures",
            AlarmKind::Answers => "a source answers with nothing usable",
            AlarmKind::NoticeWaits => "a notice waits for your word",
            AlarmKind::NoticeLeaves => "a notice goes out by itself",
            AlarmKind::NoticeRunsOut => "a notice waits and its time runs out",
            AlarmKind::NoticeMissed => "a notice did not go out",
            AlarmKind::Deliveries => "many messages are refused",
            AlarmKind::Queue => "messages wait too long",
            AlarmKind::Channel => "nothing gets through a channel",
            AlarmKind::SignUps => "far more sign-ups than usual",
            AlarmKind::Texts => "a day's messages are used up",
            AlarmKind::Addresses => "addresses are written to no more",
            AlarmKind::SignIns => "a sign-in to the desk to ask about",
            AlarmKind::Wording => "words of yours are not used",
            AlarmKind::Remarks => "remarks for staff",
            AlarmKind::Disk => "the disk is nearly full",
            AlarmKind::Store => "the store cannot be written",
            AlarmKind::Clock => "the clock jumped",
            AlarmKind::Date => "a date is near",
            AlarmKind::Test => "test",
        }
    }

    pub fn group(self) -> AlarmGroup {
        match self {
            AlarmKind::Station
            | AlarmKind::NoticeWaits
            | AlarmKind::NoticeLeaves
            | AlarmKind::NoticeRunsOut
            | AlarmKind::NoticeMissed
            | AlarmKind::Addresses
            | AlarmKind::Wording
            | AlarmKind::Remarks => AlarmGroup::Season,
            _ => AlarmGroup::Service,
        }
    }

    /// The kinds that no quiet hours hold, unless the settings say otherwise: what is lost within hours.
    pub fn urgent_by_default(self) -> bool {
        matches!(
            self,
            AlarmKind::NoticeRunsOut
                | AlarmKind::Queue
                | AlarmKind::Channel
                | AlarmKind::SignIns
                | AlarmKind::Disk
                | AlarmKind::Store
        )
    }

    pub(super) fn lasts(self) -> Lasts {
        match self {
            AlarmKind::NoticeLeaves
            | AlarmKind::NoticeMissed
            | AlarmKind::SignUps
            | AlarmKind::Texts
            | AlarmKind::Addresses
            | AlarmKind::SignIns
            | AlarmKind::Remarks
            | AlarmKind::Clock
            | AlarmKind::Test => Lasts::Once,
            AlarmKind::Date => Lasts::Slowly,
            _ => Lasts::WhileObserved,
        }
    }

    /// Whether each machine sees it for itself.
    pub fn is_of_machine(self) -> bool {
        matches!(self, AlarmKind::Disk | AlarmKind::Store | AlarmKind::Clock)
    }

    /// Whether it tells all that another kind about the same thing tells, so that the other has nothing to add.
    pub(super) fn overtakes(self, other: AlarmKind) -> bool {
        matches!(
            (self, other),
            (AlarmKind::NoticeRunsOut, AlarmKind::NoticeWaits)
                | (AlarmKind::Channel, AlarmKind::Queue | AlarmKind::Deliveries)
        )
    }

    /// Whether it happened and is over, so that there is no end to tell.
    pub fn is_event(self) -> bool {
        self.lasts() == Lasts::Once
    }
}

impl std::fmt::Display for AlarmKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_is_read_back_from_its_name_by_all_readers() {
        for kind in AlarmKind::ALL {
            assert_eq!(AlarmKind::parse(kind.name()), Some(kind));
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.name());
        }
    }
}
