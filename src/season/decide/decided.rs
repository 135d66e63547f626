//! What was decided before, and what a decision comes to once it is carried out.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{Answer, ApprovalNeeded, Decision, Verdict};
use crate::region::Release;
use crate::season::window::ToldDays;
use crate::season::{NoticeKind, NoticeStatus, days_before};

/// A notice decided before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DecidedNotice {
    pub kind: NoticeKind,
    pub decided_on: NaiveDate,
    pub standing: Standing,
    /// The last day to wash that it tells, if it tells one.
    #[serde(default)]
    pub deadline: Option<NaiveDate>,
    /// By how many days field reports had moved the dates that it tells; above 0 is later.
    #[serde(default)]
    pub learned_days: Option<i64>,
    /// Id of the field report that brought it up.
    #[serde(default)]
    pub report: Option<String>,
    /// The last day on which it is of use, by its terms.
    #[serde(default)]
    pub expires_on: Option<NaiveDate>,
}

impl DecidedNotice {
    /// Whether it rests on what was seen at trees, by the days that it tells: here or in other regions.
    pub fn rests_on_reports(&self) -> bool {
        self.learned_days.is_some_and(|days| days != 0)
    }
}

/// What the notices that went out have told of the window.
pub fn told_days(told: &[DecidedNotice]) -> ToldDays {
    let out = |kind: NoticeKind| {
        told.iter().filter(move |told| told.kind == kind).find_map(|told| match told.standing {
            Standing::Released { on } => Some(on),
            _ => None,
        })
    };
    let deadlines = told.iter().filter_map(|told| match told.standing {
        Standing::Released { on } => Some((on, told.kind, told.deadline?)),
        _ => None,
    });
    let deadline = deadlines.max_by_key(|(on, kind, _)| (*on, *kind)).map(|(_, _, deadline)| deadline);
    let moved = told.iter().find(|told| told.kind == NoticeKind::DeadlineMoved).map(|told| told.standing.status());
    ToldDays {
        look_on: out(NoticeKind::InspectNow),
        wash_on: out(NoticeKind::WashNow),
        last_on: out(NoticeKind::LastDaysToWash),
        deadline,
        passed_by: out(NoticeKind::TooLateToWash).map(|on| days_before(on, 1)),
        moved: moved.is_some_and(|status| !matches!(status, NoticeStatus::Waiting | NoticeStatus::Held)),
    }
}

/// Where it stands, with what belongs to that.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "standing")]
pub enum Standing {
    /// Not gone yet: for its hour when `approval_needed` is `None`, else until staff confirm it.
    Waiting {
        #[serde(rename = "word_needed")]
        approval_needed: Option<ApprovalNeeded>,
    },
    Held,
    Released {
        on: NaiveDate,
    },
    Skipped,
    Cancelled,
}

impl Standing {
    pub fn status(&self) -> NoticeStatus {
        match self {
            Standing::Waiting { .. } => NoticeStatus::Waiting,
            Standing::Held => NoticeStatus::Held,
            Standing::Released { .. } => NoticeStatus::Released,
            Standing::Skipped => NoticeStatus::Skipped,
            Standing::Cancelled => NoticeStatus::Cancelled,
        }
    }
}

/// What was told once a decision is carried out: the contract between [`decide`](super::decide()) and those who carry it out.
///
/// A notice that leaves at once is released on the day; one that may be held waits for its hour.
pub fn carried_out(told: &[DecidedNotice], decision: &Decision, today: NaiveDate) -> Vec<DecidedNotice> {
    let mut after = told.to_vec();
    for Verdict { kind, answer } in &decision.verdicts {
        // Its words are those of the new terms, also where these tell no deadline any more.
        let terms = match answer {
            Answer::Announce(terms) | Answer::Free(terms) | Answer::Renew(terms) => Some(terms),
            _ => None,
        };
        let before = after.iter().find(|told| told.kind == *kind).map(|told| told.standing.clone());
        let standing = match answer {
            Answer::Announce(terms) | Answer::Free(terms) => match (&terms.approval_needed, terms.release) {
                (None, Release::AtOnce) => Standing::Released { on: today },
                (None, _) => Standing::Waiting { approval_needed: None },
                (Some(approval), _) => Standing::Waiting { approval_needed: Some(approval.clone()) },
            },
            Answer::AskFirst { approval_needed } => {
                Standing::Waiting { approval_needed: Some(approval_needed.clone()) }
            }
            // One that is held stays so, whatever its terms.
            Answer::Renew(terms) => match (before, &terms.approval_needed) {
                (Some(Standing::Waiting { .. }), Some(approval)) => {
                    Standing::Waiting { approval_needed: Some(approval.clone()) }
                }
                (Some(standing), _) => standing,
                (None, _) => continue,
            },
            Answer::Skip { .. } => Standing::Skipped,
            Answer::Quiet { .. } => continue,
        };
        let at = after.iter().position(|told| told.kind == *kind);
        let mut told = at.map(|at| after.remove(at)).unwrap_or(DecidedNotice {
            kind: *kind,
            decided_on: today,
            standing: Standing::Skipped,
            deadline: None,
            learned_days: None,
            report: None,
            expires_on: None,
        });
        told.standing = standing;
        if let Some(terms) = terms {
            told.deadline = terms.deadline;
            told.report = terms.reason.report().map(str::to_owned);
            told.expires_on = Some(terms.expires_on);
            told.learned_days = None;
        }
        after.insert(at.unwrap_or(after.len()), told);
    }
    after
}
