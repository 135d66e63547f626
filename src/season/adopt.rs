//! A belief made the profile's own numbers: its next version.

use super::StageId;
use super::learning::Learned;
use super::profile::{Need, Profile, Stage};

/// A profile's next version, and what changed in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Adopted {
    pub profile: Profile,
    /// Stages of which reports taught something.
    pub changes: Vec<AdoptedStage>,
}

/// One stage's number and how sure it is, before and after, °C·day.
#[derive(Clone, Debug, PartialEq)]
pub struct AdoptedStage {
    pub stage: StageId,
    pub sum_before: f64,
    pub sum: f64,
    pub belief_before: f64,
    pub belief: f64,
    /// Reports that say something of it.
    pub reports: usize,
}

/// The profile with what was learned up to a season in its numbers: the mean of the belief and how sure it is. How places and
/// years differ stays as it was, and so does whether the profile is provisional: a few reports are no fit. Reports of that
/// season and of those before teach no more.
///
/// `version` is the number of the new version. `None` when no report taught anything.
pub fn adopted(profile: &Profile, learned: &Learned, version: u32) -> Option<Adopted> {
    let mut made = profile.clone();
    let mut changes = Vec::new();
    for (rank, stage) in made.stages.iter_mut().enumerate() {
        changes.extend(change(profile, learned, rank, stage));
    }
    made.version = version;
    made.learned_through = Some(learned.season());
    (!changes.is_empty()).then_some(Adopted { profile: made, changes })
}

fn change(profile: &Profile, learned: &Learned, rank: usize, stage: &mut Stage) -> Option<AdoptedStage> {
    let of = learned.stage(rank)?;
    let (Need::DegreeDays(sum_before), Some(spread)) = (stage.need, stage.spread.as_mut()) else { return None };
    let ids = || of.looks.iter().flat_map(|season| &season.places).flat_map(|place| &place.looks).map(|look| look.id());
    let reports = ids().collect::<std::collections::BTreeSet<_>>().len();
    if reports == 0 {
        return None;
    }
    let belief_before = spread.belief_c;
    let believed = of.posterior.belief();
    // To a hundredth, far below what anybody knows; never so sure that nothing could be worked out.
    let rounded = |value: f64| (value * 100.0).round() / 100.0;
    let sum = rounded(believed.mean());
    let belief = if believed.sd() > 0.0 { rounded(believed.sd()).max(rounded(sum / 1000.0 + 0.005)) } else { 0.0 };
    let seasons: Vec<String> = of.looks.iter().map(|looks| looks.season.to_string()).collect();
    let from = format!(
        "{reports} field report{} of season{} {} on version {} ({sum_before} °C·day, belief {belief_before})",
        if reports == 1 { "" } else { "s" },
        if seasons.len() == 1 { "" } else { "s" },
        seasons.join(", "),
        profile.version
    );
    stage.need = Need::DegreeDays(sum);
    stage.origin = format!("adopted belief: {from}");
    spread.belief_c = belief;
    spread.belief_origin = format!("adopted belief: {from}");
    Some(AdoptedStage { stage: stage.id.clone(), sum_before, sum, belief_before, belief, reports })
}
