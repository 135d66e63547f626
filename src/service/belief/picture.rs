//! The belief as a picture: what was gathered, as the chart takes it.

use super::learn::{Belief, Teacher, posterior_of_nothing};
use crate::chart::belief::{BeliefChart, BeliefMark, MOST_REPORTS};
use crate::language::Language;
use crate::region::Region;
use crate::season::learning::LearnedStage;
use crate::season::{Profile, StageId, phrases};

/// The belief of one stage before and after the reports, to be drawn.
///
/// # Errors
/// When the profile does not say how sure it is of that stage, in words.
pub fn chart(
    profile: &Profile,
    belief: &Belief,
    regions: &[Region],
    stage: &StageId,
    language: Language,
) -> Result<BeliefChart, String> {
    let known: Vec<&str> = belief.stages.iter().map(|of| of.stage.0.as_str()).collect();
    let missing = || {
        format!(
            "stage `{stage}` of profile `{}` cannot be drawn: only of {} the profile says how sure it is",
            profile.id,
            if known.is_empty() { "no stage".to_owned() } else { known.join(", ") }
        )
    };
    let shown = belief.stages.iter().find(|of| of.stage == *stage).ok_or_else(missing)?;
    let of = profile.stage(stage).ok_or_else(missing)?;
    let learned = profile.rank(stage).and_then(|rank| belief.learned.stage(rank)).ok_or_else(missing)?;
    let from = match &of.after {
        None => match language {
            Language::En => phrases::date(language, profile.first_day(belief.season)),
            Language::Es => format!("el {}", phrases::date(language, profile.first_day(belief.season))),
        },
        Some(after) => {
            let name = profile.stage(after).map_or("", |of| of.names.get(language));
            match language {
                Language::En => format!("when {name}"),
                Language::Es => format!("que {name}"),
            }
        }
    };
    let provisional = match language {
        Language::En => "Provisional: no published heat sum exists for this insect.",
        Language::Es => "Provisional: no hay una suma de calor publicada para este insecto.",
    };
    let mut notes: Vec<String> = profile.provisional.then(|| provisional.to_owned()).into_iter().collect();
    notes.extend(belief.frozen.iter().map(|frozen| frozen.in_words(language)));
    Ok(BeliefChart {
        stage: of.names.get(language).to_owned(),
        insect: profile.names.get(language).to_owned(),
        season: belief.season,
        from,
        from_stage: of.after.is_some(),
        before: posterior_of_nothing(learned).belief().clone(),
        after: learned.posterior.belief().clone(),
        reports: as_drawn(&shown.reports)
            .into_iter()
            .map(|report| mark(report, belief, regions, learned, language))
            .collect(),
        places_c: shown.places_c,
        years_c: shown.years_c,
        note: (!notes.is_empty()).then(|| notes.join(" ")),
    })
}

/// First those that move our number most, as many as are drawn; both they and the others in the order of their days.
fn as_drawn(reports: &[Teacher]) -> Vec<&Teacher> {
    let day = |of: &Teacher| (of.observed_on, of.region.clone(), of.id.clone());
    let mut all: Vec<&Teacher> = reports.iter().collect();
    all.sort_by(|a, b| b.moves_number.abs().total_cmp(&a.moves_number.abs()).then_with(|| day(a).cmp(&day(b))));
    let (drawn, others) = all.split_at_mut(reports.len().min(MOST_REPORTS));
    drawn.sort_by_key(|&report| day(report));
    others.sort_by_key(|&report| day(report));
    all
}

fn mark(
    report: &Teacher,
    belief: &Belief,
    regions: &[Region],
    learned: &LearnedStage,
    language: Language,
) -> BeliefMark {
    let region = regions.iter().find(|region| region.id == report.region);
    let name = region.map_or_else(|| report.region.to_string(), |region| region.name.clone());
    let day = phrases::date(language, report.observed_on);
    let day = if report.season == belief.season { day } else { format!("{day}, {}", report.season) };
    // Where the stage counts from another, that one's own likely sum is taken off.
    let looks = learned.looks.iter().filter(|looks| looks.season == report.season);
    let place = looks.flat_map(|looks| &looks.places).find(|place| place.place == report.region.as_str());
    let start = place.and_then(|place| place.parent.as_ref()).map_or(0.0, |parent| parent.median());
    let since = |heat: f64| (heat - start).max(0.0);
    BeliefMark { label: format!("{day}, {name}"), zero: report.not_yet_at.map(since), seen: report.seen_at.map(since) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::Observer;

    #[test]
    fn the_reports_that_move_the_number_most_are_drawn_in_the_order_of_their_days() {
        let report = |nth: u32, moves_number: f64| Teacher {
            id: format!("r{nth:02}"),
            region: "low".into(),
            season: 2025,
            observed_on: chrono::NaiveDate::from_ymd_opt(2025, 3, nth).unwrap(),
            observer: Observer::Staff,
            seen_at: Some(150.0),
            not_yet_at: None,
            moves_number,
            moves_region: 0.0,
            moves_days: None,
        };
        // The first ten say next to nothing, earlier or later; the last six move it, either way.
        let mut reports: Vec<Teacher> = (1..=10).map(|nth| report(nth, 0.01 * f64::from(nth))).collect();
        reports.extend((11..=16).map(|nth| report(nth, if nth % 2 == 0 { 5.0 } else { -5.0 })));
        let ids: Vec<&str> = as_drawn(&reports).into_iter().map(|report| report.id.as_str()).collect();
        let wanted: Vec<String> = (5..=16).chain(1..=4).map(|nth| format!("r{nth:02}")).collect();
        assert_eq!(ids, wanted);
        assert_eq!(MOST_REPORTS, 12);
    }
}
