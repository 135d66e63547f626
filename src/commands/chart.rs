//! `treebell chart`: a region's season as a picture.

use std::path::PathBuf;

use chrono::{Datelike, NaiveDate};

use super::args::{ShownUnit, date, language, season};
use super::error::CommandError;
use super::files::{has_ending, write_file};
use super::open::open_app;
use super::select::{chosen_regions, moment};
use crate::chart::{Look, png, season_heat};
use crate::config::Config;
use crate::language::Language;
use crate::region::RegionId;
use crate::service::caches::{RecordCache, SeasonCache};
use crate::service::season_chart;
use crate::service::season_chart::ChartScope;
use crate::text::Chain;

/// A region's season as a picture: its heat against past years, the thresholds, the dates.
#[derive(Debug, clap::Args)]
pub struct Chart {
    region: RegionId,
    /// A whole season, with all that was ever received. Without it, this season as it stands now.
    #[arg(long, value_name = "YEAR", value_parser = season, conflicts_with = "on")]
    season: Option<i32>,
    /// The season as it stood on the morning of a day, with what was known then.
    #[arg(long, value_name = "DATE", value_parser = date)]
    on: Option<NaiveDate>,
    /// File to write; its ending decides: .svg or .png.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    #[command(flatten)]
    unit: ShownUnit,
    #[arg(long, value_name = "en|es", default_value = "en", value_parser = language)]
    language: Language,
    /// Width in CSS pixels; letters keep their size. A PNG has two of its pixels for each.
    #[arg(long, value_name = "PIXELS", default_value_t = 800, value_parser = clap::value_parser!(u32).range(320..=1600))]
    width: u32,
}

/// Sharp on paper and on most screens.
const PNG_SCALE: f32 = 2.0;

/// # Errors
/// An unknown region, a season without a record, a file that cannot be written.
pub async fn run(args: &Chart, config: &Config) -> Result<(), CommandError> {
    let as_png = has_ending(&args.output, "png");
    if !as_png && !has_ending(&args.output, "svg") {
        let file = args.output.display();
        return Err(CommandError::Usage(format!("`{file}` says neither .svg nor .png at its end")));
    }
    let parts = open_app(config).await?;
    let regions = chosen_regions(&parts, std::slice::from_ref(&args.region)).await?;
    let region = regions.first().ok_or_else(|| CommandError::Usage("there is no region yet".into()))?;
    let now = parts.clock.now();
    let this_year = now.with_timezone(&region.time_zone).year();
    let seen = match args.season {
        Some(season) if season != this_year => ChartScope::Whole(season),
        _ => ChartScope::At(moment(args.on, region, now)),
    };
    let (mut records, mut seasons) = (RecordCache::new(parts.store.clone()), SeasonCache::default());
    let chart = season_chart::season_chart(&parts, &mut records, &mut seasons, region, seen, args.language)
        .await
        .map_err(|why| CommandError::Failed(format!("region `{}`: {}", region.id, Chain(&why))))?;
    parts.store.close().await;
    if chart.heat.is_empty() {
        return Err(CommandError::Usage(format!(
            "region `{}` has no temperatures of season {}; `treebell weather status` shows what there is",
            region.id, chart.year
        )));
    }
    let unit = args.unit.of(config).into();
    // A PNG is a page of its own: it stays light whatever the reader prefers.
    let look = Look { width: args.width, language: args.language, unit, dark_too: !as_png, id: region.id.to_string() };
    let svg = season_heat(&chart, &look);
    let bytes = if as_png {
        png::draw(&svg, PNG_SCALE).map_err(|why| CommandError::Failed(crate::weather::feeds::chain(&why)))?
    } else {
        svg.into_bytes()
    };
    write_file(&args.output, &bytes)?;
    eprintln!("{}, season {}: {}", region.name, chart.year, args.output.display());
    Ok(())
}
