//! The life of an alarm: raised when something is observed that was not open, repeated with growing pauses while it lasts,
//! resolved when it is looked for and not there any more. That nobody looks, or that nothing can be seen, is no end that is told.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};

use super::kind::{AlarmKind, Lasts};
use crate::region::RegionId;

/// Something that is wrong, as it was observed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Condition {
    pub kind: AlarmKind,
    /// What it is about within its kind, such as a station or a notice: one alarm each.
    pub subject: String,
    pub region: Option<RegionId>,
    /// What is wrong, in plain sentences.
    pub what: String,
    /// What to do about it.
    pub mend: String,
}

/// What one process saw at an instant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Look {
    /// What was wrong.
    pub conditions: Vec<Condition>,
    /// The kinds that were looked for. An open alarm of any other kind stays as it is.
    pub kinds: BTreeSet<AlarmKind>,
    /// Kinds with their subjects of which nothing could be seen, though the kind was looked for.
    pub unclear: BTreeSet<(AlarmKind, String)>,
    /// What became of what is not there any more, where that is known: told at the end in the place of what it was.
    pub endings: BTreeMap<(AlarmKind, String), String>,
    /// Of the kinds that each machine sees for itself (disk, clock, store), the machine that looked.
    pub machine: String,
}

/// An alarm as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alarm {
    pub id: String,
    pub kind: AlarmKind,
    pub subject: String,
    /// Of a kind that each machine sees for itself; else empty.
    pub machine: String,
    pub region: Option<RegionId>,
    pub urgent: bool,
    pub what: String,
    pub mend: String,
    pub raised_at: DateTime<Utc>,
    /// When people were last told that it is there; `None` while they have not been.
    pub told_at: Option<DateTime<Utc>>,
    /// How often they were told that since it was first raised.
    pub times_told: u32,
    /// Whether people were told last that it is there, and not that it is over.
    pub believed: bool,
    /// When it was last observed, to the hour.
    pub seen_at: DateTime<Utc>,
    pub ended_at: Option<DateTime<Utc>>,
}

/// What happens to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    Raised,
    /// It was resolved less than a day ago and is there again.
    Again,
    Repeated,
    /// Only what is known of it is new.
    Noted,
    Resolved,
}

/// A change to be written, and whether people are told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    pub what: What,
    /// As it stands afterwards.
    pub alarm: Alarm,
    pub tell: bool,
}

/// How alarms are repeated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pauses {
    /// From one telling to the next; the last one goes on. Never empty.
    pub growing: Vec<TimeDelta>,
    /// The kinds that no quiet hours hold.
    pub urgent: BTreeSet<AlarmKind>,
    /// Whether it is an hour at which everything may be told. In quiet hours only what is urgent is; the rest waits, and
    /// what is over by the morning is told to nobody.
    pub open_hours: bool,
}

/// An alarm that comes back within this time is the same one: its pauses go on growing, so that one that comes and goes does
/// not tell people each time.
const SAME: TimeDelta = TimeDelta::hours(24);

/// How long what happened once stands among the open alarms.
const EVENT_OPEN: TimeDelta = TimeDelta::hours(24);

/// What a machine has not looked for this long is closed: the machine is gone. So is what has been unclear this long.
const FORGOTTEN: TimeDelta = TimeDelta::hours(48);

const WEEK: TimeDelta = TimeDelta::days(7);

/// What follows from a look. `known` are the alarms that are open or ended lately, and all events of the last days: an event
/// with the same subject as a known one is the same event. Looking again at the same instant changes nothing.
pub fn plan(look: &Look, known: &[Alarm], pauses: &Pauses, now: DateTime<Utc>) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut met = BTreeSet::new();
    for condition in &look.conditions {
        if !met.insert((condition.kind, condition.subject.as_str())) {
            continue;
        }
        let machine = machine_of(condition.kind, look);
        let mine = known
            .iter()
            .filter(|alarm| {
                alarm.kind == condition.kind && alarm.subject == condition.subject && alarm.machine == machine
            })
            .max_by_key(|alarm| (alarm.ended_at.is_none(), alarm.ended_at, alarm.raised_at));
        changes.extend(match mine {
            // Seen to below.
            Some(_) if condition.kind.is_event() => None,
            Some(alarm) if alarm.ended_at.is_none() => goes_on(alarm, condition, pauses, now),
            Some(alarm) if alarm.ended_at.is_some_and(|at| now - at < SAME) => {
                let mut alarm = Alarm { seen_at: now, ended_at: None, ..worded(alarm, condition, pauses) };
                let tell = may_tell(&alarm, pauses) && is_due(&alarm, pauses, now);
                if tell {
                    told(&mut alarm, now);
                }
                Some(Change { what: What::Again, alarm, tell })
            }
            _ => Some(raised(condition, machine, pauses, now)),
        });
    }
    for alarm in known.iter().filter(|alarm| alarm.ended_at.is_none()) {
        let met = met.contains(&(alarm.kind, alarm.subject.as_str()));
        if met && !alarm.kind.is_event() && alarm.machine == machine_of(alarm.kind, look) {
            continue;
        }
        if alarm.kind.is_event() && alarm.told_at.is_none() && may_tell(alarm, pauses) {
            let mut alarm = alarm.clone();
            told(&mut alarm, now);
            changes.push(Change { what: What::Raised, alarm, tell: true });
            continue;
        }
        let (tell, believed) = match fate(alarm, look, &changes, known, now) {
            Fate::Stays => continue,
            Fate::EndsUntold => (false, false),
            Fate::Ends => {
                let tell = !alarm.kind.is_event() && alarm.believed && may_tell(alarm, pauses);
                (tell, alarm.believed && !tell)
            }
        };
        let mut ended = Alarm { ended_at: Some(now), believed, ..alarm.clone() };
        if let Some(ending) = look.endings.get(&(alarm.kind, alarm.subject.clone())) {
            ended.what.clone_from(ending);
        }
        changes.push(Change { what: What::Resolved, alarm: ended, tell });
    }
    // What was over in quiet hours is told when they end.
    let untold = known.iter().filter(|alarm| alarm.ended_at.is_some() && alarm.believed && !alarm.kind.is_event());
    for alarm in untold.filter(|alarm| may_tell(alarm, pauses)) {
        if !changes.iter().any(|change| change.alarm.id == alarm.id) {
            let alarm = Alarm { believed: false, ..alarm.clone() };
            changes.push(Change { what: What::Resolved, alarm, tell: true });
        }
    }
    changes
}

/// What becomes of an open alarm that was not met.
enum Fate {
    Stays,
    Ends,
    /// There is nothing true to say of its end.
    EndsUntold,
}

fn fate(alarm: &Alarm, look: &Look, changes: &[Change], known: &[Alarm], now: DateTime<Utc>) -> Fate {
    if alarm.kind.is_event() {
        let over = alarm.told_at.is_some() && now - alarm.raised_at >= EVENT_OPEN;
        return if over { Fate::Ends } else { Fate::Stays };
    }
    let heavier = |kind: AlarmKind, subject: &str| kind.overtakes(alarm.kind) && subject == alarm.subject;
    if look.conditions.iter().any(|condition| heavier(condition.kind, &condition.subject)) {
        let mut stands =
            known.iter().filter(|other| other.ended_at.is_none()).chain(changes.iter().map(|one| &one.alarm));
        let is_known = stands.any(|other| heavier(other.kind, &other.subject) && other.believed);
        return if is_known { Fate::EndsUntold } else { Fate::Stays };
    }
    let forgotten = now - alarm.seen_at >= FORGOTTEN;
    if alarm.machine != machine_of(alarm.kind, look) {
        return if forgotten { Fate::Ends } else { Fate::Stays };
    }
    if look.unclear.iter().any(|(kind, subject)| *kind == alarm.kind && *subject == alarm.subject) {
        return if forgotten { Fate::EndsUntold } else { Fate::Stays };
    }
    if look.kinds.contains(&alarm.kind) { Fate::Ends } else { Fate::Stays }
}

fn machine_of(kind: AlarmKind, look: &Look) -> &str {
    if kind.is_of_machine() { &look.machine } else { "" }
}

fn raised(condition: &Condition, machine: &str, pauses: &Pauses, now: DateTime<Utc>) -> Change {
    // An event has one name for good, so that it is never raised again.
    let id = match condition.kind.lasts() {
        Lasts::Once => format!("{}/{}", condition.kind.name(), condition.subject),
        _ => format!("{}/{}/{}/{}", condition.kind.name(), condition.subject, machine, now.timestamp_millis()),
    };
    let mut alarm = Alarm {
        id,
        kind: condition.kind,
        subject: condition.subject.clone(),
        machine: machine.to_owned(),
        region: condition.region.clone(),
        urgent: pauses.urgent.contains(&condition.kind),
        what: condition.what.clone(),
        mend: condition.mend.clone(),
        raised_at: now,
        told_at: None,
        times_told: 0,
        believed: false,
        seen_at: now,
        ended_at: None,
    };
    let tell = may_tell(&alarm, pauses);
    if tell {
        told(&mut alarm, now);
    }
    Change { what: What::Raised, alarm, tell }
}

fn goes_on(alarm: &Alarm, condition: &Condition, pauses: &Pauses, now: DateTime<Utc>) -> Option<Change> {
    let mut next = Alarm { seen_at: now, ..worded(alarm, condition, pauses) };
    if may_tell(alarm, pauses) && is_due(alarm, pauses, now) {
        // What quiet hours held back is news in the morning.
        let what = if alarm.told_at.is_none() { What::Raised } else { What::Repeated };
        told(&mut next, now);
        return Some(Change { what, alarm: next, tell: true });
    }
    // Figures in the words change with every look; once an hour is often enough to write them.
    let news = now - alarm.seen_at >= TimeDelta::hours(1);
    news.then_some(Change { what: What::Noted, alarm: next, tell: false })
}

fn worded(alarm: &Alarm, condition: &Condition, pauses: &Pauses) -> Alarm {
    Alarm {
        what: condition.what.clone(),
        mend: condition.mend.clone(),
        region: condition.region.clone(),
        urgent: pauses.urgent.contains(&condition.kind),
        ..alarm.clone()
    }
}

fn told(alarm: &mut Alarm, now: DateTime<Utc>) {
    alarm.told_at = Some(now);
    alarm.believed = true;
    alarm.times_told = alarm.times_told.saturating_add(1);
}

fn may_tell(alarm: &Alarm, pauses: &Pauses) -> bool {
    alarm.urgent || pauses.open_hours
}

/// Whether it is time to tell people (again).
fn is_due(alarm: &Alarm, pauses: &Pauses, now: DateTime<Utc>) -> bool {
    let Some(at) = alarm.told_at else { return true };
    pause_after(alarm, pauses).is_some_and(|pause| now - at >= pause)
}

/// How long after people were told last they are told again while it stands; `None` = never.
pub fn pause_after(alarm: &Alarm, pauses: &Pauses) -> Option<TimeDelta> {
    match alarm.kind.lasts() {
        Lasts::Once => None,
        Lasts::Slowly => Some(WEEK),
        Lasts::WhileObserved => {
            let last = pauses.growing.len().saturating_sub(1);
            let nth = usize::try_from(alarm.times_told.saturating_sub(1)).unwrap_or(usize::MAX).min(last);
            Some(pauses.growing.get(nth).copied().unwrap_or(SAME))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One machine with one station, looked at every ten minutes.
    struct World {
        known: Vec<Alarm>,
        now: DateTime<Utc>,
        told: Vec<(i64, What)>,
        pauses: Pauses,
    }

    impl World {
        fn new() -> Self {
            let growing = [1, 4, 12, 24].map(TimeDelta::hours).to_vec();
            let urgent = BTreeSet::from([AlarmKind::Disk]);
            let now = DateTime::UNIX_EPOCH;
            Self { known: Vec::new(), now, told: Vec::new(), pauses: Pauses { growing, urgent, open_hours: true } }
        }

        fn look(&mut self, kind: AlarmKind, there: bool) {
            let condition = Condition {
                kind,
                subject: "A".into(),
                region: None,
                what: format!("at {}", self.now),
                mend: "mend it".into(),
            };
            let conditions = if there { vec![condition] } else { Vec::new() };
            let look = Look { conditions, kinds: [kind].into(), machine: "here".into(), ..Look::default() };
            for change in plan(&look, &self.known, &self.pauses, self.now) {
                if change.tell {
                    self.told.push(((self.now - DateTime::UNIX_EPOCH).num_minutes(), change.what));
                }
                self.known.retain(|alarm| alarm.id != change.alarm.id);
                self.known.push(change.alarm);
            }
            assert_eq!(plan(&look, &self.known, &self.pauses, self.now), [], "a second look changes nothing");
        }

        fn hours(&mut self, kind: AlarmKind, hours: i64, there: impl Fn(i64) -> bool) {
            for minute in 0..hours * 6 {
                self.look(kind, there(minute * 10));
                self.now += TimeDelta::minutes(10);
            }
        }
    }

    #[test]
    fn one_that_lasts_is_told_with_growing_pauses_and_its_end_once() {
        let mut world = World::new();
        world.hours(AlarmKind::Station, 72, |minute| minute < 70 * 60);
        let at = |hours: i64, what| (hours * 60, what);
        assert_eq!(
            world.told,
            [
                at(0, What::Raised),
                at(1, What::Repeated),
                at(5, What::Repeated),
                at(17, What::Repeated),
                at(41, What::Repeated),
                at(65, What::Repeated),
                at(70, What::Resolved),
            ]
        );
    }

    #[test]
    fn one_that_comes_and_goes_does_not_tell_people_each_time() {
        let mut world = World::new();
        // There and away by turns, every ten minutes, for a day.
        world.hours(AlarmKind::Station, 24, |minute| minute % 20 == 0);
        let raised = world.told.iter().filter(|(_, what)| *what != What::Resolved).count();
        assert!(raised <= 4, "{:?}", world.told);
        assert!(world.told.len() <= 10, "{:?}", world.told);
    }

    #[test]
    fn in_quiet_hours_only_what_is_urgent_is_told_and_what_is_over_by_the_morning_never_is() {
        let mut world = World::new();
        world.pauses.open_hours = false;
        world.hours(AlarmKind::Station, 5, |minute| minute < 240);
        assert_eq!(world.told, []);
        world.hours(AlarmKind::Disk, 1, |_| true);
        assert_eq!(world.told, [(300, What::Raised)]);
        world.hours(AlarmKind::Station, 1, |_| true);
        world.pauses.open_hours = true;
        world.hours(AlarmKind::Station, 1, |_| true);
        assert_eq!(world.told[1..], [(420, What::Raised)], "told in the morning, as it is still there");
    }

    #[test]
    fn what_was_told_by_day_and_is_over_at_night_is_told_to_be_over_in_the_morning() {
        let mut world = World::new();
        world.look(AlarmKind::Station, true);
        world.pauses.open_hours = false;
        world.hours(AlarmKind::Station, 8, |_| false);
        assert_eq!(world.told, [(0, What::Raised)]);
        world.pauses.open_hours = true;
        world.hours(AlarmKind::Station, 8, |_| false);
        assert_eq!(world.told[1..], [(480, What::Resolved)]);
    }

    #[test]
    fn what_nobody_looked_for_stays_and_what_another_machine_saw_is_its_own() {
        let mut world = World::new();
        world.look(AlarmKind::Disk, true);
        let empty = |kinds: &[AlarmKind], machine: &str| Look {
            kinds: kinds.iter().copied().collect(),
            machine: machine.into(),
            ..Look::default()
        };
        let after = |look: &Look, hours| {
            plan(look, &world.known, &world.pauses, world.now + TimeDelta::hours(hours))
                .into_iter()
                .map(|change| change.what)
                .collect::<Vec<_>>()
        };
        assert_eq!(after(&empty(&[AlarmKind::Station], "here"), 1), []);
        assert_eq!(after(&empty(&[AlarmKind::Disk], "elsewhere"), 1), []);
        assert_eq!(after(&empty(&[AlarmKind::Disk], "here"), 1), [What::Resolved]);
        assert_eq!(after(&empty(&[AlarmKind::Disk], "elsewhere"), 49), [What::Resolved], "its machine is gone");
    }

    // Before, what nobody had looked for in 48 hours was closed with a message, whatever its kind.
    #[test]
    fn what_nobody_looks_for_stays_and_what_cannot_be_seen_is_closed_after_two_days_without_a_word() {
        for unclear in [false, true] {
            let mut world = World::new();
            world.look(AlarmKind::Station, true);
            let look = Look {
                kinds: if unclear { [AlarmKind::Station].into() } else { BTreeSet::new() },
                unclear: if unclear { [(AlarmKind::Station, "A".to_owned())].into() } else { BTreeSet::new() },
                ..Look::default()
            };
            let after = |hours| plan(&look, &world.known, &world.pauses, world.now + TimeDelta::hours(hours));
            assert_eq!(after(47), []);
            let later: Vec<(What, bool)> = after(49).iter().map(|change| (change.what, change.tell)).collect();
            assert_eq!(later, if unclear { vec![(What::Resolved, false)] } else { Vec::new() });
        }
    }

    // Before there was `AlarmKind::overtakes`, "RESOLVED: a notice waits" went out as its time ran out.
    #[test]
    fn a_heavier_alarm_ends_the_lighter_one_without_a_word_once_people_know_it() {
        let condition = |kind, subject: &str| Condition {
            kind,
            subject: subject.into(),
            region: None,
            what: String::new(),
            mend: String::new(),
        };
        for (light, heavy) in [
            (AlarmKind::NoticeWaits, AlarmKind::NoticeRunsOut),
            (AlarmKind::Queue, AlarmKind::Channel),
            (AlarmKind::Deliveries, AlarmKind::Channel),
        ] {
            let mut world = World::new();
            world.look(light, true);
            let told = |world: &World, heavy: &Condition| {
                let look =
                    Look { conditions: vec![heavy.clone()], kinds: [light, heavy.kind].into(), ..Look::default() };
                let changes = plan(&look, &world.known, &world.pauses, world.now);
                changes.iter().map(|change| (change.alarm.kind, change.what, change.tell)).collect::<Vec<_>>()
            };
            let (same, other) = (condition(heavy, "A"), condition(heavy, "B"));
            assert_eq!(told(&world, &same), [(heavy, What::Raised, true), (light, What::Resolved, false)]);
            assert_eq!(told(&world, &other)[1], (light, What::Resolved, true), "it is about something else");
            world.pauses.open_hours = false;
            assert_eq!(told(&world, &same), [(heavy, What::Raised, false)], "at night nobody hears of either");
        }
    }

    #[test]
    fn what_happened_is_told_once_and_never_again() {
        let mut world = World::new();
        world.hours(AlarmKind::NoticeMissed, 72, |_| true);
        assert_eq!(world.told, [(0, What::Raised)]);
        world.hours(AlarmKind::NoticeMissed, 72, |_| true);
        assert_eq!(world.told.len(), 1);
    }

    #[test]
    fn what_happened_at_night_is_told_in_the_morning_though_it_is_over() {
        let mut world = World::new();
        world.pauses.open_hours = false;
        world.hours(AlarmKind::Clock, 8, |minute| minute == 0);
        assert_eq!(world.told, []);
        world.pauses.open_hours = true;
        world.hours(AlarmKind::Clock, 48, |_| false);
        assert_eq!(world.told, [(480, What::Raised)]);
    }
}
