//! What a decision can say, each answer with its reason, and each reason in words for console, log and staff pages.

use std::fmt;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{NoticeKind, RecordTrust, StageId};
use crate::region::Release;

/// What is to be done and what staff should know.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Decision {
    /// One a kind, in the order of the kinds.
    pub verdicts: Vec<Verdict>,
    pub remarks: Vec<Remark>,
}

impl Decision {
    pub fn answer(&self, kind: NoticeKind) -> Option<&Answer> {
        self.verdicts.iter().find(|verdict| verdict.kind == kind).map(|verdict| &verdict.answer)
    }

    /// Nothing is to be written: every answer is silence.
    pub fn changes_nothing(&self) -> bool {
        self.verdicts.iter().all(|verdict| matches!(verdict.answer, Answer::Quiet { .. }))
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub kind: NoticeKind,
    #[serde(flatten)]
    pub answer: Answer,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "answer")]
pub enum Answer {
    /// Write the notice: it is decided now, for the first time.
    Announce(Terms),
    /// The notice waits for an approval that is no longer needed: from now on these terms hold instead of its own.
    Free(Terms),
    /// From now on these terms hold instead of its own, since what it told holds no longer; it does not leave by itself: a held one
    /// stays held, any other waits for an approval.
    Renew(Terms),
    /// The notice waits for its hour: it must not leave any more without an approval.
    AskFirst {
        #[serde(rename = "word_needed")]
        approval_needed: ApprovalNeeded,
    },
    /// Write a record that it does not go out; a waiting or held notice becomes that record.
    Skip { reason: SkipReason },
    /// Do nothing.
    Quiet { reason: QuietReason },
}

/// How a notice leaves, and until when it is of use.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Terms {
    pub reason: Reason,
    /// `WhenConfirmed` exactly when `approval_needed` is there.
    pub release: Release,
    #[serde(rename = "word_needed")]
    pub approval_needed: Option<ApprovalNeeded>,
    /// Last local day on which it is of use; not before the day of the decision.
    pub expires_on: NaiveDate,
    /// The last day to wash that it tells, if it tells one.
    #[serde(default)]
    pub deadline: Option<NaiveDate>,
}

/// Why a notice is in place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "ground")]
pub enum Reason {
    /// Get ready: the median date of the window's opening is near.
    OpeningNear { median: NaiveDate, days: i64 },
    /// Get ready: the chance that the window opens within so many days.
    OpeningLikely { chance: f64, within_days: u32 },
    /// Inspect now: the heat sum stands at the threshold.
    Crossed { on: NaiveDate },
    /// Inspect now: not on the record yet, but likely by now.
    BegunLikely { chance: f64 },
    /// Inspect now: a confirmed field report.
    Seen { report: String, stage: StageId, on: NaiveDate },
    /// Wash now: the best days have begun.
    BestDays { first: NaiveDate, last: NaiveDate },
    /// A deadline that people were told has moved.
    Moved { from: NaiveDate, to: NaiveDate, by: MovedBy },
    /// Last days to wash.
    DeadlineNear { deadline: NaiveDate, days: i64 },
    /// Last days to wash, as notices before the best days were known had it: the median date of the hatch was near.
    CloseNear { median: NaiveDate, days: i64 },
    /// Too late to wash: since when the window counts as closed.
    Closed { since: NaiveDate },
}

impl Reason {
    /// Id of the field report that brought the notice up.
    pub fn report(&self) -> Option<&str> {
        match self {
            Reason::Seen { report, .. } => Some(report),
            _ => None,
        }
    }
}

/// What moved a deadline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MovedBy {
    CoolWeather,
    WarmWeather,
    /// What people saw at trees, here or elsewhere.
    Reports,
}

impl MovedBy {
    pub fn name(self) -> &'static str {
        match self {
            MovedBy::CoolWeather => "cool-weather",
            MovedBy::WarmWeather => "warm-weather",
            MovedBy::Reports => "reports",
        }
    }
}

/// Why a notice does not leave unasked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "word_needed")]
pub enum ApprovalNeeded {
    /// The region's own policy.
    ByPolicy,
    /// The record behind the outlook is not good enough.
    Untrusted { record: RecordTrust },
    /// Filled days carry the sum over the threshold.
    NotOnRealDays,
    /// It was to leave by itself, but newer data puts the event further off.
    NowTooEarly { expected: Option<NaiveDate> },
    /// It was to leave by itself in words of staff, but what these tell holds no longer.
    OldOwnWords,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "skipped")]
pub enum SkipReason {
    /// It would have been of use until then.
    PastUse {
        until: NaiveDate,
    },
    /// The window it announces is open.
    WindowOpen {
        since: NaiveDate,
    },
    /// Nothing can be washed off any more.
    WindowClosed {
        since: NaiveDate,
    },
    /// A later notice has gone out or goes out by itself.
    Overtaken {
        by: NoticeKind,
    },
    /// Staff called off the notice that it follows.
    InspectNeverSent,
    /// It tells of a moved deadline, and newer data has moved it back.
    DeadlineStands,
    SeasonOver {
        ended: NaiveDate,
    },
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "quiet")]
pub enum QuietReason {
    SeasonNotBegun {
        begins: NaiveDate,
    },
    SeasonOver {
        ended: NaiveDate,
    },
    /// The outlook is of another day than today.
    NotTodaysOutlook {
        outlook_of: NaiveDate,
    },
    /// The outlook does not know the window's stages.
    NoSuchStage {
        stage: StageId,
    },
    OpeningFar {
        median: Option<NaiveDate>,
    },
    /// The window opened by the model, but not on a record to be trusted.
    MayBeOpen {
        since: NaiveDate,
    },
    /// Begun with this chance, less than the policy wants.
    NotBegun {
        chance: f64,
    },
    CloseFar {
        median: Option<NaiveDate>,
    },
    /// The best days to wash begin later.
    BestDaysLater {
        first: NaiveDate,
    },
    /// The profile does not say how eggs spread over heat.
    NoBestDays,
    /// It is not yet time for the last wash.
    DeadlineFar {
        last_from: NaiveDate,
    },
    /// Nobody was told a deadline, or it stands.
    DeadlineStands,
    /// Another notice of today tells the new deadline.
    ToldWith {
        kind: NoticeKind,
    },
    /// Washing is still of use.
    DeadlineAhead {
        deadline: NaiveDate,
    },
    NotClosed {
        chance: f64,
    },
    SwitchedOff,
    /// Last days goes out on a day after inspect now and wash now at the earliest, and not while staff hold one of them.
    InspectNotSentBefore,
    /// A later notice waits for an approval, and this one would need one too.
    LaterWaits {
        later: NoticeKind,
    },
    AlreadyTold {
        on: NaiveDate,
    },
    AlreadySkipped {
        on: NaiveDate,
    },
    CancelledByStaff,
    HeldByStaff,
    WaitsForHour,
    #[serde(rename = "waits-for-word")]
    WaitsForApproval {
        #[serde(rename = "word_needed")]
        approval_needed: ApprovalNeeded,
    },
}

/// Something staff should know. Its [`key`](Remark::key) names the fact, so that it is told once.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "remark")]
pub enum Remark {
    /// By newer data a notice was early: `days` beyond what the policy looks ahead; `None` when most futures do not
    /// get there this season at all.
    WasEarly { kind: NoticeKind, told_on: NaiveDate, expected: Option<NaiveDate>, days: Option<i64> },
    /// A field report that would teach waits for staff to confirm it; it changes nothing until they do. `seen`: the stage
    /// was there; else it was not yet.
    ReportUnconfirmed {
        report: String,
        stage: StageId,
        on: NaiveDate,
        #[serde(default = "yes")]
        seen: bool,
    },
    /// Confirmed, and nobody had been told to expect this stage by that day.
    SeenBeforeModel { report: String, stage: StageId, on: NaiveDate },
    /// Somebody looked at a tree that has the insect when egg laying had begun with this chance (0-1), a high one, and saw none.
    SawNone {
        report: String,
        on: NaiveDate,
        #[serde(default)]
        chance: f64,
    },
    /// Its day is still to come.
    ReportOfFuture { report: String, on: NaiveDate },
    /// It names a stage that the profile does not have.
    ReportOfUnknownStage { report: String, stage: StageId },
}

/// Remarks were of sightings only before zeros taught.
fn yes() -> bool {
    true
}

impl Remark {
    /// The same for the same fact of one season and region, however its figures move from day to day.
    pub fn key(&self) -> String {
        let of = match self {
            Remark::WasEarly { kind, .. } => kind.name(),
            Remark::ReportUnconfirmed { report, .. }
            | Remark::SeenBeforeModel { report, .. }
            | Remark::SawNone { report, .. }
            | Remark::ReportOfFuture { report, .. }
            | Remark::ReportOfUnknownStage { report, .. } => report,
        };
        format!("{}/{of}", self.sort())
    }

    /// What sort of remark: the first part of its key.
    pub fn sort(&self) -> &'static str {
        match self {
            Remark::WasEarly { .. } => "was-early",
            Remark::ReportUnconfirmed { .. } => "report-unconfirmed",
            Remark::SeenBeforeModel { .. } => "seen-before-model",
            Remark::SawNone { .. } => "saw-none",
            Remark::ReportOfFuture { .. } => "report-of-future",
            Remark::ReportOfUnknownStage { .. } => "report-of-unknown-stage",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.kind.name(), self.answer)
    }
}

impl fmt::Display for Answer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Answer::Announce(terms) => write!(f, "announce {terms}"),
            Answer::Free(terms) => write!(f, "free {terms}"),
            Answer::Renew(terms) => write!(f, "new words for {terms}"),
            Answer::AskFirst { approval_needed } => write!(f, "ask first: {approval_needed}"),
            Answer::Skip { reason } => write!(f, "skip: {reason}"),
            Answer::Quiet { reason } => write!(f, "quiet: {reason}"),
        }
    }
}

impl fmt::Display for Terms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.release {
            Release::AtOnce => write!(f, "at once")?,
            Release::UnlessHeld { hours } => write!(f, "unless held within {hours} h")?,
            Release::WhenConfirmed => write!(f, "when confirmed")?,
        }
        write!(f, ", of use to {}: {}", self.expires_on, self.reason)?;
        match &self.approval_needed {
            Some(approval) => write!(f, "; {approval}"),
            None => Ok(()),
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Reason::OpeningNear { median, days } => write!(f, "opening likely on {median}, {days} days off"),
            Reason::OpeningLikely { chance, within_days } => {
                write!(f, "{} chance of opening within {within_days} days", Percent(*chance))
            }
            Reason::Crossed { on } => write!(f, "heat sum reached on {on}"),
            Reason::BegunLikely { chance } => write!(f, "{} chance that it has begun", Percent(*chance)),
            Reason::Seen { report, stage, on } => write!(f, "{stage} seen on {on} (report {report})"),
            Reason::BestDays { first, last } => write!(f, "best days to wash are {first} to {last}"),
            Reason::Moved { from, to, by } => write!(f, "deadline moved from {from} to {to} ({})", by.name()),
            Reason::DeadlineNear { deadline, days } => write!(f, "deadline is {deadline}, {days} days off"),
            Reason::CloseNear { median, days } => write!(f, "close likely on {median}, {days} days off"),
            Reason::Closed { since } => write!(f, "closed since {since}"),
        }
    }
}

impl fmt::Display for ApprovalNeeded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ApprovalNeeded::ByPolicy => f.write_str("the region's notices need a word"),
            ApprovalNeeded::Untrusted { record } => write!(f, "record not trusted: {record}"),
            ApprovalNeeded::NotOnRealDays => f.write_str("the sum rests on filled days"),
            ApprovalNeeded::NowTooEarly { expected: Some(day) } => write!(f, "newer data expects it on {day}"),
            ApprovalNeeded::NowTooEarly { expected: None } => f.write_str("newer data does not expect it this season"),
            ApprovalNeeded::OldOwnWords => f.write_str("staff's own words tell what holds no longer"),
        }
    }
}

impl fmt::Display for RecordTrust {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            RecordTrust::Sound => f.write_str("sound"),
            RecordTrust::TooMuchFilled { filled_days, days } => write!(f, "{filled_days} of {days} days are filled"),
            RecordTrust::TooOld { newest_real_day: Some(day), age_days } => {
                write!(f, "newest observed day is {day}, {age_days} days ago")
            }
            RecordTrust::TooOld { newest_real_day: None, age_days } => {
                write!(f, "no observed day in the {age_days} days of the season")
            }
            RecordTrust::TooFewYears { years } => write!(f, "only {years} past years"),
            RecordTrust::BorrowedYears { from, own_years: 0 } => write!(f, "past years are all those of {from}"),
            RecordTrust::BorrowedYears { from, own_years } => {
                write!(f, "past years but {own_years} are those of {from}, and may not fit")
            }
        }
    }
}

impl fmt::Display for SkipReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SkipReason::PastUse { until } => write!(f, "was of use to {until}"),
            SkipReason::WindowOpen { since } => write!(f, "window open since {since}"),
            SkipReason::WindowClosed { since } => write!(f, "window closed since {since}"),
            SkipReason::Overtaken { by } => write!(f, "overtaken by {}", by.name()),
            SkipReason::InspectNeverSent => f.write_str("what it follows was called off"),
            SkipReason::DeadlineStands => f.write_str("newer data moved the deadline back"),
            SkipReason::SeasonOver { ended } => write!(f, "season ended on {ended}"),
        }
    }
}

impl fmt::Display for QuietReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            QuietReason::SeasonNotBegun { begins } => write!(f, "season begins on {begins}"),
            QuietReason::SeasonOver { ended } => write!(f, "season ended on {ended}"),
            QuietReason::NotTodaysOutlook { outlook_of } => write!(f, "outlook is of {outlook_of}"),
            QuietReason::NoSuchStage { stage } => write!(f, "outlook has no stage {stage}"),
            QuietReason::OpeningFar { median: Some(day) } => write!(f, "opening not likely before {day}"),
            QuietReason::OpeningFar { median: None } => f.write_str("opening not likely this season"),
            QuietReason::MayBeOpen { since } => write!(f, "may be open since {since}"),
            QuietReason::NotBegun { chance } => write!(f, "{} chance that it has begun", Percent(*chance)),
            QuietReason::CloseFar { median: Some(day) } => write!(f, "close not likely before {day}"),
            QuietReason::CloseFar { median: None } => f.write_str("close not likely this season"),
            QuietReason::BestDaysLater { first } => write!(f, "best days to wash begin on {first}"),
            QuietReason::NoBestDays => f.write_str("the profile tells no best days to wash"),
            QuietReason::DeadlineFar { last_from } => write!(f, "last wash not before {last_from}"),
            QuietReason::DeadlineStands => f.write_str("no told deadline has moved"),
            QuietReason::ToldWith { kind } => write!(f, "told with {}", kind.name()),
            QuietReason::DeadlineAhead { deadline } => write!(f, "washing is of use to {deadline}"),
            QuietReason::NotClosed { chance } => write!(f, "{} chance that it has closed", Percent(*chance)),
            QuietReason::SwitchedOff => f.write_str("switched off"),
            QuietReason::InspectNotSentBefore => f.write_str("what it follows went out today or is held"),
            QuietReason::LaterWaits { later } => write!(f, "{} waits for a word", later.name()),
            QuietReason::AlreadyTold { on } => write!(f, "already told on {on}"),
            QuietReason::AlreadySkipped { on } => write!(f, "already skipped on {on}"),
            QuietReason::CancelledByStaff => f.write_str("called off by staff"),
            QuietReason::HeldByStaff => f.write_str("held by staff"),
            QuietReason::WaitsForHour => f.write_str("waits for its hour"),
            QuietReason::WaitsForApproval { approval_needed } => write!(f, "waits for a word: {approval_needed}"),
        }
    }
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Remark::WasEarly { kind, told_on, expected: Some(day), days: Some(days) } => {
                write!(f, "{} of {told_on} was {days} days early: by newer data its event comes on {day}", kind.name())
            }
            Remark::WasEarly { kind, told_on, .. } => {
                write!(f, "{} of {told_on} was early: by newer data its event is not likely this season", kind.name())
            }
            Remark::ReportUnconfirmed { report, stage, on, seen } => {
                let not = if *seen { "" } else { "not yet " };
                write!(f, "report {report} of {on} ({not}{stage}) waits for a word")
            }
            Remark::SeenBeforeModel { report, stage, on } => {
                write!(f, "report {report}: {stage} was seen on {on}, before anybody was told to expect it")
            }
            Remark::SawNone { report, on, chance } => {
                let chance = Percent(*chance);
                write!(
                    f,
                    "report {report}: saw none on {on}, though egg laying had begun by then with a chance of {chance}"
                )
            }
            Remark::ReportOfFuture { report, on } => write!(f, "report {report} is dated {on}, which is still to come"),
            Remark::ReportOfUnknownStage { report, stage } => {
                write!(f, "report {report} names the stage {stage}, which the profile does not have")
            }
        }
    }
}

/// A share (0-1) as whole percent.
struct Percent(f64);

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.0} %", self.0 * 100.0)
    }
}
