//! What is wrong with the service itself: its cycle, its queue, its channels, its disks.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use chrono::{DateTime, TimeDelta, Utc};

use super::disk::DiskLooks;
use super::season::{self, sentence};
use super::staff_log::{self, LOG_REACH};
use crate::alarms::words::lasted;
use crate::alarms::{AlarmKind, Condition, Look};
use crate::delivery::quiet_hours::QuietHours;
use crate::people::Channel;
use crate::service::app::App;
use crate::service::desk::local_with_year;
use crate::service::wording_shelf::SetAside;
use crate::store::StoreError;
use crate::store::alarm_facts::ChannelFacts;
use crate::store::runs::{CYCLE, FAILED_WORK, ONCE, UnfinishedTries};
use crate::text::counted;

/// How far back attempts are looked at to learn whether a channel works.
const ATTEMPTS_REACH: TimeDelta = TimeDelta::days(2);

/// Within this time the share of refused messages is taken.
const SHARE_OVER: TimeDelta = TimeDelta::hours(6);

/// Of fewer answers no share is taken.
const SHARE_OF: u64 = 10;

/// Attempts in vain that make a channel broken, once they go on long enough and with more than one message: one alone may have a
/// difficult recipient.
const VAIN: u64 = 3;

/// As [`VAIN`], of one message.
const VAIN_OF_ONE: u64 = 6;

/// Cycles in a row that were begun and never ended: one may have been a restart of the machine, and another is being made.
const CUT_OFF: u32 = 3;

/// How much is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Depth {
    /// What can change from minute to minute.
    Quick,
    /// What only a cycle changes, too.
    Full,
}

/// What is wrong at this instant, as far as the store and this machine tell.
///
/// # Errors
/// When the store cannot be read.
pub(super) async fn look(
    app: &App,
    disks: &DiskLooks,
    machine: &str,
    depth: Depth,
    now: DateTime<Utc>,
) -> Result<Look, StoreError> {
    let mut look = Look { machine: machine.to_owned(), ..Look::default() };
    look.kinds.extend([
        AlarmKind::Cycle,
        AlarmKind::Work,
        AlarmKind::NoticeWaits,
        AlarmKind::NoticeRunsOut,
        AlarmKind::Channel,
        AlarmKind::Queue,
        AlarmKind::Disk,
        // That we came here shows that it can be written.
        AlarmKind::Store,
        AlarmKind::Date,
        AlarmKind::Wording,
    ]);
    look.conditions.extend(cycle(app, now).await?);
    look.conditions.extend(failed_work(app.store.cycle_facts().await?.last_outcome.as_deref()));
    failed_by_hand(app, &mut look).await?;
    look.conditions.extend(season::notices(app, now).await?);
    let log = app.store.staff_log(now - LOG_REACH).await?;
    look.conditions.extend(log.iter().filter_map(staff_log::of_log));
    look.conditions.extend(staff_log::bundled(&log, app.config.schedule.time_zone, now));
    let broken = channels(app, &mut look, now).await?;
    if depth == Depth::Full {
        look.kinds.insert(AlarmKind::Deliveries);
        for channel in Channel::ALL.into_iter().filter(|channel| !broken.contains(channel)) {
            deliveries(app, &mut look, channel, now).await?;
        }
        season::stations(app, &mut look, now).await?;
    }
    match full_disks(app, disks).await {
        Some(full) => look.conditions.extend(full),
        None => {
            look.kinds.remove(&AlarmKind::Disk);
        }
    }
    look.conditions.extend(dates(app, now));
    look.conditions.extend(words(app).await?);
    Ok(look)
}

/// Words of staff that are not used. Each process takes up here what was changed in another.
async fn words(app: &App) -> Result<Vec<Condition>, StoreError> {
    app.renew_words().await?;
    let of = |SetAside { text, version, faults }: SetAside| {
        Condition {
        kind: AlarmKind::Wording,
        what: format!(
            "Version {version} of the words `{text}` breaks a rule, so messages go out with the words that the program or the \
             settings' folder brings: {}.",
            faults.join("; ")
        ),
        mend: "mend them at the desk under Wording, or go back to the words of the program there or with `treebell message restore`."
            .to_owned(),
        subject: text,
        region: None,
    }
    };
    Ok(app.templates.set_aside().into_iter().map(of).collect())
}

/// The channels of which an open alarm says that nothing gets through.
pub(super) fn broken_channels(conditions: &[Condition]) -> BTreeSet<Channel> {
    let of_kind = conditions.iter().filter(|condition| condition.kind == AlarmKind::Channel);
    of_kind.filter_map(|condition| Channel::parse(&condition.subject)).collect()
}

/// What the newest cycle could not do beside its regions.
fn failed_work(last_outcome: Option<&str>) -> Option<Condition> {
    let (_, failed) = last_outcome?.split_once(FAILED_WORK)?;
    Some(Condition {
        kind: AlarmKind::Work,
        subject: "beside the regions".to_owned(),
        region: None,
        what: format!("A part of the newest cycle failed: {failed}."),
        mend: "the next cycle tries it again. If it stays, the log has the line with its cause.".to_owned(),
    })
}

/// Why the newest cycle that was asked for by hand, or by a cron, ended before its end; until any cycle was good. One that is
/// under way, or was cut off, says nothing of the one before.
async fn failed_by_hand(app: &App, look: &mut Look) -> Result<(), StoreError> {
    let Some(newest) = app.store.last_run(ONCE).await?.filter(|run| run.ended_at.is_none()) else { return Ok(()) };
    if app.store.cycle_facts().await?.good_at.is_some_and(|good| good > newest.started_at) {
        return Ok(());
    }
    let Some(why) = newest.outcome else {
        look.unclear.insert((AlarmKind::Work, ONCE.to_owned()));
        return Ok(());
    };
    look.conditions.push(Condition {
        kind: AlarmKind::Work,
        subject: ONCE.to_owned(),
        region: None,
        what: format!("`treebell once` failed before its end: {why}. Some regions may not have been looked at."),
        mend: "see to its cause, then `treebell once` makes the cycle again; it goes on where it stood.".to_owned(),
    });
    Ok(())
}

async fn cycle(app: &App, now: DateTime<Utc>) -> Result<Option<Condition>, StoreError> {
    let facts = app.store.cycle_facts().await?;
    let Some(since) = facts.good_at.or(facts.first_at) else { return Ok(None) };
    let Ok(timetable) = app.config.schedule.timetable() else { return Ok(None) };
    let patience = TimeDelta::hours(i64::from(app.config.alarms.cycle_hours));
    let zone = app.config.schedule.time_zone;
    // A good one by hand shows that it is over.
    let goes_on = |tries: &UnfinishedTries| facts.good_at.is_none_or(|good| good <= tries.last_began_at);
    let unfinished = app.store.unfinished_tries(CYCLE).await?;
    let cut_off = unfinished.filter(|unfinished| unfinished.tries >= CUT_OFF && goes_on(unfinished));
    // By what was due and not by the time that passed, since a schedule may rest for a night or for a winter.
    let due = timetable.next_after(since).filter(|due| due.at + patience <= now);
    if due.is_none() && cut_off.is_none() {
        return Ok(None);
    }
    let at = |instant: DateTime<Utc>| local_with_year(instant, zone);
    let mut what = match facts.good_at {
        Some(good) => format!("The last good one began on {}.", at(good)),
        None => "None has been good yet.".to_owned(),
    };
    if let Some(due) = due {
        what += &format!(" One was due on {}.", at(due.at));
    }
    if let Some(UnfinishedTries { tries, last_began_at }) = cut_off {
        let why =
            match app.store.last_run(CYCLE).await?.filter(|run| run.ended_at.is_none()).and_then(|run| run.outcome) {
                Some(why) => format!("it failed: {why}"),
                None => "something ends the process".to_owned(),
            };
        what += &format!(
            " The cycle was begun {tries} times in a row and never ended, last on {}: {why}. It is begun again after growing pauses.",
            at(last_began_at)
        );
    }
    let outcome = facts.last_outcome.map_or_else(String::new, |text| format!(" The newest came to: {text}."));
    Ok(Some(Condition {
        kind: AlarmKind::Cycle,
        subject: "cycle".to_owned(),
        region: None,
        what: format!("{what} Meanwhile dates grow old, and notices are decided late or not at all.{outcome}"),
        mend: "`treebell weather status` says what each source answered. Where a cycle never ends, look for `out of memory` in the \
               journal and at MemoryMax in the unit. See whether this machine reaches the network, whether a \
               process keeps the schedule (`treebell run`), and the log. `treebell once` makes a cycle by hand where no service runs."
            .to_owned(),
    }))
}

/// What is wrong with the channels and the queue behind them; gives the channels that do not work.
async fn channels(app: &App, look: &mut Look, now: DateTime<Utc>) -> Result<BTreeSet<Channel>, StoreError> {
    let config = &app.config.alarms;
    let mut broken = BTreeSet::new();
    for channel in Channel::ALL {
        let waiting = app.store.waiting_facts(channel, now).await?;
        let messages: u64 = waiting.iter().map(|facts| facts.messages).sum();
        let facts = app.store.channel_facts(channel, now - ATTEMPTS_REACH).await?;
        let patience = TimeDelta::minutes(i64::from(config.channel_min));
        if let Some(since) = vain_since(&facts, messages, patience, now) {
            broken.insert(channel);
            look.conditions.push(Condition {
                kind: AlarmKind::Channel,
                subject: channel.name().to_owned(),
                region: None,
                what: format!(
                    "Nothing has got through by {} for {}: {} attempts in vain. {} in the queue; nothing is lost, and \
                     sending goes on by itself once the other side takes them.",
                    way(channel),
                    lasted(now - since),
                    facts.vain,
                    counted(messages, "message waits", "messages wait")
                ),
                mend: format!(
                    "`treebell deliveries --state queued` shows what the other side says. See whether {} answers, and whether our \
                     log-in still holds.",
                    match channel {
                        Channel::Email => "the mail relay of [email]",
                        Channel::Sms => "the gateway of [sms]",
                    }
                ),
            });
            continue;
        }
        let pace = app.config.delivery.pace(channel);
        let day_ago = now - TimeDelta::days(1);
        if let Some(most) = pace.per_day
            && app.store.attempts_since(channel, day_ago).await?.len() as u64 >= u64::from(most)
        {
            let day = now.with_timezone(&app.config.schedule.time_zone).date_naive();
            look.conditions.push(Condition {
                kind: AlarmKind::Texts,
                subject: format!("{}/{day}", channel.name()),
                region: None,
                what: format!(
                    "The {most} messages a day that delivery.{}.per_day allows are used up; {}.",
                    channel.name(),
                    counted(messages, "more waits", "more wait")
                ),
                mend: "They go as the hours of yesterday's pass. If the carrier allows more, raise the setting."
                    .to_owned(),
            });
            // Whether anything else holds up what waits shows tomorrow.
            look.unclear.insert((AlarmKind::Queue, channel.name().to_owned()));
            continue;
        }
        let quiet = QuietHours::from(&app.config.delivery);
        // At night the age stands still, and what was late in the evening is late in the morning.
        let late = waiting.iter().filter_map(|facts| {
            let oldest = facts.oldest_untried?;
            let age = if facts.any_hour { now - oldest } else { quiet.open_between(oldest, now, facts.zone) };
            let is_late = age >= TimeDelta::minutes(i64::from(config.queue_min));
            is_late.then_some((facts.any_hour || quiet.open_at(now, facts.zone), age))
        });
        let (could_go, waits): (Vec<_>, Vec<_>) = late.partition(|(could_go, _)| *could_go);
        if could_go.is_empty() && !waits.is_empty() {
            look.unclear.insert((AlarmKind::Queue, channel.name().to_owned()));
        }
        if let Some((_, age)) = could_go.into_iter().max() {
            look.conditions.push(Condition {
                kind: AlarmKind::Queue,
                subject: channel.name().to_owned(),
                region: None,
                what: format!(
                    "{} to go by {}, the oldest for {} within open hours.",
                    counted(messages, "message waits", "messages wait"),
                    way(channel),
                    lasted(age)
                ),
                mend: format!(
                    "See whether a process delivers (`treebell run`), whether the section [{}] names a way out, and whether \
                     delivery.{} paces messages more slowly than you thought. `treebell deliveries --state queued` lists them.",
                    channel.name(),
                    channel.name()
                ),
            });
        }
    }
    Ok(broken)
}

/// Since when a channel has taken nothing, when that is long enough and there is something to send.
fn vain_since(facts: &ChannelFacts, waiting: u64, patience: TimeDelta, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let (since, last) = (facts.vain_since?, facts.last_at?);
    let hopes = waiting > 0 || now - last < TimeDelta::hours(1);
    let enough = facts.vain >= if facts.vain_messages > 1 { VAIN } else { VAIN_OF_ONE };
    (enough && now - since >= patience && hopes).then_some(since)
}

fn way(channel: Channel) -> &'static str {
    match channel {
        Channel::Email => "e-mail",
        Channel::Sms => "text message",
    }
}

async fn deliveries(app: &App, look: &mut Look, channel: Channel, now: DateTime<Utc>) -> Result<(), StoreError> {
    let facts = app.store.answer_facts(channel, now - SHARE_OVER).await?;
    let (all, bad) = (facts.accepted + facts.refused, facts.refused + facts.returned);
    let most = u64::from(app.config.alarms.failing_percent);
    if all < SHARE_OF {
        // That hardly anything was sent does not show that it would be taken.
        look.unclear.insert((AlarmKind::Deliveries, channel.name().to_owned()));
        return Ok(());
    }
    if bad.saturating_mul(100) < all.saturating_mul(most) {
        return Ok(());
    }
    look.conditions.push(Condition {
        kind: AlarmKind::Deliveries,
        subject: channel.name().to_owned(),
        region: None,
        what: format!(
            "Of {all} messages by {} in the last {}, {} were refused for good and {} were reported as not delivered.",
            way(channel),
            lasted(SHARE_OVER),
            facts.refused,
            facts.returned
        ),
        mend: "`treebell deliveries --state failed` and `--state bounced` show the reasons. Refusals of all kinds of addresses mean \
               that the other side does not like the sender: see its terms, registration, SPF and DKIM."
            .to_owned(),
    });
    Ok(())
}

/// `None`: nobody can say, since a disk does not answer.
async fn full_disks(app: &App, disks: &DiskLooks) -> Option<Vec<Condition>> {
    let store = app.store.file().map(|file| match file.parent() {
        Some(folder) if folder != Path::new("") => folder.to_owned(),
        _ => PathBuf::from("."),
    });
    let folders = [store, app.config.email.folder.clone(), app.config.sms.folder.clone()];
    let folders: BTreeSet<PathBuf> = folders.into_iter().flatten().collect();
    let least = app.config.alarms.disk_free_mib.saturating_mul(1 << 20);
    let Some(looked) = disks.free(folders).await else {
        tracing::warn!("the disks did not answer when they were asked for their free space");
        return None;
    };
    let full = looked.into_iter().filter_map(|(folder, free)| {
        let what = match free {
            Ok(free) if free >= least => return None,
            Ok(free) => format!("{} MiB are free where `{}` lies.", free >> 20, folder.display()),
            Err(why) => format!("The free space where `{}` lies cannot be asked for: {why}.", folder.display()),
        };
        Some(Condition {
            kind: AlarmKind::Disk,
            subject: folder.display().to_string(),
            region: None,
            what: format!("{what} A full disk stops the service: sign-ups and stops are refused, and nothing is sent."),
            mend: "Make room or give the disk more. What Treebell keeps is small; old logs and copies mostly are not."
                .to_owned(),
        })
    });
    Some(full.collect())
}

fn dates(app: &App, now: DateTime<Utc>) -> Vec<Condition> {
    let today = now.with_timezone(&app.config.schedule.time_zone).date_naive();
    let near = app.config.alarms.dates.iter().filter_map(|date| {
        let left = (date.on - today).num_days();
        if left > i64::from(date.days) {
            return None;
        }
        let on = season::day_words(date.on);
        let when = match left {
            ..0 => format!("ended on {on}, {} days ago", -left),
            0 => format!("ends today, {on}"),
            1 => format!("ends tomorrow, {on}"),
            _ => format!("ends on {on}, in {left} days"),
        };
        Some(Condition {
            kind: AlarmKind::Date,
            subject: date.name.trim().to_owned(),
            region: None,
            what: sentence(&format!("{} {when}", date.name.trim())),
            mend: "Renew it, then write its new end into alarms.dates.".to_owned(),
        })
    });
    near.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_channel_is_broken_after_attempts_in_vain_that_go_on_and_only_with_something_to_send() {
        let now = DateTime::UNIX_EPOCH + TimeDelta::days(1);
        let of = |vain_messages, vain, minutes, last| ChannelFacts {
            works_at: None,
            vain,
            vain_messages,
            vain_since: Some(now - TimeDelta::minutes(minutes)),
            last_at: Some(now - TimeDelta::minutes(last)),
        };
        let facts = |vain, minutes, last| of(2, vain, minutes, last);
        let broken = |facts: &ChannelFacts, waiting| vain_since(facts, waiting, TimeDelta::minutes(30), now).is_some();
        assert!(broken(&facts(3, 30, 5), 1));
        assert!(!broken(&facts(2, 300, 5), 1), "too few");
        assert!(!broken(&of(1, 5, 300, 5), 1), "one recipient may be difficult");
        assert!(broken(&of(1, 6, 300, 5), 1), "it has gone on for long");
        assert!(!broken(&facts(9, 29, 5), 1), "not long enough");
        assert!(!broken(&facts(3, 300, 61), 0), "all that waited has ended");
        assert!(broken(&facts(3, 300, 59), 0), "an alarm itself was tried");
        assert!(!broken(&ChannelFacts::default(), 5), "nothing was tried");
    }
}
