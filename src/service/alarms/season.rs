//! What is wrong with the season: notices that wait, stations that are silent, and what else staff should know.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};

use crate::alarms::words::lasted;
use crate::alarms::{Alarm, AlarmKind, Condition, Look};
use crate::language::Language;
use crate::links;
use crate::message::Message;
use crate::people::Channel;
use crate::region::{Region, RegionId, Release};
use crate::season::decide::Terms;
use crate::season::{NoticeKind, NoticeStatus};
use crate::service::app::App;
use crate::service::desk::local_with_year;
use crate::service::notice_writer::reason_words;
use crate::store::StoreError;
use crate::store::alarm_facts::SourceFacts;
use crate::store::notices::{Notice, NoticeState, ReleasePlan};
use crate::text::counted;
use crate::weather::{Station, StationId};

/// Over this time pulls are looked at.
const PULLS_REACH: TimeDelta = TimeDelta::days(14);

/// So many answers in a row without one usable value are no accident.
const UNUSABLE: u64 = 3;

/// A source that was not asked for longer is asked no more.
const STILL_ASKED: TimeDelta = TimeDelta::days(2);

/// A notice whose hour has passed by so long does not go out by itself.
const STUCK: TimeDelta = TimeDelta::hours(1);

/// Queueing a notice for very many recipients takes minutes.
const QUEUED_WITHIN: TimeDelta = TimeDelta::minutes(15);

/// A station that only files feed is late when its newest day is this old. A rule of ours, no source: staff who import by hand
/// do so once a week.
const FILES_LATE: u64 = 8;

/// So long after our number for the hatch a season still needs temperatures: the last notices are decided in these days.
const AFTER_HATCH: u64 = 21;

/// Notices that wait for a word or go out by themselves, and those whose time runs out.
pub(super) async fn notices(app: &App, now: DateTime<Utc>) -> Result<Vec<Condition>, StoreError> {
    let mut conditions = half_queued(app, now).await?;
    let waiting = app.store.notices_waiting().await?;
    if waiting.is_empty() {
        return Ok(conditions);
    }
    let regions: BTreeMap<RegionId, Region> =
        app.store.all_regions().await?.into_iter().map(|region| (region.id.clone(), region)).collect();
    let last = TimeDelta::hours(i64::from(app.config.alarms.notice_last_hours));
    for notice in waiting.iter().filter(|notice| notice.expires_at > now) {
        let region = regions.get(&notice.season.region);
        let zone = region.map_or(app.config.schedule.time_zone, |region| region.time_zone);
        let at = |instant: DateTime<Utc>| local_with_year(instant, zone);
        let is_stuck = matches!((notice.status(), &notice.plan), (NoticeStatus::Waiting, ReleasePlan::At(at)) if *at + STUCK <= now);
        let why = match (&notice.state, &notice.plan) {
            (NoticeState::Held { until }, _) => {
                let until = until.map_or_else(String::new, |until| format!(" until {}", at(until)));
                format!("It is held{until} ({}).", notice.staff_note.as_deref().unwrap_or("no note"))
            }
            // Staff sent it a moment ago.
            (NoticeState::Leaving { .. }, _) if !is_stuck => continue,
            // It would have left at once, had staff not brought it up: they know of it, and have a moment to stop it.
            (NoticeState::Waiting, ReleasePlan::At(_)) if !is_stuck && asks_nobody(notice) => continue,
            (_, ReleasePlan::At(release)) if is_stuck => {
                format!("It should have gone out by itself on {} and has not: the log says what fails.", at(*release))
            }
            (_, ReleasePlan::At(release)) => format!("It goes out by itself on {} unless it is held.", at(*release)),
            (_, ReleasePlan::WhenConfirmed(why)) => format!("It goes out only when somebody sends it: {why}."),
            (_, ReleasePlan::Never) => continue,
        };
        let leaves_alone =
            !is_stuck && matches!((&notice.state, &notice.plan), (NoticeState::Waiting, ReleasePlan::At(_)));
        let runs_out = is_stuck || !leaves_alone && notice.expires_at - now <= last;
        if matches!(notice.state, NoticeState::Held { .. }) && !runs_out {
            // Staff know of it.
            continue;
        }
        let about = about(app, notice, region.map_or(notice.season.region.as_str(), |region| &region.name)).await?;
        let until = format!("It is of use until {}.", at(notice.expires_at));
        conditions.push(Condition {
            kind: match (runs_out, leaves_alone) {
                (true, _) => AlarmKind::NoticeRunsOut,
                (false, true) => AlarmKind::NoticeLeaves,
                (false, false) => AlarmKind::NoticeWaits,
            },
            subject: notice.id.to_string(),
            region: Some(notice.season.region.clone()),
            what: format!("{} {why} {until} {}", about.what, about.reads),
            mend: answers(app, notice, leaves_alone),
        });
    }
    Ok(conditions)
}

/// Whether its region has notices leave at once.
fn asks_nobody(notice: &Notice) -> bool {
    serde_json::from_value::<Terms>(notice.reason.clone()).is_ok_and(|terms| terms.release == Release::AtOnce)
}

/// What became of notices whose alarm is over.
pub(super) async fn endings(
    app: &App,
    look: &Look,
    known: &[Alarm],
    now: DateTime<Utc>,
) -> Result<BTreeMap<(AlarmKind, String), String>, StoreError> {
    let is_there = |alarm: &Alarm| {
        look.conditions.iter().any(|condition| condition.kind == alarm.kind && condition.subject == alarm.subject)
    };
    let mut endings = BTreeMap::new();
    for alarm in known.iter().filter(|alarm| alarm.ended_at.is_none() && alarm.kind.tells_its_end() && !is_there(alarm))
    {
        match app.store.notice(&alarm.subject.as_str().into()).await {
            Ok(notice) => {
                endings.insert((alarm.kind, alarm.subject.clone()), ending(&notice, now));
            }
            Err(StoreError::Conflict(_)) => {}
            Err(why) => return Err(why),
        }
    }
    Ok(endings)
}

fn ending(notice: &Notice, now: DateTime<Utc>) -> String {
    let note = notice.staff_note.as_ref().map_or_else(String::new, |note| format!(" ({note})"));
    let became = match &notice.state {
        NoticeState::Released { by, .. } if by == "policy" => format!("went out by itself{}", recalled(notice)),
        NoticeState::Released { by, .. } => format!("was sent by {by}{}", recalled(notice)),
        NoticeState::Leaving { by } => format!("was sent by {by} and leaves at its hour"),
        NoticeState::Held { .. } => format!("is held{note}"),
        NoticeState::Cancelled => format!("was called off{note}"),
        NoticeState::Skipped | NoticeState::Waiting if notice.expires_at <= now => {
            "did not go out: its time ran out".to_owned()
        }
        NoticeState::Skipped => "was skipped: it would be of no use any more".to_owned(),
        NoticeState::Waiting => "needs no word any more and goes out by itself".to_owned(),
    };
    format!("\"{}\" for {} {became}.", kind_words(notice.kind), notice.season.region)
}

/// ` and was recalled (wrong region)`; nothing of one that was not.
fn recalled(notice: &Notice) -> String {
    match (&notice.recall, notice.recall_reason()) {
        (Some(_), Some(why)) => format!(" and was recalled ({why})"),
        (Some(_), None) => " and was recalled".to_owned(),
        (None, _) => String::new(),
    }
}

/// Notices that went out and whose last recipients are not in the queue yet. The schedule goes on with them at each look.
async fn half_queued(app: &App, now: DateTime<Utc>) -> Result<Vec<Condition>, StoreError> {
    let notices = app.store.half_queued().await?;
    let late = notices.iter().filter_map(|notice| {
        let since = notice.released_at().filter(|at| *at + QUEUED_WITHIN <= now)?;
        Some(Condition {
            kind: AlarmKind::Queue,
            subject: notice.id.to_string(),
            region: Some(notice.season.region.clone()),
            what: format!(
                "\"{}\" for {} left {} ago, and some of its recipients are not in the queue yet.",
                kind_words(notice.kind),
                notice.season.region,
                lasted(now - since)
            ),
            mend: format!(
                "see that a process keeps the schedule (`treebell run`): it goes on where it stood, and the log says what fails. \
                 To end it: `treebell notices recall {} --by YOUR-NAME`.",
                notice.id
            ),
        })
    });
    Ok(late.collect())
}

struct About {
    /// What it is, why, for how many.
    what: String,
    /// How it reads.
    reads: String,
}

async fn about(app: &App, notice: &Notice, region: &str) -> Result<About, StoreError> {
    let reached = app.store.count_recipients(&notice.season.region).await?;
    let of = |channel| reached.get(&channel).copied().unwrap_or(0);
    let (phones, mailboxes) = (of(Channel::Sms), of(Channel::Email));
    let what = format!(
        "\"{}\" for {region}, decided on {} because: {}. It would go to {}: {phones} by text and {mailboxes} by e-mail.",
        kind_words(notice.kind),
        notice.decided_on,
        reason_words(notice),
        counted(phones + mailboxes, "address", "addresses"),
    );
    let reads = match app.store.notice_text(&notice.id, Channel::Sms, Language::En).await? {
        Some(Message::Sms { text }) => format!("As a text it reads: \"{}\"", crate::text::one_line(&text)),
        _ => "It has no words for a text message.".to_owned(),
    };
    Ok(About { what, reads })
}

fn kind_words(kind: NoticeKind) -> String {
    kind.name().replace('-', " ")
}

pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let text: String = letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default();
    if text.ends_with('.') { text } else { text + "." }
}

/// The commands that answer it.
fn answers(app: &App, notice: &Notice, leaves_alone: bool) -> String {
    let id = &notice.id;
    let look = format!("All of it: `treebell notices show {id}`.");
    // The link lets nobody in: it leads through the sign-in.
    let public = app.config.messages.public_url.url().filter(|_| app.config.desk.enabled);
    let page = public.and_then(|public| links::desk_notice(public, id.as_str()));
    let look = page.map_or_else(|| look.clone(), |page| format!("At the desk: {page} {look}"));
    if leaves_alone {
        return format!(
            "nothing, if it is right. To stop it: `treebell notices hold {id} --by YOUR-NAME`; for good: `treebell notices call-off \
             {id} --by YOUR-NAME`; to send it now: `treebell notices release {id} --by YOUR-NAME`. {look}"
        );
    }
    format!(
        "to send it: `treebell notices release {id} --by YOUR-NAME`. To end it for this season: `treebell notices call-off {id} \
         --by YOUR-NAME`. {look}"
    )
}

/// Stations in season that give nothing, and sources whose answers cannot be used. When all fail it is not they: then the
/// cycle's own alarm speaks, and stations are left as they stood.
pub(super) async fn stations(app: &App, look: &mut Look, now: DateTime<Utc>) -> Result<(), StoreError> {
    let stations = app.store.stations().await?;
    let mut facts = app.store.source_facts(now - PULLS_REACH).await?;
    let asks = |source: &SourceFacts| {
        let mut own = stations.iter().filter(|station| station.id == source.station);
        own.any(|station| station.sources.iter().any(|one| one.feed == source.feed))
    };
    facts.values_mut().for_each(|sources| sources.retain(|source| !source.feed.is_forecast() && asks(source)));
    facts.retain(|_, sources| !sources.is_empty());
    if facts.values().flatten().all(|source| source.good_at.is_none_or(|good| good < source.last_at))
        && !facts.is_empty()
    {
        return Ok(());
    }
    look.kinds.extend([AlarmKind::Station, AlarmKind::Answers]);
    let in_season = stations_in_season(app, now).await?;
    let patience = TimeDelta::hours(i64::from(app.config.alarms.station_hours));
    for station in &stations {
        let Some(regions) = in_season.get(&station.id) else {
            // That its season is over does not show that it gives days again.
            look.unclear.insert((AlarmKind::Station, station.id.to_string()));
            let sources = facts.get(&station.id).into_iter().flatten();
            look.unclear
                .extend(sources.map(|source| (AlarmKind::Answers, format!("{} {}", station.id, source.feed.name()))));
            continue;
        };
        let none = Vec::new();
        let sources = facts.get(&station.id).unwrap_or(&none);
        // Of several, all who keep any region are told: better too many than too few.
        let region = if let [one] = regions.as_slice() { Some(one.clone()) } else { None };
        let names: Vec<String> = regions.iter().map(|region| format!("`{region}`")).collect();
        let silent = match failing_since(sources, patience) {
            Some(since) => {
                Some(format!("No source of it has given a temperature for {}. {}", lasted(now - since), said(sources)))
            }
            None if sources.is_empty() => late_files(app, station, now).await?,
            None => no_new_day(app, station, sources, now).await?,
        };
        if let Some(what) = silent {
            look.conditions.push(Condition {
                kind: AlarmKind::Station,
                subject: station.id.to_string(),
                region: region.clone(),
                what: format!("{} ({}): {what}", station.name, station.id),
                mend: format!(
                    "`treebell weather status --station {}` shows its sources. Neighbours fill the gap for some days, then notices of \
                     {} wait for a word. If it is closed for good, give the region another one: `treebell region --help`.",
                    station.id,
                    names.join(", ")
                ),
            });
        }
        let unusable = |source: &&SourceFacts| {
            source.bad >= UNUSABLE && source.unusable == source.bad && now - source.last_at <= STILL_ASKED
        };
        for source in sources.iter().filter(unusable) {
            look.conditions.push(Condition {
                kind: AlarmKind::Answers,
                subject: format!("{} {}", station.id, source.feed.name()),
                region: region.clone(),
                what: format!(
                    "{} answers for {} ({}), but of its last {} answers no value could be taken. {}",
                    source.feed.name(),
                    station.name,
                    station.id,
                    source.bad,
                    said(std::slice::from_ref(source))
                ),
                mend: format!(
                    "the service may have changed its format, or the source's id no longer names this station: `treebell weather pull \
                     --station {}` shows the lines that were refused.",
                    station.id
                ),
            });
        }
    }
    Ok(())
}

/// The stations of regions whose season runs, each with these regions.
async fn stations_in_season(app: &App, now: DateTime<Utc>) -> Result<BTreeMap<StationId, Vec<RegionId>>, StoreError> {
    let regions = app.store.regions().await?;
    let mut closed = BTreeSet::new();
    let profiles: BTreeSet<&str> = regions.iter().map(|region| region.profile.as_str()).collect();
    for id in profiles {
        let Some(profile) = app.profiles.get(id) else { continue };
        for outlook in app.store.newest_outlooks(id).await? {
            let reached = outlook.stage(&profile.window.closes).and_then(|stage| stage.reached);
            let over = |day: NaiveDate| {
                day.checked_add_days(Days::new(AFTER_HATCH)).is_some_and(|day| day <= now.date_naive())
            };
            if reached.is_some_and(|reached| over(reached.on)) {
                closed.insert((outlook.season.region.clone(), outlook.season.year));
            }
        }
    }
    let mut stations: BTreeMap<StationId, Vec<RegionId>> = BTreeMap::new();
    for region in &regions {
        let Some(profile) = app.profiles.get(&region.profile) else { continue };
        let season = profile.season_of(now.with_timezone(&region.time_zone).date_naive());
        if !closed.contains(&(region.id.clone(), season)) {
            for station in &region.stations {
                stations.entry(station.clone()).or_default().push(region.id.clone());
            }
        }
    }
    Ok(stations)
}

/// Since when all sources of a station have failed, when that is long enough. Measured from pull to pull: while the service
/// itself stood still no station failed.
fn failing_since(sources: &[SourceFacts], patience: TimeDelta) -> Option<DateTime<Utc>> {
    let last = sources.iter().map(|source| source.last_at).max()?;
    let good = sources.iter().filter_map(|source| source.good_at).max();
    let since = good.or_else(|| sources.iter().map(|source| source.first_at).min())?;
    (last - since >= patience).then_some(since)
}

/// Sources answer, and yet there is no day of late with both temperatures.
async fn no_new_day(
    app: &App,
    station: &Station,
    sources: &[SourceFacts],
    now: DateTime<Utc>,
) -> Result<Option<String>, StoreError> {
    let days = u64::from(app.config.policy.real_day_age_limit_days.max(1));
    let today = now.with_timezone(&station.time_zone).date_naive();
    let from = today.checked_sub_days(Days::new(days)).unwrap_or(today);
    let known_for = sources.iter().map(|source| now - source.first_at).max().unwrap_or_default();
    // A new one may not have had its first full day yet.
    if known_for < TimeDelta::days(2) {
        return Ok(None);
    }
    let complete = app.store.complete_days(&station.id, from, today).await?;
    if complete.range(from..).next().is_some() {
        return Ok(None);
    }
    let newest = complete.iter().next_back().map_or_else(|| "none at all".to_owned(), |day| day_words(*day));
    Ok(Some(format!(
        "its sources answer, but none of the last {days} days has both a maximum and a minimum (newest such day: {newest})."
    )))
}

/// A station that no service is asked for, whose files do not come any more. One that never had a day is new.
async fn late_files(app: &App, station: &Station, now: DateTime<Utc>) -> Result<Option<String>, StoreError> {
    if station.sources.iter().any(|source| !source.feed.is_forecast()) {
        return Ok(None);
    }
    let today = now.with_timezone(&station.time_zone).date_naive();
    let from = today.checked_sub_days(Days::new(FILES_LATE)).unwrap_or(today);
    let complete = app.store.complete_days(&station.id, from, today).await?;
    let newest = complete.iter().next_back().filter(|newest| **newest < from);
    Ok(newest.map(|newest| {
        format!(
            "its record comes from files alone, and none has brought a day of the last {FILES_LATE} (newest: {}).",
            day_words(*newest)
        )
    }))
}

/// `Sat, Mar 14, 2026`: a day as [`local_with_year`] writes it.
pub(super) fn day_words(day: NaiveDate) -> String {
    day.format("%a, %b %-d, %Y").to_string()
}

fn said(sources: &[SourceFacts]) -> String {
    let lines: Vec<String> = sources
        .iter()
        .map(|source| {
            let said = source.last_error.as_deref().unwrap_or("no value taken");
            let said: String = said.chars().take(200).collect();
            format!("{}: {said}", source.feed.name())
        })
        .collect();
    sentence(&lines.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::weather::FeedKind;

    #[test]
    fn a_station_fails_when_all_its_sources_do_and_not_while_one_gives_or_the_service_stood_still() {
        let at = |hours| DateTime::UNIX_EPOCH + TimeDelta::hours(hours);
        let source = |first, last, good: Option<i64>| SourceFacts {
            station: "A".into(),
            feed: FeedKind::Acis,
            first_at: at(first),
            last_at: at(last),
            good_at: good.map(at),
            bad: 1,
            unusable: 0,
            last_error: None,
        };
        let failing = |sources: &[SourceFacts]| failing_since(sources, TimeDelta::hours(24));
        assert_eq!(failing(&[source(0, 48, Some(24)), source(0, 48, None)]), Some(at(24)));
        assert_eq!(failing(&[source(0, 48, Some(24)), source(0, 48, Some(48))]), None, "one gives");
        assert_eq!(failing(&[source(0, 23, None)]), None, "new and not asked for long");
        assert_eq!(failing(&[source(0, 24, None)]), Some(at(0)));
        assert_eq!(failing(&[source(0, 10, Some(10))]), None, "nobody asked since");
    }
}
