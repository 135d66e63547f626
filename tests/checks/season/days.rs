//! The days of a window worked out by hand, and how they are held to what people were told.

use chrono::Weekday;
use treebell::season::DaySpan;
use treebell::season::window::{DeadlineRule, ToldDays};

use super::*;

fn day(text: &str) -> NaiveDate {
    format!("2019-{text}").parse().expect("a day")
}

/// The days of a season on one of its days, given what people were told.
fn days_on(script: &str, today: &str, told: ToldDays) -> WindowDays {
    let world = World::read(script);
    let past = world.past();
    let outlook = world.outlook(&past, day(today));
    WindowDays::of(&world.profile, &world.policy, &outlook, told)
}

fn untold(script: &str, today: &str) -> WindowDays {
    days_on(script, today, ToldDays::default())
}

#[test]
fn the_deadline_leaves_days_to_wash_and_else_time_to_rake_before_the_early_hatch() {
    // With its doubt the early hatch lies close behind the first of the best days: eight days from that one hold.
    let days = untold("", "04-01");
    let best = days.best.expect("best days");
    assert_eq!((days.deadline, days.rule), (best.first + Days::new(8), DeadlineRule::LeastDays));
    assert!(days.hatch_early.expect("a projection") < days.deadline + Days::new(3));
    assert!(best.last <= days.deadline);
    // Five days after the first of the best days, three before the deadline.
    assert_eq!((days.last_from, days.last_from + Days::new(3)), (best.first + Days::new(5), days.deadline));
    // Without it, three days before the early hatch; the last days begin eleven days before that, a weekend at least.
    let days = untold("plain", "04-01");
    assert_eq!((days.best, days.rule), (None, DeadlineRule::HatchEarly));
    assert_eq!(days.hatch_early, Some(days.deadline + Days::new(3)));
    assert_eq!(days.last_from + Days::new(11), days.deadline);
}

/// A Saturday and a Sunday from the day after the last days are told to the deadline, wherever the five days after the first
/// wash leave as many as that takes; the shipped policy leaves fewer only where those five days do.
#[test]
fn a_weekend_lies_between_the_last_days_and_the_deadline_where_the_window_is_long_enough() {
    let world = World::read("");
    let past = world.past();
    let outlook = world.outlook(&past, day("04-01"));
    let facts = WindowDays::of(&world.profile, &world.policy, &outlook, ToldDays::default()).deadline;
    let between_washes = Days::new(u64::from(world.policy.between_washes_days));
    let (mut long, mut short) = (0, 0);
    // Each day of the week, within what a told deadline stands for.
    for deadline in (0..7).map(|shift| facts - Days::new(3) + Days::new(shift)) {
        for before in 8..25 {
            let wash_on = deadline - Days::new(before);
            let told = ToldDays { wash_on: Some(wash_on), deadline: Some(deadline), ..ToldDays::default() };
            let days = WindowDays::of(&world.profile, &world.policy, &outlook, told);
            assert_eq!((days.deadline, days.was), (deadline, None));
            let earliest = wash_on + between_washes;
            if (deadline - earliest).num_days() < 8 {
                short += 1;
                let as_early_as_it_is_of_use = earliest.min(deadline - Days::new(3));
                assert_eq!(days.last_from, as_early_as_it_is_of_use, "{days:?}");
                continue;
            }
            long += 1;
            let between = days.last_from.iter_days().skip(1).take_while(|day| *day <= deadline);
            let between: Vec<Weekday> = between.map(|day| day.weekday()).collect();
            assert!(between.windows(2).any(|pair| pair == [Weekday::Sat, Weekday::Sun]), "washed {wash_on}, {days:?}");
        }
    }
    assert!(long > 0 && short > 0, "{long}, {short}");
}

#[test]
fn a_hatch_that_two_trees_have_shown_leaves_a_week_and_one_that_none_projects_a_month() {
    let seen = untold("report 04-04 eggs-hatch; report 04-05 eggs-hatch", "04-05");
    assert_eq!((seen.deadline, seen.rule), (day("04-12"), DeadlineRule::HatchSeen));
    assert!(seen.last_from <= day("04-05"));
    let one = untold("report 04-04 eggs-hatch", "04-05");
    assert!(one.rule != DeadlineRule::HatchSeen && one.deadline > day("04-05"));
    // No past years, so no projection: thirty days after what was seen.
    let month = untold("plain; years 0; report 03-10 egg-laying-begins", "03-12");
    assert_eq!((month.deadline, month.rule, month.look_from), (day("04-09"), DeadlineRule::Month, day("03-10")));
}

#[test]
fn a_told_deadline_stands_within_three_days_and_for_good_once_it_has_passed() {
    let facts = untold("plain", "04-01").deadline;
    let with = |moved_by: i64, today: &str| {
        let deadline = Some(facts + chrono::Duration::days(moved_by));
        days_on("plain", today, ToldDays { look_on: Some(day("03-17")), deadline, ..ToldDays::default() })
    };
    for near in [-3, 0, 3] {
        let days = with(near, "04-01");
        assert_eq!((days.deadline, days.was), (facts + chrono::Duration::days(near), None), "{near}");
    }
    for far in [-5, 4, 9] {
        let days = with(far, "04-01");
        assert_eq!((days.deadline, days.was), (facts, Some(facts + chrono::Duration::days(far))), "{far}");
    }
    // Two weeks before what the facts say, and gone.
    let passed = with(-14, "04-04");
    assert!(passed.deadline < day("04-04"));
    assert_eq!(passed.was, None);
}

/// The page then says the same last day as the notice, and never one that is still to come.
#[test]
fn who_hears_only_that_it_is_too_late_is_shown_the_deadline_of_the_facts() {
    let facts = untold("plain", "04-01").deadline;
    for (passed_by, deadline) in [("04-30", facts), ("04-10", day("04-10"))] {
        let told = ToldDays { passed_by: Some(day(passed_by)), ..ToldDays::default() };
        assert_eq!(days_on("plain", "04-01", told).deadline, deadline);
    }
}

#[test]
fn a_deadline_that_comes_nearer_leaves_three_days_to_who_was_told_a_later_one() {
    // Told the last of April; the facts of 20 April say the 18th or so.
    let told = |deadline: &str| ToldDays { deadline: Some(day(deadline)), ..ToldDays::default() };
    let days = days_on("plain", "04-20", told("04-30"));
    assert_eq!((days.deadline, days.was), (day("04-23"), Some(day("04-30"))));
    assert!(days.last_from <= day("04-20"));
    let days = days_on("plain", "04-20", told("04-22"));
    assert_eq!((days.deadline, days.was), (day("04-22"), None));
}

#[test]
fn with_the_word_of_a_moved_deadline_spent_the_told_one_stands_until_the_last_days() {
    let told = |deadline: &str, last_on: Option<&str>| ToldDays {
        look_on: Some(day("03-17")),
        last_on: last_on.map(day),
        deadline: Some(day(deadline)),
        moved: true,
        ..ToldDays::default()
    };
    // The facts of 1 April say 17 April.
    let facts = untold("plain", "04-01").deadline;
    assert_eq!(facts, day("04-17"));
    let stands = days_on("plain", "04-01", told("04-27", None));
    assert_eq!((stands.deadline, stands.was, stands.last_from), (day("04-27"), None, day("04-06")));
    let due = days_on("plain", "04-08", told("04-27", None));
    assert!(due.was == Some(day("04-27")) && due.deadline < day("04-20"), "{due:?}");
    // A later one is told three days before the told one passes.
    let stands = days_on("plain", "04-01", told("04-07", None));
    assert_eq!((stands.deadline, stands.was, stands.last_from), (day("04-07"), None, day("04-04")));
    let due = days_on("plain", "04-04", told("04-07", None));
    assert!(due.was == Some(day("04-07")) && due.last_from == day("04-04"), "{due:?}");
    // The last days have told theirs: it stands.
    let told = days_on("plain", "04-08", told("04-27", Some("04-05")));
    assert_eq!((told.deadline, told.was), (day("04-27"), None));
}

#[test]
fn what_people_were_told_to_do_is_not_taken_back() {
    let told = ToldDays { look_on: Some(day("03-01")), wash_on: Some(day("03-20")), ..ToldDays::default() };
    let days = days_on("", "03-21", told);
    assert_eq!(days.look_from, day("03-01"));
    assert_eq!(days.best.map(|best| best.first), Some(day("03-20")));
    let untold = untold("", "03-21");
    assert!(untold.look_from > day("03-01") && untold.best.is_some_and(|best| best.first > day("04-01")));
}

#[test]
fn where_egg_laying_is_not_likely_this_season_there_are_no_days_in_it() {
    let days = untold("speed 0.03", "06-01");
    let after: NaiveDate = "2020-01-01".parse().expect("a day");
    assert_eq!((days.look_from, days.best), (after, None::<DaySpan>));
    assert!(days.deadline >= after);
}
