//! The days of a window worked out by hand, and how they are held to what people were told.

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
