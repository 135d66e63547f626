//! One region in depth, in lines: what owners read, in each language.

use chrono::NaiveDate;

use crate::commands::args::DegreeUnit;
use crate::commands::format::{counted, date_or, height_in, short_date_or};
use crate::language::Language;
use crate::region::Region;
use crate::season::outlook::{DaySpan, SecondWash};
use crate::season::profile::Profile;
use crate::season::window::DeadlineRule;
use crate::season::{Outlook, Policy, WindowDays, phrases};
use crate::weather::StationKind;

/// The region, the heat so far and the numbers that the dates were made with.
pub(super) fn head(
    language: Language,
    region: &Region,
    outlook: &Outlook,
    unit: DegreeUnit,
    kind: StationKind,
) -> String {
    let (name, height, today) = (&region.name, height_in(region.elevation_m, unit), outlook.today);
    let (heat, symbol) = (unit.heat_from_c(outlook.heat_sum), unit.heat_symbol());
    let (year, filled, station) = (outlook.season.year, outlook.filled_days, &outlook.station);
    let (profile, version) = (&region.profile, outlook.profile_version);
    match language {
        Language::En => {
            let (how, whose) = match kind {
                StationKind::Station => ("estimated", "station"),
                StationKind::GridPoint => {
                    ("without a value of the grid", "a grid's estimates, since nobody measures there:")
                }
            };
            let last = date_or(outlook.last_day, "no day yet");
            format!(
                "{name} ({height}), season {year}, outlook of {today}\n\
                 heat so far: {heat:.0} {symbol} to {last}, {filled} of its days {how}; {whose} {station}\n\
                 profile {profile}, version {version}\n"
            )
        }
        Language::Es => {
            let (how, whose) = match kind {
                StationKind::Station => ("estimados", "estación"),
                StationKind::GridPoint => {
                    ("sin valor de la cuadrícula", "estimaciones de una cuadrícula, porque nadie mide ahí:")
                }
            };
            let (last, symbol) = (date_or(outlook.last_day, "ningún día todavía"), symbol.replace("day", "día"));
            format!(
                "{name} ({height}), temporada {year}, pronóstico del {today}\n\
                 calor hasta ahora: {heat:.0} {symbol} (último día: {last}; {filled} de sus días {how}); {whose} {station}\n\
                 perfil {profile}, versión {version}\n"
            )
        }
    }
}

/// The days of the window, on what the deadline rests, and whose doubt the dates carry.
pub(super) fn window(
    language: Language,
    profile: &Profile,
    policy: &Policy,
    outlook: &Outlook,
    days: &WindowDays,
) -> String {
    let (look_from, deadline) = (day(language, days.look_from), day(language, days.deadline));
    let rule = rule(language, days.rule, policy);
    let mut text = match (language, days.best) {
        (Language::En, Some(best)) => {
            format!(
                "days of the window: look from {look_from}, best days to wash {}, wash by {deadline} ({rule})\n",
                span(best)
            )
        }
        (Language::En, None) => format!("days of the window: look from {look_from}, wash by {deadline} ({rule})\n"),
        (Language::Es, Some(best)) => format!(
            "días de la ventana: revise desde el {look_from}, mejores días para lavar: {}, lave a más tardar el {deadline} ({rule})\n",
            phrases::span(language, best)
        ),
        (Language::Es, None) => {
            format!("días de la ventana: revise desde el {look_from}, lave a más tardar el {deadline} ({rule})\n")
        }
    };
    if let Some(was) = days.was {
        let was = day(language, was);
        text += &match language {
            Language::En => format!("  people were told to wash by {was}\n"),
            Language::Es => format!("  se avisó que el último día para lavar era el {was}\n"),
        };
    }
    text += &washes(language, outlook, days);
    let (opens, closes) = (&profile.window.opens, &profile.window.closes);
    if let Some(opens) = outlook.stage(opens) {
        let chance = percent(opens.chance_by(outlook.today));
        text += &match language {
            Language::En => format!("chance that egg laying has begun by today: {chance}\n"),
            Language::Es => format!("probabilidad de que la puesta de huevos ya haya empezado: {chance}\n"),
        };
    }
    for (en, es, stage) in [("egg laying", "de la puesta", opens), ("hatch", "del nacimiento", closes)] {
        if let Some(parts) = outlook.stage(stage).and_then(|stage| stage.parts) {
            let parts = phrases::parts(language, parts);
            text += &match language {
                Language::En => format!("  doubt about the day of {en}: {parts}\n"),
                Language::Es => format!("  duda sobre el día {es}: {parts}\n"),
            };
        }
    }
    if profile.stage(opens).is_some_and(|stage| stage.spread.is_none()) {
        text += &format!("{}\n", weather_only(language));
    }
    text
}

/// What one wash takes, and a second; of days that are over it is told as what would have been.
fn washes(language: Language, outlook: &Outlook, days: &WindowDays) -> String {
    // Of the days that are advised: the deadline may lie before the day on which a wash takes most.
    let Some(wash) = &outlook.wash else { return String::new() };
    let Some((on, share)) = wash.peak_by(days.deadline) else { return String::new() };
    let (is_over, on, share) = (on < outlook.today, day(language, on), percent(share));
    let mut text = match (language, is_over) {
        (Language::En, false) => format!("  one wash on {on} is expected to take {share} of the eggs"),
        (Language::En, true) => format!("  one wash on {on} would have taken {share} of the eggs"),
        (Language::Es, false) => format!("  se espera que un lavado el {on} quite el {share} de los huevos"),
        (Language::Es, true) => format!("  un lavado el {on} habría quitado el {share} de los huevos"),
    };
    // Together first: "adds 9 %" behind a share of one wash on another day would be read as more than all.
    if let Some((SecondWash { after, on, adds }, both)) = wash.second.zip(wash.both()) {
        let (is_over, adds, both) = (on < outlook.today, percent(adds), percent(both));
        let (after, on) = (day(language, after), day(language, on));
        text += &match (language, is_over) {
            (Language::En, false) => {
                format!("; two, on {after} and {on}, are expected to take {both} together, {adds} of it by the second")
            }
            (Language::En, true) => {
                format!("; two, on {after} and {on}, would have taken {both} together, {adds} of it by the second")
            }
            (Language::Es, false) => {
                format!(
                    "; se espera que dos, el {after} y el {on}, quiten juntos el {both}; de eso, el segundo, el {adds}"
                )
            }
            (Language::Es, true) => {
                format!("; dos, el {after} y el {on}, habrían quitado juntos el {both}; de eso, el segundo, el {adds}")
            }
        };
    }
    text + "\n"
}

/// What a profile without spreads leaves out.
pub(super) fn weather_only(language: Language) -> &'static str {
    match language {
        Language::En => {
            "The profile does not say how sure its heat numbers are: dates carry the weather's doubt only, and are off by more than \
             that where the number is off."
        }
        Language::Es => {
            "El perfil no dice qué tan seguras son sus cifras de calor: las fechas llevan solo la duda del tiempo, y fallan por más \
             que eso donde falla la cifra."
        }
    }
}

/// Above what is said to staff alone.
pub(super) fn decided(language: Language) -> &'static str {
    match language {
        Language::En => "what is decided today:\n",
        Language::Es => "para el personal, en inglés: what is decided today:\n",
    }
}

fn rule(language: Language, rule: DeadlineRule, policy: &Policy) -> String {
    let days = |days: u32| match language {
        Language::En => counted(days, "day", "days"),
        Language::Es => counted(days, "día", "días"),
    };
    match (rule, language) {
        (DeadlineRule::HatchEarly, Language::En) => {
            format!("{} before the early date of the hatch", days(policy.rake_days))
        }
        (DeadlineRule::HatchEarly, Language::Es) => {
            format!("{} antes de la fecha temprana del nacimiento", days(policy.rake_days))
        }
        (DeadlineRule::LeastDays, Language::En) => format!(
            "{} after the first of the best days, since the early date of the hatch lies too close to it",
            days(policy.wash_days)
        ),
        (DeadlineRule::LeastDays, Language::Es) => format!(
            "{} después del primero de los mejores días, porque la fecha temprana del nacimiento queda demasiado cerca de él",
            days(policy.wash_days)
        ),
        (DeadlineRule::HatchSeen, Language::En) => "the hatch was seen".into(),
        (DeadlineRule::HatchSeen, Language::Es) => "alguien vio el nacimiento".into(),
        (DeadlineRule::Month, Language::En) => {
            "a month after egg laying, since there is no forecast of the hatch".into()
        }
        (DeadlineRule::Month, Language::Es) => {
            "un mes después de la puesta, porque no hay pronóstico del nacimiento".into()
        }
    }
}

/// `Mar 20`, `20 de marzo`.
fn day(language: Language, day: NaiveDate) -> String {
    match language {
        Language::En => short_date_or(Some(day), ""),
        Language::Es => phrases::date(language, day),
    }
}

/// `Mar 20 - Apr 2`.
pub(super) fn span(days: DaySpan) -> String {
    format!("{} - {}", short_date_or(Some(days.first), ""), short_date_or(Some(days.last), ""))
}

pub(super) fn percent(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}
