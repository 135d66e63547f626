//! What is said of dates, chances and records, in both languages.

use chrono::Datelike;

use super::range::ordinal;
use super::*;
use crate::season::{DateSpread, DaySpan, PastScore, Reached};

fn day(text: &str) -> NaiveDate {
    format!("2026-{text}").parse().expect("a day")
}

/// A stage still to come: early, median and late as month-day or `-`, and how many of 20 futures do not get there.
fn stage(points: &str, not_reached: u32) -> StageOutlook {
    let mut points = points.split(' ').map(|text| (text != "-").then(|| day(text)));
    let mut next = || points.next().expect("three points");
    let spread = DateSpread { early: next(), median: next(), late: next() };
    let dates = vec![day("03-17"); 20 - not_reached as usize];
    StageOutlook { stage: "x".into(), at_sum: None, reached: None, spread, dates, not_reached, past: None, parts: None }
}

/// The same of a profile that says how sure its number is, with its 20 dates from the first to the last.
fn believed(points: &str, dates: [(&str, u32); 3]) -> StageOutlook {
    let told = dates.iter().flat_map(|(at, times)| vec![day(at); *times as usize]).collect();
    let parts = Some(StageParts { weather_days: 5, insect_days: 19 });
    StageOutlook { dates: told, parts, ..stage(points, 0) }
}

fn check(stage: &StageOutlook, en: &str, es: &str) {
    let today = day("03-01");
    assert_eq!([when(Language::En, stage, today), when(Language::Es, stage, today)], [en, es]);
}

#[test]
fn a_range_within_one_month_names_it_once() {
    check(
        &stage("03-12 03-17 03-24", 0),
        "likely between March 12 and 24, most likely the 17th",
        "probablemente entre el 12 y el 24 de marzo, lo más probable el día 17",
    );
}

#[test]
fn a_range_over_two_months_names_both() {
    check(
        &stage("02-26 03-01 03-09", 1),
        "likely between February 26 and March 9, most likely March 1",
        "probablemente entre el 26 de febrero y el 9 de marzo, lo más probable el 1 de marzo",
    );
}

#[test]
fn a_range_of_one_day_is_that_day() {
    check(&stage("03-17 03-17 03-17", 0), "likely on March 17", "probablemente el 17 de marzo");
}

#[test]
fn years_that_do_not_get_there_open_the_late_end_and_show_as_a_chance() {
    check(
        &stage("03-12 03-17 -", 5),
        "likely from March 12 on, most likely March 17 (about 8 in 10 that it comes this season)",
        "probablemente a partir del 12 de marzo, lo más probable el 17 de marzo \
         (una probabilidad de 8 en 10 de que llegue esta temporada)",
    );
    check(
        &stage("03-12 - -", 12),
        "not likely this season (about 4 in 10)",
        "poco probable esta temporada (una probabilidad de 4 en 10)",
    );
    check(
        &stage("- - -", 20),
        "not likely this season (hardly any chance)",
        "poco probable esta temporada (casi ninguna probabilidad)",
    );
}

#[test]
fn a_range_that_has_passed_unmeasured_says_so() {
    check(
        &stage("02-12 02-17 02-24", 0),
        "very likely by now: likely between February 12 and 24, most likely the 17th",
        "muy probablemente ya: probablemente entre el 12 y el 24 de febrero, lo más probable el día 17",
    );
}

#[test]
fn a_number_that_was_reached_is_told_as_heat_and_only_a_sight_as_seen() {
    let reached = |by, on_real_days| StageOutlook {
        reached: Some(Reached { on: day("02-20"), on_real_days, by }),
        dates: vec![],
        ..stage("02-20 02-20 02-20", 0)
    };
    check(
        &reached(ReachedBy::Model, true),
        "by this year's heat since February 20",
        "según el calor de este año, desde el 20 de febrero",
    );
    check(
        &reached(ReachedBy::Model, false),
        "by estimated temperatures since February 20",
        "según temperaturas estimadas, desde el 20 de febrero",
    );
    check(&reached(ReachedBy::FieldReport, true), "seen on February 20", "visto el 20 de febrero");
}

#[test]
fn a_wide_range_is_told_as_part_of_a_month_with_its_far_ends() {
    check(
        &believed("03-08 03-24 04-10", [("03-08", 2), ("03-24", 10), ("04-10", 8)]),
        "most likely the second half of March, perhaps as early as the 8th or as late as April 10",
        "lo más probable es la segunda quincena de marzo, pero podría adelantarse al día 8 o retrasarse hasta el 10 de abril",
    );
    let spread = |points| stage(points, 0).spread;
    for (points, en, es) in [
        (
            "02-27 03-16 04-04",
            "most likely around the middle of March, perhaps as early as February 27 or as late as April 4",
            "lo más probable es a mediados de marzo, pero podría adelantarse al 27 de febrero o retrasarse hasta el 4 de abril",
        ),
        (
            "02-27 03-16 03-30",
            "most likely around the middle of March, perhaps as early as February 27 or as late as March 30",
            "lo más probable es a mediados de marzo, pero podría adelantarse al 27 de febrero o retrasarse hasta el 30 de marzo",
        ),
        (
            "03-02 03-10 03-28",
            "most likely the first half of March, perhaps as early as the 2nd or as late as the 28th",
            "lo más probable es la primera quincena de marzo, pero podría adelantarse al día 2 o retrasarse hasta el día 28",
        ),
        (
            "03-20 04-03 04-18",
            "most likely around the beginning of April, perhaps as early as March 20 or as late as April 18",
            "lo más probable es a principios de abril, pero podría adelantarse al 20 de marzo o retrasarse hasta el 18 de abril",
        ),
        (
            "03-10 03-29 -",
            "most likely around the end of March, perhaps as early as the 10th",
            "lo más probable es a fines de marzo, pero podría adelantarse al día 10",
        ),
        (
            "03-12 03-17 03-24",
            "likely between March 12 and 24, most likely the 17th",
            "probablemente entre el 12 y el 24 de marzo, lo más probable el día 17",
        ),
        ("03-12 - -", "not likely this season", "poco probable esta temporada"),
    ] {
        let told = [wide_range(Language::En, spread(points)), wide_range(Language::Es, spread(points))];
        assert_eq!(told, [en, es], "{points}");
    }
}

/// Each day of a year: the part of the month named holds the day, a week from its ends where it is a half.
#[test]
fn the_part_of_a_month_that_is_named_holds_the_day() {
    for middle in day("01-01").iter_days().take(365) {
        let spread = DateSpread {
            early: middle.pred_opt(),
            median: Some(middle),
            late: middle.checked_add_days(chrono::Days::new(30)),
        };
        let told = wide_range(Language::En, spread);
        let fits = match middle.day() {
            1..=4 => "beginning",
            5..=11 => "first half",
            12..=19 => "middle",
            20..=26 => "second half",
            _ => "end",
        };
        let month = Language::En.month_name(middle.month0());
        assert!(told.contains(fits) && told.contains(&format!("of {month},")), "{middle}: {told}");
    }
}

#[test]
fn a_stage_in_doubt_that_nobody_has_seen_has_begun_only_by_the_years_heat() {
    let dates = |begun| [("02-20", begun), ("03-05", 18 - begun), ("03-14", 2)];
    let spread = "02-20 03-05 03-14";
    check(
        &believed(spread, dates(4)),
        "perhaps already (about 2 in 10); most likely the first half of March, perhaps as late as the 14th",
        "quizá ya (una probabilidad de 2 en 10); lo más probable es la primera quincena de marzo, pero podría retrasarse \
         hasta el día 14",
    );
    check(
        &believed("02-20 03-01 03-14", dates(10)),
        "perhaps already (about 5 in 10); if not, likely by March 14",
        "quizá ya (una probabilidad de 5 en 10); si no, probablemente a más tardar el 14 de marzo",
    );
    let probably = believed("02-20 02-20 03-14", dates(12));
    check(
        &probably,
        "probably by now, by this year's heat (about 6 in 10)",
        "probablemente ya, según el calor de este año (una probabilidad de 6 en 10)",
    );
    // Our number was reached: the doubt stays, and estimated days are named.
    let reached = |on_real_days| Some(Reached { on: day("02-25"), on_real_days, by: ReachedBy::Model });
    check(
        &StageOutlook { reached: reached(true), ..probably.clone() },
        "probably by now, by this year's heat (about 6 in 10)",
        "probablemente ya, según el calor de este año (una probabilidad de 6 en 10)",
    );
    check(
        &StageOutlook { reached: reached(false), parts: None, ..probably },
        "probably by now, by estimated temperatures (about 6 in 10)",
        "probablemente ya, según temperaturas estimadas (una probabilidad de 6 en 10)",
    );
    for (share, en, es) in [
        (
            0.6,
            "has probably begun by this year's heat (about 6 in 10)",
            "probablemente ya empezó, según el calor de este año (una probabilidad de 6 en 10)",
        ),
        (
            0.3,
            "may have begun by this year's heat (about 3 in 10)",
            "quizá ya empezó, según el calor de este año (una probabilidad de 3 en 10)",
        ),
    ] {
        assert_eq!([begun_by_heat(Language::En, share), begun_by_heat(Language::Es, share)], [en, es]);
    }
}

#[test]
fn spans_and_parts_are_said_shortly() {
    for (first, last, en, es) in [
        ("03-30", "04-12", "March 30 to April 12", "del 30 de marzo al 12 de abril"),
        ("03-12", "03-24", "March 12 to 24", "del 12 al 24 de marzo"),
        ("03-12", "03-12", "March 12", "el 12 de marzo"),
    ] {
        let days = DaySpan { first: day(first), last: day(last) };
        assert_eq!([span(Language::En, days), span(Language::Es, days)], [en, es]);
    }
    let of = StageParts { weather_days: 1, insect_days: 9 };
    assert_eq!(parts(Language::En, of), "weather 1 day, insect 9 days");
    assert_eq!(parts(Language::Es, of), "tiempo 1 día, insecto 9 días");
}

#[test]
fn without_past_years_there_is_no_forecast() {
    let none = StageOutlook { dates: vec![], ..stage("- - -", 0) };
    check(
        &none,
        "no forecast, since there are no past years to go by",
        "sin pronóstico, porque no hay años anteriores en que basarse",
    );
}

#[test]
fn a_sentence_names_the_stage_the_record_of_the_past_and_what_to_take_with_care() {
    let names = Names { en: "egg laying begins".into(), es: "empieza la puesta de huevos".into() };
    let score =
        PastScore { lead_days: 14, n: 40, bias_days: 0.5, mae_days: 3.6, crps_days: 2.5, skill: Some(0.6), held: 0.8 };
    let stage = StageOutlook { past: Some(score), ..stage("03-12 03-17 03-24", 0) };
    let old = RecordTrust::TooOld { newest_real_day: Some(day("02-20")), age_days: 9 };
    assert_eq!(
        sentence(Language::En, &names, &stage, &old, day("03-01")),
        "Egg laying begins: likely between March 12 and 24, most likely the 17th. In past years this forecast of \
         our heat number was off by 4 days on average at this distance; it does not say how often eggs were seen. Take this \
         with care: the last measured day is February 20, 9 \
         days ago."
    );
    assert_eq!(
        sentence(Language::Es, &names, &stage, &RecordTrust::Sound, day("03-01")),
        "Empieza la puesta de huevos: probablemente entre el 12 y el 24 de marzo, lo más probable el día 17. En \
         años anteriores, este pronóstico de nuestra cifra de calor erró por 4 días en promedio a esta distancia; no dice \
         cuántas veces se vieron huevos."
    );
}

#[test]
fn small_numbers_are_said_as_people_say_them() {
    let off = |mean_days| past_error(Language::En, mean_days);
    assert!(off(0.4).contains("less than a day") && off(1.2).contains("by 1 day on"));
    assert_eq!(with_care(Language::En, &RecordTrust::Sound), None);
    for (years, en) in [(0, "no past years"), (1, "only 1 past year to"), (3, "only 3 past years")] {
        let care = with_care(Language::En, &RecordTrust::TooFewYears { years }).expect("not sound");
        assert!(care.contains(en), "{care}");
    }
    let filled = RecordTrust::TooMuchFilled { filled_days: 164, days: 329 };
    assert_eq!(
        with_care_of_grid(Language::En, &filled).as_deref(),
        Some("Take this with care: 164 of the season's 329 days had no value of the grid.")
    );
    assert_eq!(
        with_care_of_grid(Language::Es, &filled).as_deref(),
        Some("Tómelo con cautela: 164 de los 329 días de la temporada no tienen valor de la cuadrícula.")
    );
    for language in Language::ALL {
        assert_eq!(with_care_of_grid(language, &RecordTrust::Sound), None);
        let few = RecordTrust::TooFewYears { years: 3 };
        assert_eq!(with_care_of_grid(language, &few), with_care(language, &few));
    }
    let nth: Vec<_> = [1, 2, 3, 4, 11, 12, 13, 21, 22, 23, 31].into_iter().map(ordinal).collect();
    assert_eq!(nth.join(" "), "1st 2nd 3rd 4th 11th 12th 13th 21st 22nd 23rd 31st");
    assert_eq!(chance_within(Language::En, 0.71, 10), "about 7 in 10 within 10 days");
    assert_eq!(chance_within(Language::Es, 0.99, 1), "casi seguro en un día");
}
