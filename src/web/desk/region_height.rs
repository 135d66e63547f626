//! That a region's station stands far above its trees or far below them, and what that makes in days.

use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use crate::region::RegionId;
use crate::season::lapse::{HeightEffect, usual_days_for};
use crate::service::preview::Preview;
use crate::service::station_choice::is_far_in_height;
use crate::units::grouped_feet;

/// As far as a station counts as one of the same weather.
const BESIDE_KM: f64 = 80.0;

/// Less makes a few days.
const WORTH_TELLING_M: f64 = 100.0;

/// What is to be said beside Save; `None` where the station stands near enough to its trees' height to be chosen unasked.
pub(super) fn warning(desk: &Desk, preview: &Preview) -> Option<Value> {
    let higher_m = preview.station.elevation_m - preview.region.elevation_m;
    if !is_far_in_height(higher_m) {
        return None;
    }
    let (days, measured) = days_later(effect_beside(desk, preview), higher_m);
    Some(context! {
        name => &preview.station.name,
        higher => height_words(higher_m, "the region’s trees"),
        days => days_off(days),
        measured,
    })
}

/// By how many days the region's trees come later or earlier than its station tells; `None` where that is next to nothing, and
/// where [`warning`] says it.
pub(super) fn trees_beside(desk: &Desk, preview: &Preview) -> Option<Value> {
    let higher_m = preview.station.elevation_m - preview.region.elevation_m;
    if is_far_in_height(higher_m) || higher_m.abs() < WORTH_TELLING_M {
        return None;
    }
    let (days, measured) = days_later(effect_beside(desk, preview), higher_m);
    days_apart(days).map(|days| context! { days, measured })
}

/// By how many days the trees come after a station that stands so many metres higher, and whether that was measured.
fn days_later(effect: Option<HeightEffect>, higher_m: f64) -> (f64, bool) {
    let measured = effect.map(|effect| effect.days_for(-higher_m));
    // Stations that do not agree say nothing.
    match measured.filter(|(days, doubt)| days.abs() > doubt.abs()) {
        Some((days, _)) => (days, true),
        None => (usual_days_for(-higher_m), false),
    }
}

/// `1,400 ft lower than the place`, of what stands so many metres higher than it.
pub(super) fn height_words(higher_m: f64, than: &str) -> String {
    match higher_m {
        higher if higher >= 0.5 => format!("{} ft higher than {than}", grouped_feet(higher)),
        higher if higher <= -0.5 => format!("{} ft lower than {than}", grouped_feet(-higher)),
        _ => format!("as high as {than}"),
    }
}

/// How dates come out that are those of a station, where the trees come by `days` later.
pub(super) fn days_off(days: f64) -> Option<String> {
    let whole = days.abs().round();
    let side = if days > 0.0 { "early" } else { "late" };
    let unit = if whole == 1.0 { "day" } else { "days" };
    (whole >= 1.0).then(|| format!("about {whole:.0} {unit} too {side}"))
}

/// `about 6 days later`, of trees that come by `days` later.
fn days_apart(days: f64) -> Option<String> {
    let whole = days.abs().round();
    let side = if days > 0.0 { "later" } else { "earlier" };
    let unit = if whole == 1.0 { "day" } else { "days" };
    (whole >= 1.0).then(|| format!("about {whole:.0} {unit} {side}"))
}

/// As it was measured for the region itself, or for the nearest that is shown.
fn effect_beside(desk: &Desk, preview: &Preview) -> Option<HeightEffect> {
    let views = desk.site().views().peek()?;
    let of = |id: &RegionId| views.region(id)?.known.as_ref()?.height_effect;
    let mut beside: Vec<(f64, &RegionId)> =
        preview.others.iter().filter(|other| other.km <= BESIDE_KM).map(|other| (other.km, &other.region)).collect();
    beside.sort_by(|a, b| a.0.total_cmp(&b.0));
    of(&preview.region.id).or_else(|| beside.into_iter().find_map(|(_, id)| of(id)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_station_below_its_trees_tells_their_days_too_early() {
        // 1,400 ft.
        assert_eq!(height_words(-426.72, "it"), "1,400 ft lower than it");
        assert_eq!(days_off(usual_days_for(426.72)).as_deref(), Some("about 20 days too early"));
        assert_eq!(height_words(426.72, "it"), "1,400 ft higher than it");
        assert_eq!(days_off(usual_days_for(-426.72)).as_deref(), Some("about 20 days too late"));
        assert_eq!((height_words(0.2, "it").as_str(), days_off(0.3)), ("as high as it", None));
        assert_eq!(days_off(1.2).as_deref(), Some("about 1 day too early"));
    }

    #[test]
    fn trees_above_their_station_come_later_by_as_many_days() {
        assert_eq!(days_apart(usual_days_for(135.0)).as_deref(), Some("about 6 days later"));
        assert_eq!(days_apart(usual_days_for(-135.0)).as_deref(), Some("about 6 days earlier"));
        assert_eq!((days_apart(1.2).as_deref(), days_apart(0.3)), (Some("about 1 day later"), None));
    }

    #[test]
    fn what_was_measured_around_is_told_before_the_rule_of_the_trade() {
        let effect = |standard_error| HeightEffect {
            days_per_100_m: 3.0,
            standard_error,
            stations: 5,
            seasons: 20,
            lowest_m: 1500.0,
            highest_m: 2300.0,
        };
        for (higher_m, days) in [(-500.0, 15.0), (500.0, -15.0)] {
            assert_eq!(days_later(Some(effect(0.2)), higher_m), (days, true));
            let usual = (usual_days_for(-higher_m), false);
            assert_eq!(days_later(Some(effect(2.0)), higher_m), usual, "too much in doubt");
            assert_eq!(days_later(None, higher_m), usual);
        }
    }
}
