//! What field reports taught, as a person would say it.

use crate::language::Language;
use crate::season::profile::Profile;
use crate::season::{LearnedNote, phrases};

/// `Field reports of this season, from all regions: fresh white cotton with eggs at 2 trees, not yet at 1. That is earlier than expected: the
/// dates here moved 4 days earlier.` `None` where nothing was found or looked for.
pub fn note(language: Language, profile: &Profile, note: &LearnedNote) -> Option<String> {
    let what = sight(language, profile)?;
    let found = match (language, note.sightings, note.zeros) {
        (_, 0, 0) => return None,
        (Language::En, 0, zeros) => format!("no {what} yet at {}", trees(language, zeros)),
        (Language::Es, 0, zeros) => format!("en {} todavía no hay {what}", trees(language, zeros)),
        (Language::En, seen, 0) => format!("{what} at {}", trees(language, seen)),
        (Language::Es, seen, 0) => format!("{what} en {}", trees(language, seen)),
        (Language::En, seen, zeros) => format!("{what} at {}, not yet at {zeros}", trees(language, seen)),
        (Language::Es, seen, zeros) => format!("{what} en {}, todavía no en {zeros}", trees(language, seen)),
    };
    let mut moved = moved(language, note.moved_days).map(|moved| format!(" {moved}")).unwrap_or_default();
    if note.frozen {
        moved += match language {
            Language::En => " Later reports of this season do not change these dates.",
            Language::Es => " Las observaciones posteriores de esta temporada no cambian estas fechas.",
        };
    }
    Some(match language {
        Language::En => format!("Field reports of this season, from all regions: {found}.{moved}"),
        Language::Es => format!("Observaciones de esta temporada, en todas las regiones: {found}.{moved}"),
    })
}

/// `That is earlier than expected: the dates here moved 4 days earlier.` `None` where they did not move.
pub fn moved(language: Language, days: i64) -> Option<String> {
    let count = match (language, days.unsigned_abs()) {
        (Language::En, 1) => "1 day".to_owned(),
        (Language::En, days) => format!("{days} days"),
        (Language::Es, 1) => "1 día".to_owned(),
        (Language::Es, days) => format!("{days} días"),
    };
    Some(match language {
        _ if days == 0 => return None,
        Language::En if days < 0 => format!("That is earlier than expected: the dates here moved {count} earlier."),
        Language::En => format!("That is later than expected: the dates here moved {count} later."),
        Language::Es if days < 0 => {
            format!("Es más temprano de lo esperado: las fechas de aquí se adelantaron {count}.")
        }
        Language::Es => format!("Es más tarde de lo esperado: las fechas de aquí se atrasaron {count}."),
    })
}

/// What a person sees when the window opens; a profile without sights has the stage's name.
fn sight(language: Language, profile: &Profile) -> Option<String> {
    let opens = &profile.window.opens;
    let seen = profile.sights.iter().find(|sight| sight.shows.as_ref() == Some(opens)).map(|sight| &sight.names);
    let names = seen.or_else(|| profile.stage(opens).map(|stage| &stage.names))?;
    Some(names.get(language).to_owned())
}

fn trees(language: Language, count: u32) -> String {
    match (language, count) {
        (Language::En, 1) => "1 tree".into(),
        (Language::En, _) => format!("{count} trees"),
        (Language::Es, 1) => "1 árbol".into(),
        (Language::Es, _) => format!("{count} árboles"),
    }
}

/// For staff, of a whole season: `field reports moved dates: fresh white cotton with eggs seen at 2 trees, earlier than
/// expected; egg laying begins 4 days earlier in 7 regions`. `moves`: by region, days by which its date moved since the last
/// outlook; above 0 is later.
pub fn told_staff(profile: &Profile, season: i32, sightings: u32, zeros: u32, moves: &[i64]) -> String {
    let language = Language::En;
    let what = sight(language, profile).unwrap_or_else(|| profile.window.opens.to_string());
    let mut found = Vec::new();
    if sightings > 0 {
        found.push(format!("{what} seen at {}", trees(language, sightings)));
    }
    if zeros > 0 {
        found.push(format!("looked for and not there yet at {}", trees(language, zeros)));
    }
    if found.is_empty() {
        found.push("no report teaches any more".to_owned());
    }
    let name = profile.stage(&profile.window.opens).map_or_else(String::new, |stage| stage.names.en.clone());
    let side = |later: bool| {
        let days: Vec<u64> =
            moves.iter().filter(|days| (**days > 0) == later).map(|days| days.unsigned_abs()).collect();
        let range = match (*days.iter().min()?, *days.iter().max()?) {
            (1, 1) => "1 day".to_owned(),
            (least, most) if least == most => format!("{most} days"),
            (least, most) => format!("{least} to {most} days"),
        };
        let regions = if days.len() == 1 { "1 region".to_owned() } else { format!("{} regions", days.len()) };
        Some(format!("{range} {} in {regions}", if later { "later" } else { "earlier" }))
    };
    let sides: Vec<String> = [side(false), side(true)].into_iter().flatten().collect();
    format!(
        "field reports of season {season} moved dates ({}): {} {}",
        found.join("; "),
        phrases::capitalised(&name),
        sides.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_seen_and_where_dates_went_is_said_in_both_languages() {
        let profile = Profile::pinyon_needle_scale();
        let say = |sightings, zeros, moved_days| {
            Language::ALL
                .map(|language| note(language, &profile, &LearnedNote { sightings, zeros, moved_days, frozen: false }))
        };
        assert_eq!(
            say(2, 1, -4).map(Option::unwrap),
            [
                "Field reports of this season, from all regions: fresh white cotton with eggs at 2 trees, not yet at 1. That is earlier than \
                 expected: the dates here moved 4 days earlier.",
                "Observaciones de esta temporada, en todas las regiones: algodón blanco y fresco con huevos en 2 árboles, todavía no en 1. Es más \
                 temprano de lo esperado: las fechas de aquí se adelantaron 4 días.",
            ]
        );
        assert_eq!(
            say(0, 3, 1).map(Option::unwrap),
            [
                "Field reports of this season, from all regions: no fresh white cotton with eggs yet at 3 trees. That is later than \
                 expected: the dates here moved 1 day later.",
                "Observaciones de esta temporada, en todas las regiones: en 3 árboles todavía no hay algodón blanco y fresco con huevos. Es más \
                 tarde de lo esperado: las fechas de aquí se atrasaron 1 día.",
            ]
        );
        assert_eq!(say(0, 0, 0), [None, None]);
        let frozen = LearnedNote { sightings: 1, zeros: 0, moved_days: 0, frozen: true };
        assert_eq!(
            Language::ALL.map(|language| note(language, &profile, &frozen).unwrap()),
            [
                "Field reports of this season, from all regions: fresh white cotton with eggs at 1 tree. Later reports of this season do not \
                 change these dates.",
                "Observaciones de esta temporada, en todas las regiones: algodón blanco y fresco con huevos en 1 árbol. Las observaciones posteriores \
                 de esta temporada no cambian estas fechas.",
            ]
        );
        assert!(say(1, 0, 0).map(Option::unwrap)[0].ends_with("at 1 tree."));
    }

    #[test]
    fn staff_read_both_directions_in_one_line() {
        let profile = Profile::pinyon_needle_scale();
        assert_eq!(
            told_staff(&profile, 2025, 2, 0, &[-4, -2, 3]),
            "field reports of season 2025 moved dates (fresh white cotton with eggs seen at 2 trees): Egg laying begins 2 to \
             4 days earlier in 2 regions, 3 days later in 1 region"
        );
    }
}
