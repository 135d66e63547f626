//! What is wrong: alarms that are open, messages that failed, temperatures in doubt. Whoever reads it has no command line, and
//! is led to a page or to an administrator.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use super::region_words::quoted;
use super::regions::RegionRow;
use super::{DeskError, notice, overtaken};
use crate::alarms::AlarmKind;
use crate::links::notice_part;
use crate::region::{Region, RegionId};
use crate::season::phrases::capitalised;
use crate::service::app::App;
use crate::store::alarm_facts::SourceFacts;
use crate::store::notices::Notice;
use crate::store::runs::Served;
use crate::weather::StationId;

/// Messages that failed are shown for so long.
const FAILED_SHOWN: TimeDelta = TimeDelta::days(7);

/// A hold that ran out is shown for so long.
const RAN_OUT_SHOWN: TimeDelta = TimeDelta::days(7);

/// So many of the regions that something is about are named.
const NAMED: usize = 5;

/// So many stations that gave nothing are named, each with what its sources answered.
const SILENT_NAMED: usize = 3;

/// So much of an answer is shown, in characters.
const LONGEST_ERROR: usize = 200;

/// Something that is wrong.
#[derive(Clone, Debug, PartialEq)]
pub struct Trouble {
    pub title: String,
    pub what: String,
    /// What mends it, at the desk.
    pub mend: String,
    /// The same for whoever runs the service, where that takes commands.
    pub by_command: Option<String>,
    /// The first regions that it is about, with their names: their pages say more.
    pub regions: Vec<(RegionId, String)>,
    /// Where the desk itself mends it.
    pub pages: Vec<MendingPage>,
    pub urgent: bool,
    pub since: Option<DateTime<Utc>>,
}

/// A page of the desk on which something is mended.
#[derive(Clone, Debug, PartialEq)]
pub struct MendingPage {
    /// Below `/desk`.
    pub path: String,
    /// What is done there.
    pub words: String,
    /// The region that somebody must be allowed to act on there; `None`: whoever reads of it may come.
    pub acts_on: Option<Region>,
}

/// Alarms that are open, holds that ran out, messages that failed, temperatures in doubt. `holds`: notices of the season that were
/// skipped while staff held them.
pub(super) async fn wrong(
    app: &App,
    regions: &BTreeMap<&RegionId, &Region>,
    rows: &[RegionRow],
    holds: &[Notice],
    now: DateTime<Utc>,
) -> Result<Vec<Trouble>, DeskError> {
    let alarms = app.store.alarms(None).await?;
    let is_cycle_told = alarms.iter().any(|alarm| alarm.kind == AlarmKind::Cycle);
    // These stand in the queue above.
    let of_queue = [AlarmKind::NoticeWaits, AlarmKind::NoticeLeaves, AlarmKind::NoticeRunsOut];
    let mut wrong: Vec<Trouble> = alarms
        .into_iter()
        .filter(|alarm| !of_queue.contains(&alarm.kind))
        .filter(|alarm| alarm.region.as_ref().is_none_or(|region| regions.contains_key(region)))
        .map(|alarm| {
            let (mend, by_command) = of_desk(alarm.mend);
            let (own_mend, pages) = at_desk(alarm.kind, &alarm.subject, regions);
            let mend = own_mend.map_or(mend, str::to_owned);
            let named = |id: RegionId| Some((id.clone(), regions.get(&id)?.name.clone()));
            Trouble {
                title: capitalised(alarm.kind.title()),
                what: quoted(&alarm.what),
                mend,
                by_command,
                regions: alarm.region.and_then(named).into_iter().collect(),
                pages,
                urgent: alarm.urgent,
                since: Some(alarm.raised_at),
            }
        })
        .collect();
    wrong.sort_by_key(|trouble| (!trouble.urgent, std::cmp::Reverse(trouble.since)));
    wrong.extend(failed_cycle(app, is_cycle_told).await?);
    for ran_out in overtaken::ran_out_since(app, regions, holds, (now - RAN_OUT_SHOWN, now)).await? {
        let name = regions.get(&ran_out.region).map_or_else(String::new, |region| region.name.clone());
        wrong.push(Trouble {
            title: ran_out.title,
            what: ran_out.what,
            mend: "It does not go out any more. The next notice there may build on what people were never told: read that one \
                   before it leaves."
                .to_owned(),
            by_command: None,
            regions: vec![(ran_out.region, name)],
            pages: Vec::new(),
            urgent: false,
            since: Some(ran_out.at),
        });
    }
    let failed: Vec<(RegionId, String, u64)> = app
        .store
        .failed_since(now - FAILED_SHOWN)
        .await?
        .into_iter()
        .filter_map(|(region, count)| {
            let name = regions.get(&region)?.name.clone();
            Some((region, name, count))
        })
        .collect();
    if !failed.is_empty() {
        let total: u64 = failed.iter().map(|(.., count)| count).sum();
        let names = few(failed.iter().map(|(_, name, count)| format!("{name} ({count})")));
        wrong.push(Trouble {
            title: "Messages failed".to_owned(),
            what: format!("{} of the last 7 days did not arrive: {names}.", notice::messages(total)),
            mend: "An administrator can see why each of them did not arrive.".to_owned(),
            by_command: Some("treebell deliveries --state failed, --state bounced and --state expired".to_owned()),
            regions: Vec::new(),
            pages: Vec::new(),
            urgent: false,
            since: None,
        });
    }
    let doubtful: Vec<&RegionRow> = rows.iter().filter(|row| row.record_doubt.is_some()).collect();
    if !doubtful.is_empty() {
        let names = few(doubtful
            .iter()
            .map(|row| format!("{} ({})", row.region.name, row.record_doubt.as_deref().unwrap_or_default())));
        wrong.push(Trouble {
            title: "Temperatures are in doubt".to_owned(),
            what: format!("There nothing leaves unasked: {names}."),
            mend: "The region’s page says which station lacks days and how long; an administrator can take in what is \
                   missing."
                .to_owned(),
            by_command: Some("treebell weather status".to_owned()),
            regions: doubtful.iter().take(NAMED).map(|row| (row.region.id.clone(), row.region.name.clone())).collect(),
            pages: Vec::new(),
            urgent: false,
            since: None,
        });
    }
    Ok(wrong)
}

/// That the newest cycle did nothing of what it is for. An alarm waits for some hours whether the next one does better; whoever looks
/// is told at once.
async fn failed_cycle(app: &App, is_told: bool) -> Result<Option<Trouble>, DeskError> {
    if is_told {
        return Ok(None);
    }
    let facts = app.store.cycle_facts().await?;
    let (Some(failed_at), Some(began_at)) = (facts.failed_at, facts.last_began_at) else { return Ok(None) };
    let outcome = facts.last_outcome.unwrap_or_default();
    let names: BTreeMap<StationId, String> =
        app.store.stations().await?.into_iter().map(|station| (station.id, station.name)).collect();
    let mut asked = app.store.source_facts(began_at).await?;
    asked.values_mut().for_each(|sources| sources.retain(|source| !source.feed.is_forecast()));
    asked.retain(|_, sources| !sources.is_empty());
    let silent: Vec<String> =
        asked.iter().filter_map(|(station, sources)| silent_words(station, sources, &names)).collect();
    // Unknown of a cycle before regions were counted: then what the sources answered is all there is to say.
    let served_none = facts.last_served.map(Served::is_none);
    let no_region = served_none == Some(true);
    // What a source gave and the store did not take is no reading either.
    let no_station = served_none == Some(false) || (!silent.is_empty() && silent.len() == asked.len());
    let mut what = String::new();
    if no_station {
        what += &format!("No station could be read{}. ", few_silent(&silent));
    }
    what += match no_region {
        true => {
            "No region could be worked out: dates stay as they were, and no new notice is decided until a cycle succeeds."
        }
        false => "Until a cycle succeeds, dates and notices rest on the temperatures of before.",
    };
    let mut by_command = String::from(
        "treebell weather status shows what each source answered; treebell once makes a cycle by hand where no service runs.",
    );
    if no_region {
        by_command += " The log says what was wrong with each region.";
    }
    if !outcome.is_empty() {
        by_command += &format!(" The cycle came to: {outcome}.");
    }
    Ok(Some(Trouble {
        title: "The newest cycle failed".to_owned(),
        what: quoted(&what),
        mend: "The next cycle tries again by itself.".to_owned(),
        by_command: Some(by_command),
        regions: Vec::new(),
        pages: Vec::new(),
        urgent: false,
        since: Some(failed_at),
    }))
}

/// What the sources of a station answered last, if none of them gave a temperature.
fn silent_words(station: &StationId, sources: &[SourceFacts], names: &BTreeMap<StationId, String>) -> Option<String> {
    let said = |source: &SourceFacts| {
        let error: String = source.last_error.as_ref()?.chars().take(LONGEST_ERROR).collect();
        Some(format!("{}: {}", source.feed.name(), error.trim_end_matches(['.', ' '])))
    };
    let said: Vec<String> = sources.iter().map(said).collect::<Option<_>>()?;
    let name = names.get(station).map_or(station.as_str(), String::as_str);
    Some(format!("{name} ({})", said.join("; ")))
}

/// `: A (acis: no answer), B (…) and 4 more`; empty for none.
fn few_silent(silent: &[String]) -> String {
    if silent.is_empty() {
        return String::new();
    }
    let shown = silent.iter().take(SILENT_NAMED).cloned().collect::<Vec<_>>().join(", ");
    match silent.len().saturating_sub(SILENT_NAMED) {
        0 => format!(": {shown}"),
        more => format!(": {shown} and {more} more"),
    }
}

/// What mends something, for a person without a command line, and with the commands where it takes some.
fn of_desk(mend: String) -> (String, Option<String>) {
    match mend.contains('`') {
        true => {
            let words = mend.replace('`', "");
            // A command is typed as it stands.
            let by_command = if mend.starts_with('`') { words } else { capitalised(&words) };
            ("An administrator can see to it.".to_owned(), Some(by_command))
        }
        false => (capitalised(&mend), None),
    }
}

/// What the desk itself can do about an alarm, and where; `regions` are those within reach.
fn at_desk(
    kind: AlarmKind,
    subject: &str,
    regions: &BTreeMap<&RegionId, &Region>,
) -> (Option<&'static str>, Vec<MendingPage>) {
    let page = |path: String, words: &str| MendingPage { path, words: words.to_owned(), acts_on: None };
    match kind {
        AlarmKind::Station | AlarmKind::Answers => {
            // Of a source the subject names its station first.
            let station = subject.split(' ').next().unwrap_or_default();
            let of_it = regions.values().filter(|region| region.stations.iter().any(|id| *id == station));
            let pages = of_it.take(NAMED).map(|region| MendingPage {
                path: format!("/region/{}/change#stations", region.id),
                words: format!("Give {} another station", region.name),
                acts_on: Some((*region).clone()),
            });
            let mend = "Its neighbours fill the gap for some days; then notices there wait for a word. If nothing comes from it any \
                        more, its regions need another one. An administrator can see what its sources answered.";
            (Some(mend), pages.collect())
        }
        AlarmKind::Queue if subject.contains('/') => {
            let mend = "It goes on by itself once the service runs. To end it, recall the notice.";
            (Some(mend), vec![page(format!("/notice/{}", notice_part(subject)), "Look at the notice")])
        }
        AlarmKind::Wording => {
            let mend = "Mend them, or go back to the words of the program there.";
            (Some(mend), vec![page(format!("/wording/{subject}"), "Look at the words")])
        }
        AlarmKind::Addresses => {
            let mend =
                "Nothing, where these are people who moved. If there are many at once, an administrator can see why.";
            (Some(mend), vec![page("/people".to_owned(), "Look at the people")])
        }
        _ => (None, Vec::new()),
    }
}

/// The first of many, and how many more there are.
fn few(all: impl Iterator<Item = String>) -> String {
    let all: Vec<String> = all.collect();
    let shown = all.iter().take(NAMED).cloned().collect::<Vec<_>>().join(", ");
    if all.len() > NAMED { format!("{shown} and {} more", all.len() - NAMED) } else { shown }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn commands_stand_apart_from_what_a_person_at_the_desk_can_do() {
        let (mend, by_command) = of_desk("see to it: `treebell once` makes the cycle again.".to_owned());
        assert_eq!(mend, "An administrator can see to it.");
        assert_eq!(by_command.as_deref(), Some("See to it: treebell once makes the cycle again."));
        assert_eq!(of_desk("nothing: it mends itself.".to_owned()), ("Nothing: it mends itself.".to_owned(), None));
    }

    #[test]
    fn few_of_many_silent_stations_are_named() {
        let silent: Vec<String> = ["A", "B", "C", "D", "E"].map(|name| format!("{name} (acis: no answer)")).into();
        assert_eq!(few_silent(&[]), "");
        assert_eq!(few_silent(&silent[..1]), ": A (acis: no answer)");
        let three = ": A (acis: no answer), B (acis: no answer), C (acis: no answer) and 2 more";
        assert_eq!(few_silent(&silent), three);
    }
}
