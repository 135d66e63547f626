//! What owners do on the notices of a season, and the share of their tree's eggs that it takes.

use chrono::NaiveDate;
use serde::Serialize;

use super::live::Course;
use super::{Truth, place};
use crate::season::profile::Eggs;
use crate::season::{days_after, days_between};

/// Owners as they are played. Each does what a notice says within a week of it, on any day as likely as on another, but on no
/// day after the deadline that people know by then.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Owner {
    /// Washes once, on "wash now".
    Once,
    /// Washes on "wash now" and again on "last days".
    Twice,
    /// Looks twice a week from "inspect now" on; washes on the first look that finds half of the eggs laid, on "wash now" at
    /// the latest, and again on "last days".
    Looks,
    /// Washes on "last days" alone.
    LastDays,
    /// Joins half-way from "wash now" to the deadline, gets the notice in force, and washes once.
    JoinsLate,
}

impl Owner {
    pub const ALL: [Owner; 5] = [Owner::Once, Owner::Twice, Owner::Looks, Owner::LastDays, Owner::JoinsLate];
}

/// What chance decides for one truth and its owners, the same for every candidate: each from 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chances {
    pub(super) truth: f64,
    pub(super) first_wash: f64,
    pub(super) second_wash: f64,
    pub(super) look: f64,
}

/// Days after a notice within which one acts.
const ACTS_WITHIN: u32 = 7;

/// Two looks a week.
const LOOK_DAYS: [u32; 2] = [3, 4];

/// A look finds cotton on every branch where at least this share (0-1) of the eggs is laid.
const COTTON_EVERYWHERE: f64 = 0.5;

impl Chances {
    /// Those of one season: truths are spread evenly over the belief from a place that chance picks. `next` gives the next
    /// number of 0 to 1.
    pub fn of_season(truths: usize, next: &mut dyn FnMut() -> f64) -> Vec<Self> {
        let shift = next();
        let truth = |k: usize| (shift + k as f64 / truths.max(1) as f64).fract();
        let mut of = |k| Self { truth: truth(k), first_wash: next(), second_wash: next(), look: next() };
        (0..truths).map(&mut of).collect()
    }

    /// One of equally likely truths.
    pub(super) fn pick(&self, truths: &[Truth]) -> Option<Truth> {
        truths.get(one_of(self.truth, truths.len())).copied()
    }
}

fn one_of(chance: f64, count: usize) -> usize {
    ((chance * count as f64) as usize).min(count.saturating_sub(1))
}

fn delay(chance: f64) -> u32 {
    one_of(chance, ACTS_WITHIN as usize + 1) as u32
}

/// One tree in one season.
pub(super) struct Tree<'a> {
    pub(super) eggs: &'a Eggs,
    pub(super) truth: Truth,
    /// The day of the first sum.
    pub(super) first: NaiveDate,
    /// °C·day at the end of each day.
    pub(super) sums: &'a [f64],
}

impl Tree<'_> {
    fn heat(&self, day: NaiveDate) -> f64 {
        let at = place(self.first, day);
        at.map_or(0.0, |at| self.sums.get(at).or(self.sums.last()).copied().unwrap_or(0.0))
    }

    /// Share (0-1) of the season's eggs laid by the end of a day.
    pub(super) fn laid(&self, day: NaiveDate) -> f64 {
        ((self.heat(day) - self.truth.laying) / self.eggs.laid_over_c).clamp(0.0, 1.0)
    }

    fn hatched(&self, day: NaiveDate) -> f64 {
        ((self.heat(day) - self.truth.hatch) / self.eggs.hatched_over_c).clamp(0.0, 1.0)
    }

    /// Share (0-1) of the season's eggs that is there.
    pub(super) fn there(&self, day: NaiveDate) -> f64 {
        (self.laid(day) - self.hatched(day)).max(0.0)
    }

    /// Share (0-1) that washes on these days, in order, take together: eggs hatch in the order in which they were laid, so
    /// that each takes those between the last hatched or taken and the last laid.
    pub(super) fn taken(&self, washes: &[NaiveDate]) -> f64 {
        let mut gone = 0.0_f64;
        let each = washes.iter().map(|day| {
            let laid = self.laid(*day);
            let takes = (laid - self.hatched(*day).max(gone)).max(0.0);
            gone = gone.max(laid);
            takes
        });
        each.sum()
    }

    fn day_at(&self, sum: f64) -> Option<NaiveDate> {
        let at = self.sums.partition_point(|known| *known < sum - 1e-9);
        (at < self.sums.len()).then(|| days_after(self.first, at as u32))
    }

    /// The day on which the first egg is laid, and hatches; `None` past the season's end.
    pub(super) fn laying(&self) -> Option<NaiveDate> {
        self.day_at(self.truth.laying)
    }

    pub(super) fn hatch(&self) -> Option<NaiveDate> {
        self.day_at(self.truth.hatch)
    }

    /// Days of the season on which at least this share (0-1) is there.
    pub(super) fn days_with(&self, share: f64) -> impl Iterator<Item = NaiveDate> + '_ {
        self.first.iter_days().take(self.sums.len()).filter(move |day| self.there(*day) >= share)
    }
}

/// What an owner did: the days of washing, in order, and looks at a tree on which nothing could be seen yet.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Done {
    pub(super) washes: Vec<NaiveDate>,
    pub(super) looks_too_early: u32,
}

impl Owner {
    pub(super) fn acts(self, course: &Course, tree: &Tree<'_>, chances: &Chances) -> Done {
        let first = |on: NaiveDate| within(course, on, delay(chances.first_wash));
        let second = || course.last.map(|on| within(course, on, delay(chances.second_wash)));
        let mut done = Done::default();
        match self {
            // Who missed the first word has the second.
            Owner::Once => done.washes.extend(course.act().or(course.last).map(first)),
            Owner::Twice => done.washes.extend(course.act().map(first).into_iter().chain(second())),
            Owner::LastDays => done.washes.extend(second()),
            Owner::JoinsLate => done.washes.extend(hears(course).map(first)),
            Owner::Looks => {
                // "Inspect now" alone leaves it to what is seen, and to the last days.
                let told = if course.look_is_wash { None } else { course.wash }.map(first).or_else(second);
                done = looks(course, tree, told, 1 + one_of(chances.look, LOOK_DAYS[0] as usize) as u32);
                done.washes.extend(second());
            }
        }
        done.washes.sort_unstable();
        done
    }
}

/// So many days after a notice, or on the deadline where that comes first.
fn within(course: &Course, on: NaiveDate, days: u32) -> NaiveDate {
    let ends = |day: &NaiveDate| course.deadline_on(*day).is_some_and(|deadline| deadline <= *day);
    on.iter_days().take(days as usize).find(ends).unwrap_or_else(|| days_after(on, days))
}

/// The day on which somebody who joins half-way hears that it is time: by the rules before only from the next notice, else
/// at once.
fn hears(course: &Course) -> Option<NaiveDate> {
    let from = course.act()?;
    let half = days_between(from, course.deadline_on(from)?).max(0) / 2;
    let joins = days_after(from, u32::try_from(half).unwrap_or(0));
    if course.look_is_wash { course.last.filter(|last| *last > joins) } else { Some(joins) }
}

/// `told`: the day by which a wash comes, whatever was seen; without one there is no end but the deadline.
fn looks(course: &Course, tree: &Tree<'_>, told: Option<NaiveDate>, first: u32) -> Done {
    let mut done = Done::default();
    let Some(from) = course.look else {
        done.washes.extend(told);
        return done;
    };
    let Some(end) = told.or(course.deadline()) else { return done };
    let laying = tree.laying();
    let (mut day, mut steps) = (days_after(from, first - 1), LOOK_DAYS.iter().cycle());
    while day < end {
        if tree.laid(day) >= COTTON_EVERYWHERE {
            done.washes.push(day);
            return done;
        }
        done.looks_too_early += u32::from(laying.is_none_or(|laying| day < laying));
        day = days_after(day, *steps.next().unwrap_or(&LOOK_DAYS[0]));
    }
    done.washes.extend(told);
    done
}
