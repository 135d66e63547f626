//! The question some days after "inspect now": what did you see? A pure decision, like that of the notices.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{NoticeKind, Policy, Profile, days_after};

/// What is known when it is decided.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    pub profile: &'a Profile,
    pub policy: &'a Policy,
    /// The notice it follows.
    pub kind: NoticeKind,
    pub season: i32,
    /// The region's day on which that notice went out.
    pub told_on: NaiveDate,
    /// Whether this season's people of the region were asked before.
    pub asked: bool,
    pub today: NaiveDate,
}

/// Whether people are asked today.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "follow_up")]
pub enum FollowUp {
    /// Answers count up to this day, included.
    Ask {
        answers_to: NaiveDate,
    },
    /// Only "inspect now" is followed by a question.
    NotThisKind,
    SwitchedOff,
    AlreadyAsked,
    TooSoon {
        on: NaiveDate,
    },
    /// Nobody remembers by now.
    PastUse {
        until: NaiveDate,
    },
    SeasonOver {
        ended: NaiveDate,
    },
}

/// Decides whether those who were told to inspect are asked what they saw.
pub fn decide(facts: &Facts<'_>) -> FollowUp {
    let policy = facts.policy;
    let on = days_after(facts.told_on, policy.follow_up_days);
    let until = days_after(on, policy.useful_days.follow_up);
    let ended = facts.profile.last_day(facts.season);
    match () {
        () if facts.kind != NoticeKind::InspectNow => FollowUp::NotThisKind,
        () if policy.follow_up_days == 0 => FollowUp::SwitchedOff,
        () if facts.asked => FollowUp::AlreadyAsked,
        () if facts.today < on => FollowUp::TooSoon { on },
        () if facts.today > until => FollowUp::PastUse { until },
        () if facts.today > ended => FollowUp::SeasonOver { ended },
        () => FollowUp::Ask { answers_to: until.min(ended) },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::profile::Profiles;

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a literal day")
    }

    #[track_caller]
    fn check(today: &str, change: impl Fn(&mut Policy, &mut bool, &mut NoticeKind), wanted: FollowUp) {
        let profiles = Profiles::default();
        let profile = profiles.get("pinyon-needle-scale").expect("the built-in profile");
        let (mut policy, mut asked, mut kind) = (Policy::default(), false, NoticeKind::InspectNow);
        change(&mut policy, &mut asked, &mut kind);
        let facts = Facts {
            profile,
            policy: &policy,
            kind,
            season: 2026,
            told_on: day("2026-03-20"),
            asked,
            today: day(today),
        };
        assert_eq!(decide(&facts), wanted, "{today}");
    }

    /// A whole season, day by day: one question, ten days after, while it is of use.
    #[test]
    fn in_a_season_people_are_asked_on_one_day_only() {
        let profiles = Profiles::default();
        let profile = profiles.get("pinyon-needle-scale").expect("the built-in profile");
        let policy = Policy::default();
        let (mut asked, mut on) = (false, Vec::new());
        for today in day("2026-01-01").iter_days().take_while(|today| *today <= day("2026-12-31")) {
            let told_on = day("2026-03-20");
            let facts =
                Facts { profile, policy: &policy, kind: NoticeKind::InspectNow, season: 2026, told_on, asked, today };
            if let FollowUp::Ask { answers_to } = decide(&facts) {
                on.push((today, answers_to));
                asked = true;
            }
        }
        assert_eq!(on, [(day("2026-03-30"), day("2026-04-20"))]);
    }

    #[test]
    fn each_answer_has_its_day() {
        check("2026-03-29", |_, _, _| {}, FollowUp::TooSoon { on: day("2026-03-30") });
        check("2026-03-30", |_, _, _| {}, FollowUp::Ask { answers_to: day("2026-04-20") });
        check("2026-04-20", |_, _, _| {}, FollowUp::Ask { answers_to: day("2026-04-20") });
        check("2026-04-21", |_, _, _| {}, FollowUp::PastUse { until: day("2026-04-20") });
        check("2026-03-30", |_, asked, _| *asked = true, FollowUp::AlreadyAsked);
        check("2026-03-30", |policy, _, _| policy.follow_up_days = 0, FollowUp::SwitchedOff);
        check("2026-03-30", |_, _, kind| *kind = NoticeKind::GetReady, FollowUp::NotThisKind);
    }
}
