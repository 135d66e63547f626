//! The shipped profile, and what a file is refused for.

use super::*;

fn faults(text: &str) -> Vec<String> {
    Profile::parse(text).expect_err("refused").iter().map(ToString::to_string).collect()
}

/// The shipped file with one piece of text replaced.
fn with(old: &str, new: &str) -> String {
    assert!(PINYON_NEEDLE_SCALE.contains(old), "`{old}` is in the file");
    PINYON_NEEDLE_SCALE.replacen(old, new, 1)
}

fn day(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

#[test]
fn the_shipped_profile_says_its_provisional_numbers_and_where_each_came_from() {
    let scale = Profile::pinyon_needle_scale();
    assert!(scale.provisional && scale.note.contains("provisional"));
    assert_eq!((scale.biofix.month, scale.biofix.day, scale.biofix.year), (1, 1, BiofixYear::Same));
    assert_eq!((scale.heat.method(), scale.heat.lower_c()), (Method::SingleSine, 4.0));
    assert_eq!((scale.heat.upper_c(), scale.heat.cutoff()), (Some(30.0), Cutoff::Horizontal));
    let needs: Vec<_> = scale.stages.iter().map(|stage| (stage.id.0.as_str(), stage.need)).collect();
    assert_eq!(
        needs,
        [
            ("egg-laying-begins", Need::DegreeDays(214.0)),
            ("egg-laying-ends", Need::DegreeDays(92.0)),
            ("eggs-hatch", Need::DegreeDays(250.0)),
            ("crawlers-settled", Need::Days(14)),
        ]
    );
    let window = Window {
        opens: "egg-laying-begins".into(),
        closes: "eggs-hatch".into(),
        settles: Some("crawlers-settled".into()),
    };
    assert_eq!(scale.window, window);
    assert!(scale.stages.iter().all(|stage| !stage.origin.is_empty()));
}

#[test]
fn the_shipped_profile_says_how_sure_its_numbers_are_and_what_can_be_seen() {
    let scale = Profile::pinyon_needle_scale();
    assert!(scale.has_belief());
    assert_eq!((scale.version, scale.learned_through), (1, None));
    let spreads: Vec<_> = scale
        .stages
        .iter()
        .map(|stage| stage.spread.as_ref().map(|spread| (spread.belief_c, spread.places_c, spread.years_c)))
        .collect();
    assert_eq!(spreads, [Some((43.0, 25.0, 25.0)), None, Some((30.0, 10.0, 15.0)), None]);
    let origins = scale.stages.iter().filter_map(|stage| stage.spread.as_ref());
    for spread in origins {
        for origin in [&spread.belief_origin, &spread.places_origin, &spread.years_origin] {
            assert!(!origin.is_empty());
        }
    }
    let eggs = scale.eggs.as_ref().expect("it says how eggs spread");
    assert_eq!((eggs.laid_over_c, eggs.hatched_over_c), (100.0, 100.0));
    assert!(!eggs.laid_over_origin.is_empty() && !eggs.hatched_over_origin.is_empty());
    assert_eq!(eggs.laid_by, Some(LaidBy { stage: "egg-laying-ends".into(), share: 0.92 }));
    let sights: Vec<_> = scale.sights.iter().map(|sight| sight.id.as_str()).collect();
    assert_eq!(sights, ["nothing", "old-lint", "females", "eggs", "eyespots", "crawlers"]);
    let shows = |id: &str| scale.sight(id).and_then(|sight| sight.shows.clone());
    assert_eq!((shows("old-lint"), shows("females")), (None, None), "neither says that eggs are laid");
    assert_eq!(shows("eyespots"), Some("egg-laying-begins".into()));
    let not_yet = |id: &str| scale.sight(id).and_then(|sight| sight.not_yet.clone());
    assert_eq!(not_yet("old-lint"), None, "old lint says nothing of this year");
    assert_eq!(not_yet("eyespots"), Some("eggs-hatch".into()));
    assert!(!scale.sight("nothing").expect("known").infested, "a clean tree shows nothing too");
}

#[test]
fn a_profile_may_leave_out_how_sure_it_is_and_reads_back_the_same() {
    let mut plain = Profile::pinyon_needle_scale();
    plain.stages.iter_mut().for_each(|stage| stage.spread = None);
    (plain.eggs, plain.window.settles, plain.learned_through) = (None, None, Some(2025));
    (plain.version, plain.sights) = (3, Vec::new());
    assert!(!plain.has_belief());
    let text = plain.to_toml();
    assert!(text.contains("version = 3\nlearned_through = 2025\n"), "{text}");
    assert_eq!(Profile::parse(&text), Ok(plain));
}

#[test]
fn a_profile_reads_its_own_print() {
    let scale = Profile::pinyon_needle_scale();
    assert_eq!(Profile::parse(&scale.to_toml()), Ok(scale));
}

#[test]
fn every_fault_is_told_at_once_with_its_place_and_the_mend() {
    let text = with("lower_c = 4.0", "lowr_c = 4.0")
        .replacen("month = 1\n", "month = 13\n", 1)
        .replacen("days = 14", "days = \"14\"", 1)
        .replacen("after = \"eggs-hatch\"", "after = \"egg-hatch\"", 1);
    assert_eq!(
        faults(&text),
        [
            "biofix.month: 13 is not what is wanted: a whole number from 1 to 12",
            "heat.lower_c: is missing: a number from -20 to 50 is wanted",
            "heat.lowr_c: unknown key, did you mean `lower_c`?",
            "stages[3].after: no stage `egg-hatch`, did you mean `eggs-hatch`?",
            "stages[3].days: \"14\" is not what is wanted: a whole number from 1 to 366",
        ]
    );
}

#[test]
fn what_cannot_be_meant_is_refused() {
    for (old, new, wanted) in [
        ("upper_c = 30.0", "upper_c = 3.0", "heat.upper_c: lower threshold 4 must be below"),
        ("cutoff = \"horizontal\"\n", "", "heat.cutoff: an upper threshold needs a cut-off"),
        ("cutoff = \"horizontal\"", "cutoff = \"flat\"", "heat.cutoff: \"flat\" is not what is wanted: one of none"),
        ("day = 1\n", "day = 30\nx = 1\n", "biofix.x: unknown key"),
        ("month = 1\nday = 1", "month = 2\nday = 29", "biofix.day: 29 is not a day of month 2 in every year"),
        ("year = \"same\"", "year = \"next\"", "biofix.year: \"next\" is not what is wanted: one of same, before"),
        ("degree_days_c = 92.0", "degree_days_c = 0", "stages[1].degree_days_c: 0 is not what is wanted"),
        ("degree_days_c = 92.0", "degree_days_c = nan", "stages[1].degree_days_c: nan is not what is wanted"),
        ("degree_days_c = 92.0\n", "", "stages[1].degree_days_c: either this or `days` is wanted"),
        ("days = 14", "days = 14\ndegree_days_c = 1", "stages[3].degree_days_c: either this or `days` is wanted, not"),
        ("id = \"egg-laying-ends\"", "id = \"eggs-hatch\"", "stages[2].id: `eggs-hatch` is there twice"),
        ("id = \"egg-laying-ends\"", "id = \"Egg laying\"", "stages[1].id: `Egg laying` must be lower case"),
        ("after = \"biofix\"", "after = \"eggs-hatch\"", "stages[0].after: `eggs-hatch` does not stand before this"),
        ("closes = \"eggs-hatch\"", "closes = \"egg-laying-begins\"", "window.closes: must be a stage after the one"),
        ("opens = \"egg-laying-begins\"", "opens = \"egg\"", "window.opens: no stage `egg`"),
        ("es = \"piñonero\"", "fr = \"pin\"", "host.es: is missing: text is wanted"),
        ("belief_c = 43.0", "belief_c = -1", "stages[0].spread.belief_c: -1 is not what is wanted: a number"),
        (
            "belief_c = 43.0",
            "belief_c = 0.1",
            "stages[0].spread.belief_c: the SD 0.1 °C·day must be 0, or from a thousandth",
        ),
        ("belief_c = 43.0\n", "", "stages[0].spread.belief_c: is missing"),
        ("places_origin = ", "place_origin = ", "stages[0].spread.places_origin: is missing"),
        (
            "places_origin = ",
            "place_origin = ",
            "stages[0].spread.place_origin: unknown key, did you mean `places_origin`?",
        ),
        ("years_c = 25.0", "years_c = \"25\"", "stages[0].spread.years_c: \"25\" is not what is wanted: a number"),
        ("days = 14\n", "days = 14\nspread = { belief_c = 1.0 }\n", "stages[3].spread"),
        (
            "laid_by = \"egg-laying-ends\"\nlaid_share = 0.92",
            "laid_over_c = 0",
            "eggs.laid_over_c: 0 is not what is wanted: a number above 0",
        ),
        ("laid_share = 0.92", "laid_share = 0.92\nlaid_over_c = 100.0", "eggs.laid_over_c: follows from `laid_by`"),
        (
            "laid_share = 0.92",
            "laid_share = 1.2",
            "eggs.laid_share: 1.2 is not what is wanted: a number from 0.01 to 1",
        ),
        ("laid_share = 0.92\n", "", "eggs.laid_share: is missing"),
        (
            "laid_by = \"egg-laying-ends\"",
            "laid_by = \"egg-laying-end\"",
            "eggs.laid_by: no stage `egg-laying-end`, did",
        ),
        (
            "laid_by = \"egg-laying-ends\"",
            "laid_by = \"crawlers-settled\"",
            "eggs.laid_by: stage `crawlers-settled` comes at no",
        ),
        (
            "laid_by = \"egg-laying-ends\"",
            "laid_by = \"egg-laying-begins\"",
            "eggs.laid_by: stage `egg-laying-begins` comes at no",
        ),
        ("hatched_over_origin = ", "hatch_origin = ", "eggs.hatched_over_origin: is missing"),
        ("settles = \"crawlers-settled\"", "settles = \"crawlers\"", "window.settles: no stage `crawlers`"),
        ("settles = \"crawlers-settled\"", "settles = \"egg-laying-begins\"", "window.settles: must be a stage after"),
        ("version = 1", "version = 0", "version: 0 is not what is wanted: a whole number from 1 to"),
        ("version = 1", "version = 1\nlearned_through = 0", "learned_through: 0 is not what is wanted"),
        ("id = \"old-lint\"", "id = \"eggs\"", "sights[3].id: `eggs` is there twice"),
        ("id = \"old-lint\"", "id = \"Old lint\"", "sights[1].id: `Old lint` must be lower case"),
        ("shows = \"eggs-hatch\"", "shows = \"egg-hatch\"", "sights[5].shows: no stage `egg-hatch`, did you mean"),
        ("infested = false", "infested = \"no\"", "sights[0].infested: \"no\" is not what is wanted: true or false"),
        ("infested = false\n", "", "sights[0].infested: is missing"),
        ("note = ", "#", "note: must say on what the provisional numbers rest"),
        ("id = \"pinyon-needle-scale\"", "id = ", "line 7: not TOML"),
    ] {
        let told = faults(&with(old, new));
        assert!(told.iter().any(|line| line.starts_with(wanted)), "{old} -> {new}: {told:#?}");
    }
    assert!(faults("").len() >= 8, "an empty file lists what is missing");
}

#[test]
fn every_day_belongs_to_one_season_also_when_the_biofix_lies_in_the_autumn_before() {
    let scale = Profile::pinyon_needle_scale();
    assert_eq!((scale.first_day(2020), scale.last_day(2020)), (day("2020-01-01"), day("2020-12-31")));
    assert_eq!(scale.season_of(day("2020-12-31")), 2020);
    let autumn = with("month = 1\n", "month = 10\n").replacen("year = \"same\"", "year = \"before\"", 1);
    let autumn = Profile::parse(&autumn).expect("sound");
    assert_eq!((autumn.first_day(2020), autumn.last_day(2020)), (day("2019-10-01"), day("2020-09-30")));
    for (text, season) in
        [("2019-09-30", 2019), ("2019-10-01", 2020), ("2019-12-31", 2020), ("2020-02-29", 2020), ("2020-10-01", 2021)]
    {
        assert_eq!(autumn.season_of(day(text)), season, "{text}");
    }
    let same = Profile::parse(&with("month = 1\n", "month = 10\n")).expect("sound");
    assert_eq!(same.season_of(day("2020-02-29")), 2019, "with `same` the season is named by its biofix");
    for season in [i32::MIN, -300_000, 300_000, i32::MAX] {
        assert!(scale.first_day(season) <= NaiveDate::MAX && scale.last_day(season) <= NaiveDate::MAX);
    }
}

#[test]
fn how_long_laying_takes_and_the_stage_at_its_end_are_one_number() {
    let laid =
        |text: &str| Profile::parse(text).unwrap_or_else(|why| panic!("{why:?}")).eggs.expect("eggs").laid_over_c;
    assert_eq!(laid(PINYON_NEEDLE_SCALE), 100.0);
    assert_eq!(laid(&with("degree_days_c = 92.0", "degree_days_c = 46.0")), 50.0);
    assert_eq!(laid(&with("laid_share = 0.92", "laid_share = 0.5")), 184.0);
    // Profiles that were written before give the number by itself, and are the same in all figures.
    let before = with("laid_by = \"egg-laying-ends\"\nlaid_share = 0.92", "laid_over_c = 100.0");
    let before = Profile::parse(&before).expect("sound");
    let mut now = Profile::pinyon_needle_scale();
    now.eggs.as_mut().expect("eggs").laid_by = None;
    assert_eq!(before, now);
    assert_eq!(Profile::parse(&before.to_toml()), Ok(before));
}
