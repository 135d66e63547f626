//! What is counted of seasons, truths and owners, and what many of them come to.

use chrono::NaiveDate;
use serde::Serialize;

use super::live::Course;
use super::owners::{Chances, Owner, Tree};
use super::thousandths;
use crate::season::days_between;

/// A day of the window is one on which a wash takes at least this share (0-1) of the eggs.
const USEFUL: f64 = 0.9;

/// Counts of one set of rules in one setting; whole numbers, so that their sum is the same in any order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    seasons: u32,
    cases: u32,
    /// By owner, thousandths a case.
    removed: [Vec<u16>; Owner::ALL.len()],
    looks_too_early: u32,
    lost_before: u32,
    lost_after: u32,
    /// Cases with a deadline that was told, and in how many it came after the first hatch, by how many days in all.
    told: u32,
    late: u32,
    late_days: u32,
    half_gone: u32,
    moved: u32,
    messages: u32,
    ready_to_laying: Vec<i64>,
    wash_to_deadline: Vec<i64>,
    last_to_deadline: Vec<i64>,
}

impl Tally {
    pub(super) fn add_season(&mut self, course: &Course) {
        self.seasons += 1;
        self.messages += course.messages;
        self.moved += u32::from(course.moved);
        let to_deadline = |on: Option<NaiveDate>| Some(days_between(on?, course.deadline_on(on?)?));
        self.wash_to_deadline.extend(to_deadline(course.act()));
        self.last_to_deadline.extend(to_deadline(course.last));
    }

    pub(super) fn add_case(&mut self, course: &Course, tree: &Tree<'_>, chances: &Chances) {
        self.cases += 1;
        for (owner, removed) in Owner::ALL.into_iter().zip(&mut self.removed) {
            let done = owner.acts(course, tree, chances);
            removed.push(thousandths(tree.taken(&done.washes)));
            self.looks_too_early += done.looks_too_early;
        }
        let (act, deadline) = (course.act(), course.deadline());
        for day in tree.days_with(USEFUL) {
            if act.is_none_or(|act| day < act) {
                self.lost_before += 1;
            } else if deadline.is_some_and(|deadline| day > deadline) {
                self.lost_after += 1;
            }
        }
        self.ready_to_laying.extend(course.ready.zip(tree.laying()).map(|(ready, laying)| days_between(ready, laying)));
        if let Some(deadline) = deadline {
            self.told += 1;
            self.half_gone += u32::from(tree.there(deadline) < 0.5);
            let late = tree.hatch().map_or(0, |hatch| days_between(hatch, deadline));
            if late > 0 {
                self.late += 1;
                self.late_days += u32::try_from(late).unwrap_or(0);
            }
        }
    }

    pub(super) fn add(&mut self, other: &Tally) {
        self.seasons += other.seasons;
        self.cases += other.cases;
        for (all, of_other) in self.removed.iter_mut().zip(&other.removed) {
            all.extend(of_other);
        }
        self.looks_too_early += other.looks_too_early;
        self.lost_before += other.lost_before;
        self.lost_after += other.lost_after;
        self.told += other.told;
        self.late += other.late;
        self.late_days += other.late_days;
        self.half_gone += other.half_gone;
        self.moved += other.moved;
        self.messages += other.messages;
        self.ready_to_laying.extend(&other.ready_to_laying);
        self.wash_to_deadline.extend(&other.wash_to_deadline);
        self.last_to_deadline.extend(&other.last_to_deadline);
    }

    pub(super) fn loss(self, name: &str) -> RuleLoss {
        let a_case = |count: u32| f64::from(count) / f64::from(self.cases.max(1));
        let a_told = |count: u32| f64::from(count) / f64::from(self.told.max(1));
        let a_season = |count: u32| f64::from(count) / f64::from(self.seasons.max(1));
        let (lost_before, lost_after) = (a_case(self.lost_before), a_case(self.lost_after));
        let (late, half_gone) = (a_told(self.late), a_told(self.half_gone));
        let late_days = (self.late > 0).then(|| f64::from(self.late_days) / f64::from(self.late));
        let (moved, messages) = (a_season(self.moved), a_season(self.messages));
        let looks_too_early = a_case(self.looks_too_early);
        let [once, twice, looks, last_days, joins_late] = self.removed.map(Share::of);
        RuleLoss {
            rules: name.to_owned(),
            seasons: self.seasons,
            cases: self.cases,
            once,
            twice,
            looks,
            last_days,
            joins_late,
            looks_too_early,
            lost_before,
            lost_after,
            late,
            late_days,
            half_gone,
            moved,
            messages,
            ready_to_laying: Days::of(self.ready_to_laying),
            wash_to_deadline: Days::of(self.wash_to_deadline),
            last_to_deadline: Days::of(self.last_to_deadline),
        }
    }
}

/// What one set of rules comes to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RuleLoss {
    pub rules: String,
    pub seasons: u32,
    /// Seasons times truths.
    pub cases: u32,
    /// Share of a tree's eggs that each [`Owner`] removes.
    pub once: Share,
    pub twice: Share,
    pub looks: Share,
    pub last_days: Share,
    pub joins_late: Share,
    /// Looks before the first egg is laid, a season, of the owner who looks.
    pub looks_too_early: f64,
    /// Days, a season, on which a wash takes at least nine tenths of the eggs, before the word to wash and after the
    /// deadline that was told last.
    pub lost_before: f64,
    pub lost_after: f64,
    /// Share (0-1) of told deadlines that came after the first hatch, and by how many days on average.
    pub late: f64,
    pub late_days: Option<f64>,
    /// Share (0-1) of told deadlines on which a wash takes less than half of the eggs.
    pub half_gone: f64,
    /// Share (0-1) of seasons in which a told deadline moved by more than three days.
    pub moved: f64,
    /// Notices a season.
    pub messages: f64,
    pub ready_to_laying: Option<Days>,
    /// From the notice to the deadline that it tells.
    pub wash_to_deadline: Option<Days>,
    pub last_to_deadline: Option<Days>,
}

/// Shares (0-1) removed: their mean, and the one that a tenth stays at or below.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Share {
    pub mean: f64,
    pub tenth: f64,
}

impl Share {
    /// From thousandths; of none at all both are 0.
    fn of(mut thousandths: Vec<u16>) -> Self {
        thousandths.sort_unstable();
        let sum: u64 = thousandths.iter().map(|share| u64::from(*share)).sum();
        let mean = sum as f64 / thousandths.len().max(1) as f64 / 1000.0;
        let tenth = point(&thousandths, 0.1).map_or(0.0, |share| f64::from(share) / 1000.0);
        Self { mean, tenth }
    }
}

/// 10 %, median and 90 % of a list of days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Days {
    pub tenth: i64,
    pub median: i64,
    pub ninetieth: i64,
}

impl Days {
    fn of(mut days: Vec<i64>) -> Option<Self> {
        days.sort_unstable();
        Some(Self { tenth: point(&days, 0.1)?, median: point(&days, 0.5)?, ninetieth: point(&days, 0.9)? })
    }
}

/// The value at a share (0-1) of a sorted list.
fn point<T: Copy>(sorted: &[T], share: f64) -> Option<T> {
    let last = sorted.len().checked_sub(1)?;
    sorted.get((share * last as f64).round() as usize).copied()
}
