//! Days and ranges of days as a person would say them.

use chrono::{Datelike, NaiveDate};

use crate::language::Language;
use crate::season::{DateSpread, DaySpan, days_between};

/// A range of more days than this is told as part of a month with its far ends.
const WIDE_DAYS: i64 = 16;

/// A range for a message: wide ones as `most likely the second half of March, perhaps as early as the 8th or as late as
/// April 10`, others as `likely between March 12 and 24, most likely the 17th`.
pub fn wide_range(language: Language, spread: DateSpread) -> String {
    match (spread.median, language) {
        (Some(median), _) => likely(language, spread, median),
        (None, Language::En) => "not likely this season".into(),
        (None, Language::Es) => "poco probable esta temporada".into(),
    }
}

/// Of a stage still to come.
pub(super) fn likely(language: Language, spread: DateSpread, median: NaiveDate) -> String {
    let early = spread.early.unwrap_or(median);
    match spread.late {
        Some(late) if days_between(early, late) > WIDE_DAYS => wide(language, Some(early), median, Some(late)),
        // An open end is wide, unless the rest lies close together: then the end is told as a chance.
        None if days_between(early, median) > WIDE_DAYS / 2 => wide(language, Some(early), median, None),
        late => narrow(language, early, median, late),
    }
}

/// The part of a range that has begun which lies ahead; `None` where nothing of it does.
pub(super) fn to_come(language: Language, spread: DateSpread, median: NaiveDate, today: NaiveDate) -> Option<String> {
    let late = spread.late.filter(|late| *late > today);
    if median > today {
        return Some(wide(language, None, median, late));
    }
    let late = date(language, late?);
    Some(match language {
        Language::En => format!("if not, likely by {late}"),
        Language::Es => format!("si no, probablemente a más tardar el {late}"),
    })
}

/// `likely between March 12 and 24, most likely the 17th`; `from March 12 on` where the late end is open.
fn narrow(language: Language, early: NaiveDate, median: NaiveDate, late: Option<NaiveDate>) -> String {
    let one_day = late == Some(early);
    let within_month = late.is_some_and(|late| same_month(early, late));
    let best = match language {
        Language::En if within_month => format!("the {}", ordinal(median.day())),
        Language::En => date(language, median),
        Language::Es if within_month => format!("el día {}", median.day()),
        Language::Es => format!("el {}", date(language, median)),
    };
    match (language, late) {
        (Language::En, _) if one_day => format!("likely on {}", date(language, early)),
        (Language::Es, _) if one_day => format!("probablemente el {}", date(language, early)),
        (Language::En, Some(late)) => format!("likely {}, most likely {best}", between(language, early, late)),
        (Language::Es, Some(late)) => {
            format!("probablemente {}, lo más probable {best}", between(language, early, late))
        }
        (Language::En, None) => format!("likely from {} on, most likely {best}", date(language, early)),
        (Language::Es, None) => {
            format!("probablemente a partir del {}, lo más probable {best}", date(language, early))
        }
    }
}

/// The part of the month that holds the median, and the far ends where they are told.
fn wide(language: Language, early: Option<NaiveDate>, median: NaiveDate, late: Option<NaiveDate>) -> String {
    let part = part_of_month(language, median);
    // A day of the month just named needs no month again; a late one only where no other month was named between.
    let bare_early = early.is_some_and(|early| same_month(early, median));
    let bare_late = late.is_some_and(|late| same_month(late, median)) && (bare_early || early.is_none());
    let day = |day: NaiveDate, bare: bool| match (language, bare) {
        (Language::En, true) => format!("the {}", ordinal(day.day())),
        (Language::En, false) => date(language, day),
        (Language::Es, true) => format!("día {}", day.day()),
        (Language::Es, false) => date(language, day),
    };
    let early = early.map(|early| day(early, bare_early));
    let late = late.map(|late| day(late, bare_late));
    let best = match language {
        Language::En => format!("most likely {part}"),
        Language::Es => format!("lo más probable es {part}"),
    };
    match (language, early, late) {
        (Language::En, Some(early), Some(late)) => format!("{best}, perhaps as early as {early} or as late as {late}"),
        (Language::En, Some(early), None) => format!("{best}, perhaps as early as {early}"),
        (Language::En, None, Some(late)) => format!("{best}, perhaps as late as {late}"),
        (Language::Es, Some(early), Some(late)) => {
            format!("{best}, pero podría adelantarse al {early} o retrasarse hasta el {late}")
        }
        (Language::Es, Some(early), None) => format!("{best}, pero podría adelantarse al {early}"),
        (Language::Es, None, Some(late)) => format!("{best}, pero podría retrasarse hasta el {late}"),
        (_, None, None) => best,
    }
}

/// `the second half of March`, `around the middle of March`, so that the day lies well inside.
fn part_of_month(language: Language, day: NaiveDate) -> String {
    let month = language.month_name(day.month0());
    match (language, day.day()) {
        (Language::En, 1..=4) => format!("around the beginning of {month}"),
        (Language::En, 5..=11) => format!("the first half of {month}"),
        (Language::En, 12..=19) => format!("around the middle of {month}"),
        (Language::En, 20..=26) => format!("the second half of {month}"),
        (Language::En, _) => format!("around the end of {month}"),
        (Language::Es, 1..=4) => format!("a principios de {month}"),
        (Language::Es, 5..=11) => format!("la primera quincena de {month}"),
        (Language::Es, 12..=19) => format!("a mediados de {month}"),
        (Language::Es, 20..=26) => format!("la segunda quincena de {month}"),
        (Language::Es, _) => format!("a fines de {month}"),
    }
}

/// `March 30 to April 12`, `del 30 de marzo al 12 de abril`.
pub fn span(language: Language, span: DaySpan) -> String {
    let DaySpan { first, last } = span;
    match (language, same_month(first, last)) {
        (Language::En, _) if first >= last => date(language, first),
        (Language::Es, _) if first >= last => format!("el {}", date(language, first)),
        (Language::En, true) => format!("{} to {}", date(language, first), last.day()),
        (Language::En, false) => format!("{} to {}", date(language, first), date(language, last)),
        (Language::Es, true) => format!("del {} al {}", first.day(), date(language, last)),
        (Language::Es, false) => format!("del {} al {}", date(language, first), date(language, last)),
    }
}

/// `between March 12 and 24`, `entre el 26 de febrero y el 9 de marzo`.
pub fn between(language: Language, early: NaiveDate, late: NaiveDate) -> String {
    match (language, same_month(early, late)) {
        (Language::En, true) => format!("between {} and {}", date(language, early), late.day()),
        (Language::En, false) => format!("between {} and {}", date(language, early), date(language, late)),
        (Language::Es, true) => format!("entre el {} y el {}", early.day(), date(language, late)),
        (Language::Es, false) => format!("entre el {} y el {}", date(language, early), date(language, late)),
    }
}

/// `March 17`, `17 de marzo`: without the year, since a season's dates lie within a year of today.
pub fn date(language: Language, day: NaiveDate) -> String {
    let month = language.month_name(day.month0());
    match language {
        Language::En => format!("{month} {}", day.day()),
        Language::Es => format!("{} de {month}", day.day()),
    }
}

fn same_month(a: NaiveDate, b: NaiveDate) -> bool {
    (a.year(), a.month()) == (b.year(), b.month())
}

/// `1st`, `2nd`, `3rd`, `11th`.
pub(super) fn ordinal(number: u32) -> String {
    let ending = match (number % 10, number % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{number}{ending}")
}
