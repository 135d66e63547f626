//! Outlooks as a person would say them, in each language: chance and range, and how far to trust them.
//!
//! Whole sentences come from [`sentence`]; the phrases it is made of stand alone too.

use chrono::{Datelike, NaiveDate};

use crate::language::Language;
use crate::season::profile::Names;
use crate::season::{Borrowed, DateSpread, ForecastFit, Outlook, ReachedBy, RecordTrust, StageOutlook};

/// `Egg laying begins: likely between March 12 and 24, most likely the 17th. In past years this forecast was off by 4
/// days on average at this distance.`
///
/// The record of the past belongs to dates still to come only; a record that is not sound always shows.
pub fn sentence(
    language: Language,
    names: &Names,
    stage: &StageOutlook,
    trust: &RecordTrust,
    today: NaiveDate,
) -> String {
    let mut text = format!("{}: {}.", capitalised(names.get(language)), when(language, stage, today));
    if let Some(past) = past_error_of(language, stage, today) {
        text = format!("{text} {past}");
    }
    if let Some(care) = with_care(language, trust) {
        text = format!("{text} {care}");
    }
    text
}

/// When a stage came or is likely to come: `since March 3`, `likely between March 12 and 24, most likely the 17th`.
pub fn when(language: Language, stage: &StageOutlook, today: NaiveDate) -> String {
    if let Some(reached) = stage.reached {
        let on = date(language, reached.on);
        return match (language, reached.by, reached.on_real_days) {
            (Language::En, ReachedBy::FieldReport, _) => format!("since {on} at the latest, as seen in the field"),
            (Language::Es, ReachedBy::FieldReport, _) => format!("a más tardar desde el {on}, visto en el campo"),
            (Language::En, ReachedBy::Model, true) => format!("since {on}"),
            (Language::Es, ReachedBy::Model, true) => format!("desde el {on}"),
            (Language::En, ReachedBy::Model, false) => format!("since {on} by estimated temperatures"),
            (Language::Es, ReachedBy::Model, false) => format!("desde el {on} según temperaturas estimadas"),
        };
    }
    let all = stage.dates.len() + stage.not_reached as usize;
    if all == 0 {
        return match language {
            Language::En => "no forecast, since there are no past years to go by".into(),
            Language::Es => "sin pronóstico, porque no hay años anteriores en que basarse".into(),
        };
    }
    let share = stage.dates.len() as f64 / all as f64;
    let Some(median) = stage.spread.median else {
        return match language {
            Language::En => format!("not likely this season ({})", chance(language, share)),
            Language::Es => format!("poco probable esta temporada ({})", chance(language, share)),
        };
    };
    let likely = likely(language, stage.spread, median);
    match (stage.spread.late, language) {
        (Some(late), Language::En) if late < today => format!("very likely by now: {likely}"),
        (Some(late), Language::Es) if late < today => format!("muy probablemente ya: {likely}"),
        (None, Language::En) => format!("{likely} ({} that it comes this season)", chance(language, share)),
        (None, Language::Es) => format!("{likely} ({} de que llegue esta temporada)", chance(language, share)),
        _ => likely,
    }
}

/// `likely between March 12 and 24, most likely the 17th`; `from March 12 on` where the late end is open.
fn likely(language: Language, spread: DateSpread, median: NaiveDate) -> String {
    let early = spread.early.unwrap_or(median);
    let one_day = spread.late == Some(early);
    let within_month = spread.late.is_some_and(|late| same_month(early, late));
    let best = match language {
        Language::En if within_month => format!("the {}", ordinal(median.day())),
        Language::En => date(language, median),
        Language::Es if within_month => format!("el día {}", median.day()),
        Language::Es => format!("el {}", date(language, median)),
    };
    match (language, spread.late) {
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

/// `about 7 in 10 within 10 days`.
pub fn chance_within(language: Language, share: f64, days: u32) -> String {
    match (language, days) {
        (Language::En, 1) => format!("{} within a day", chance(language, share)),
        (Language::En, _) => format!("{} within {days} days", chance(language, share)),
        (Language::Es, 1) => format!("{} en un día", chance(language, share)),
        (Language::Es, _) => format!("{} en {days} días", chance(language, share)),
    }
}

/// A chance (0-1) in tenths: `about 7 in 10`, `una probabilidad de 7 en 10`.
pub fn chance(language: Language, share: f64) -> String {
    let tenths = (share * 10.0).round().clamp(1.0, 9.0);
    match language {
        Language::En if share < 0.05 => "hardly any chance".into(),
        Language::En if share > 0.95 => "almost certain".into(),
        Language::En => format!("about {tenths} in 10"),
        Language::Es if share < 0.05 => "casi ninguna probabilidad".into(),
        Language::Es if share > 0.95 => "casi seguro".into(),
        Language::Es => format!("una probabilidad de {tenths} en 10"),
    }
}

/// [`past_error`] of a date still to come; `None` where there is none, or no record of such dates.
pub fn past_error_of(language: Language, stage: &StageOutlook, today: NaiveDate) -> Option<String> {
    let to_come = stage.reached.is_none() && stage.spread.median.is_some_and(|median| median >= today);
    stage.past.filter(|_| to_come).map(|past| past_error(language, past.mae_days))
}

/// Whose past years the dates lean on; `None` when they are the station's own.
pub fn borrowed_years(language: Language, outlook: &Outlook) -> Option<String> {
    outlook.borrowed.as_ref().map(|borrowed| borrowed_words(language, borrowed))
}

/// `12 of the 15 past years are those of Cedar Flat, fitted by 900 days that both stations have.`
pub fn borrowed_words(language: Language, borrowed: &Borrowed) -> String {
    let Borrowed { name, own_years, borrowed_years, common_days, .. } = borrowed;
    let whose = match (language, own_years) {
        (Language::En, 0) => format!("All {borrowed_years} past years are those of {name}"),
        (Language::Es, 0) => format!("Los {borrowed_years} años anteriores son todos de {name}"),
        (Language::En, own) => {
            format!("{borrowed_years} of the {} past years are those of {name}", own + borrowed_years)
        }
        (Language::Es, own) => {
            format!("De los {} años anteriores, {borrowed_years} son de {name}", own + borrowed_years)
        }
    };
    match (language, common_days) {
        (Language::En, Some(days)) => format!("{whose}, fitted by {days} days that both stations have."),
        (Language::Es, Some(days)) => format!("{whose}, ajustados por {days} días que tienen ambas estaciones."),
        (Language::En, None) => format!("{whose}, fitted by the height of the two stations only."),
        (Language::Es, None) => format!("{whose}, ajustados solo por la altura de las dos estaciones."),
    }
}

/// What was done to the weather forecast: `Weather forecast of 7 days: 1.2 °C added to highs …`; `None` without one.
pub fn forecast_words(language: Language, outlook: &Outlook) -> Option<String> {
    let days = outlook.forecast_days;
    let ForecastFit { common_days, added_min_c, added_max_c } = outlook.forecast_fit.filter(|_| days > 0)?;
    let as_it_came = added_min_c == 0.0 && added_max_c == 0.0;
    Some(match language {
        Language::En if as_it_came => {
            format!(
                "Weather forecast of {days} days taken as it came: only {common_days} days tell how it fits this station."
            )
        }
        Language::Es if as_it_came => {
            format!(
                "Pronóstico del tiempo de {days} días sin corregir: solo {common_days} días dicen cómo se ajusta a esta estación."
            )
        }
        Language::En => format!(
            "Weather forecast of {days} days fitted to this station by {common_days} days: {added_max_c:+.1} °C on highs, \
             {added_min_c:+.1} °C on lows."
        ),
        Language::Es => format!(
            "Pronóstico del tiempo de {days} días ajustado a esta estación por {common_days} días: {added_max_c:+.1} °C en \
             las máximas, {added_min_c:+.1} °C en las mínimas."
        ),
    })
}

/// `In past years this forecast was off by 4 days on average at this distance.` of a mean absolute error in days.
pub fn past_error(language: Language, mean_days: f64) -> String {
    let days = mean_days.abs().round();
    let off = match language {
        Language::En if days < 1.0 => "less than a day".to_owned(),
        Language::En if days < 2.0 => "1 day".to_owned(),
        Language::En => format!("{days} days"),
        Language::Es if days < 1.0 => "menos de un día".to_owned(),
        Language::Es if days < 2.0 => "1 día".to_owned(),
        Language::Es => format!("{days} días"),
    };
    match language {
        Language::En => format!("In past years this forecast was off by {off} on average at this distance."),
        Language::Es => format!("En años anteriores, este pronóstico erró por {off} en promedio a esta distancia."),
    }
}

/// What to say beside an outlook whose record is not sound; `None` when it is.
pub fn with_care(language: Language, trust: &RecordTrust) -> Option<String> {
    let why = match (language, trust) {
        (_, RecordTrust::Sound) => return None,
        (Language::En, RecordTrust::TooMuchFilled { filled_days, days }) => {
            format!("{filled_days} of the season's {days} days were estimated, not measured")
        }
        (Language::Es, RecordTrust::TooMuchFilled { filled_days, days }) => {
            format!("{filled_days} de los {days} días de la temporada son estimados, no medidos")
        }
        (Language::En, RecordTrust::TooOld { newest_real_day: Some(day), age_days }) => {
            format!("the last measured day is {}, {age_days} days ago", date(language, *day))
        }
        (Language::Es, RecordTrust::TooOld { newest_real_day: Some(day), age_days }) => {
            format!("el último día medido es el {}, hace {age_days} días", date(language, *day))
        }
        (Language::En, RecordTrust::TooOld { newest_real_day: None, .. }) => {
            "nothing was measured this season".to_owned()
        }
        (Language::Es, RecordTrust::TooOld { newest_real_day: None, .. }) => {
            "no se ha medido nada esta temporada".to_owned()
        }
        (Language::En, RecordTrust::TooFewYears { years: 0 }) => "there are no past years to go by".to_owned(),
        (Language::Es, RecordTrust::TooFewYears { years: 0 }) => "no hay años anteriores en que basarse".to_owned(),
        (Language::En, RecordTrust::TooFewYears { years: 1 }) => "there is only 1 past year to go by".to_owned(),
        (Language::Es, RecordTrust::TooFewYears { years: 1 }) => "solo hay 1 año anterior en que basarse".to_owned(),
        (Language::En, RecordTrust::TooFewYears { years }) => {
            format!("there are only {years} past years to go by")
        }
        (Language::Es, RecordTrust::TooFewYears { years }) => {
            format!("solo hay {years} años anteriores en que basarse")
        }
        (Language::En, RecordTrust::BorrowedYears { from, own_years: 0 }) => {
            format!("this station has no past years of its own, and those of {from} may not fit")
        }
        (Language::Es, RecordTrust::BorrowedYears { from, own_years: 0 }) => {
            format!("esta estación no tiene años anteriores propios, y los de {from} pueden no ajustarse")
        }
        (Language::En, RecordTrust::BorrowedYears { from, .. }) => {
            format!("most past years are those of {from}, and may not fit")
        }
        (Language::Es, RecordTrust::BorrowedYears { from, .. }) => {
            format!("la mayoría de los años anteriores son de {from}, y pueden no ajustarse")
        }
    };
    Some(match language {
        Language::En => format!("Take this with care: {why}."),
        Language::Es => format!("Tómelo con cautela: {why}."),
    })
}

fn same_month(a: NaiveDate, b: NaiveDate) -> bool {
    (a.year(), a.month()) == (b.year(), b.month())
}

/// `1st`, `2nd`, `3rd`, `11th`.
fn ordinal(number: u32) -> String {
    let ending = match (number % 10, number % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{number}{ending}")
}

/// The text with a capital at its head.
pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::{PastScore, Reached};

    fn day(text: &str) -> NaiveDate {
        format!("2026-{text}").parse().expect("a day")
    }

    /// A stage still to come: early, median and late as month-day or `-`, and how many of 20 futures do not get there.
    fn stage(points: &str, not_reached: u32) -> StageOutlook {
        let mut points = points.split(' ').map(|text| (text != "-").then(|| day(text)));
        let mut next = || points.next().expect("three points");
        let spread = DateSpread { early: next(), median: next(), late: next() };
        let dates = vec![day("03-17"); 20 - not_reached as usize];
        StageOutlook { stage: "x".into(), at_sum: None, reached: None, spread, dates, not_reached, past: None }
    }

    fn check(stage: &StageOutlook, en: &str, es: &str) {
        let today = day("03-01");
        assert_eq!([when(Language::En, stage, today), when(Language::Es, stage, today)], [en, es]);
    }

    #[test]
    fn a_range_within_one_month_names_it_once() {
        check(
            &stage("03-12 03-17 03-24", 0),
            "likely between March 12 and 24, most likely the 17th",
            "probablemente entre el 12 y el 24 de marzo, lo más probable el día 17",
        );
    }

    #[test]
    fn a_range_over_two_months_names_both() {
        check(
            &stage("02-26 03-01 03-09", 1),
            "likely between February 26 and March 9, most likely March 1",
            "probablemente entre el 26 de febrero y el 9 de marzo, lo más probable el 1 de marzo",
        );
    }

    #[test]
    fn a_range_of_one_day_is_that_day() {
        check(&stage("03-17 03-17 03-17", 0), "likely on March 17", "probablemente el 17 de marzo");
    }

    #[test]
    fn years_that_do_not_get_there_open_the_late_end_and_show_as_a_chance() {
        check(
            &stage("03-12 03-17 -", 5),
            "likely from March 12 on, most likely March 17 (about 8 in 10 that it comes this season)",
            "probablemente a partir del 12 de marzo, lo más probable el 17 de marzo \
             (una probabilidad de 8 en 10 de que llegue esta temporada)",
        );
        check(
            &stage("03-12 - -", 12),
            "not likely this season (about 4 in 10)",
            "poco probable esta temporada (una probabilidad de 4 en 10)",
        );
        check(
            &stage("- - -", 20),
            "not likely this season (hardly any chance)",
            "poco probable esta temporada (casi ninguna probabilidad)",
        );
    }

    #[test]
    fn a_range_that_has_passed_unmeasured_says_so() {
        check(
            &stage("02-12 02-17 02-24", 0),
            "very likely by now: likely between February 12 and 24, most likely the 17th",
            "muy probablemente ya: probablemente entre el 12 y el 24 de febrero, lo más probable el día 17",
        );
    }

    #[test]
    fn what_has_come_says_since_when_and_by_what() {
        let reached = |by, on_real_days| StageOutlook {
            reached: Some(Reached { on: day("02-20"), on_real_days, by }),
            ..stage("02-20 02-20 02-20", 0)
        };
        check(&reached(ReachedBy::Model, true), "since February 20", "desde el 20 de febrero");
        check(
            &reached(ReachedBy::Model, false),
            "since February 20 by estimated temperatures",
            "desde el 20 de febrero según temperaturas estimadas",
        );
        check(
            &reached(ReachedBy::FieldReport, true),
            "since February 20 at the latest, as seen in the field",
            "a más tardar desde el 20 de febrero, visto en el campo",
        );
    }

    #[test]
    fn without_past_years_there_is_no_forecast() {
        let none = StageOutlook { dates: vec![], ..stage("- - -", 0) };
        check(
            &none,
            "no forecast, since there are no past years to go by",
            "sin pronóstico, porque no hay años anteriores en que basarse",
        );
    }

    #[test]
    fn a_sentence_names_the_stage_the_record_of_the_past_and_what_to_take_with_care() {
        let names = Names { en: "egg laying begins".into(), es: "empieza la puesta de huevos".into() };
        let score = PastScore {
            lead_days: 14,
            n: 40,
            bias_days: 0.5,
            mae_days: 3.6,
            crps_days: 2.5,
            skill: Some(0.6),
            held: 0.8,
        };
        let stage = StageOutlook { past: Some(score), ..stage("03-12 03-17 03-24", 0) };
        let old = RecordTrust::TooOld { newest_real_day: Some(day("02-20")), age_days: 9 };
        assert_eq!(
            sentence(Language::En, &names, &stage, &old, day("03-01")),
            "Egg laying begins: likely between March 12 and 24, most likely the 17th. In past years this forecast was \
             off by 4 days on average at this distance. Take this with care: the last measured day is February 20, 9 \
             days ago."
        );
        assert_eq!(
            sentence(Language::Es, &names, &stage, &RecordTrust::Sound, day("03-01")),
            "Empieza la puesta de huevos: probablemente entre el 12 y el 24 de marzo, lo más probable el día 17. En \
             años anteriores, este pronóstico erró por 4 días en promedio a esta distancia."
        );
    }

    #[test]
    fn small_numbers_are_said_as_people_say_them() {
        let off = |mean_days| past_error(Language::En, mean_days);
        assert!(off(0.4).contains("less than a day") && off(1.2).contains("by 1 day on"));
        assert_eq!(with_care(Language::En, &RecordTrust::Sound), None);
        for (years, en) in [(0, "no past years"), (1, "only 1 past year to"), (3, "only 3 past years")] {
            let care = with_care(Language::En, &RecordTrust::TooFewYears { years }).expect("not sound");
            assert!(care.contains(en), "{care}");
        }
        let nth: Vec<_> = [1, 2, 3, 4, 11, 12, 13, 21, 22, 23, 31].into_iter().map(ordinal).collect();
        assert_eq!(nth.join(" "), "1st 2nd 3rd 4th 11th 12th 13th 21st 22nd 23rd 31st");
        assert_eq!(chance_within(Language::En, 0.71, 10), "about 7 in 10 within 10 days");
        assert_eq!(chance_within(Language::Es, 0.99, 1), "casi seguro en un día");
    }
}
