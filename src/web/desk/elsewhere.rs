//! What a field report brings up in other regions, in sentences.

use chrono::NaiveDate;

use crate::region::Region;
use crate::season::learning::Untaught;
use crate::service::desk::comes_up::{ComesUp, sum_in_words};
use crate::service::desk::effect::Effect;
use crate::service::field_reports::long;

/// When it acts on the other regions.
pub(super) fn when(found: &Effect, day: NaiveDate) -> String {
    if found.is_guessed {
        format!("once the temperatures of {} are in", long(day))
    } else {
        "with the next cycle".to_owned()
    }
}

/// What it brings up in other regions, in a sentence; `None`: nothing, as the page says elsewhere.
pub(super) fn elsewhere(found: &Effect, own: &Region, is_confirmed: bool, day: NaiveDate) -> Option<String> {
    let others = of_others(found, own);
    let not_known = if found.is_whole() { "" } else { " Not every region was worked out: there may be more." };
    let is_idle = others.iter().all(|of| of.is_empty());
    match (is_idle, found.untaught) {
        (false, _) => {
            let act = match (is_confirmed, found.is_guessed) {
                (true, false) => "It will also bring up",
                (true, true) => "By an estimate, it will also bring up",
                (false, false) => "Confirming it also brings up",
                (false, true) => "By an estimate, confirming it also brings up",
            };
            Some(sum_in_words(&others, act, &when(found, day)) + not_known)
        }
        _ if found.of_regions <= 1 => None,
        (true, Some(Untaught::HeatUnknown)) if !found.is_guessed => Some(format!(
            "Once the temperatures of {} are in, it may also bring up notices in other regions.",
            long(day)
        )),
        (true, Some(Untaught::HeatUnknown) | None) if !is_confirmed => {
            Some(format!("In other regions it brings up no notice now.{not_known}"))
        }
        (true, _) => None,
    }
}

/// What stands of the other regions beside the button that confirms a report.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Beside {
    /// As it was worked out.
    Says(String),
    /// Nothing can come up there.
    Nothing,
    /// It was not worked out: something may.
    NotWorkedOut,
}

impl Beside {
    /// `found`: as far as it was worked out while somebody waited.
    pub fn of(found: Option<&Effect>, own: &Region, day: NaiveDate) -> Self {
        let Some(found) = found else { return Self::NotWorkedOut };
        let teaches = found.untaught.is_none() || found.is_guessed;
        let is_idle = of_others(found, own).iter().all(|of| of.is_empty());
        if is_idle && teaches && !found.is_whole() {
            return Self::NotWorkedOut;
        }
        elsewhere(found, own, false, day).map_or(Self::Nothing, Self::Says)
    }

    pub fn words(&self) -> Option<&str> {
        match self {
            Self::Says(words) => Some(words),
            Self::Nothing | Self::NotWorkedOut => None,
        }
    }
}

/// Whether a report of which only its own region was worked out may bring up notices in others.
pub(super) fn may_act_elsewhere(found: &Effect) -> bool {
    found.of_regions > 1 && matches!(found.untaught, None | Some(Untaught::HeatUnknown))
}

fn of_others<'a>(found: &'a Effect, own: &Region) -> Vec<&'a [ComesUp]> {
    found.regions.iter().filter(|row| row.region.id != own.id).map(|row| &row.comes_up[..]).collect()
}

#[cfg(test)]
pub(super) mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::people::Channel;
    use crate::season::NoticeKind;
    use crate::service::desk::comes_up::Leaves;
    use crate::service::desk::effect::RegionEffect;

    pub fn brings_up() -> ComesUp {
        let reach = BTreeMap::from([(Channel::Email, 3)]);
        ComesUp { kind: NoticeKind::InspectNow, leaves: Leaves::NeedsWord, reach }
    }

    /// What a report changes that teaches, by what it brings up in each region; all of them were worked out.
    pub fn effect_of(regions: &[(&str, Vec<ComesUp>)]) -> Effect {
        let row = |(id, comes_up): &(&str, Vec<ComesUp>)| RegionEffect {
            region: Region::bare(id),
            without: None,
            with: None,
            moved_days: None,
            comes_up: comes_up.clone(),
        };
        Effect {
            season: 2025,
            regions: regions.iter().map(row).collect(),
            of_regions: regions.len(),
            failed: 0,
            untaught: None,
            is_guessed: false,
            comes_up: Vec::new(),
        }
    }

    /// Before, it was said of every report that it may.
    #[test]
    fn that_something_may_come_up_in_other_regions_stands_only_where_that_was_not_worked_out() {
        let own = Region::bare("north");
        let day: NaiveDate = "2025-03-08".parse().unwrap();
        let beside = |found: &Effect| Beside::of(Some(found), &own, day);
        let says = |words: &str| Beside::Says(words.to_owned());
        assert_eq!(Beside::of(None, &own, day), Beside::NotWorkedOut);
        let idle = effect_of(&[("north", vec![]), ("south", vec![])]);
        assert_eq!(beside(&idle), says("In other regions it brings up no notice now."));
        assert_eq!(beside(&Effect { of_regions: 3, ..idle.clone() }), Beside::NotWorkedOut);
        assert_eq!(
            beside(&Effect { untaught: Some(Untaught::NoStage), of_regions: 3, ..idle.clone() }),
            Beside::Nothing
        );
        let alone = effect_of(&[("north", vec![])]);
        let waits = Some(Untaught::HeatUnknown);
        assert_eq!(beside(&Effect { untaught: waits, ..alone.clone() }), Beside::Nothing);
        assert_eq!(
            beside(&Effect { untaught: waits, ..idle.clone() }),
            says("Once the temperatures of March 8, 2025 are in, it may also bring up notices in other regions.")
        );
        let some = effect_of(&[("north", vec![]), ("south", vec![brings_up()])]);
        assert!(
            beside(&some).words().is_some_and(|words| words.starts_with("Confirming it also brings up 1 notice in "))
        );
        assert!(may_act_elsewhere(&idle) && !may_act_elsewhere(&alone));
        assert!(!may_act_elsewhere(&Effect { untaught: Some(Untaught::NoStage), ..idle }));
    }
}
