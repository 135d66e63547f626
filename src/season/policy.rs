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
    /// Last days to wash: median hatch at most this many days off.
    pub last_days: u32,
    /// Too late to wash: at least this chance (0-1) that hatch has passed. From then on no other notice is of use.
    pub too_late_chance: f64,
    /// Off by default: it points to what else can be done.
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

/// Days after the event during which a notice is of use: for inspect now the opening of the window, for too late its
/// close; for the two that look ahead, the day of the decision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default, rename_all = "kebab-case")]
pub struct UsefulDays {
    pub get_ready: u32,
    pub inspect_now: u32,
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
            NoticeKind::LastDaysToWash => self.last_days_to_wash,
            NoticeKind::TooLateToWash => self.too_late_to_wash,
        }
    }
}

impl Default for UsefulDays {
    fn default() -> Self {
        Self { get_ready: 14, inspect_now: 21, last_days_to_wash: 7, too_late_to_wash: 21, follow_up: 21 }
    }
}

impl Default for Policy {
    fn default() -> Self {
        Self {
            get_ready_days: 10,
            get_ready_chance: 0.5,
            inspect_chance: 0.8,
            last_days: 7,
            too_late_chance: 0.9,
            too_late_on: false,
            filled_share_limit: 0.15,
            real_day_age_limit_days: 5,
            past_years_needed: 5,
            early_by_days: 3,
            follow_up_days: 10,
            useful_days: UsefulDays::default(),
        }
    }
}
