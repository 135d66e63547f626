//! Pure rules of a season: the insect's profile, its stages, the outlook, and the decision to tell people.
//!
//! Nothing here does I/O, holds a clock or panics on data.

pub mod profile;
pub mod refit;

pub mod adopt;
pub mod belief;
pub mod learning;
pub mod learning_words;

pub mod outlook;

pub mod policy;

pub mod decide;
pub mod verdict;

pub mod window;

pub mod follow_up;

pub mod lapse;

pub mod status;

pub mod phrases;

mod notice;

use std::fmt;

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

use crate::id::text_id;
use crate::region::RegionId;
pub use notice::{NoticeKind, NoticeStatus};
pub use outlook::{
    Borrowed, DateSpread, DaySpan, ForecastFit, HeatDay, LearnedNote, Outlook, PastScore, Reached, ReachedBy,
    RecordTrust, SecondWash, StageOutlook, StageParts, WashFigures, WashShare,
};
pub use policy::Policy;
pub use profile::Profile;
pub use window::WindowDays;

/// Name of an event of the insect's season as its profile writes it, e.g. `egg-laying-begins`.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct StageId(pub String);

impl fmt::Display for StageId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<&str> for StageId {
    fn from(text: &str) -> Self {
        Self(text.to_owned())
    }
}

/// A region's year for one profile, named by the calendar year in which its stages come (see
/// [`profile::Biofix`] for a season whose heat begins in the autumn before).
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct SeasonKey {
    pub profile: String,
    pub region: RegionId,
    pub year: i32,
}

text_id! {
    /// Name of a notice, `profile/region/year/kind`: a season has one of each kind.
    NoticeId
}

impl NoticeId {
    /// That of a season's notice of one kind.
    pub fn of(season: &SeasonKey, kind: NoticeKind) -> Self {
        Self(format!("{}/{}/{}/{}", season.profile, season.region, season.year, kind.name()))
    }
}

/// What a person saw at a tree on a day.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FieldReport {
    pub id: String,
    pub region: RegionId,
    /// The day on which they looked.
    pub observed_on: NaiveDate,
    /// A stage that had begun there. `None`: looked and saw none.
    pub stage: Option<StageId>,
    /// A stage that had not begun there, if the tree has the insect.
    pub not_yet: Option<StageId>,
    /// Whether this tree has the insect; `None`: not known.
    pub infested: Option<bool>,
    /// The tree or the place of it, in words; reports without one are of a tree each.
    pub tree: Option<String>,
    pub observer: Observer,
    /// Who looked, as a key that tells people apart and names nobody; `None`: not known.
    pub person: Option<String>,
    /// The last look before, on which nothing of what was seen now was there.
    pub nothing_on: Option<NaiveDate>,
    pub confirmed: bool,
}

impl FieldReport {
    /// The same for two reports of one tree.
    pub fn tree_key(&self) -> &str {
        self.tree.as_deref().or(self.person.as_deref()).unwrap_or(&self.id)
    }
}

/// Who looked: people who know the insect miss less.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Observer {
    Staff,
    Owner,
}

/// `day + days`, held at the end of the calendar.
pub(crate) fn days_after(day: NaiveDate, days: u32) -> NaiveDate {
    day.checked_add_days(Days::new(u64::from(days))).unwrap_or(NaiveDate::MAX)
}

/// `day - days`, held at the beginning of the calendar.
pub(crate) fn days_before(day: NaiveDate, days: u32) -> NaiveDate {
    day.checked_sub_days(Days::new(u64::from(days))).unwrap_or(NaiveDate::MIN)
}

/// Days from `from` to `to`, negative when `to` is earlier.
pub(crate) fn days_between(from: NaiveDate, to: NaiveDate) -> i64 {
    to.signed_duration_since(from).num_days()
}
