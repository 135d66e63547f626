//! A draft of a region: what was asked for, how far the work on it is, and what came of it.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use chrono::{DateTime, Utc};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use crate::id::StationId;
use crate::region::{Region, RegionId};
use crate::service::desk::comes_up::ComesUp;
use crate::service::new_region::trial::Trial;
use crate::service::new_region::{Found, NoStation, Wish};
use crate::service::preview::Preview;

/// What is to become of a draft.
#[derive(Clone, Debug)]
pub enum Task {
    /// A region that is not there yet.
    Add(Box<Wish>),
    Change(Box<RegionChange>),
}

/// A region in use as it is, and as it is to be.
#[derive(Clone, Debug)]
pub struct RegionChange {
    pub before: Region,
    pub after: Region,
}

impl RegionChange {
    /// Whether it moves no date: another name, another way in which notices leave, or when owners' reports count.
    pub fn is_of_words(&self) -> bool {
        let RegionChange { before, after } = self;
        let words = Region {
            name: before.name.clone(),
            release: before.release,
            owner_reports: before.owner_reports,
            ..after.clone()
        };
        words == *before
    }
}

/// What is being done for a draft.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Others come first.
    InLine,
    LookingUp,
    /// The whole record of a station.
    Fetching(StationId),
    /// Through past seasons.
    Living,
}

/// How far the work on a draft is.
#[derive(Clone, Debug)]
pub enum Stage {
    /// `done` of `of`; 0 of 0 where that cannot be counted.
    Working {
        step: Step,
        done: u64,
        of: u64,
    },
    Ready(Arc<Ready>),
    Failed(Arc<Failure>),
    Saved(RegionId),
    /// Whoever began it wants it no more.
    GivenUp,
}

impl Stage {
    pub fn is_under_way(&self) -> bool {
        matches!(self, Stage::Working { .. })
    }
}

/// Why a draft came to nothing.
#[derive(Clone, Debug)]
pub struct Failure {
    /// Sentences, each with the mend.
    pub why: Vec<String>,
    /// What may be taken all the same, where that was it.
    pub no_station: Option<NoStation>,
}

impl Failure {
    pub(super) fn of(why: impl Into<String>) -> Self {
        Self { why: vec![why.into()], no_station: None }
    }
}

/// A draft that can be saved.
pub struct Ready {
    /// Of a change no facts were looked up; its remarks and doubts are those of its new place.
    pub found: Found,
    pub preview: Preview,
    /// Of a change: as the region is now.
    pub before: Option<Preview>,
    /// Which notices saving it brings up; `None`: that cannot be worked out.
    pub comes_up: Option<Vec<ComesUp>>,
    /// What of the records could not be had.
    pub notes: Vec<String>,
    /// Of a new region: with its stations' records.
    pub(super) trial: Option<Trial>,
}

impl std::fmt::Debug for Ready {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Ready").field("region", &self.found.region.id).finish_non_exhaustive()
    }
}

/// A region that somebody thinks of, kept in the memory until it is saved, given up or forgotten.
pub struct Draft {
    pub id: String,
    /// The account that began it; nobody else sees it.
    pub owner: String,
    pub begun_at: DateTime<Utc>,
    pub task: Task,
    /// As it was typed, for the form to be filled in again.
    pub typed: BTreeMap<String, String>,
    stage: watch::Sender<Stage>,
    given_up: CancellationToken,
    /// Whoever began it wants its page to load itself again while it is worked on.
    follows: AtomicBool,
}

impl Draft {
    pub(super) fn new(
        id: String,
        owner: &str,
        begun_at: DateTime<Utc>,
        asked: (Task, BTreeMap<String, String>),
        given_up: CancellationToken,
    ) -> Self {
        let (task, typed) = asked;
        let stage = watch::Sender::new(Stage::Working { step: Step::InLine, done: 0, of: 0 });
        let follows = AtomicBool::new(false);
        Self { id, owner: owner.to_owned(), begun_at, task, typed, stage, given_up, follows }
    }

    /// Whether its page loads itself again; said once, that holds wherever the page is come to from.
    pub fn follows(&self) -> bool {
        self.follows.load(Ordering::Relaxed)
    }

    pub fn follow(&self, follows: bool) {
        self.follows.store(follows, Ordering::Relaxed);
    }

    pub fn stage(&self) -> Stage {
        self.stage.borrow().clone()
    }

    /// Waits until the work has ended, but not for longer than `patience`.
    pub async fn ended_within(&self, patience: Duration) -> Stage {
        let mut seen = self.stage.subscribe();
        // Whoever does not want to wait any more is told how far it is.
        let _ = tokio::time::timeout(patience, seen.wait_for(|stage| !stage.is_under_way())).await;
        self.stage()
    }

    /// Goes on to another stage; one that was given up stays so.
    pub(super) fn go_to(&self, stage: Stage) {
        self.stage.send_if_modified(|now| {
            let goes = !matches!(now, Stage::GivenUp | Stage::Saved(_));
            if goes {
                *now = stage;
            }
            goes
        });
    }

    pub(super) fn give_up(&self) {
        self.go_to(Stage::GivenUp);
        self.given_up.cancel();
    }

    pub(super) fn given_up(&self) -> &CancellationToken {
        &self.given_up
    }
}
