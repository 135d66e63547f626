//! Why a region is early or late for its height, in words.

use super::args::DegreeUnit;
use super::format::{counted, height_in, height_words, paragraph, short_date_or, watched_bar};
use crate::assessment::warmth::{CannotTell, HeatApart, Lie, Warmth};
use crate::language::Language;
use crate::region::Region;
use crate::service::app::App;
use crate::service::past_cache::PastCache;
use crate::service::region_fault::RegionFault;
use crate::service::usual_year::{Pair, UsualYear, Why};
use crate::units::feet_to_m;

/// What the past thirty seasons of the stations in use say of a region's place in the order. `None` when no region of its
/// profile has past seasons enough.
///
/// # Errors
/// When the store cannot be read.
pub async fn why(app: &App, region: &Region) -> Result<Option<Why>, RegionFault> {
    let Some(profile) = app.profiles.get(&region.profile) else { return Ok(None) };
    let now = app.clock.now();
    let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
    let (bar, watch) = watched_bar("comparing stations {wide_bar} {pos}/{len} {eta}");
    let usual = UsualYear::gather(app, &mut PastCache::default(), &profile, season, now, &watch).await;
    bar.finish_and_clear();
    Ok(usual?.and_then(|usual| usual.why(&region.id)))
}

/// In lines, which are for staff; under a title that tells readers of `language` so.
pub fn words(why: &Why, unit: DegreeUnit, language: Language) -> String {
    let mut text = title(language).to_owned();
    if let Some(usual) = why.usual {
        let opens = short_date_or(Some(usual.opens), "");
        text += &format!(
            "  the window usually opens {opens} (median of {})\n",
            counted(usual.seasons, "season", "seasons")
        );
    }
    match &why.warmth {
        Ok(warmth) => text += &warmth_words(why, warmth, unit),
        Err(cannot) => text += &paragraph(2, &cannot_words(*cannot)),
    }
    for pair in &why.order {
        text += &pair_words(why, pair, unit);
    }
    text
}

fn title(language: Language) -> &'static str {
    match language {
        Language::En => "why here in the order:\n",
        Language::Es => "para el personal, en inglés: why here in the order:\n",
    }
}

fn warmth_words(why: &Why, warmth: &Warmth, unit: DegreeUnit) -> String {
    let (heat, symbol) = (&warmth.heat, unit.heat_symbol());
    let in_unit = |degree_days: f64| format!("{:.0}", unit.heat_from_c(degree_days));
    let beside = format!(
        "by {}, when windows of these regions usually open, its {} {} ({}) has {} {symbol} in a usual year; the {} other \
         stations suggest {} for its height and latitude, give or take {} (one standard error)",
        short_date_or(Some(why.on), ""),
        if why.is_grid_point { "grid point" } else { "station" },
        warmth.station,
        height_in(warmth.elevation_m, unit),
        in_unit(heat.value),
        heat.stations,
        in_unit(heat.expected),
        in_unit(heat.error),
    );
    let (word, which) = if heat.off() >= 0.0 { ("warm", "ahead of") } else { ("cold", "behind") };
    let days = warmth.days_ahead.map(|days| counted(days.abs().round() as u64, "day", "days"));
    let off = in_unit(heat.off().abs());
    let off = format!("{off} {symbol}{}", days.map_or_else(String::new, |days| format!(" (about {days})")));
    let verdict = if heat.errors_off().abs() >= 1.0 {
        format!("{word} for its height: {off} {which} what the {} stations suggest", heat.stations)
    } else {
        format!("as warm as its height and latitude tell: {off} {which} that, which is within what stations differ by")
    };
    let (step, per_step) = match unit {
        DegreeUnit::Celsius => ("100 m", heat.per_100_m),
        DegreeUnit::Fahrenheit => ("1,000 ft", heat.per_100_m * feet_to_m(1000.0) / 100.0),
    };
    let mut slopes = format!("among them {step} higher is {}", more_or_less(per_step, unit));
    slopes += &match heat.per_degree_north {
        Some(per_degree) => format!(", a degree farther north {}", more_or_less(per_degree, unit)),
        None => "; what latitude does cannot be told apart from that".into(),
    };
    let mut text = paragraph(2, &beside) + &paragraph(2, &verdict) + &paragraph(2, &slopes);
    if let Some(lie) = lie_words(warmth) {
        text += &paragraph(2, &lie);
    }
    text + &paragraph(2, &basis_words(why, warmth))
}

/// On what the region's heat rests.
fn basis_words(why: &Why, warmth: &Warmth) -> String {
    let basis = if why.is_grid_point { "estimated by a grid, measured by nobody" } else { "measured at a station" };
    format!("{basis}, over {}", counted(warmth.seasons, "past season", "past seasons"))
}

fn lie_words(warmth: &Warmth) -> Option<String> {
    let by = |off: f64, more: &str, less: &str| format!("{:.1} °C {}", off.abs(), if off >= 0.0 { more } else { less });
    let measured = format!(
        "its nights are {} and its days' range {} than height and latitude tell",
        by(warmth.nights.off(), "milder", "colder"),
        by(warmth.range.off(), "wider", "narrower")
    );
    let place = match warmth.lie {
        Lie::ColdAirValley => "where cold air gathers, on a valley floor",
        Lie::WarmSlope => "on a slope, above the cold air",
        Lie::NotTold => return None,
    };
    Some(format!("{measured}: it seems to lie {place} (common practice, no source, to tell that by a station's means)"))
}

/// `35 °C·day less`.
fn more_or_less(degree_days: f64, unit: DegreeUnit) -> String {
    let word = if degree_days >= 0.0 { "more" } else { "less" };
    format!("{:.0} {} {word}", unit.heat_from_c(degree_days.abs()), unit.heat_symbol())
}

fn pair_words(why: &Why, pair: &Pair, unit: DegreeUnit) -> String {
    let days = counted(pair.days_before.unsigned_abs(), "day", "days");
    let which = if pair.days_before >= 0 { "before" } else { "after" };
    let higher_m = pair.elevation_m - why.elevation_m;
    let said = format!(
        "usually {days} {which} {} ({}), though that lies {}",
        pair.name,
        height_in(pair.elevation_m, unit),
        height_words(higher_m, unit)
    );
    let apart = pair.heat.as_ref().map_or_else(String::new, |apart| paragraph(4, &apart_words(apart, unit)));
    paragraph(2, &said) + &apart
}

fn apart_words(apart: &HeatApart, unit: DegreeUnit) -> String {
    let signed = |degree_days: f64| {
        let value = unit.heat_from_c(degree_days).round();
        if value == 0.0 { "0".to_owned() } else { format!("{value:+.0}") }
    };
    let north = apart.degrees_north;
    let side = if north >= 0.0 { "north" } else { "south" };
    let latitude = if apart.by_latitude == 0.0 {
        String::new()
    } else {
        format!(", {} by latitude ({:.1} degrees farther {side})", signed(apart.by_latitude), north.abs())
    };
    format!(
        "beside its station {} ({}) this one has {} {}: {} by height{latitude}, {} by the place itself",
        apart.station,
        height_in(apart.elevation_m, unit),
        signed(apart.more),
        unit.heat_symbol(),
        signed(apart.by_height),
        signed(apart.by_place)
    )
}

fn cannot_words(why: CannotTell) -> String {
    match why {
        CannotTell::NoSeasons => "its station has too few past seasons to be compared with others".into(),
        CannotTell::TooFewStations { have, need } => format!(
            "what its height should bring cannot be told: {} past seasons enough, {need} are needed",
            if have == 1 { "1 other station has".into() } else { format!("{have} other stations have") }
        ),
        CannotTell::TooAlike => {
            "what its height should bring cannot be told: the other stations lie at nearly one height".into()
        }
    }
}
