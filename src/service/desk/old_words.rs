//! Whether a notice that has not left still goes by days that hold: its words wait, and the weather goes on.

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::regions::RegionRow;
use super::why::{day_of_terms, worded_on};
use super::wording::facts_of;
use crate::language::Language;
use crate::message::NoticeFacts;
use crate::season::status::SeasonStanding;
use crate::season::{DaySpan, NoticeKind, SeasonKey, WindowDays, days_between, phrases};
use crate::service::app::App;
use crate::store::notices::Notice;

/// A likely day shifts by so much from one day to the next without anybody being told something else. A rule of ours, no source.
const LIKELY_SHIFTS_DAYS: u64 = 1;

/// The days by which a notice's words go.
#[derive(Clone, Debug, PartialEq)]
pub struct Words {
    season: SeasonKey,
    /// The day of its terms.
    reckoned_on: NaiveDate,
    /// The day of which its words speak; that of staff's own where it has those.
    worded_on: NaiveDate,
    days: Vec<Day>,
}

/// What is said of a notice's words.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct OldWords {
    pub words: String,
    /// They go by a day that holds no more.
    pub days_moved: bool,
}

/// A day by which words go.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Day {
    Laying(NaiveDate),
    Hatch(NaiveDate),
    BestFrom(NaiveDate),
    Best(DaySpan),
    Deadline(NaiveDate),
}

impl Words {
    /// `zone` is the region's. Of a notice whose facts cannot be read no day is known.
    pub(super) fn of(notice: &Notice, zone: Tz) -> Self {
        Self {
            season: notice.season.clone(),
            reckoned_on: day_of_terms(notice),
            worded_on: worded_on(notice, zone),
            days: facts_of(notice).map(|facts| days_of(notice.kind, &facts)).unwrap_or_default(),
        }
    }

    /// That words of an earlier day would go out, or such as go by days that hold no more; `None`: they are of today, and their
    /// days hold. `row` is that of the notice's region, `today` the region's own day.
    pub(super) fn old(&self, app: &App, row: Option<&RegionRow>, today: NaiveDate) -> Option<OldWords> {
        let of = (self.worded_on < today).then(|| format!("Its words are of {}", date(self.worded_on)));
        let (words, days_moved) = match (of, row.and_then(|row| self.moved(app, row, today))) {
            (Some(of), Some(moved)) => (format!("{of} and go by a reckoning in which {moved}"), true),
            (None, Some(moved)) => (format!("Its words go by an earlier reckoning, in which {moved}"), true),
            (Some(of), None) => (of + ".", false),
            (None, None) => return None,
        };
        Some(OldWords { words, days_moved })
    }

    /// The days that moved, as they were and as they are.
    fn moved(&self, app: &App, row: &RegionRow, today: NaiveDate) -> Option<String> {
        let days = row.days.filter(|_| row.standing != SeasonStanding::Unknown)?;
        let of = row.outlook_of.filter(|of| *of >= self.reckoned_on)?;
        if row.season != Some(self.season.year) || row.region.profile != self.season.profile {
            return None;
        }
        let by = if of == today { "by today’s".to_owned() } else { format!("by that of {}", date(of)) };
        let season_ends = app.profiles.get(&self.season.profile).map(|profile| profile.last_day(self.season.year));
        if season_ends.is_some_and(|end| days.deadline > end) {
            let told: Vec<String> = self.days.iter().map(|day| day.told()).collect();
            return (!told.is_empty())
                .then(|| format!("{}; {by}, egg laying is not likely this season.", listed(&told)));
        }
        let moved: Vec<(Day, String)> =
            self.days.iter().filter_map(|day| Some((*day, day.moved_to(row, &days)?))).collect();
        let are = match moved.as_slice() {
            [] => return None,
            [(Day::Best(_), _)] | [_, _, ..] => "those days are",
            [_] => "that day is",
        };
        let told: Vec<String> = moved.iter().map(|(day, _)| day.told()).collect();
        let now: Vec<String> = moved.into_iter().map(|(_, now)| now).collect();
        Some(format!("{}; {by}, {are} {}.", listed(&told), listed(&now)))
    }
}

/// A sight of egg laying is no likely day.
fn days_of(kind: NoticeKind, facts: &NoticeFacts) -> Vec<Day> {
    let best = facts.days.and_then(|days| days.best);
    let deadline = Day::Deadline(facts.wash_by);
    let laying = facts.laying.reached.is_none().then_some(Day::Laying(facts.laying.likely));
    match kind {
        NoticeKind::GetReady => laying.into_iter().collect(),
        // Where the best days are told, the last day is left out.
        NoticeKind::InspectNow => {
            laying.into_iter().chain([best.map_or(deadline, |best| Day::BestFrom(best.first))]).collect()
        }
        NoticeKind::WashNow => best.map(Day::Best).into_iter().chain([deadline]).collect(),
        NoticeKind::DeadlineMoved | NoticeKind::LastDaysToWash => vec![deadline],
        NoticeKind::TooLateToWash => vec![Day::Hatch(facts.hatch.likely)],
    }
}

impl Day {
    /// After "in which".
    fn told(self) -> String {
        match self {
            Day::Laying(day) => format!("egg laying most likely begins on {}", date(day)),
            Day::Hatch(day) => format!("the eggs most likely hatch on {}", date(day)),
            Day::BestFrom(day) => format!("the best days to wash begin on {}", date(day)),
            Day::Best(days) => format!("the best days to wash are {}", span(days)),
            Day::Deadline(day) => format!("the last day to wash is {}", date(day)),
        }
    }

    /// The day as it is reckoned now; `None` where that is no other one, or not known.
    fn moved_to(self, row: &RegionRow, days: &WindowDays) -> Option<String> {
        let likely = |told: NaiveDate, now: Option<NaiveDate>| now.filter(|now| has_moved(told, *now)).map(date);
        match self {
            Day::Laying(told) => likely(told, row.opens.and_then(|opens| opens.median)),
            Day::Hatch(told) => likely(told, row.closes),
            Day::BestFrom(told) => likely(told, days.best.map(|best| best.first)),
            Day::Best(told) => {
                let now = days.best?;
                (has_moved(told.first, now.first) || has_moved(told.last, now.last)).then(|| span(now))
            }
            Day::Deadline(told) => (told != days.deadline).then(|| date(days.deadline)),
        }
    }
}

fn has_moved(told: NaiveDate, now: NaiveDate) -> bool {
    days_between(told, now).unsigned_abs() > LIKELY_SHIFTS_DAYS
}

fn date(day: NaiveDate) -> String {
    phrases::date(Language::En, day)
}

fn span(days: DaySpan) -> String {
    format!("{} to {}", date(days.first), date(days.last))
}

/// `a`, `a and b`, `a, b and c`.
fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}
