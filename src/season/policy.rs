//! The rules of the decision in numbers, with the units in their names.

use serde::{Deserialize, Serialize};

use super::NoticeKind;

/// Set in the configuration's policy section; every field may be left out there.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize)]
#[serde(default)]
pub struct Policy {
    /// Get ready: median date of the window's opening at most this many days off …
    pub get_ready_days: u32,
    /// … or at least this chance (0-1) within those days.
    pub get_ready_chance: f64,
    /// Inspect now: at least this chance (0-1) that the window has opened.
    pub inspect_chance: f64,
    /// Wash now: on the first day on which one wash is expected to take at least this part (0-1) of the most it can.
    pub best_share: f64,
    /// Between the first of the best days and the deadline lie at least so many days, so that everybody finds one.
    pub wash_days: u32,
    /// The deadline lies so many days before the early date of the hatch: to let the litter dry and to rake.
    pub rake_days: u32,
    /// Last days to wash: so many days before the deadline where the window is long enough, so that a weekend lies in between …
    pub last_days: u32,
    /// … but at least so many after wash now: what was laid since makes a second wash worth while. With `wash_days` as shipped
    /// this decides while the belief is wide, and leaves three days.
    pub between_washes_days: u32,
    /// People are told when a deadline that they were told moves by more than this.
    pub deadline_moves_days: u32,
    /// Last days goes out at once when so many confirmed reports, each of another tree, have seen the hatch.
    pub hatch_reports: u32,
    /// Too late to wash: the deadline has passed, with at least this chance (0-1) that eggs hatch.
    pub too_late_chance: f64,
    /// Points to what else can be done.
    pub too_late_on: bool,
    /// An unconfirmed notice needs at most this share (0-1) of filled days since the biofix. Filled days may also
    /// bring at most this share of the heat that opens the window.
    pub filled_share_limit: f64,
    /// … and an observed day at most this many days old.
    pub real_day_age_limit_days: u32,
    /// … and at least this many past years.
    pub past_years_needed: u32,
    /// Staff are told when revised data shows that a notice was early by more than this.
    pub early_by_days: u32,
    /// Days after inspect now on which those who were told are asked what they saw; 0 = never.
    pub follow_up_days: u32,
    /// How long each notice is of use.
    pub useful_days: UsefulDays,
}

/// Days after the event during which a notice is of use: for inspect now the day from which to look, for wash now the first
/// of the best days, for too late the deadline; for the others, the day of the decision. None but too late is of use after
/// the deadline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default, rename_all = "kebab-case")]
pub struct UsefulDays {
    pub get_ready: u32,
    pub inspect_now: u32,
    pub wash_now: u32,
    pub deadline_moved: u32,
    pub last_days_to_wash: u32,
    pub too_late_to_wash: u32,
    /// After the question what was seen: so long answers count.
    pub follow_up: u32,
}

impl UsefulDays {
    pub fn of(&self, kind: NoticeKind) -> u32 {
        match kind {
            NoticeKind::GetReady => self.get_ready,
            NoticeKind::InspectNow => self.inspect_now,
            NoticeKind::WashNow => self.wash_now,
            NoticeKind::DeadlineMoved => self.deadline_moved,
            NoticeKind::LastDaysToWash => self.last_days_to_wash,
            NoticeKind::TooLateToWash => self.too_late_to_wash,
        }
    }
}

impl Default for UsefulDays {
    fn default() -> Self {
        Self {
            get_ready: 21,
            inspect_now: 28,
            wash_now: 14,
            deadline_moved: 7,
            last_days_to_wash: 11,
            too_late_to_wash: 21,
            follow_up: 21,
        }
    }
}

/// Above this chance of egg laying, people are asked to look later than most would want: the number of the rules before the chance
/// counted both doubts, the weather's and the insect's.
const LATE_CHANCE: f64 = 0.6;

impl Policy {
    /// Of numbers that are sound, and surely not what is meant.
    pub fn warning(&self) -> Option<String> {
        let Self { inspect_chance, .. } = self;
        (*inspect_chance > LATE_CHANCE).then(|| {
            format!(
                "policy.inspect_chance: {inspect_chance} asks people to look only when egg laying has begun with this chance, weather and \
                 insect together; settings written before the chance counted both had 0.8. The default is {}: see \
                 tests/evidence/policy.md",
                Self::default().inspect_chance
            )
        })
    }
}

impl Default for Policy {
    fn default() -> Self {
        Self {
            get_ready_days: 21,
            get_ready_chance: 0.5,
            inspect_chance: 0.4,
            best_share: 0.9,
            wash_days: 8,
            rake_days: 3,
            last_days: 11,
            between_washes_days: 5,
            deadline_moves_days: 3,
            hatch_reports: 2,
            too_late_chance: 0.5,
            too_late_on: true,
            filled_share_limit: 0.15,
            real_day_age_limit_days: 5,
            past_years_needed: 5,
            early_by_days: 3,
            follow_up_days: 10,
            useful_days: UsefulDays::default(),
        }
    }
}
