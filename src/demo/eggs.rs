//! The demo's second closing table: what the notices were worth, held against what the invented insect really did.

use chrono::{Days, NaiveDate};

use super::truth::RegionTruth;
use super::view::draw::{fit, short_date};
use crate::region::RegionId;
use crate::season::NoticeKind;
use crate::season::profile::Eggs;
use crate::service::replay::{PlayedNotice, RegionSeason};

/// Owners who act within a week: on each of the days from the notice on, as often.
const WITHIN_DAYS: u64 = 7;

/// What came of one region's notices.
#[derive(Clone, Debug, PartialEq)]
pub struct Harvest {
    pub region: RegionId,
    pub name: String,
    /// The day of the first egg, and of the first one that hatched.
    pub laid_on: Option<NaiveDate>,
    pub hatched_on: Option<NaiveDate>,
    pub wash_now: Option<NaiveDate>,
    pub last_days: Option<NaiveDate>,
    /// The last deadline that people were told.
    pub deadline: Option<NaiveDate>,
    /// Share (0-1) of the eggs that one wash within a week of "wash now" takes, on average.
    pub one: Option<f64>,
    /// The same with a second wash within a week of "last days".
    pub two: Option<f64>,
    /// With one wash within a week of "last days".
    pub last_only: Option<f64>,
}

/// One entry a region, the lowest first.
pub fn harvest(seasons: &[RegionSeason], truths: &[RegionTruth], eggs: &Eggs) -> Vec<Harvest> {
    let of_season = |season: &RegionSeason| {
        let truth = truths.iter().find(|truth| truth.region == season.region)?;
        let out = |kind: NoticeKind| {
            let told = season.notices.iter().filter(move |notice| notice.kind == kind);
            told.filter_map(|notice| notice.released_on).next()
        };
        let (wash_now, last_days) = (out(NoticeKind::WashNow), out(NoticeKind::LastDaysToWash));
        let told = |notice: &PlayedNotice| Some((notice.released_on?, notice.deadline?));
        let deadline = season.notices.iter().filter_map(told).max_by_key(|(on, _)| *on).map(|(_, deadline)| deadline);
        let within = move |from: NaiveDate| {
            let days = (0..=WITHIN_DAYS).filter_map(move |later| from.checked_add_days(Days::new(later)));
            // Nobody washes after the day that was named as the last.
            days.filter(move |day| deadline.is_none_or(|deadline| *day <= deadline.max(from))).collect::<Vec<_>>()
        };
        let mean = |shares: Vec<f64>| {
            let count = shares.len() as f64;
            (count > 0.0).then(|| shares.iter().sum::<f64>() / count)
        };
        let once = |from: Option<NaiveDate>| {
            from.and_then(|from| mean(within(from).into_iter().map(|day| truth.taken(eggs, &[day])).collect()))
        };
        let two = wash_now.zip(last_days).and_then(|(first, last)| {
            let lasts = within(last);
            let pairs = within(first).into_iter().flat_map(|first| lasts.iter().map(move |last| [first, *last]));
            mean(pairs.map(|[first, last]| truth.taken(eggs, &[first.min(last), first.max(last)])).collect())
        });
        Some(Harvest {
            region: season.region.clone(),
            name: season.name.clone(),
            laid_on: truth.day_of(truth.laying),
            hatched_on: truth.day_of(truth.hatch),
            wash_now,
            last_days,
            deadline,
            one: once(wash_now),
            two,
            last_only: once(last_days),
        })
    };
    let mut lowest_first: Vec<&RegionSeason> = seasons.iter().collect();
    lowest_first.sort_by(|a, b| a.elevation_m.total_cmp(&b.elevation_m));
    lowest_first.into_iter().filter_map(of_season).collect()
}

/// The table, at most 80 columns wide, with a sentence that says what it is.
pub fn lines(rows: &[Harvest]) -> Vec<String> {
    const WIDTHS: [usize; 9] = [14, 8, 8, 7, 10, 8, 7, 8, 8];
    let line = |cells: [String; 9]| {
        let mut line = String::new();
        for (at, (cell, width)) in cells.iter().zip(WIDTHS).enumerate() {
            if at == 0 { line.push_str(&fit(cell, width)) } else { line.push_str(&format!("{cell:>width$}")) }
        }
        line.trim_end().to_owned()
    };
    let date = |day: Option<NaiveDate>| day.map_or_else(|| "none".to_owned(), short_date);
    let share = |share: Option<f64>| share.map_or_else(|| "none".to_owned(), |share| format!("{:.0} %", share * 100.0));
    let mut lines = vec![
        "What the notices were worth: share of a tree's eggs that owners take off".to_owned(),
        String::new(),
        line(["", "first", "wash", "last", "told", "first", "one", "two", "at last"].map(str::to_owned)),
        line(["region", "egg", "now", "days", "deadline", "hatch", "wash", "washes", "only"].map(str::to_owned)),
    ];
    lines.push("-".repeat(78));
    for row in rows {
        lines.push(line([
            row.name.clone(),
            date(row.laid_on),
            date(row.wash_now),
            date(row.last_days),
            date(row.deadline),
            date(row.hatched_on),
            share(row.one),
            share(row.two),
            share(row.last_only),
        ]));
    }
    lines.push("-".repeat(78));
    let mean = |of: fn(&Harvest) -> Option<f64>| {
        let all: Vec<f64> = rows.iter().filter_map(of).collect();
        share((!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64))
    };
    let blank = String::new;
    lines.push(line([
        "mean".to_owned(),
        blank(),
        blank(),
        blank(),
        blank(),
        blank(),
        mean(|row| row.one),
        mean(|row| row.two),
        mean(|row| row.last_only),
    ]));
    lines.push(String::new());
    lines.push("One wash: within a week of \"wash now\". Two: another within a week of \"last days\".".to_owned());
    lines.push("At last only: one wash within a week of \"last days\". None after the deadline.".to_owned());
    lines.push("First egg and hatch are drawn by chance from the profile's belief: they show what the".to_owned());
    lines.push("notices do if it is right, not what a real insect does.".to_owned());
    lines
}
