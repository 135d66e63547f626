//! A field report as it is told and as it is kept.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

use crate::region::{RegionId, Zip};
use crate::season::profile::Sight;
use crate::season::{FieldReport, Observer, StageId};

/// A field report to be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct NewFieldReport {
    pub region: RegionId,
    pub zip: Option<Zip>,
    /// The day on which they looked.
    pub observed_on: NaiveDate,
    pub tree: Option<String>,
    pub seen: Seen,
    /// The look before, on which nothing of this was there.
    pub nothing_on: Option<NaiveDate>,
    pub confirmed: bool,
    pub source: ReportSource,
    /// See [`StoredReport::person`].
    pub person: Option<String>,
    pub note: Option<String>,
}

impl NewFieldReport {
    /// As it is kept under an id, told now.
    pub fn under(&self, id: String, now: DateTime<Utc>) -> StoredReport {
        let (standing, by) = match self.confirmed {
            true => (ReportStanding::Confirmed, SaidBy::Staff),
            false => (ReportStanding::New, SaidBy::Teller),
        };
        StoredReport {
            id,
            region: self.region.clone(),
            observed_on: self.observed_on,
            day_known: true,
            zip: self.zip.clone(),
            tree: self.tree.clone(),
            owner_tree: None,
            sight: self.seen.sight.clone(),
            stage: self.seen.stage.clone(),
            not_yet: self.seen.not_yet.clone(),
            infested: self.seen.infested,
            nothing_on: self.nothing_on,
            source: self.source,
            person: self.person.clone(),
            note: self.note.clone(),
            created_at: now,
            standing,
            change: StandingChange { standing, at: now, by, who: self.person.clone(), why: None },
        }
    }
}

/// What was seen, and what follows from it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// Id of a sight of the profile; `None`: told as a stage.
    pub sight: Option<String>,
    /// A stage that had begun. `None`: looked and saw none.
    pub stage: Option<StageId>,
    /// A stage that had not begun, if the tree has the insect.
    pub not_yet: Option<StageId>,
    /// Whether the tree has the insect; `None`: not known.
    pub infested: Option<bool>,
}

impl Seen {
    /// Nothing was there yet, and nobody says that the tree has the insect: that moves no date.
    pub fn moves_nothing(&self) -> bool {
        self.stage.is_none() && self.not_yet.is_some() && self.infested != Some(true)
    }

    /// A sight of the profile, at a tree of which it is said whether it has the insect. Some sights say it themselves.
    pub fn at(sight: &Sight, infested: Option<bool>) -> Self {
        Self {
            sight: Some(sight.id.clone()),
            stage: sight.shows.clone(),
            not_yet: sight.not_yet.clone(),
            infested: if sight.infested { Some(true) } else { infested },
        }
    }

    /// A stage that had begun, or none.
    pub fn stage(stage: Option<StageId>, infested: Option<bool>) -> Self {
        Self { sight: None, stage, not_yet: None, infested }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReportSource {
    Staff,
    Subscriber,
}

impl ReportSource {
    pub fn name(self) -> &'static str {
        match self {
            ReportSource::Staff => "staff",
            ReportSource::Subscriber => "subscriber",
        }
    }
}

/// Where a report stands with staff.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReportStanding {
    /// Nobody has judged it.
    New,
    /// Staff, or the region's rule, stand behind it.
    Confirmed,
    /// It is set aside.
    Refused,
}

impl ReportStanding {
    const ALL: [ReportStanding; 3] = [ReportStanding::New, ReportStanding::Confirmed, ReportStanding::Refused];

    /// As the store keeps it.
    pub fn as_str(self) -> &'static str {
        match self {
            ReportStanding::New => "new",
            ReportStanding::Confirmed => "confirmed",
            ReportStanding::Refused => "refused",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|standing| standing.as_str() == name)
    }
}

/// Who gave a report its standing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SaidBy {
    /// Who told it, as it came in or when they took it back.
    Teller,
    /// The region's rule that owners' reports count at once.
    Rule,
    Staff,
}

impl SaidBy {
    const ALL: [SaidBy; 3] = [SaidBy::Teller, SaidBy::Rule, SaidBy::Staff];

    /// As the store keeps it.
    pub(super) fn as_str(self) -> &'static str {
        match self {
            SaidBy::Teller => "teller",
            SaidBy::Rule => "rule",
            SaidBy::Staff => "staff",
        }
    }

    pub(super) fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|by| by.as_str() == name)
    }
}

/// One change of a report's standing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StandingChange {
    pub standing: ReportStanding,
    pub at: DateTime<Utc>,
    pub by: SaidBy,
    /// Of staff, as they typed it.
    pub who: Option<String>,
    pub why: Option<String>,
}

impl StandingChange {
    /// The day of the look that it gave the report, as the desk and the command note it; `None`: it gave it none.
    pub fn given_day(&self) -> Option<NaiveDate> {
        let noted = self.why.as_deref()?.strip_prefix("looked on ")?.get(..10)?;
        noted.parse().ok()
    }

    /// In words, for staff.
    pub fn by_words(&self) -> String {
        match (self.by, &self.who) {
            (SaidBy::Teller, _) => "who told it".into(),
            (SaidBy::Rule, _) => "region's rule".into(),
            (SaidBy::Staff, None) => "staff".into(),
            (SaidBy::Staff, Some(who)) => who.clone(),
        }
    }
}

/// A field report as it is kept, with the standing it has or had.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredReport {
    pub id: String,
    pub region: RegionId,
    /// The day on which they looked.
    pub observed_on: NaiveDate,
    /// `false`: that day was not told, and `observed_on` is the day of the answer. Such a report teaches nothing.
    pub day_known: bool,
    pub zip: Option<Zip>,
    /// As staff name it: reports of one tree belong together.
    pub tree: Option<String>,
    /// Which tree of theirs it is, in an owner's own words; nothing is told by it but to staff, and it goes with the owner.
    pub owner_tree: Option<String>,
    /// Id of a sight of the profile; `None`: told as a stage.
    pub sight: Option<String>,
    /// `None`: looked and saw none.
    pub stage: Option<StageId>,
    pub not_yet: Option<StageId>,
    pub infested: Option<bool>,
    pub nothing_on: Option<NaiveDate>,
    pub source: ReportSource,
    /// Of owners the keyed hash of their address, of staff a name or initials as they were typed.
    pub person: Option<String>,
    pub note: Option<String>,
    pub created_at: DateTime<Utc>,
    pub standing: ReportStanding,
    /// How it came to stand so.
    pub change: StandingChange,
}

impl StoredReport {
    pub fn refused(&self) -> bool {
        self.standing == ReportStanding::Refused
    }

    /// Whether decisions and learning go by it: staff, or the region's rule, stand behind it, and its day is known.
    pub fn counts(&self) -> bool {
        self.standing == ReportStanding::Confirmed && self.day_known
    }

    /// As [`Seen::moves_nothing`].
    pub fn moves_nothing(&self) -> bool {
        self.stage.is_none() && self.not_yet.is_some() && self.infested != Some(true)
    }

    /// As the decision wants it; `None` when it is set aside.
    pub fn for_decision(self) -> Option<FieldReport> {
        if self.refused() {
            return None;
        }
        let confirmed = self.counts();
        let (observer, person) = match self.source {
            // Staff go from tree to tree, so each of their reports is one of its own.
            ReportSource::Staff => (Observer::Staff, None),
            ReportSource::Subscriber => (Observer::Owner, self.person),
        };
        Some(FieldReport {
            id: self.id,
            region: self.region,
            observed_on: self.observed_on,
            stage: self.stage,
            not_yet: self.not_yet,
            infested: self.infested,
            tree: self.tree,
            observer,
            person,
            nothing_on: self.nothing_on,
            confirmed,
        })
    }
}

impl Serialize for StoredReport {
    /// For programs outside.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Outside<'a> {
            id: &'a str,
            region: &'a RegionId,
            observed_on: NaiveDate,
            day_known: bool,
            zip: &'a Option<Zip>,
            tree: &'a Option<String>,
            owner_tree: &'a Option<String>,
            sight: &'a Option<String>,
            stage: &'a Option<StageId>,
            not_yet: &'a Option<StageId>,
            infested: Option<bool>,
            nothing_on: Option<NaiveDate>,
            source: ReportSource,
            person: &'a Option<String>,
            note: &'a Option<String>,
            created_at: DateTime<Utc>,
            confirmed: bool,
            refused: bool,
            standing: ReportStanding,
            standing_since: DateTime<Utc>,
            standing_by: String,
            standing_why: &'a Option<String>,
        }
        let outside = Outside {
            id: &self.id,
            region: &self.region,
            observed_on: self.observed_on,
            day_known: self.day_known,
            zip: &self.zip,
            tree: &self.tree,
            owner_tree: &self.owner_tree,
            sight: &self.sight,
            stage: &self.stage,
            not_yet: &self.not_yet,
            infested: self.infested,
            nothing_on: self.nothing_on,
            source: self.source,
            person: &self.person,
            note: &self.note,
            created_at: self.created_at,
            confirmed: self.standing == ReportStanding::Confirmed,
            refused: self.refused(),
            standing: self.standing,
            standing_since: self.change.at,
            standing_by: self.change.by_words(),
            standing_why: &self.change.why,
        };
        outside.serialize(serializer)
    }
}

/// A report with all its standings.
#[derive(Clone, Debug, PartialEq)]
pub struct ReportHistory {
    /// As it stands by the newest change.
    pub(super) now: StoredReport,
    /// When what it says was last changed; `None`: never.
    pub(super) changed_at: Option<DateTime<Utc>>,
    /// In the order in which they were said; at least one.
    pub(super) changes: Vec<StandingChange>,
}

impl ReportHistory {
    pub fn into_now(self) -> StoredReport {
        self.now
    }

    pub fn region(&self) -> &RegionId {
        &self.now.region
    }

    pub fn now(&self) -> &StoredReport {
        &self.now
    }

    /// Every standing that it had, in the order in which they were said.
    pub fn changes(&self) -> &[StandingChange] {
        &self.changes
    }

    /// When what it says now was written.
    pub fn worded_at(&self) -> DateTime<Utc> {
        self.changed_at.unwrap_or(self.now.created_at)
    }

    /// The change by which it came to stand as it did at an instant: those after it, of the same standing, changed what it says, or
    /// why it stands so. `None` when it had not come yet.
    pub fn standing_since(&self, instant: DateTime<Utc>) -> Option<&StandingChange> {
        let mut backwards = self.changes.iter().rev().skip_while(|change| change.at > instant);
        let newest = backwards.next()?;
        Some(backwards.take_while(|change| change.standing == newest.standing).last().unwrap_or(newest))
    }

    /// When it was confirmed for the first time by an instant: what was decided from then on may have come of it, also where it was
    /// set aside and confirmed again since.
    pub fn first_confirmed(&self, instant: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let by_then = self.changes.iter().take_while(|change| change.at <= instant);
        by_then.filter(|change| change.standing == ReportStanding::Confirmed).map(|change| change.at).min()
    }

    /// Whether staff have said anything of it.
    pub fn judged(&self) -> bool {
        self.changes.iter().any(|change| change.by == SaidBy::Staff)
    }

    /// Whether staff, or the region's rule, have ever stood behind it.
    pub fn was_ever_confirmed(&self) -> bool {
        self.changes.iter().any(|change| change.standing == ReportStanding::Confirmed)
    }

    /// The report with the standing it had at an instant; `None` when it had not come yet. Only its newest wording is kept,
    /// so before that was written it counts as new: what it said then is not known.
    pub fn as_of(&self, instant: DateTime<Utc>) -> Option<StoredReport> {
        let change = self.changes.iter().rfind(|change| change.at <= instant)?;
        let reworded = self.changed_at.is_some_and(|at| at > instant);
        let standing = match change.standing {
            ReportStanding::Confirmed if reworded => ReportStanding::New,
            standing => standing,
        };
        Some(StoredReport { standing, change: change.clone(), ..self.now.clone() })
    }
}

#[cfg(test)]
impl NewFieldReport {
    /// A look of staff of which nothing more is said, for checks.
    pub fn bare(region: &str, observed_on: &str) -> Self {
        Self {
            region: region.into(),
            zip: None,
            observed_on: observed_on.parse().unwrap(),
            tree: None,
            seen: Seen::default(),
            nothing_on: None,
            confirmed: false,
            source: ReportSource::Staff,
            person: None,
            note: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_stands_as_it_does_since_the_first_change_of_that_standing() {
        let at = |minute: u32| format!("2025-03-10T13:{minute:02}:00Z").parse::<DateTime<Utc>>().unwrap();
        let (new, confirmed) = (ReportStanding::New, ReportStanding::Confirmed);
        let standings = [new, confirmed, confirmed, ReportStanding::Refused, confirmed];
        let change = |(minute, standing)| StandingChange {
            standing,
            at: at(minute),
            by: SaidBy::Staff,
            who: None,
            why: Some("looked on 2025-03-08".into()),
        };
        let told = NewFieldReport::bare("north", "2025-03-08");
        let history = ReportHistory {
            now: told.under("f-1".into(), at(1)),
            changed_at: None,
            changes: (1..).zip(standings).map(change).collect(),
        };
        let since = |minute| history.standing_since(at(minute)).map(|change| change.at);
        assert_eq!(
            [0, 1, 2, 3, 4, 9].map(since),
            [None, Some(at(1)), Some(at(2)), Some(at(2)), Some(at(4)), Some(at(5))]
        );
        // Set aside and confirmed again: what came of it the first time still came of it.
        let first = |minute| history.first_confirmed(at(minute));
        assert_eq!([0, 1, 2, 4, 9].map(first), [None, None, Some(at(2)), Some(at(2)), Some(at(2))]);
    }
}
