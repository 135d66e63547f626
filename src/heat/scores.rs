//! How good was a projection? Scores of an ensemble of dates against the date that came, and the points that stand for
//! the ensemble when people read it.
//!
//! CRPS: Matheson & Winkler 1976; Hersbach 2000, Weather Forecast. 15:559-570. Fair CRPS: Ferro et al. 2008, Meteorol.
//! Appl. 15:19-24. Skill: Gneiting & Raftery 2007, JASA 102:359-378. Probability integral transform of whole numbers:
//! Czado, Gneiting & Held 2009, Biometrics 65:1254-1261 (from memory).

use std::borrow::Cow;

/// Continuous ranked probability score of equally likely members, in their unit; 0 is perfect, and for one member it is
/// the absolute error. `None` without members or with a value that is not finite.
pub fn crps(members: &[f64], observed: f64) -> Option<f64> {
    let (error, spread) = error_and_spread(members, observed)?;
    let m = members.len() as f64;
    Some(error - spread / (m * m))
}

/// CRPS that does not depend on how many members there are: what an ensemble of endlessly many of the same kind would
/// score. `None` below two members or with a value that is not finite.
pub fn fair_crps(members: &[f64], observed: f64) -> Option<f64> {
    if members.len() < 2 {
        return None;
    }
    let (error, spread) = error_and_spread(members, observed)?;
    let m = members.len() as f64;
    Some(error - spread / (m * (m - 1.0)))
}

/// Mean absolute error of the members, and the sum of the distances of all pairs, each pair once.
fn error_and_spread(members: &[f64], observed: f64) -> Option<(f64, f64)> {
    if members.is_empty() || !observed.is_finite() || !members.iter().all(|value| value.is_finite()) {
        return None;
    }
    let mut sorted = Cow::Borrowed(members);
    if !members.is_sorted() {
        sorted.to_mut().sort_by(f64::total_cmp);
    }
    let m = sorted.len() as f64;
    let error = sorted.iter().map(|value| (value - observed).abs()).sum::<f64>() / m;
    let spread = sorted.iter().enumerate().map(|(at, value)| (2.0 * at as f64 + 1.0 - m) * value).sum();
    Some((error, spread))
}

/// 1 is perfect, 0 no better than the reference, below 0 worse. `None` where the reference is perfect itself.
pub fn skill(score: f64, reference: f64) -> Option<f64> {
    (reference > 0.0).then(|| 1.0 - score / reference)
}

/// The three points that stand for an ensemble of whole days. `None` = that point lies among the members that do not
/// get there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Points<D> {
    pub early: Option<D>,
    pub median: Option<D>,
    pub late: Option<D>,
}

/// The 10, 50 and 90 % points of sorted days, `not_reached` members ranked after all of them.
///
/// A whole day cannot cut off 10 % exactly. `early` is the day before which the share of members comes nearest to 10 %,
/// `late` the one after which it does, so that over many projections the days from `early` to `late` hold the truth in
/// 80 % of cases. Always rounding outward would hold it in more than 90 % as soon as the event is near.
pub fn points<D: Copy + PartialEq>(sorted: &[D], not_reached: u32) -> Points<D> {
    const TAIL: f64 = 0.1;
    let all = sorted.len() + not_reached as usize;
    if all == 0 {
        return Points { early: None, median: None, late: None };
    }
    // Runs of the same day, the members that do not get there as a last one.
    let mut runs: Vec<(Option<D>, usize, usize)> = Vec::new();
    for (at, day) in sorted.iter().enumerate() {
        match runs.last_mut() {
            Some((last, _, to)) if *last == Some(*day) => *to = at + 1,
            _ => runs.push((Some(*day), at, at + 1)),
        }
    }
    if not_reached > 0 {
        runs.push((None, sorted.len(), all));
    }
    let off = |members_in_tail: usize| (members_in_tail as f64 / all as f64 - TAIL).abs() + 1e-12;
    let nearer = |a: usize, b: usize| off(a) + 1e-9 < off(b);
    let mut early = runs.first().copied();
    for run in &runs {
        if early.is_none_or(|best| nearer(run.1, best.1)) {
            early = Some(*run);
        }
    }
    let mut late = runs.last().copied();
    for run in runs.iter().rev() {
        if late.is_none_or(|best| nearer(all - run.2, all - best.2)) {
            late = Some(*run);
        }
    }
    Points {
        early: early.and_then(|run| run.0),
        median: sorted.get((all - 1) / 2).copied(),
        late: late.and_then(|run| run.0),
    }
}

/// Share (0-1) of the day that came which lies inside the middle 80 % of the ensemble: the day's own share of members
/// is spread evenly over it. Its mean over many cases is 0.8 for an honest ensemble however coarse the days are.
pub fn share_inside(members: &[f64], observed: f64) -> Option<f64> {
    if members.is_empty() {
        return None;
    }
    let m = members.len() as f64;
    let before = members.iter().filter(|value| **value < observed).count() as f64 / m;
    let until = members.iter().filter(|value| **value <= observed).count() as f64 / m;
    if until == before {
        return Some(f64::from(u8::from((0.1..=0.9).contains(&before))));
    }
    Some((until.min(0.9) - before.max(0.1)).max(0.0) / (until - before))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days(text: &str) -> Vec<i32> {
        text.split_whitespace().map(|day| day.parse().unwrap()).collect()
    }

    fn check(sorted: &str, not_reached: u32, wanted: [Option<i32>; 3]) {
        let got = points(&days(sorted), not_reached);
        assert_eq!([got.early, got.median, got.late], wanted, "{sorted} and {not_reached} not reached");
    }

    #[test]
    fn points_cut_off_the_tail_nearest_to_a_tenth() {
        check("1 2 3 4 5 6 7 8 9 10", 0, [Some(2), Some(5), Some(9)]);
        check("1 2 3 4 5 6 7 8 9 10 11", 0, [Some(2), Some(6), Some(10)]);
        check("7", 0, [Some(7), Some(7), Some(7)]);
        // Two in ten or none at the ends are as near: the wider pair.
        check("1 1 2 2 2 2 2 2 3 3", 0, [Some(1), Some(2), Some(3)]);
        // Three in ten at the end are too many to cut off, one is not.
        check("1 2 2 2 2 2 2 3 3 3", 0, [Some(2), Some(2), Some(3)]);
    }

    #[test]
    fn members_that_do_not_get_there_rank_last_and_are_never_dropped() {
        check("1 2 3 4 5 6 7 8 9", 1, [Some(2), Some(5), Some(9)]);
        check("1 2 3 4 5", 5, [Some(2), Some(5), None]);
        check("1 2 3 4", 6, [Some(2), None, None]);
        check("", 3, [None, None, None]);
        check("", 0, [None, None, None]);
    }

    #[test]
    fn the_share_inside_is_that_of_the_day_itself() {
        let members: Vec<f64> = (1..=10).map(f64::from).collect();
        assert_eq!(share_inside(&members, 1.0), Some(0.0));
        assert_eq!(share_inside(&members, 5.0), Some(1.0));
        assert_eq!(share_inside(&members, 0.0), Some(0.0));
        assert_eq!(share_inside(&[3.0, 3.0], 3.0), Some(0.8));
        assert_eq!(share_inside(&[2.0, 4.0], 3.0), Some(1.0));
        assert_eq!(share_inside(&[], 3.0), None);
    }
}
