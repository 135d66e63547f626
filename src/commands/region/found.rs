//! What was found for new regions, shown; and the questions before it is saved.

use std::sync::Arc;

use crate::clock::SystemClock;
use crate::commands::ask::{ask, is_somebody_there, nobody_is_there};
use crate::commands::error::CommandError;
use crate::commands::format::{counted, date_or, fitted, progress_bar, ruled_table};
use crate::config::Config;
use crate::service::backfill::{Outcome, StationBackfill};
use crate::service::new_region::history::{fetch, not_fetched, notes};
use crate::service::new_region::{Found, Ground, GroundError, NewRegionError};
use crate::store::Store;
use crate::weather::Station;
use crate::weather::feeds::chain;

/// How a command goes about what it found.
#[derive(Debug, clap::Args)]
pub struct Manner {
    /// Ask no service: what is not given comes from what is at hand, and it is said what could not be looked up
    #[arg(long)]
    pub offline: bool,
    /// Show what would be saved and save nothing. What the weather service said of a place, and ACIS of a grid's cell, is kept for
    /// a month and not asked again; stations and their records are
    #[arg(long)]
    pub dry_run: bool,
    /// Ask nothing: save, also what is in doubt
    #[arg(long, conflicts_with = "dry_run")]
    pub yes: bool,
}

/// What finding a region stands on, with the services that the settings name.
pub async fn ground(store: &Store, config: &Config, manner: &Manner) -> Result<Ground, CommandError> {
    let unasked = manner.offline.then_some("nobody was asked (--offline)");
    Ground::of(store, config, Arc::new(SystemClock), unasked).await.map_err(|why| match why {
        GroundError::Fetcher(why) => CommandError::Failed(chain(&why)),
        GroundError::LookUps(why) => CommandError::Usage(chain(&why)),
        GroundError::Store(why) => why.into(),
    })
}

/// As one table: what was found of each region, and who says so.
pub fn table<'a>(found: impl IntoIterator<Item = &'a Found>) -> String {
    let mut table = ruled_table(["what", "found", "says who"]);
    for one in found {
        table.add_row(["region", one.region.id.as_str(), ""]);
        for fact in &one.facts {
            table.add_row([fact.what, fact.value.as_str(), fact.source.as_str()]);
        }
    }
    fitted(table, &[])
}

/// Remarks and doubts on standard error, each with its region if there are several.
pub fn tell(found: &[Found]) {
    for one in found {
        let of = if found.len() == 1 { String::new() } else { format!("region `{}`: ", one.region.id) };
        for remark in &one.remarks {
            eprintln!("note: {of}{remark}");
        }
    }
    tell_doubts(found);
}

/// Each with what to do about it.
fn tell_doubts(found: &[Found]) {
    for one in found {
        let of = if found.len() == 1 { String::new() } else { format!("region `{}`: ", one.region.id) };
        for doubt in &one.doubts {
            eprintln!("in doubt: {of}{}", doubt.words());
        }
    }
}

/// Where nobody can be asked, a doubt ends the command before anything is printed; so does a missing --yes.
pub fn check_doubts(found: &[Found], manner: &Manner) -> Result<(), CommandError> {
    if manner.yes || manner.dry_run || is_somebody_there() {
        return Ok(());
    }
    let doubts: Vec<String> = found
        .iter()
        .flat_map(|one| one.doubts.iter().map(|doubt| (&one.region.id, doubt)))
        .map(|(id, doubt)| format!("region `{id}`: {}, or say --yes to go on", doubt.words()))
        .collect();
    if doubts.is_empty() { Err(nobody_is_there()) } else { Err(CommandError::Usage(doubts.join("\n"))) }
}

/// Asks before saving, with what is in doubt once more.
pub fn may_save(what: &str, found: &[Found], manner: &Manner) -> Result<bool, CommandError> {
    if manner.yes {
        return Ok(true);
    }
    tell_doubts(found);
    ask(&format!("save {what}?"))?.ok_or_else(nobody_is_there)
}

/// The whole records of stations that have none or a short one.
pub struct History<'a> {
    pub stations: &'a [Station],
    pub ground: &'a Ground,
    pub config: &'a Config,
}

impl History<'_> {
    /// Fetches them into a store; what could not be had is told.
    pub async fn fetch(&self, store: &Store) -> Result<(), CommandError> {
        if self.stations.is_empty() {
            return Ok(());
        }
        if let Some(why) = self.ground.look_ups.offline() {
            eprintln!("note: {}", not_fetched(self.stations, why));
            return Ok(());
        }
        let bar = progress_bar(self.stations.len() as u64, "fetching the record of {msg} {wide_bar} {pos}/{len}");
        let heard = |nth: usize, station: Option<&Station>| {
            bar.set_position(nth as u64);
            bar.set_message(station.map(|station| station.id.to_string()).unwrap_or_default());
        };
        let feeds = &self.config.feeds;
        let done = fetch(store, self.stations, self.ground, feeds, Arc::new(SystemClock), &heard).await;
        bar.finish_and_clear();
        for one in done? {
            tell_record(&one);
        }
        Ok(())
    }
}

fn tell_record(one: &StationBackfill) {
    if let Outcome::Fetched(fetched) = &one.outcome {
        // Where they stood is told by `weather backfill`, which is all about records.
        let why: Vec<String> =
            fetched.refused.counts.iter().map(|(reason, count)| format!("{count} × {reason}")).collect();
        let refused = match fetched.refused.total() {
            0 => String::new(),
            count => format!(", {count} refused ({})", why.join("; ")),
        };
        eprintln!(
            "station {}: {} to {}, {} values in {}{refused}",
            one.station,
            date_or(fetched.first_day, "no day"),
            date_or(fetched.last_day, "no day"),
            fetched.taken,
            counted(one.requests, "request", "requests")
        );
    }
    for note in notes(one) {
        eprintln!("note: {note}");
    }
}

impl From<NewRegionError> for CommandError {
    fn from(why: NewRegionError) -> Self {
        match why {
            NewRegionError::Refused(faults) => CommandError::Usage(faults.join("\n")),
            NewRegionError::NoStation(why) => CommandError::Usage(why.to_string()),
            NewRegionError::Store(why) => why.into(),
        }
    }
}
