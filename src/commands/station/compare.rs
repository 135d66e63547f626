//! `treebell station compare`: how well two records agree, such as a grid point's and a station's.

use std::fmt::Write as _;

use chrono::NaiveDate;
use serde_json::json;

use crate::clock::{Clock, SystemClock};
use crate::commands::args::{DegreeUnit, date};
use crate::commands::error::CommandError;
use crate::commands::format::{counted, height_words, print_json, print_out, station_json, station_name, wrapped};
use crate::commands::open::{open_store, profiles_in_use};
use crate::config::Config;
use crate::geo::distance_km;
use crate::season::profile::Profile;
use crate::store::Store;
use crate::units::dd_c_to_f;
use crate::weather::compare::{Comparison, Difference, Shift, compare, shift};
use crate::weather::quality::judge;
use crate::weather::record::{Known, RawSeries};
use crate::weather::{Station, StationId};

/// Measure how well two stations' records agree: days in common, bias, spread, and the shift in the dates of a heat sum
///
/// All figures are of the second less the first. With a grid point and a station near it this tells what the grid is worth
/// there. A grid is made from stations, perhaps from this very one, so it agrees better here than where there is none.
#[derive(Debug, clap::Args)]
pub struct Compare {
    /// The one that is held for right
    first: StationId,
    /// The one that would stand in its place, such as a grid point
    second: StationId,
    /// Only from this day on
    #[arg(long, value_name = "DATE", value_parser = date)]
    from: Option<NaiveDate>,
    /// Only to this day
    #[arg(long, value_name = "DATE", value_parser = date)]
    to: Option<NaiveDate>,
    /// The insect whose first heat sum of the window is dated
    #[arg(long, default_value = "pinyon-needle-scale")]
    profile: String,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// # Errors
/// Stations or a profile that are unknown, records without a day in common, a store that cannot be read.
pub async fn run(args: &Compare, config: &Config) -> Result<(), CommandError> {
    let profiles = profiles_in_use(config).await?.0;
    let profile = profiles.get(&args.profile).ok_or_else(|| {
        let known: Vec<&str> = profiles.iter().map(|profile| profile.id.as_str()).collect();
        CommandError::Usage(format!("profile `{}` is unknown (known: {})", args.profile, known.join(", ")))
    })?;
    if args.first == args.second {
        return Err(CommandError::Usage(format!("`{}` is named twice: two stations are wanted", args.first)));
    }
    let store = open_store(config).await?;
    let (first, second) = (store.station(&args.first).await?, store.station(&args.second).await?);
    let today = SystemClock.now().with_timezone(&first.time_zone).date_naive();
    let to = args.to.unwrap_or(today).min(today);
    let (own, other) = (series(&store, &first, args.from, to).await?, series(&store, &second, args.from, to).await?);
    store.close().await;
    let comparison = compare(&own, &other);
    if comparison.days == 0 {
        return Err(CommandError::Usage(format!(
            "`{}` and `{}` have no day in common: `treebell weather backfill` fetches whole records, and `treebell weather status` \
             shows what there is",
            first.id, second.id
        )));
    }
    let marks = profile.heat_marks();
    let sum = marks.iter().find(|(stage, _)| *stage == profile.window.opens).or(marks.first()).map(|(_, sum)| *sum);
    let shifts = sum.map(|sum| shift(&own, &other, &seasons(profile, &comparison), &profile.heat, sum));
    if args.json {
        return print_json(&json!({
            "first": station_json(&first),
            "second": station_json(&second),
            "distance_km": distance_km(first.place, second.place),
            "higher_m": second.elevation_m - first.elevation_m,
            "profile": profile.id,
            "heat_sum_degree_days_c": sum,
            "comparison": comparison,
            "shift": shifts,
        }));
    }
    let unit = DegreeUnit::of_house(config);
    print_out(&wrapped(&words(&first, &second, &comparison, sum.zip(shifts.as_ref()), unit)))
}

/// The judged values of a record.
async fn series(
    store: &Store,
    station: &Station,
    from: Option<NaiveDate>,
    to: NaiveDate,
) -> Result<RawSeries, CommandError> {
    let index = store.record(&station.id).await?.index(station.time_zone);
    let first = index.span().map_or(to, |(first, _)| first);
    let from = from.map_or(first, |from| from.max(first));
    Ok(judge(&index, Known::Everything, &station.sources, None, from.min(to), to).accepted)
}

fn seasons(profile: &Profile, comparison: &Comparison) -> Vec<(i32, NaiveDate, NaiveDate)> {
    let (Some(first), Some(last)) = (comparison.first_day, comparison.last_day) else { return Vec::new() };
    (profile.season_of(first)..=profile.season_of(last))
        .map(|season| (season, profile.first_day(season), profile.last_day(season)))
        .collect()
}

fn words(
    first: &Station,
    second: &Station,
    comparison: &Comparison,
    shift: Option<(f64, &Shift)>,
    unit: DegreeUnit,
) -> String {
    let mut text = String::new();
    let mut line = |words: String| {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{words}");
    };
    line(format!("first   {} {}", first.id, station_name(first)));
    line(format!(
        "second  {} {}, {:.0} km away, {}",
        second.id,
        station_name(second),
        distance_km(first.place, second.place),
        height_words(second.elevation_m - first.elevation_m, unit)
    ));
    let span = |day: Option<NaiveDate>| day.map(|day| day.to_string()).unwrap_or_default();
    line(format!(
        "in common: {} with both values, from {} to {}; figures are second less first",
        counted(comparison.days, "day", "days"),
        span(comparison.first_day),
        span(comparison.last_day)
    ));
    for (name, difference) in [("maximum", comparison.maximum), ("minimum", comparison.minimum)] {
        if let Some(Difference { bias_c, spread_c, nine_in_ten_c }) = difference {
            line(format!(
                "{name}: bias {bias_c:+.2} °C ({:+.1} °F), spread {spread_c:.2} °C ({:.1} °F); nine days in ten within \
                 {nine_in_ten_c:.1} °C of the bias",
                bias_c * 1.8,
                spread_c * 1.8
            ));
        }
    }
    match comparison.lag {
        None => line("days: too few changes from day to day to tell whether the maxima stand on the same days".into()),
        Some(lag) if lag.days == 0 => line(format!(
            "days: the maxima stand on the same days (correlation {:.2}, {:.2} a day beside)",
            lag.correlation, lag.runner_up
        )),
        Some(lag) => line(format!(
            "days: the second's maxima stand a day {} than the first's (correlation {:.2}, next best {:.2}): one of the two has a \
             wrong hour of observation",
            if lag.days < 0 { "later" } else { "earlier" },
            lag.correlation,
            lag.runner_up
        )),
    }
    if let Some((sum, shift)) = shift {
        shift_lines(sum, shift, &mut line);
    }
    if first.is_grid_point() != second.is_grid_point() {
        line(
            "mind: a grid is made from stations, perhaps from this one: where there is none it will agree less well"
                .into(),
        );
    }
    text
}

fn shift_lines(sum: f64, shift: &Shift, line: &mut impl FnMut(String)) {
    let what = format!("day of {:.0} °F·day ({sum:.0} °C·day)", dd_c_to_f(sum));
    match (shift.mean_days, shift.largest_days) {
        (Some(mean), Some(largest)) => line(format!(
            "{what}: shift {mean:+.1} days on average over {}, spread {}, largest {largest:+}; {} left out",
            counted(shift.seasons.len(), "season", "seasons"),
            shift.spread_days.map_or_else(|| "unknown".into(), |spread| format!("{spread:.1} days")),
            shift.left_out
        )),
        _ => line(format!("{what}: no season in which both reach it with enough days ({} left out)", shift.left_out)),
    }
    for one in &shift.seasons {
        line(format!(
            "  {}  {}  {}  {:+} days",
            one.season,
            one.first.format("%b %e"),
            one.second.format("%b %e"),
            one.shift_days
        ));
    }
}
