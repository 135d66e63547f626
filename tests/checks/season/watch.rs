//! What must hold on every day of every season that is lived through.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use treebell::season::decide::{Answer, DecidedNotice, Decision, Standing, told_days};
use treebell::season::status::SeasonStanding;
use treebell::season::{NoticeKind, Outlook, Policy, Profile, RecordTrust, WindowDays};

/// One day: what was known and told before, what was decided, and what was told after.
pub struct Day<'a> {
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    pub outlook: &'a Outlook,
    pub days: WindowDays,
    pub told: &'a [DecidedNotice],
    pub decision: &'a Decision,
    pub after: &'a [DecidedNotice],
    /// Notices leave with the cycle that decides them, nobody stops them, and the service runs every day.
    pub says_at_once: bool,
}

/// Looks at one season, day by day.
#[derive(Default)]
pub struct Watch {
    yesterday: Option<(NaiveDate, SeasonStanding)>,
    /// Since when the record has been sound and the service up.
    sound_since: Option<NaiveDate>,
}

impl Watch {
    /// # Panics
    /// Where a law is broken.
    pub fn look(&mut self, day: &Day<'_>) {
        let today = day.outlook.today;
        let told = told_days(day.told);
        let sound = day.outlook.trust == RecordTrust::Sound;
        let up = self.yesterday.is_some_and(|(yesterday, _)| yesterday.succ_opt() == Some(today));
        if !sound || !up {
            self.sound_since = None;
        }
        let sound_since = *self.sound_since.get_or_insert(today);
        let after = told_days(day.after);
        let days = WindowDays::of(day.profile, day.policy, day.outlook, after);

        for days in [&day.days, &days] {
            let ordered = match days.best {
                Some(best) => days.look_from <= best.first && best.first <= best.last && best.last <= days.deadline,
                None => days.look_from <= days.deadline,
            };
            assert!(ordered, "{today}: days out of order: {days:?}");
        }

        let out: BTreeMap<NoticeKind, &DecidedNotice> = day
            .after
            .iter()
            .filter(|told| matches!(told.standing, Standing::Released { on } if on == today))
            .map(|told| (told.kind, told))
            .collect();
        let of_today = |kind: &NoticeKind| {
            let announced = matches!(day.decision.answer(*kind), Some(Answer::Announce(_) | Answer::Free(_)));
            announced && out.contains_key(kind)
        };
        let mut in_turn = out.keys().filter(|kind| **kind != NoticeKind::DeadlineMoved && of_today(kind));
        assert!(in_turn.next().is_none() || in_turn.next().is_none(), "{today}: several notices at once: {out:?}");
        if out.contains_key(&NoticeKind::DeadlineMoved) && of_today(&NoticeKind::DeadlineMoved) {
            let others = out.values().filter(|told| told.kind != NoticeKind::DeadlineMoved && of_today(&told.kind));
            assert_eq!(others.filter(|told| told.deadline.is_some()).count(), 0, "{today}: told twice: {out:?}");
        }

        let released = |kind: NoticeKind| {
            day.after.iter().find(|told| told.kind == kind).and_then(|told| match told.standing {
                Standing::Released { on } => Some(on),
                _ => None,
            })
        };
        let gone: Vec<(NoticeKind, NaiveDate)> = NoticeKind::ALL
            .into_iter()
            .filter(|kind| *kind != NoticeKind::DeadlineMoved)
            .filter_map(|kind| Some((kind, released(kind)?)))
            .collect();
        assert!(gone.is_sorted_by_key(|(_, on)| *on), "{today}: out of order: {gone:?}");

        // What the days say is what people were told.
        if day.says_at_once
            && sound
            && let Some(deadline) = after.deadline
        {
            assert_eq!(
                (days.deadline, days.was),
                (deadline, None),
                "{today}: another deadline than was told: {after:?}"
            );
        }
        if told.deadline.is_some() && told.deadline != after.deadline {
            let tells = out.values().any(|told| told.deadline == after.deadline);
            assert!(tells, "{today}: a told deadline changed in silence: {told:?} to {after:?}");
        }
        if let (Some(was), true, true) = (day.days.was, day.says_at_once, sound) {
            let tells = out.values().any(|told| told.deadline == Some(day.days.deadline));
            assert!(tells, "{today}: nobody was told that the deadline moved from {was}: {:?}", day.decision);
        }
        // The last days come before a told deadline has passed: on it at the latest.
        let told_on = day.after.iter().filter(|told| told.deadline.is_some()).filter_map(|told| match told.standing {
            Standing::Released { on } => Some(on),
            _ => None,
        });
        let all_along = told_on.min().is_some_and(|on| on >= sound_since);
        if day.says_at_once && all_along && released(NoticeKind::TooLateToWash).is_none() {
            let over = after.deadline.is_some_and(|deadline| deadline <= today);
            assert!(!over || released(NoticeKind::LastDaysToWash).is_some(), "{today}: no last days: {:?}", day.after);
        }

        let standing = SeasonStanding::of(day.profile, day.policy, day.outlook, &days, today);
        let says = |kind: NoticeKind| match kind {
            NoticeKind::GetReady => SeasonStanding::Ready,
            NoticeKind::InspectNow => SeasonStanding::Look,
            NoticeKind::WashNow => SeasonStanding::Wash,
            NoticeKind::LastDaysToWash => SeasonStanding::Last,
            NoticeKind::TooLateToWash => SeasonStanding::Over,
            NoticeKind::DeadlineMoved => SeasonStanding::Quiet,
        };
        // "Get ready" may prove to be early; what calls people to their trees is not taken back.
        let holds = |(kind, _): &&(NoticeKind, NaiveDate)| *kind != NoticeKind::GetReady || of_today(kind);
        let in_season = today <= day.profile.last_day(day.outlook.season.year);
        for (kind, _) in gone.iter().filter(holds).filter(|_| in_season) {
            assert!(rank(standing) >= rank(says(*kind)), "{today}: {standing:?} after {kind:?}: {days:?}");
        }
        if let Some((_, SeasonStanding::Over)) = self.yesterday
            && after.deadline.is_some()
        {
            assert_eq!(standing, SeasonStanding::Over, "{today}: over stepped back");
        }
        self.yesterday = Some((today, standing));
    }
}

fn rank(standing: SeasonStanding) -> u8 {
    match standing {
        SeasonStanding::Unknown => 0,
        SeasonStanding::Quiet => 1,
        SeasonStanding::Ready => 2,
        SeasonStanding::Look => 3,
        SeasonStanding::Wash => 4,
        SeasonStanding::Last => 5,
        SeasonStanding::Over => 6,
    }
}
