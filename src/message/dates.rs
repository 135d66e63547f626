//! Dates as people say them, in both languages.
//!
//! E-mail has room for the whole date, a text message does not; neither shows the year, since a notice speaks of the
//! weeks just ahead. The short forms use no letter outside the GSM 7-bit alphabet.

use chrono::{Datelike, NaiveDate};

use crate::people::Language;

/// How much room a date may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DateStyle {
    /// `Sunday, April 12`; `domingo 12 de abril`.
    Full,
    /// `Apr 12`; `12 abr`.
    Short,
}

/// One day. Spanish comes without its article, so that `el` or `hasta el` can stand before it.
pub fn day(date: NaiveDate, language: Language, style: DateStyle) -> String {
    let number = date.day();
    match (language, style) {
        (Language::En, DateStyle::Full) => format!("{}, {} {number}", weekday(date, language), month(date, language)),
        (Language::En, DateStyle::Short) => format!("{} {number}", short_month(date, language)),
        (Language::Es, DateStyle::Full) => format!("{} {}", weekday(date, language), day_and_month(date, language)),
        (Language::Es, DateStyle::Short) => format!("{number} {}", short_month(date, language)),
    }
}

/// A likely range, ready to follow "likely": `between March 12 and 24`, `Mar 12-24`, `entre el 12 y el 24 de marzo`.
///
/// Without a late end it is open (`from March 12 on`); without an early one, or with both the same, it is `about` the
/// likely day.
pub fn spread(
    early: Option<NaiveDate>,
    likely: NaiveDate,
    late: Option<NaiveDate>,
    language: Language,
    style: DateStyle,
) -> String {
    match (early, late) {
        (Some(early), Some(late)) if early < late => between(early, late, language, style),
        (Some(early), None) => match (language, style) {
            (Language::En, DateStyle::Full) => format!("from {} on", month_and_day(early)),
            (Language::En, DateStyle::Short) => format!("from {}", day(early, language, style)),
            (Language::Es, DateStyle::Full) => format!("a partir del {}", day_and_month(early, language)),
            (Language::Es, DateStyle::Short) => format!("desde {}", day(early, language, style)),
        },
        _ => match (language, style) {
            (Language::En, DateStyle::Full) => format!("about {}", month_and_day(likely)),
            (Language::En, DateStyle::Short) => format!("about {}", day(likely, language, style)),
            (Language::Es, DateStyle::Full) => format!("hacia el {}", day_and_month(likely, language)),
            (Language::Es, DateStyle::Short) => format!("hacia {}", day(likely, language, style)),
        },
    }
}

/// From a day to another in a text message: `Mar 30-Apr 12`, `30 mar-12 abr`; one day where both are the same.
pub fn span(first: NaiveDate, last: NaiveDate, language: Language) -> String {
    match first < last {
        true => between(first, last, language, DateStyle::Short),
        false => day(first, language, DateStyle::Short),
    }
}

fn between(early: NaiveDate, late: NaiveDate, language: Language, style: DateStyle) -> String {
    let same_month = (early.year(), early.month()) == (late.year(), late.month());
    let (first, last) = (early.day(), late.day());
    match (language, style, same_month) {
        (Language::En, DateStyle::Full, true) => format!("between {} and {last}", month_and_day(early)),
        (Language::En, DateStyle::Full, false) => {
            format!("between {} and {}", month_and_day(early), month_and_day(late))
        }
        (Language::En, DateStyle::Short, true) => format!("{}-{last}", day(early, language, style)),
        (Language::Es, DateStyle::Full, true) => format!("entre el {first} y el {}", day_and_month(late, language)),
        (Language::Es, DateStyle::Full, false) => {
            format!("entre el {} y el {}", day_and_month(early, language), day_and_month(late, language))
        }
        (Language::Es, DateStyle::Short, true) => format!("{first}-{}", day(late, language, style)),
        (_, DateStyle::Short, false) => format!("{}-{}", day(early, language, style), day(late, language, style)),
    }
}

fn month_and_day(date: NaiveDate) -> String {
    format!("{} {}", month(date, Language::En), date.day())
}

fn day_and_month(date: NaiveDate, language: Language) -> String {
    format!("{} de {}", date.day(), month(date, language))
}

fn month(date: NaiveDate, language: Language) -> &'static str {
    language.month_name(date.month0())
}

fn short_month(date: NaiveDate, language: Language) -> &'static str {
    language.short_month_name(date.month0())
}

fn weekday(date: NaiveDate, language: Language) -> &'static str {
    let names = match language {
        Language::En => ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"],
        Language::Es => ["lunes", "martes", "miércoles", "jueves", "viernes", "sábado", "domingo"],
    };
    // `num_days_from_monday` is 0 to 6.
    names[date.weekday().num_days_from_monday() as usize]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::sms;

    fn date(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    #[test]
    fn a_day_reads_as_people_say_it() {
        // 12 April 2026 is a Sunday.
        assert_eq!(day(date(4, 12), Language::En, DateStyle::Full), "Sunday, April 12");
        assert_eq!(day(date(4, 12), Language::Es, DateStyle::Full), "domingo 12 de abril");
        assert_eq!(day(date(4, 12), Language::En, DateStyle::Short), "Apr 12");
        assert_eq!(day(date(4, 12), Language::Es, DateStyle::Short), "12 abr");
    }

    #[track_caller]
    fn check(early: Option<NaiveDate>, late: Option<NaiveDate>, wanted: [&str; 4]) {
        let likely = date(3, 17);
        let said = [(Language::En, DateStyle::Full), (Language::En, DateStyle::Short)]
            .into_iter()
            .chain([(Language::Es, DateStyle::Full), (Language::Es, DateStyle::Short)])
            .map(|(language, style)| spread(early, likely, late, language, style));
        assert_eq!(said.collect::<Vec<_>>(), wanted);
    }

    #[test]
    fn a_spread_names_the_month_once_when_it_can() {
        check(
            Some(date(3, 12)),
            Some(date(3, 24)),
            ["between March 12 and 24", "Mar 12-24", "entre el 12 y el 24 de marzo", "12-24 mar"],
        );
        check(
            Some(date(3, 12)),
            Some(date(4, 2)),
            ["between March 12 and April 2", "Mar 12-Apr 2", "entre el 12 de marzo y el 2 de abril", "12 mar-2 abr"],
        );
    }

    #[test]
    fn a_spread_without_an_end_stays_open() {
        check(Some(date(3, 12)), None, ["from March 12 on", "from Mar 12", "a partir del 12 de marzo", "desde 12 mar"]);
        check(None, None, ["about March 17", "about Mar 17", "hacia el 17 de marzo", "hacia 17 mar"]);
        check(
            Some(date(3, 17)),
            Some(date(3, 17)),
            ["about March 17", "about Mar 17", "hacia el 17 de marzo", "hacia 17 mar"],
        );
    }

    #[test]
    fn a_span_of_one_day_is_that_day() {
        assert_eq!(span(date(3, 30), date(4, 12), Language::En), "Mar 30-Apr 12");
        assert_eq!(span(date(4, 2), date(4, 12), Language::Es), "2-12 abr");
        assert_eq!(span(date(4, 12), date(4, 12), Language::Es), "12 abr");
        assert_eq!(span(date(4, 12), date(4, 9), Language::En), "Apr 12");
    }

    #[test]
    fn short_forms_stay_in_the_gsm_alphabet() {
        for day_of_year in 1..=365 {
            let date = NaiveDate::from_yo_opt(2026, day_of_year).unwrap();
            for language in Language::ALL {
                assert_eq!(sms::count(&day(date, language, DateStyle::Short)).encoding, sms::Encoding::Gsm7);
            }
        }
    }
}
