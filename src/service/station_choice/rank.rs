//! How good a station is for a place: pure, from facts to a rank and its reasons.
//!
//! Everything is weighed as kilometres of distance. No source gives these weights; they are common practice, put in numbers by
//! us, and only the order that they make matters.

use chrono::NaiveDate;

use crate::season::lapse::usual_days_for;

/// A day by which all dates are off. Level distance moves dates little: by Hopkins's bioclimatic law (1918, from memory) a
/// degree of latitude, 111 km, makes four days; valleys that hold cold air add what no rule tells. So two days for ten level
/// kilometres are plenty. Height moves them by about five a hundred metres (`season/lapse.rs`), which then count as 23 km. A
/// rule of ours, no source. Where a station's past stands in for another's (`weather/nearby.rs`), it is fitted to that one, and
/// height weighs less.
const KM_PER_DAY: f64 = 5.0;
/// A report that is late. Common practice, no source.
const KM_LATE: f64 = 20.0;
/// Each whole past season that is missing to thirty, the years of a normal period. Common practice, no source.
const KM_PER_SEASON: f64 = 1.0;
const SEASONS_WANTED: u32 = 30;
/// A season of which nothing is there; a part of it in proportion. Common practice, no source.
const KM_ALL_MISSING: f64 = 100.0;
/// An hour of reading that nobody knows: dates may be a day late. Common practice, no source.
const KM_HOUR_UNKNOWN: f64 = KM_PER_DAY;

/// Farther or higher than this a station is not taken unasked. Common practice, no source; the same as in `weather/nearby.rs`.
pub(in crate::service) const FARTHEST_KM: f64 = 80.0;
const FARTHEST_M: f64 = 400.0;
/// A station reports as it should, or is late, up to so many days after its last day. Observers' forms may come at the end of
/// the month (from memory): common practice, no source.
const REPORTS_DAYS: i64 = 14;
const LATE_DAYS: i64 = 45;

/// Seasons before this one that can be witnesses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Seasons {
    /// So many are whole, from January to July, in the store.
    Counted(u32),
    /// So many lie between the first and the last day that the source names; holes are not known yet.
    AtMost(u32),
    Unknown,
}

/// What is known of a station when it is to be ranked.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    pub distance_km: f64,
    /// Above the place, metres; `None` where the place's height is not known.
    pub higher_m: Option<f64>,
    /// The last day with both values.
    pub last_day: Option<NaiveDate>,
    pub seasons: Seasons,
    /// Of the days from the season's first on, up to the station's last.
    pub missing_share: Option<f64>,
    pub hour_is_known: bool,
    /// A directory says from when to when it has values.
    pub is_listed: bool,
    /// It was asked for the season's days, and none came.
    pub is_silent: bool,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Rank {
    /// The lower, the better.
    pub km: f64,
    /// What made it, in words; the distance first, the sum last.
    pub reasons: Vec<String>,
    /// Why it is not taken unless a person says so.
    pub refused: Option<String>,
}

/// Weighs a station's facts.
pub fn rank(facts: &Facts, today: NaiveDate) -> Rank {
    let mut km = facts.distance_km;
    let mut reasons = vec![format!("{:.0} km away", facts.distance_km)];
    let mut weigh = |more: f64, what: String| {
        km += more;
        if more >= 0.5 {
            reasons.push(format!("{what} (+{more:.0})"));
        } else {
            reasons.push(what);
        }
    };
    if let Some(higher) = facts.higher_m {
        if higher.abs() >= 0.5 {
            weigh(usual_days_for(higher.abs()) * KM_PER_DAY, height_words(higher));
        } else {
            weigh(0.0, "at the same height".into());
        }
    }
    let age = facts.last_day.map(|day| (today - day).num_days());
    match age {
        Some(days) if days <= REPORTS_DAYS => weigh(0.0, "still reports".into()),
        Some(days) => weigh(KM_LATE, format!("last day {days} days ago")),
        None => {}
    }
    let lacking = |seasons: u32| f64::from(SEASONS_WANTED.saturating_sub(seasons)) * KM_PER_SEASON;
    match facts.seasons {
        Seasons::Counted(count) => weigh(lacking(count), seasons_words(count, "")),
        Seasons::AtMost(count) => weigh(lacking(count), seasons_words(count, "at most ")),
        Seasons::Unknown => {}
    }
    if let Some(share) = facts.missing_share {
        weigh(share * KM_ALL_MISSING, format!("{:.0} % of the season missing", share * 100.0));
    }
    if !facts.hour_is_known {
        weigh(KM_HOUR_UNKNOWN, "hour of reading unknown".into());
    }
    reasons.push(format!("counts as {km:.0} km"));
    Rank { km, reasons, refused: refusal(facts, age) }
}

/// Whether a station with this last day reports, be it late.
pub fn still_reports(last_day: Option<NaiveDate>, today: NaiveDate) -> bool {
    last_day.is_some_and(|day| (today - day).num_days() <= LATE_DAYS)
}

/// Whether a station stands so far above its place or below it that it is not taken unasked.
pub fn is_far_in_height(higher_m: f64) -> bool {
    higher_m.abs() > FARTHEST_M
}

/// `135 m lower: about 6 days early`, by the rule of the trade.
fn height_words(higher_m: f64) -> String {
    let (side, when) = if higher_m < 0.0 { ("lower", "early") } else { ("higher", "late") };
    let days = usual_days_for(higher_m.abs()).round();
    let told = match () {
        () if days < 1.0 => String::new(),
        () if days < 2.0 => format!(": about 1 day {when}"),
        () => format!(": about {days:.0} days {when}"),
    };
    format!("{:.0} m {side}{told}", higher_m.abs())
}

fn seasons_words(count: u32, bound: &str) -> String {
    if count == 1 { format!("{bound}1 past season") } else { format!("{bound}{count} past seasons") }
}

fn refusal(facts: &Facts, age: Option<i64>) -> Option<String> {
    match (facts.last_day, age) {
        (None, _) if facts.is_silent => {
            return Some("no day of this season came, though ACIS lists it as one that reports".into());
        }
        (None, _) if facts.is_listed => return Some("it has no record of both maxima and minima".into()),
        (None, _) => {
            return Some(
                "nothing of its record is in the store, and no directory tells whether it reports: \
                 `treebell weather backfill` fetches it"
                    .into(),
            );
        }
        (Some(day), Some(age)) if age > LATE_DAYS => {
            return Some(format!("it no longer reports: its last day is {day}"));
        }
        _ => {}
    }
    if facts.distance_km > FARTHEST_KM {
        return Some(format!(
            "{:.0} km is farther than the {FARTHEST_KM:.0} km taken unasked",
            facts.distance_km.max(FARTHEST_KM + 1.0)
        ));
    }
    let higher = facts.higher_m.filter(|higher| is_far_in_height(*higher))?;
    let side = if higher < 0.0 { "lower" } else { "higher" };
    Some(format!("{:.0} m {side} is more than the {FARTHEST_M:.0} m taken unasked", higher.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn today() -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 3, 1).unwrap()
    }

    fn ago(days: u64) -> Option<NaiveDate> {
        today().checked_sub_days(chrono::Days::new(days))
    }

    fn good() -> Facts {
        Facts {
            distance_km: 20.0,
            higher_m: Some(0.0),
            last_day: ago(1),
            seasons: Seasons::Counted(30),
            missing_share: Some(0.0),
            hour_is_known: true,
            is_listed: true,
            is_silent: false,
        }
    }

    #[test]
    fn a_good_station_counts_as_its_distance() {
        let rank = rank(&good(), today());
        assert_eq!((rank.km, rank.refused), (20.0, None));
        assert_eq!(
            rank.reasons,
            [
                "20 km away",
                "at the same height",
                "still reports",
                "30 past seasons",
                "0 % of the season missing",
                "counts as 20 km"
            ]
        );
    }

    #[test]
    fn whatever_speaks_against_a_station_makes_it_farther() {
        let worse: [(&str, Facts, f64); 7] = [
            ("height", Facts { higher_m: Some(-150.0), ..good() }, 35.0),
            ("late", Facts { last_day: ago(20), ..good() }, 20.0),
            ("seasons", Facts { seasons: Seasons::Counted(3), ..good() }, 27.0),
            ("bound", Facts { seasons: Seasons::AtMost(12), ..good() }, 18.0),
            ("missing", Facts { missing_share: Some(0.22), ..good() }, 22.0),
            ("hour", Facts { hour_is_known: false, ..good() }, 5.0),
            ("no height", Facts { higher_m: None, ..good() }, 0.0),
        ];
        for (what, facts, more) in worse {
            let rank = rank(&facts, today());
            assert!((rank.km - 20.0 - more).abs() < 1e-9, "{what}: {rank:?}");
            assert_eq!(rank.refused, None, "{what}");
        }
        // More past seasons than a normal period's are worth no more.
        assert_eq!(rank(&Facts { seasons: Seasons::Counted(90), ..good() }, today()).km, 20.0);
    }

    /// 135 m are 443 ft. While a hundred metres counted as ten kilometres it was the other way round.
    #[test]
    fn a_station_at_the_height_of_the_place_beats_a_nearer_one_that_is_days_off() {
        let near = rank(&Facts { distance_km: 10.0, higher_m: Some(-135.0), ..good() }, today());
        let level = rank(&Facts { distance_km: 30.0, higher_m: Some(5.0), ..good() }, today());
        assert!(level.km < near.km, "{level:?} {near:?}");
        assert_eq!(near.reasons[1], "135 m lower: about 6 days early (+32)");
        assert_eq!(level.reasons[1], "5 m higher (+1)");
        let higher = rank(&Facts { higher_m: Some(20.0), ..good() }, today());
        assert_eq!(higher.reasons[1], "20 m higher: about 1 day late (+5)");
        // A near station is still worth some metres.
        let near = rank(&Facts { distance_km: 5.0, higher_m: Some(40.0), ..good() }, today());
        assert!(near.km < level.km, "{near:?} {level:?}");
    }

    #[test]
    fn a_station_that_stopped_or_has_no_record_or_lies_elsewhere_is_not_taken_unasked() {
        let refused = |facts: Facts| rank(&facts, today()).refused.unwrap_or_default();
        let stopped = NaiveDate::from_ymd_opt(1999, 5, 31);
        assert_eq!(refused(Facts { last_day: stopped, ..good() }), "it no longer reports: its last day is 1999-05-31");
        assert!(refused(Facts { last_day: None, ..good() }).starts_with("it has no record"));
        let silent = Facts { last_day: None, is_silent: true, ..good() };
        assert!(refused(silent).starts_with("no day of this season came"));
        let unasked = Facts { last_day: None, is_listed: false, ..good() };
        assert!(refused(unasked).contains("no directory tells"));
        assert_eq!(refused(Facts { distance_km: 112.4, ..good() }), "112 km is farther than the 80 km taken unasked");
        let low = Facts { higher_m: Some(-640.0), ..good() };
        assert_eq!(refused(low), "640 m lower is more than the 400 m taken unasked");
        assert_eq!(refused(Facts { last_day: ago(45), ..good() }), "");
        assert!(refused(Facts { last_day: ago(46), ..good() }).contains("no longer reports"));
    }
}
