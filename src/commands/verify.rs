//! `treebell verify`: how good the projection and the notices have been, season by season of the record.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use chrono_tz::Tz;
use clap::ValueEnum;
use comfy_table::Table;
use futures::{StreamExt, TryStreamExt};
use rayon::prelude::*;
use serde::Serialize;

use super::args::DegreeUnit;
use super::error::CommandError;
use super::format::{NO_BREAK, align_right, bare_table, fitted, paragraph, print_json, print_out, progress_bar};
use super::open::{open_store, profiles_in_use};
use super::select::chosen_stations;
use crate::assessment::past::StationHistory;
use crate::assessment::rehearsal::{
    GET_READY_DAYS_AHEAD, INSPECT_NOW_DAYS_OFF, NoticeScores, Spread, WASH_NOW_DAYS_OFF,
};
use crate::assessment::sightings;
use crate::assessment::sightings::{SAID_BEFORE_DAYS, SightingScores};
use crate::assessment::verify;
use crate::assessment::verify::{Prepared, Question, StationReport, Together};
use crate::config::Config;
use crate::heat::hindcast::{AssumedForecast, FORECAST_DAYS, LEADS, LeadScore};
use crate::heat::projection::FORECAST_ERRORS_C;
use crate::id::StationId;
use crate::language::Language;
use crate::region::RegionId;
use crate::season::outlook::heat_sum_of;
use crate::season::{FieldReport, Policy, Profile, days_before};
use crate::store::field_reports::StoredReport;
use crate::store::{Store, StoreError};

/// Project every past season from what was known then, and compare with what came
///
/// What is scored is our heat number: the day on which it was reached, by temperature. Each season is left out of its own
/// projection whole. Issue days are counted back from that day. The calendar that skill is measured against is the dates of
/// all other seasons. When eggs were seen is scored apart, from confirmed field reports and the outlooks kept from before.
#[derive(Debug, clap::Args)]
pub struct Verify {
    /// Id of a station; give it several times for several, leave it out for all
    #[arg(long = "station", value_name = "ID")]
    stations: Vec<StationId>,
    /// Profile whose window is projected
    #[arg(long, value_name = "ID", default_value = "pinyon-needle-scale")]
    profile: String,
    /// A weather forecast of seven days that every projection is given
    #[arg(long, value_enum, default_value_t = Help::None)]
    forecast: Help,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Serialize)]
#[serde(rename_all = "kebab-case")]
enum Help {
    /// None: past weather only
    None,
    /// The weather that came
    Perfect,
    /// The weather that came, with an error that grows with the days ahead
    Noisy,
}

/// # Errors
/// An unknown profile or station, a store that fails, or no station with seasons enough.
pub async fn run(args: &Verify, config: &Config) -> Result<(), CommandError> {
    let (profiles, _) = profiles_in_use(config).await?;
    let profile = profiles.get(&args.profile).ok_or_else(|| {
        let known: Vec<&str> = profiles.iter().map(|profile| profile.id.as_str()).collect();
        CommandError::Usage(format!("profile `{}` is unknown; there is {}", args.profile, known.join(", ")))
    })?;
    let store = open_store(config).await?;
    let books = read_books(&store, &args.stations).await?;
    let seen = read_sightings(&store, profile, &args.stations).await?;
    store.close().await;

    let forecast = match args.forecast {
        Help::None => AssumedForecast::None,
        Help::Perfect => AssumedForecast::Perfect,
        Help::Noisy => AssumedForecast::Noisy,
    };
    let policy: &Policy = &config.policy;
    let question = Question { profile, policy, rules: &config.weather, forecast };
    let (mut prepared, mut left_out) = (Vec::new(), Vec::new());
    let made: Vec<_> = books.par_iter().map(|book| Prepared::new(book, question)).collect();
    for (book, made) in books.iter().zip(made) {
        match made {
            Ok(ready) => prepared.push(ready),
            Err(why) => left_out.push(LeftOut { station: book.station.id.clone(), why: why.to_string() }),
        }
    }
    if prepared.is_empty() {
        let why: Vec<&str> = left_out.iter().map(|left| left.why.as_str()).collect();
        let why =
            if why.is_empty() { "no station is known; add one and import its record".into() } else { why.join("; ") };
        return Err(CommandError::Usage(format!("nothing can be verified: {why}")));
    }
    let stations = verify_all(&prepared);
    let together = verify::together(&stations);
    let unit = DegreeUnit::of_house(config);
    let answer = Answer { profile, forecast: args.forecast, unit, stations, together, left_out, seen };
    if args.json { print_json(&answer.document()) } else { print_out(&answer.text()) }
}

pub(super) async fn read_books(store: &Store, wanted: &[StationId]) -> Result<Vec<StationHistory>, CommandError> {
    let stations = chosen_stations(store, wanted).await?;
    let bar = progress_bar(stations.len() as u64, "reading {msg} {wide_bar} {pos}/{len} {eta}");
    let at_once = std::thread::available_parallelism().map_or(1, usize::from);
    let books = futures::stream::iter(stations)
        .map(|station| {
            let (store, bar) = (store.clone(), bar.clone());
            bar.set_message(station.id.0.clone());
            // Half of it is the store's work and half is ours: tasks of their own put both on all processors.
            let task = tokio::spawn(async move {
                let record = store.record(&station.id).await?.index(station.time_zone);
                bar.inc(1);
                Ok::<_, StoreError>(StationHistory { station, record })
            });
            async move { task.await.unwrap_or_else(|why| std::panic::resume_unwind(why.into_panic())) }
        })
        .buffered(at_once)
        .try_collect()
        .await?;
    bar.finish_and_clear();
    Ok(books)
}

/// Confirmed sightings in the profile's regions (of these stations, if any are named), against what was said before them.
async fn read_sightings(
    store: &Store,
    profile: &Profile,
    stations: &[StationId],
) -> Result<SightingScores, CommandError> {
    let regions: BTreeMap<RegionId, Tz> = store
        .all_regions()
        .await?
        .into_iter()
        .filter(|region| region.profile == profile.id)
        .filter(|region| stations.is_empty() || region.stations.first().is_some_and(|own| stations.contains(own)))
        .map(|region| (region.id, region.time_zone))
        .collect();
    let reports = store.field_reports(None, NaiveDate::default(), NaiveDate::MAX).await?;
    let reports: Vec<FieldReport> = reports
        .into_iter()
        .filter(|report| regions.contains_key(&report.region))
        .filter_map(StoredReport::for_decision)
        .collect();
    let mut seen = Vec::new();
    for sighting in sightings::first_sightings(profile, &reports) {
        let mut said = Vec::new();
        for lead_days in SAID_BEFORE_DAYS {
            let day = days_before(sighting.seen_on, lead_days);
            let Some(zone) = regions.get(&sighting.region) else { continue };
            let outlook = store.outlook_in_time(&profile.id, &sighting.region, day, *zone).await?;
            said.extend(outlook.and_then(|outlook| sightings::said_before(profile, &sighting, &outlook)));
        }
        seen.push((sighting, said));
    }
    Ok(sightings::score(&seen))
}

/// All stations, as many at once as the machine has processors.
fn verify_all(prepared: &[Prepared<'_>]) -> Vec<StationReport> {
    let seasons: usize = prepared.iter().map(Prepared::seasons).sum();
    let bar = progress_bar(seasons as u64, "living through past seasons {wide_bar} {pos}/{len} {eta}");
    let mut reports: Vec<StationReport> = prepared.par_iter().map(|station| station.report(&|| bar.inc(1))).collect();
    bar.finish_and_clear();
    reports.sort_by(|a, b| a.station.cmp(&b.station));
    reports
}

#[derive(Serialize)]
struct LeftOut {
    station: StationId,
    why: String,
}

struct Answer<'a> {
    profile: &'a Profile,
    forecast: Help,
    unit: DegreeUnit,
    stations: Vec<StationReport>,
    together: Together,
    left_out: Vec<LeftOut>,
    seen: SightingScores,
}

impl Answer<'_> {
    fn heat_sum(&self) -> f64 {
        heat_sum_of(self.profile, &self.profile.window.opens).unwrap_or(f64::NAN)
    }

    fn document(&self) -> impl Serialize {
        #[derive(Serialize)]
        struct Document<'a> {
            profile: &'a str,
            stage: &'a str,
            heat_sum_c_days: f64,
            forecast: Help,
            forecast_errors_c: Option<[f64; FORECAST_DAYS]>,
            together: &'a Together,
            stations: &'a [StationReport],
            left_out: &'a [LeftOut],
            eggs_seen: &'a SightingScores,
        }
        Document {
            profile: &self.profile.id,
            stage: &self.profile.window.opens.0,
            heat_sum_c_days: self.heat_sum(),
            forecast: self.forecast,
            forecast_errors_c: (self.forecast == Help::Noisy).then_some(FORECAST_ERRORS_C),
            together: &self.together,
            stations: &self.stations,
            left_out: &self.left_out,
            eggs_seen: &self.seen,
        }
    }

    fn text(&self) -> String {
        let stage = self.profile.stage(&self.profile.window.opens);
        let stage = stage.map_or("the window opens", |stage| stage.names.get(Language::En));
        let sum = self.heat_sum();
        let what = format!("our heat number of `{stage}`: {sum:.0} °C·day from the biofix. {}", self.help());
        let mut text = paragraph(0, &what);
        text += "What is scored is the day on which it was reached, not when eggs were seen.\n\n";
        text += &match self.stations.as_slice() {
            [only] => format!("{} {}\n", only.station, only.name),
            _ => format!("{} stations, each counting the same\n", self.together.stations),
        };
        text += &format!("{}\n", lead_table(&self.together.leads));
        if self.stations.len() > 1 {
            text += "skill over the calendar and share held by the 80 % interval, by days before\n";
            text += &format!("{}\n", self.station_table());
        }
        text += &paragraph(
            0,
            "notices, on complete data known the next morning, against the days that the whole season's record gives: get ready \
             against the day from which to look",
        );
        text += &self.ready_table();
        text += &format!("\ninspect now against the same day\n{}", self.inspect_table());
        text += &format!("\nwash now against the first of the best days to wash\n{}", self.wash_table());
        let widened: Vec<&str> =
            self.stations.iter().filter(|report| report.widened).map(|report| report.station.as_str()).collect();
        if !widened.is_empty() {
            let widened = format!("spread widened by the errors of other seasons: {}", widened.join(", "));
            text += &format!("\n{}", paragraph(0, &widened));
        }
        let never: u32 = self.stations.iter().map(|report| report.never_opened).sum();
        if never > 0 {
            text += &format!("\nwhole seasons left out since the heat number was never reached in them: {never}\n");
        }
        for LeftOut { why, .. } in &self.left_out {
            text += &format!("\n{}", paragraph(0, &format!("left out: {why}")));
        }
        let counting = "bias, MAE and CRPS in days; bias above 0 is late. Counting back from the event picks days before warm \
                        spells, so a small late bias belongs to the way of counting.";
        format!("{text}\n{}\n{}", paragraph(0, counting), self.seen_words())
    }

    /// What people saw, or how many more must see it.
    fn seen_words(&self) -> String {
        let SightingScores { sightings, needed, leads } = &self.seen;
        if leads.is_empty() {
            let few = format!(
                "eggs seen: {sightings} first sightings, confirmed and with an outlook kept from before them; {needed} are \
                 needed to say how often eggs were seen inside the range told"
            );
            return paragraph(0, &few);
        }
        let mut table = bare_table(["days before", "sightings", "inside the 80 % range told", "bias, days"]);
        for score in leads {
            let measured = |text: String| if score.sightings > 0 { text } else { "-".into() };
            table.add_row([
                score.lead_days.to_string(),
                score.sightings.to_string(),
                measured(percent(score.held)),
                score.bias_days.map_or_else(|| "-".into(), |bias| format!("{bias:+.1}")),
            ]);
        }
        align_right(&mut table, 0..);
        format!(
            "eggs seen: the first confirmed sighting of a region and season, against what was said as of then\n{}{}",
            fitted(table, &[]),
            paragraph(
                0,
                "bias above 0: eggs were seen before the likely date. They may have been there before they were seen."
            )
        )
    }

    fn help(&self) -> String {
        match self.forecast {
            Help::None => "No weather forecast.".into(),
            Help::Perfect => format!("A perfect weather forecast of {FORECAST_DAYS} days."),
            Help::Noisy => {
                let errors: Vec<String> = FORECAST_ERRORS_C.iter().map(|error| format!("{error:.1}")).collect();
                format!(
                    "A weather forecast of {FORECAST_DAYS} days with an error (root mean square) of {} °C, day by day: the first \
                     by a published verification, its growth from memory.",
                    errors.join(", ")
                )
            }
        }
    }

    fn station_table(&self) -> String {
        let leads = LEADS.map(|lead| lead.to_string());
        let height = format!("height {}", self.unit.height_symbol());
        let mut header = vec!["station\nand its name".to_owned(), height, "seasons".to_owned()];
        header.extend(leads);
        let mut table = bare_table(header);
        for report in &self.stations {
            let mut row = vec![
                format!("{}\n{}", report.station, report.name),
                self.unit.height(report.elevation_m),
                format!("{} ({}-{})", report.seasons, report.first_season, report.last_season),
            ];
            row.extend(LEADS.map(|lead| {
                let score = report.leads.iter().find(|score| score.lead == lead);
                score.map_or(String::new(), |score| format!("{}\n{}", skill(score), percent(score.held)))
            }));
            table.add_row(row);
        }
        align_right(&mut table, 1..);
        fitted(table, &[1, 2])
    }

    fn ready_table(&self) -> String {
        let (from, to) = (GET_READY_DAYS_AHEAD.start(), GET_READY_DAYS_AHEAD.end());
        let table = bare_table([
            "station".to_owned(),
            "seasons".to_owned(),
            "get ready, days ahead".to_owned(),
            format!("{from}-{to} days"),
            "shorter".to_owned(),
            "longer".to_owned(),
            "never".to_owned(),
        ]);
        self.rows_of(table, |name, scores| {
            vec![
                name,
                scores.seasons.to_string(),
                spread(scores.get_ready_days_ahead),
                percent(scores.get_ready_in_time),
                percent(scores.get_ready_short),
                percent(scores.get_ready_long),
                percent(scores.get_ready_missed),
            ]
        })
    }

    fn inspect_table(&self) -> String {
        self.rows_of(notice_head("inspect now", INSPECT_NOW_DAYS_OFF), |name, scores| {
            vec![
                name,
                spread(scores.inspect_now_days_after),
                percent(scores.inspect_now_in_time),
                percent(scores.inspect_now_early),
                percent(scores.inspect_now_late),
                percent(scores.inspect_now_missed),
            ]
        })
    }

    fn wash_table(&self) -> String {
        self.rows_of(notice_head("wash now", WASH_NOW_DAYS_OFF), |name, scores| {
            vec![
                name,
                spread(scores.wash_now_days_after),
                percent(scores.wash_now_in_time),
                percent(scores.wash_now_early),
                percent(scores.wash_now_late),
                percent(scores.wash_now_missed),
            ]
        })
    }

    /// One row a station, and one for all where there are several.
    fn rows_of(&self, mut table: Table, row: impl Fn(String, &NoticeScores) -> Vec<String>) -> String {
        for report in &self.stations {
            table.add_row(row(report.station.to_string(), &report.notices));
        }
        if self.stations.len() > 1 {
            table.add_row(row("all".into(), &self.together.notices));
        }
        align_right(&mut table, 1..);
        fitted(table, &[])
    }
}

fn notice_head(notice: &str, off: i64) -> Table {
    let within = format!("within {off} {}", if off == 1 { "day" } else { "days" });
    bare_table([
        "station".to_owned(),
        format!("{notice}, days after"),
        within,
        "early".to_owned(),
        "late".to_owned(),
        "never".to_owned(),
    ])
}

fn lead_table(leads: &[LeadScore]) -> String {
    let mut table =
        bare_table(["days before", "projections", "bias", "MAE", "CRPS", "of the calendar", "skill", "80 % held"]);
    for score in leads {
        table.add_row([
            score.lead.to_string(),
            score.projections.to_string(),
            format!("{:+.1}", score.bias_days),
            format!("{:.1}", score.mae_days),
            format!("{:.2}", score.crps_days),
            format!("{:.2}", score.null_crps_days),
            skill(score),
            percent(score.held),
        ]);
    }
    align_right(&mut table, 0..);
    fitted(table, &[])
}

/// Least, then 10, 50 and 90 %, then greatest.
fn spread(days: Option<Spread>) -> String {
    days.map_or_else(String::new, |Spread { least, tenth, median, ninetieth, greatest }| {
        format!("{least} | {tenth} {median} {ninetieth} | {greatest}").replace(' ', &NO_BREAK.to_string())
    })
}

fn skill(score: &LeadScore) -> String {
    score.skill.map_or_else(|| "-".into(), |skill| format!("{skill:.2}"))
}

fn percent(share: f64) -> String {
    format!("{:.0}{NO_BREAK}%", share * 100.0)
}
