//! Practice, as the desk's pages know it: an invented season whose clock staff move, and from which nothing leaves.
//!
//! Who gives the pages none of it, as the service does, has none of its pages either.

use std::time::Duration;

use async_trait::async_trait;
use chrono::{DateTime, NaiveDate, Utc};

use crate::people::Channel;
use crate::season::NoticeId;
use crate::store::accounts::StoredAccount;

/// Whoever waits for the clock looks at it this often.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// How far the clock is moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// A quarter of an hour: what was sent may leave, and some of it be on its way.
    Quarter,
    /// An hour: what waits for one may leave, and most of what was sent be out.
    Hour,
    /// To the next morning.
    Day,
    /// Seven mornings on.
    Week,
    /// To the first morning on which something new was decided.
    NextNotice,
}

impl Step {
    pub const ALL: [Step; 5] = [Step::Quarter, Step::Hour, Step::Day, Step::Week, Step::NextNotice];

    /// As forms name it.
    pub fn name(self) -> &'static str {
        match self {
            Step::Quarter => "quarter",
            Step::Hour => "hour",
            Step::Day => "day",
            Step::Week => "week",
            Step::NextNotice => "next-notice",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|step| step.name() == name)
    }
}

/// Where a practice stands.
#[derive(Clone, Debug)]
pub enum Standing {
    /// Nothing is under way. What happened last, if anything did.
    Still(Option<Lived>),
    /// The clock is being moved.
    Moving(Goal),
    /// A new season is being made.
    Making,
}

/// Where the clock is being moved to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Goal {
    At(DateTime<Utc>),
    /// To the first morning on which something new is decided.
    NextNotice,
}

/// What happened while the clock was moved.
#[derive(Clone, Debug)]
pub struct Lived {
    pub from: DateTime<Utc>,
    pub to: DateTime<Utc>,
    /// Runs of the cycle.
    pub cycles: u32,
    /// Notices that were decided or ended unsent, and what of them went out.
    pub decided: Vec<NoticeId>,
    pub released: Vec<NoticeId>,
    /// Messages that went.
    pub messages: u64,
    /// Field reports and answers of invented people.
    pub reports: u64,
    /// What went wrong, in words.
    pub faults: Vec<String>,
    /// The season has no further day.
    pub season_over: bool,
}

/// Why the clock cannot be moved, or no new season be made, in words for staff.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PracticeFault {
    #[error("the clock is being moved already: wait until it stands")]
    Busy,
    #[error("the season is over: begin again")]
    SeasonOver,
}

/// Messages that went and read alike.
#[derive(Clone, Debug, PartialEq)]
pub struct Went {
    pub channel: Channel,
    /// Subject of an e-mail, or the whole text.
    pub says: String,
    pub count: u64,
    pub first_at: DateTime<Utc>,
    pub last_at: DateTime<Utc>,
    /// By which one of them is read.
    pub file: String,
}

/// A message as it went.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    pub channel: Channel,
    pub to: String,
    pub subject: Option<String>,
    pub text: String,
    /// Names of what is attached.
    pub attached: Vec<String>,
}

/// What stands behind the pages of practice.
#[async_trait]
pub trait Practice: Send + Sync {
    fn now(&self) -> DateTime<Utc>;

    /// The invented season's year.
    fn season(&self) -> i32;

    /// The last day to which the clock can be moved.
    fn last_day(&self) -> NaiveDate;

    fn standing(&self) -> Standing;

    /// Waits at most so long until the clock moves no more. While a new season is made nobody waits: the old one's pages are shut
    /// for it.
    async fn settled(&self, patience: Duration) {
        let still = async {
            while matches!(self.standing(), Standing::Moving(_)) {
                tokio::time::sleep(LOOK_EVERY).await;
            }
        };
        // Where it goes on, its page says so.
        let _ = tokio::time::timeout(patience, still).await;
    }

    /// Moves the clock, and waits at most so long for it; the rest goes on behind.
    ///
    /// # Errors
    /// See [`PracticeFault`]; then nothing has moved.
    async fn step(&self, step: Step, patience: Duration) -> Result<(), PracticeFault>;

    /// Makes another season in the place of this one, with other weather and other people. Who is signed in stays so. It goes on
    /// behind the answer: the old season's pages are shut as soon as the new one is there.
    ///
    /// # Errors
    /// [`PracticeFault::Busy`].
    async fn begin_again(&self) -> Result<(), PracticeFault>;

    /// What went last, alike messages together, the newest first; at most `limit` groups.
    ///
    /// # Errors
    /// When the messages cannot be read.
    async fn messages(&self, limit: usize) -> std::io::Result<Vec<Went>>;

    /// One message; `None` when there is none by this name.
    ///
    /// # Errors
    /// When it cannot be read.
    async fn message(&self, file: &str) -> std::io::Result<Option<Message>>;

    /// The code that an authenticator app would show now, for the account that was made for practice.
    fn code(&self, account: &StoredAccount) -> Option<String>;
}
