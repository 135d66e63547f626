//! The share of a tree's eggs that a wash would take, day by day: laid by then and not yet hatched, averaged over the
//! futures of the weather and the belief about the insect.

use std::borrow::Cow;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::ensemble::Ensemble;
use super::lines::{Lines, day_at};
use crate::heat::widest::{Work, widest};
use crate::season::profile::{Eggs, Need, Profile};
use crate::season::{Policy, days_after, days_between};

/// What one wash would take on each day, and what a second one would add.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WashShare {
    /// The day of the first value.
    pub first: NaiveDate,
    /// Expected share (0-1) of a tree's eggs, to a thousandth, one a day; at both ends next to nothing is left out.
    pub one: Vec<f64>,
    /// After a wash on the first of the best days, when the next one adds most.
    pub second: Option<SecondWash>,
}

/// What a second wash adds to one on the first of the best days.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SecondWash {
    /// The day of the first wash.
    pub after: NaiveDate,
    pub on: NaiveDate,
    /// Expected share (0-1) of the tree's eggs that it takes on top.
    pub adds: f64,
}

/// Days on which one wash is expected to take nearly as much as on the best of days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct DaySpan {
    pub first: NaiveDate,
    pub last: NaiveDate,
}

/// What owners are told of washing, in eggs of 100, if the water took every egg that is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WashFigures {
    /// One wash on the best of the days that are told takes so many.
    pub takes: u32,
    /// Two, the first on the first of those days, take up to so many more than that; `None`: none, or none in time.
    pub second: Option<u32>,
    /// Each day after the best days costs so many, on average over a week; 0 is less than one.
    pub daily_loss: u32,
}

/// A share below this is next to nothing.
const NEXT_TO_NOTHING: f64 = 0.005;

/// The days over which the loss after the best days is averaged.
const WEEK: u32 = 7;

/// A second wash comes at least so many days after the first, once the ground has dried and more was laid (own choice, no
/// source). It comes within the least days that a window gives, since nobody is told to wash after the deadline.
const SECOND_AFTER_DAYS: u32 = 5;

impl WashShare {
    /// Share (0-1) that one wash on this day is expected to take.
    pub fn on(&self, day: NaiveDate) -> f64 {
        let at = usize::try_from(days_between(self.first, day)).ok();
        at.and_then(|at| self.one.get(at)).copied().unwrap_or(0.0)
    }

    /// The day on which one wash takes most, and how much.
    pub fn peak(&self) -> Option<(NaiveDate, f64)> {
        let (at, share) = self.one.iter().enumerate().rev().max_by(|a, b| a.1.total_cmp(b.1))?;
        Some((day_at(self.first, at), *share))
    }

    /// As [`WashShare::peak`], of the days up to `last`.
    pub fn peak_by(&self, last: NaiveDate) -> Option<(NaiveDate, f64)> {
        let (peak, share) = self.peak()?;
        if peak <= last {
            return Some((peak, share));
        }
        let up_to = usize::try_from(days_between(self.first, last)).ok()?;
        let (at, share) = self.one.iter().enumerate().take(up_to + 1).max_by(|a, b| a.1.total_cmp(b.1))?;
        Some((day_at(self.first, at), *share))
    }

    /// What two washes take together, the first and the second of [`WashShare::second`]; never more than there is.
    pub fn both(&self) -> Option<f64> {
        self.second.map(|second| (self.on(second.after) + second.adds).min(1.0))
    }

    /// In figures, for the best days and the deadline that are told. `None` where a wash takes next to nothing on them.
    pub fn figures(&self, best: DaySpan, deadline: NaiveDate) -> Option<WashFigures> {
        let hundredth = |share: f64| (share * 100.0).round().max(0.0) as u32;
        let (_, share) = self.peak_by(best.last)?;
        let lost = (self.on(best.last) - self.on(days_after(best.last, WEEK))) / f64::from(WEEK);
        let takes = hundredth(share);
        // Of 100 eggs two washes take no more than there are: what counts is what both take, over the best that one can.
        let both = self.second.filter(|second| second.on <= deadline).map(|second| self.on(second.after) + second.adds);
        let more = both.map(|both| hundredth(both.min(1.0)).saturating_sub(takes));
        let figures = WashFigures { takes, second: more.filter(|more| *more > 0), daily_loss: hundredth(lost) };
        Some(figures).filter(|figures| figures.takes > 0)
    }

    /// The days around the best one on which a wash takes at least this part (0-1) of what it takes then.
    pub fn best_days(&self, part: f64) -> Option<DaySpan> {
        let (peak, share) = self.peak()?;
        let enough = |day: NaiveDate| self.on(day) >= part * share;
        let mut first = peak;
        while let Some(before) = first.pred_opt().filter(|before| enough(*before)) {
            first = before;
        }
        let mut last = peak;
        while let Some(next) = last.succ_opt().filter(|next| enough(*next)) {
            last = next;
        }
        (share > 0.0).then_some(DaySpan { first, last })
    }
}

/// One draw of the belief: the sums from the biofix at which the first egg is laid and the first one hatches.
#[derive(Clone, Copy, Debug)]
struct Sums {
    laying: f64,
    hatch: f64,
}

/// What the draws of a belief say of a tree's eggs.
#[derive(Clone, Debug)]
pub(super) struct EggCurve {
    sums: Vec<Sums>,
    table: Table,
}

impl EggCurve {
    /// `seen`: by stage, the sum at which it was seen. `None` with a wait in days on the way to the hatch.
    pub(super) fn of(profile: &Profile, eggs: &Eggs, draws: &[Vec<Need>], seen: &[Option<f64>]) -> Option<Self> {
        let sums: Vec<Sums> = draws.iter().map(|needs| sums(profile, needs, seen)).collect::<Option<_>>()?;
        let table = Table::of(eggs, &sums);
        Some(Self { sums, table })
    }
}

/// `None` without futures.
pub(super) fn wash_share(curve: &EggCurve, lines: &Lines<'_>, ensemble: &Ensemble) -> Option<WashShare> {
    let known = lines.known.len();
    let days = Some(lines.days()).filter(|days| *days > 0 && lines.lanes() > 0)?;
    let mut raw: Vec<f64> = Vec::with_capacity(days);
    // The days behind us are the same in every future.
    raw.extend(lines.known.iter().map(|heat| curve.table.at(*heat)));
    for at in known..days {
        let heat = lines.on(at);
        if curve.table.is_naught(lines.lowest(at), lines.highest(at)) {
            raw.push(0.0);
            continue;
        }
        raw.push(heat.iter().map(|heat| curve.table.at(*heat)).sum::<f64>() / heat.len() as f64);
    }
    let shares = dressed(&raw, lines.first, ensemble);
    let from = shares.iter().position(|share| *share >= NEXT_TO_NOTHING)?;
    let to = shares.iter().rposition(|share| *share >= NEXT_TO_NOTHING)?;
    let one = shares[from..=to].iter().map(|share| (share * 1000.0).round() / 1000.0).collect();
    Some(WashShare { first: day_at(lines.first, from), one, second: None })
}

/// The wash that adds most to one on the first of the best days.
pub(super) fn second_wash(
    wash: &WashShare,
    curve: &EggCurve,
    eggs: &Eggs,
    policy: &Policy,
    lines: &Lines<'_>,
) -> Option<SecondWash> {
    let best = wash.best_days(policy.best_share)?;
    let after = usize::try_from(days_between(lines.first, best.first)).ok()?;
    let lanes = lines.lanes();
    let heat = |day: usize| match lines.known.get(day) {
        Some(known) => Cow::Owned(vec![*known; lanes]),
        None => Cow::Borrowed(lines.on(day)),
    };
    let first = heat(after);
    let mut adds = vec![0.0; lanes];
    let second = (SECOND_AFTER_DAYS..=policy.wash_days.max(SECOND_AFTER_DAYS)).map(|later| {
        let on = after + later as usize;
        adds.fill(0.0);
        widest(Adds { eggs, draws: &curve.sums, first: &first, second: &heat(on), to: &mut adds });
        let all = (curve.sums.len() * lanes).max(1);
        (on, adds.iter().sum::<f64>() / all as f64)
    });
    let (on, adds) = second.max_by(|a, b| a.1.total_cmp(&b.1))?;
    let adds = (adds * 1000.0).round() / 1000.0;
    Some(SecondWash { after: best.first, on: day_at(lines.first, on), adds })
}

/// What a second wash adds, by lane and over all draws.
struct Adds<'a> {
    eggs: &'a Eggs,
    draws: &'a [Sums],
    first: &'a [f64],
    second: &'a [f64],
    to: &'a mut [f64],
}

impl Work for Adds<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { eggs, draws, first, second, to } = self;
        let (low, high) =
            second.iter().fold((f64::INFINITY, 0.0), |(low, high): (f64, f64), heat| (low.min(*heat), high.max(*heat)));
        // Where nothing is laid yet, or all has hatched, there is nothing to add.
        let adds = |draw: &&Sums| high > draw.laying && low < draw.hatch + eggs.hatched_over_c;
        for draw in draws.iter().filter(adds) {
            for ((to, first), second) in to.iter_mut().zip(first).zip(second) {
                *to += added(eggs, draw, *first, *second);
            }
        }
    }
}

/// Sums from the biofix, no later than at what was seen; `None` where a wait in days lies on the way.
fn sums(profile: &Profile, needs: &[Need], seen: &[Option<f64>]) -> Option<Sums> {
    let mut at: Vec<Option<f64>> = Vec::with_capacity(profile.stages.len());
    for (rank, (stage, need)) in profile.stages.iter().zip(needs).enumerate() {
        let from = match &stage.after {
            None => Some(0.0),
            Some(after) => profile.rank(after).and_then(|rank| at.get(rank).copied().flatten()),
        };
        let model = match need {
            Need::DegreeDays(need) => from.map(|from| from + need),
            Need::Days(_) => None,
        };
        let seen = seen.get(rank).copied().flatten();
        at.push(model.map(|model| seen.map_or(model, |seen| seen.min(model))));
    }
    let of = |id| at.get(profile.rank(id)?).copied().flatten();
    Some(Sums { laying: of(&profile.window.opens)?, hatch: of(&profile.window.closes)? })
}

#[inline(always)]
fn ramp(heat: f64, from: f64, over: f64) -> f64 {
    ((heat - from) / over).clamp(0.0, 1.0)
}

/// Eggs laid and not hatched at this heat, as a share of all of the tree.
#[inline(always)]
fn taken(eggs: &Eggs, draw: &Sums, heat: f64) -> f64 {
    (ramp(heat, draw.laying, eggs.laid_over_c) - ramp(heat, draw.hatch, eggs.hatched_over_c)).max(0.0)
}

/// What a second wash takes that the first did not: eggs hatch in the order in which they were laid, so a wash takes those
/// between the last hatched and the last laid.
#[inline(always)]
fn added(eggs: &Eggs, draw: &Sums, first: f64, second: f64) -> f64 {
    let laid = ramp(second, draw.laying, eggs.laid_over_c);
    let before = ramp(first, draw.laying, eggs.laid_over_c);
    let hatched = ramp(second, draw.hatch, eggs.hatched_over_c);
    (laid - before.max(hatched)).max(0.0)
}

/// What a wash takes at each heat, 0, 1, 2, … °C·day, over all draws.
struct Taken<'a> {
    eggs: &'a Eggs,
    draws: &'a [Sums],
    to: &'a mut [f64],
}

impl Work for Taken<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { eggs, draws, to } = self;
        for draw in draws {
            for (heat, to) in (0u32..).zip(to.iter_mut()) {
                *to += taken(eggs, draw, f64::from(heat));
            }
        }
    }
}

/// The share over heat, averaged over the draws once for all days and futures.
#[derive(Clone, Debug)]
struct Table {
    values: Vec<f64>,
    /// Up to here, and from there on, there are no eggs to take, °C·day.
    eggs: [f64; 2],
}

impl Table {
    /// One value a °C·day, up to where every egg has hatched in every draw.
    fn of(eggs: &Eggs, draws: &[Sums]) -> Self {
        let end = draws.iter().map(|draw| draw.hatch + eggs.hatched_over_c).fold(0.0, f64::max).min(20_000.0);
        let mut values = vec![0.0; end.ceil() as usize + 2];
        widest(Taken { eggs, draws, to: &mut values });
        let draws = draws.len().max(1) as f64;
        values.iter_mut().for_each(|value| *value /= draws);
        let laid = values.iter().position(|value| *value != 0.0).unwrap_or(values.len());
        let eggs = [laid as f64 - 1.0, values.len() as f64];
        Self { values, eggs }
    }

    /// Whether there is nothing to take at any heat from `low` to `high`.
    fn is_naught(&self, low: f64, high: f64) -> bool {
        high <= self.eggs[0] || low >= self.eggs[1]
    }

    fn at(&self, heat: f64) -> f64 {
        let heat = heat.max(0.0);
        // Cuts off what is behind the point, as no rounding instruction need be there to do.
        let at = (heat as i32).max(0) as usize;
        let value = |at: usize| self.values.get(at).copied().unwrap_or(0.0);
        value(at) + (value(at.saturating_add(1)) - value(at)) * (heat - at as f64)
    }
}

/// With a station's verified errors laid over days to come, as over every projected date.
fn dressed(raw: &[f64], first: NaiveDate, ensemble: &Ensemble) -> Vec<f64> {
    if ensemble.dressing.0.is_empty() {
        return raw.to_vec();
    }
    let last = raw.len().saturating_sub(1) as i64;
    let of_day = |at: usize| {
        let lead = days_between(ensemble.first, day_at(first, at)) + 1;
        let errors =
            u32::try_from(lead).ok().filter(|lead| *lead > 0).and_then(|lead| ensemble.dressing.errors_at(lead));
        let Some(errors) = errors else { return raw.get(at).copied().unwrap_or(0.0) };
        let begins = days_between(first, ensemble.first) - 1;
        let at = at as i64;
        let moved = errors.map(|error| {
            let from = (at - error.round().clamp(-400.0, 400.0) as i64).clamp(begins.clamp(0, at), last);
            raw.get(from as usize).copied().unwrap_or(0.0)
        });
        moved.iter().sum::<f64>() / moved.len() as f64
    };
    (0..raw.len()).map(of_day).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::projection::Dressing;
    use crate::heat::projection::Traces;

    fn day(text: &str) -> NaiveDate {
        format!("2026-{text}").parse().expect("a day")
    }

    /// Ten °C·day on every day from 1 January, and draws of the two sums.
    fn shares(draws: &[(f64, f64)]) -> WashShare {
        shares_seen(draws, None)
    }

    fn shares_seen(draws: &[(f64, f64)], seen: Option<NaiveDate>) -> WashShare {
        let profile = Profile::pinyon_needle_scale();
        let eggs = profile.eggs.clone().expect("the shipped profile says it");
        let first = day("01-01");
        let needs = |(laying, after): &(f64, f64)| {
            vec![Need::DegreeDays(*laying), Need::DegreeDays(92.0), Need::DegreeDays(*after), Need::Days(14)]
        };
        let draws: Vec<Vec<Need>> = draws.iter().map(needs).collect();
        let traces = Traces::of([(2000, [10.0; 119].as_slice())]);
        let ensemble =
            Ensemble { first: days_after(first, 1), traces, forecast_days: 0, dressing: Dressing::default() };
        let lines = Lines::going_on(first, &[10.0], &ensemble, day("12-31"));
        let curve = EggCurve::of(&profile, &eggs, &draws, &[seen.map(|_| 10.0)]).expect("heat only");
        let mut wash = wash_share(&curve, &lines, &ensemble).expect("a curve");
        wash.second = second_wash(&wash, &curve, &eggs, &Policy::default(), &lines);
        wash
    }

    #[test]
    fn eggs_that_were_seen_bring_the_whole_curve_forward() {
        // On 1 January, at 10, instead of at 200: half laid at 60, hatch from 260 on.
        let wash = shares_seen(&[(200.0, 250.0)], Some(day("01-01")));
        assert_eq!((wash.on(day("01-01")), wash.on(day("01-06")), wash.on(day("01-11"))), (0.0, 0.5, 1.0));
        assert_eq!((wash.on(day("01-26")), wash.on(day("01-31"))), (1.0, 0.5));
    }

    #[test]
    fn where_nothing_is_in_doubt_the_share_rises_while_eggs_are_laid_and_falls_while_they_hatch() {
        // Laid from 200 to 300, hatched from 450 to 550: 20 January is 200, the 25th 250, the 30th 300.
        let wash = shares(&[(200.0, 250.0)]);
        assert_eq!((wash.on(day("01-20")), wash.on(day("01-25")), wash.on(day("01-30"))), (0.0, 0.5, 1.0));
        assert_eq!((wash.on(day("02-14")), wash.on(day("02-19")), wash.on(day("02-24"))), (1.0, 0.5, 0.0));
        assert_eq!(wash.best_days(0.9), Some(DaySpan { first: day("01-29"), last: day("02-15") }));
        // The first of the best days leaves a tenth to be laid.
        let second = wash.second.expect("a second wash");
        assert_eq!((second.after, second.adds), (day("01-29"), 0.1));
        assert_eq!(wash.both(), Some(1.0));
    }

    #[test]
    fn the_figures_for_owners_are_of_the_days_that_are_told() {
        // Laid from 200 to 300, hatched from 450 to 550: on 19 February, at 500, half have hatched.
        let wash = shares(&[(200.0, 250.0)]);
        let best = DaySpan { first: day("01-29"), last: day("02-15") };
        let told = wash.figures(best, day("02-18")).expect("figures");
        // The first of the best days leaves a tenth to be laid, which the best day takes as well.
        assert_eq!(told, WashFigures { takes: 100, second: None, daily_loss: 10 });
        // Where the best days are cut short, two washes take what one cannot.
        let early = DaySpan { first: day("01-29"), last: day("01-29") };
        let told = wash.figures(early, day("02-18")).expect("figures");
        assert_eq!((told.takes, told.second), (90, Some(10)));
        // A deadline early in the best days: later ones are not told, so what they take is not either, and nothing is lost yet.
        let cut = DaySpan { first: day("01-29"), last: day("01-29") };
        let told = wash.figures(cut, day("01-30")).expect("figures");
        assert_eq!(told, WashFigures { takes: 90, second: None, daily_loss: 0 });
        assert_eq!(wash.figures(DaySpan { first: day("01-10"), last: day("01-12") }, day("01-12")), None);
    }

    #[test]
    fn doubt_makes_the_best_day_take_less_and_a_second_wash_add_more() {
        let sure = shares(&[(200.0, 250.0)]);
        let unsure = shares(&[(120.0, 250.0), (200.0, 250.0), (280.0, 250.0)]);
        let peak = |wash: &WashShare| wash.peak().expect("a peak").1;
        assert!(peak(&unsure) < peak(&sure));
        assert!(unsure.second.expect("a second").adds >= sure.second.expect("a second").adds);
        let (best, sure) = (unsure.best_days(0.9).expect("days"), sure.best_days(0.9).expect("days"));
        assert!(best.first > sure.first && best.last < sure.last, "{best:?} within {sure:?}");
    }
}
