//! What the facts say and what was told, put together to an answer for each kind of notice.

use chrono::NaiveDate;

use super::stand::Stand;
use super::{Answer, Ground, QuietReason, SkipReason, Standing, Terms, Verdict, View, WordNeeded};
use crate::region::Release;
use crate::season::NoticeKind;

/// Why nothing at all is decided.
pub(super) enum Bar {
    Quiet(QuietReason),
    SeasonOver(NaiveDate),
}

impl View<'_> {
    pub(super) fn barred(&self) -> Option<Bar> {
        let (profile, season) = (self.facts.profile, self.facts.outlook.season.year);
        let (begins, ended) = (profile.first_day(season), profile.last_day(season));
        if self.today < begins {
            Some(Bar::Quiet(QuietReason::SeasonNotBegun { begins }))
        } else if self.today > ended {
            Some(Bar::SeasonOver(ended))
        } else if self.facts.outlook.today != self.today {
            Some(Bar::Quiet(QuietReason::NotTodaysOutlook { outlook_of: self.facts.outlook.today }))
        } else {
            let window = &profile.window;
            [(self.opens, &window.opens), (self.closes, &window.closes)]
                .into_iter()
                .find(|(known, _)| known.is_none())
                .map(|(_, stage)| Bar::Quiet(QuietReason::NoSuchStage { stage: stage.clone() }))
        }
    }

    pub(super) fn barred_answer(&self, kind: NoticeKind, bar: &Bar) -> Verdict {
        let answer = match (bar, self.standing(kind)) {
            (Bar::SeasonOver(ended), Some(Standing::Waiting { .. } | Standing::Held)) => {
                Answer::Skip { reason: SkipReason::SeasonOver { ended: *ended } }
            }
            (Bar::SeasonOver(ended), _) => Answer::Quiet { reason: QuietReason::SeasonOver { ended: *ended } },
            (Bar::Quiet(reason), _) => Answer::Quiet { reason: reason.clone() },
        };
        Verdict { kind, answer }
    }

    /// From the last kind to the first, since a later one overtakes an earlier; only last days looks the other way, and
    /// so stands after inspect now.
    pub(super) fn answers(&self) -> Vec<Verdict> {
        use NoticeKind::{GetReady, InspectNow, LastDaysToWash, TooLateToWash};
        let mut done: Vec<Verdict> = Vec::with_capacity(NoticeKind::ALL.len());
        for kind in [TooLateToWash, InspectNow, LastDaysToWash, GetReady] {
            let stand = match kind {
                GetReady => self.get_ready(),
                InspectNow => self.inspect_now(),
                LastDaysToWash => self.last_days(&done),
                TooLateToWash => self.too_late(),
            };
            done.push(Verdict { kind, answer: self.answer(kind, stand, &done) });
        }
        done.sort_by_key(|verdict| verdict.kind);
        done
    }

    fn answer(&self, kind: NoticeKind, stand: Stand, done: &[Verdict]) -> Answer {
        let skip = |reason| Answer::Skip { reason };
        let quiet = |reason| Answer::Quiet { reason };
        let told = self.facts.told.iter().find(|told| told.kind == kind);
        match told.map(|told| (&told.standing, told.decided_on)) {
            Some((Standing::Released { on }, _)) => return quiet(QuietReason::AlreadyTold { on: *on }),
            Some((Standing::Skipped, on)) => return quiet(QuietReason::AlreadySkipped { on }),
            Some((Standing::Cancelled, _)) => return quiet(QuietReason::CancelledByStaff),
            _ => {}
        }
        let standing = told.map(|told| &told.standing);
        let later = |going| {
            let mut kinds = NoticeKind::ALL.into_iter().filter(|later| *later > kind);
            kinds.find(|later| self.going(*later, done) == Some(going))
        };
        if let Stand::Past(reason) = stand {
            return skip(reason);
        }
        if let Some(by) = later(Going::Out) {
            return skip(SkipReason::Overtaken { by });
        }
        match (standing, stand) {
            (Some(Standing::Held), _) => quiet(QuietReason::HeldByStaff),
            (Some(Standing::Waiting { word_needed: None }), stand) => self.waiting_for_hour(kind, stand),
            (Some(Standing::Waiting { word_needed: Some(word) }), stand) => self.waiting_for_word(word, stand),
            (_, Stand::In { reason, word_needed, expires_on }) => match later(Going::Waits) {
                // One question at a time; what needs no word goes out, though a later one waits for its own.
                Some(later) if word_needed.is_some() => quiet(QuietReason::LaterWaits { later }),
                _ => Answer::Announce(self.terms(reason, word_needed, expires_on)),
            },
            (_, Stand::NotYet(reason)) => quiet(reason),
            (_, Stand::Past(reason)) => skip(reason),
        }
    }

    /// The hours in which staff may hold it are there to catch this too.
    fn waiting_for_hour(&self, kind: NoticeKind, stand: Stand) -> Answer {
        let word_needed = match stand {
            Stand::In { word_needed, .. } => word_needed,
            _ => self.early(kind, self.today).map(|early| WordNeeded::NowTooEarly { expected: early.expected }),
        };
        word_needed
            .map_or(Answer::Quiet { reason: QuietReason::WaitsForHour }, |word_needed| Answer::AskFirst { word_needed })
    }

    fn waiting_for_word(&self, word: &WordNeeded, stand: Stand) -> Answer {
        match stand {
            // Staff who asked to be asked are asked, also if they have changed the policy since.
            Stand::In { reason, word_needed: None, expires_on } if *word != WordNeeded::ByPolicy => {
                Answer::Free(self.terms(reason, None, expires_on))
            }
            Stand::In { word_needed: Some(word_needed), .. } => {
                Answer::Quiet { reason: QuietReason::WaitsForWord { word_needed } }
            }
            _ => Answer::Quiet { reason: QuietReason::WaitsForWord { word_needed: word.clone() } },
        }
    }

    fn terms(&self, reason: Ground, word_needed: Option<WordNeeded>, expires_on: NaiveDate) -> Terms {
        let release = if word_needed.is_some() { Release::WhenConfirmed } else { self.facts.release };
        Terms { reason, release, word_needed, expires_on }
    }

    /// Where a notice stands once the answers found so far are carried out; `None` when it does not go out.
    fn going(&self, kind: NoticeKind, done: &[Verdict]) -> Option<Going> {
        match done.iter().find(|verdict| verdict.kind == kind).map(|verdict| &verdict.answer) {
            Some(Answer::Announce(terms) | Answer::Free(terms)) if terms.word_needed.is_none() => Some(Going::Out),
            Some(Answer::Announce(_) | Answer::Free(_) | Answer::AskFirst { .. }) => Some(Going::Waits),
            Some(Answer::Skip { .. }) => None,
            Some(Answer::Quiet { .. }) | None => match self.standing(kind)? {
                Standing::Released { .. } | Standing::Waiting { word_needed: None } => Some(Going::Out),
                Standing::Held | Standing::Waiting { word_needed: Some(_) } => Some(Going::Waits),
                Standing::Skipped | Standing::Cancelled => None,
            },
        }
    }
}

/// A notice that goes out by itself or has gone out, or one that a person must still let go.
#[derive(Clone, Copy, PartialEq)]
enum Going {
    Out,
    Waits,
}
