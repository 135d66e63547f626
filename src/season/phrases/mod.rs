//! Outlooks as a person would say them, in each language: chance and range, and how far to trust them.
//!
//! Whole sentences come from [`sentence`]; the phrases it is made of stand alone too.

// Days and ranges of days.
mod range;

use chrono::NaiveDate;

use crate::language::Language;
use crate::season::profile::Names;
use crate::season::{Borrowed, ForecastFit, Outlook, ReachedBy, RecordTrust, StageOutlook, StageParts};

pub use self::range::{between, date, span, wide_range};

/// `Egg laying begins: likely between March 12 and 24, most likely the 17th. In past years this forecast of our heat number was
/// off by 4 days on average at this distance; it does not say how often eggs were seen.`
///
/// Of 100 eggs, what a day costs: `about 3`, `less than 1`.
pub fn eggs_lost(language: Language, of_hundred: u32) -> String {
    match (language, of_hundred) {
        (Language::En, 0) => "less than 1".into(),
        (Language::En, some) => format!("about {some}"),
        (Language::Es, 0) => "menos de 1".into(),
        (Language::Es, 1) => "cerca de 1".into(),
        (Language::Es, some) => format!("unos {some}"),
    }
}

/// The record of the past belongs to dates still to come only; a record that is not sound always shows.
pub fn sentence(
    language: Language,
    names: &Names,
    stage: &StageOutlook,
    trust: &RecordTrust,
    today: NaiveDate,
) -> String {
    sentence_with(language, names, stage, with_care(language, trust), today)
}

/// As [`sentence`], with other words about the record, such as those of [`with_care_of_grid`].
pub fn sentence_with(
    language: Language,
    names: &Names,
    stage: &StageOutlook,
    care: Option<String>,
    today: NaiveDate,
) -> String {
    let mut text = format!("{}: {}.", capitalised(names.get(language)), when(language, stage, today));
    if let Some(past) = past_error_of(language, stage, today) {
        text = format!("{text} {past}");
    }
    if let Some(care) = care {
        text = format!("{text} {care}");
    }
    text
}

/// When a stage came or is likely to come: `seen on March 3`, `likely between March 12 and 24, most likely the 17th`.
///
/// That our heat number was reached is never told as if somebody had seen the stage.
pub fn when(language: Language, stage: &StageOutlook, today: NaiveDate) -> String {
    let reached = match stage.reached {
        Some(seen) if seen.by == ReachedBy::FieldReport => {
            let on = date(language, seen.on);
            return match language {
                Language::En => format!("seen on {on}"),
                Language::Es => format!("visto el {on}"),
            };
        }
        Some(reached) if stage.dates.is_empty() => {
            let (by, on) = (by_heat(language, reached.on_real_days), date(language, reached.on));
            return match language {
                Language::En => format!("{by} since {on}"),
                Language::Es => format!("{by}, desde el {on}"),
            };
        }
        reached => reached,
    };
    let all = stage.dates.len() + stage.not_reached as usize;
    if all == 0 {
        return match language {
            Language::En => "no forecast, since there are no past years to go by".into(),
            Language::Es => "sin pronóstico, porque no hay años anteriores en que basarse".into(),
        };
    }
    let begun = stage.chance_by(today);
    // A stage that says how sure its number is stays a matter of chance until somebody has seen it.
    let in_doubt = reached.is_some() || stage.parts.is_some();
    if in_doubt && begun >= PROBABLY {
        let by = by_heat(language, reached.is_none_or(|reached| reached.on_real_days));
        let chance = chance(language, begun);
        return match language {
            Language::En => format!("probably by now, {by} ({chance})"),
            Language::Es => format!("probablemente ya, {by} ({chance})"),
        };
    }
    let share = stage.dates.len() as f64 / all as f64;
    let spread = stage.spread;
    let Some(median) = spread.median else { return not_likely(language, share) };
    let open_end = match language {
        _ if spread.late.is_some() => String::new(),
        Language::En => format!(" ({} that it comes this season)", chance(language, share)),
        Language::Es => format!(" ({} de que llegue esta temporada)", chance(language, share)),
    };
    if in_doubt && spread.early.is_some_and(|early| early <= today) {
        let range =
            range::to_come(language, spread, median, today).map_or_else(String::new, |range| format!("; {range}"));
        return match language {
            Language::En => format!("perhaps already ({}){range}{open_end}", chance(language, begun)),
            Language::Es => format!("quizá ya ({}){range}{open_end}", chance(language, begun)),
        };
    }
    let likely = range::likely(language, spread, median);
    match (spread.late, language) {
        (Some(late), Language::En) if late < today => format!("very likely by now: {likely}"),
        (Some(late), Language::Es) if late < today => format!("muy probablemente ya: {likely}"),
        _ => format!("{likely}{open_end}"),
    }
}

/// From this chance (0-1) on, in tenths 6 in 10, a stage has `probably` begun.
const PROBABLY: f64 = 0.55;

/// `has probably begun by this year's heat (about 6 in 10)`, `may have begun by this year's heat (about 3 in 10)`: after the
/// name of what begins, where nobody has seen it.
pub fn begun_by_heat(language: Language, share: f64) -> String {
    let (by, chance) = (by_heat(language, true), chance(language, share));
    match language {
        Language::En if share >= PROBABLY => format!("has probably begun {by} ({chance})"),
        Language::En => format!("may have begun {by} ({chance})"),
        Language::Es if share >= PROBABLY => format!("probablemente ya empezó, {by} ({chance})"),
        Language::Es => format!("quizá ya empezó, {by} ({chance})"),
    }
}

fn by_heat(language: Language, measured: bool) -> &'static str {
    match (language, measured) {
        (Language::En, true) => "by this year's heat",
        (Language::En, false) => "by estimated temperatures",
        (Language::Es, true) => "según el calor de este año",
        (Language::Es, false) => "según temperaturas estimadas",
    }
}

fn not_likely(language: Language, share: f64) -> String {
    match language {
        Language::En => format!("not likely this season ({})", chance(language, share)),
        Language::Es => format!("poco probable esta temporada ({})", chance(language, share)),
    }
}

/// `weather 5 days, insect 9 days`: whose doubt a range is, as days that each would leave open alone.
pub fn parts(language: Language, parts: StageParts) -> String {
    let days = |days: u32| match (language, days) {
        (Language::En, 1) => "1 day".to_owned(),
        (Language::En, _) => format!("{days} days"),
        (Language::Es, 1) => "1 día".to_owned(),
        (Language::Es, _) => format!("{days} días"),
    };
    let (weather, insect) = (days(parts.weather_days), days(parts.insect_days));
    match language {
        Language::En => format!("weather {weather}, insect {insect}"),
        Language::Es => format!("tiempo {weather}, insecto {insect}"),
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

/// `In past years this forecast of our heat number was off by 4 days on average at this distance; …` of a mean absolute error
/// in days. What was verified is when the number was reached, not when the insect did anything.
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
        Language::En => format!(
            "In past years this forecast of our heat number was off by {off} on average at this distance; it does not say \
             how often eggs were seen."
        ),
        Language::Es => format!(
            "En años anteriores, este pronóstico de nuestra cifra de calor erró por {off} en promedio a esta distancia; no \
             dice cuántas veces se vieron huevos."
        ),
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
    Some(careful(language, &why))
}

/// As [`with_care`], where a grid's estimates stand in for a station: none of its days was ever measured.
pub fn with_care_of_grid(language: Language, trust: &RecordTrust) -> Option<String> {
    let why = match (language, trust) {
        (Language::En, RecordTrust::TooMuchFilled { filled_days, days }) => {
            format!("{filled_days} of the season's {days} days had no value of the grid")
        }
        (Language::Es, RecordTrust::TooMuchFilled { filled_days, days }) => {
            format!("{filled_days} de los {days} días de la temporada no tienen valor de la cuadrícula")
        }
        (Language::En, RecordTrust::TooOld { newest_real_day: Some(day), age_days }) => {
            format!("the last day with a value of the grid is {}, {age_days} days ago", date(language, *day))
        }
        (Language::Es, RecordTrust::TooOld { newest_real_day: Some(day), age_days }) => {
            format!("el último día con valor de la cuadrícula es el {}, hace {age_days} días", date(language, *day))
        }
        (Language::En, RecordTrust::TooOld { newest_real_day: None, .. }) => {
            "the grid has no value of this season".to_owned()
        }
        (Language::Es, RecordTrust::TooOld { newest_real_day: None, .. }) => {
            "la cuadrícula no tiene ningún valor de esta temporada".to_owned()
        }
        _ => return with_care(language, trust),
    };
    Some(careful(language, &why))
}

fn careful(language: Language, why: &str) -> String {
    match language {
        Language::En => format!("Take this with care: {why}."),
        Language::Es => format!("Tómelo con cautela: {why}."),
    }
}

/// The text with a capital at its head.
pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests;
