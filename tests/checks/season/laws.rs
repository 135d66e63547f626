//! Laws of one decision, whatever the facts.

use proptest::prelude::*;
use treebell::season::decide::{ApprovalNeeded, SkipReason};
use treebell::season::window::ToldDays;
use treebell::season::{DateSpread, DaySpan, Reached, ReachedBy, RecordTrust, StageOutlook, WashShare};

use super::*;

fn date(day_of_year: i64) -> NaiveDate {
    "2019-01-01".parse::<NaiveDate>().expect("a day") + chrono::Duration::days(day_of_year)
}

fn any_day() -> impl Strategy<Value = NaiveDate> {
    prop_oneof![8 => (0..365i64).prop_map(date), 1 => Just(NaiveDate::MIN), 1 => Just(NaiveDate::MAX)]
}

fn any_trust() -> impl Strategy<Value = RecordTrust> {
    prop_oneof![
        4 => Just(RecordTrust::Sound),
        1 => Just(RecordTrust::TooMuchFilled { filled_days: 9, days: 20 }),
        1 => Just(RecordTrust::TooOld { newest_real_day: None, age_days: 9 }),
        1 => Just(RecordTrust::TooFewYears { years: 1 }),
        1 => Just(RecordTrust::BorrowedYears { from: "Far Ridge".into(), own_years: 0 }),
    ]
}

fn any_release() -> impl Strategy<Value = Release> {
    prop_oneof![
        Just(Release::AtOnce),
        Just(Release::WhenConfirmed),
        (0..99u32).prop_map(|hours| Release::UnlessHeld { hours }),
    ]
}

/// Stages whose parts need not even agree with each other.
fn any_stage(id: StageId) -> impl Strategy<Value = StageOutlook> {
    let reached = proptest::option::of((any_day(), any::<bool>(), any::<bool>()).prop_map(|(on, real, seen)| {
        Reached { on, on_real_days: real, by: if seen { ReachedBy::FieldReport } else { ReachedBy::Model } }
    }));
    let points = [(); 3].map(|()| proptest::option::of(any_day()));
    let dates = proptest::collection::vec(any_day(), 0..12);
    (reached, points, dates, 0..9u32, proptest::option::of(0.0..500.0)).prop_map(
        move |(reached, [early, median, late], mut dates, not_reached, at_sum)| {
            dates.sort();
            let spread = DateSpread { early, median, late };
            StageOutlook { stage: id.clone(), at_sum, reached, spread, dates, not_reached, past: None, parts: None }
        },
    )
}

fn any_outlook() -> impl Strategy<Value = Outlook> {
    let stages: Vec<_> =
        Profile::pinyon_needle_scale().stages.iter().map(|stage| any_stage(stage.id.clone())).collect();
    let days = [(); 2].map(|()| proptest::option::of(any_day()));
    let wash = proptest::option::of(
        (any_day(), proptest::collection::vec(0.0..1.0, 0..40)).prop_map(|(first, one)| WashShare {
            first,
            one,
            second: None,
        }),
    );
    (stages, any_trust(), days, 0.0..500.0, 0.0..1.0, any_day(), wash).prop_map(
        |(stages, trust, [last_day, newest_real_day], heat_sum, real, today, wash)| Outlook {
            season: SeasonKey { profile: "p".into(), region: "here".into(), year: 2019 },
            today,
            last_day,
            newest_real_day,
            heat_sum,
            observed_sum: heat_sum * real,
            current_stage: None,
            stages,
            filled_days: 0,
            trust,
            trace_years: vec![],
            forecast_days: 0,
            forecast_fit: None,
            station: "s".into(),
            borrowed: None,
            profile_version: 1,
            wash,
            learned: None,
        },
    )
}

fn any_told() -> impl Strategy<Value = Vec<DecidedNotice>> {
    let word = proptest::option::of(prop_oneof![Just(ApprovalNeeded::ByPolicy), Just(ApprovalNeeded::NotOnRealDays)]);
    let standing = prop_oneof![
        word.prop_map(|approval_needed| Standing::Waiting { approval_needed }),
        Just(Standing::Held),
        any_day().prop_map(|on| Standing::Released { on }),
        Just(Standing::Skipped),
        Just(Standing::Cancelled),
    ];
    proptest::collection::vec(proptest::option::of((any_day(), standing, proptest::option::of(any_day()))), 6).prop_map(
        |told| {
            let kinds = NoticeKind::ALL.into_iter().zip(told);
            kinds
                .filter_map(|(kind, told)| {
                    let (decided_on, standing, deadline) = told?;
                    // The other two tell none, whatever the facts.
                    let tells = !matches!(kind, NoticeKind::GetReady | NoticeKind::TooLateToWash);
                    let deadline = deadline.filter(|_| tells);
                    Some(DecidedNotice { deadline, ..decided(kind, decided_on, standing) })
                })
                .collect()
        },
    )
}

fn any_reports() -> impl Strategy<Value = Vec<FieldReport>> {
    let stage = prop_oneof![
        Just(None),
        Just(Some("no-such-stage".into())),
        (0..4usize).prop_map(|at| Some(Profile::pinyon_needle_scale().stages[at].id.clone())),
    ];
    let region = prop_oneof![9 => Just("here".to_owned()), 1 => Just("there".to_owned())];
    let infested = prop_oneof![Just(Some(true)), Just(Some(false)), Just(None)];
    let report =
        (any_day(), stage, any::<bool>(), region, infested).prop_map(|(on, stage, confirmed, region, infested)| {
            let profile = Profile::pinyon_needle_scale();
            FieldReport {
                region: region.into(),
                confirmed,
                infested,
                ..report_of(&profile, &on.to_string(), on, stage)
            }
        });
    proptest::collection::vec(report, 0..4)
}

/// Runs of days with the same heat from the biofix on, a few of them filled, up to a sum around which things happen:
/// the window opens at 214 °C·day and closes at 464.
fn any_heat() -> impl Strategy<Value = Vec<(f64, bool)>> {
    let run = (1..8usize, 0.0..12.0f64, 0..8u8);
    let last_sum = prop_oneof![4 => 200.0..220.0f64, 1 => 440.0..470.0f64, 1 => 0.0..600.0f64];
    (proptest::collection::vec(run, 1..40), last_sum).prop_map(|(runs, last_sum)| {
        let days = runs.into_iter().flat_map(|(days, heat, luck)| vec![(heat, luck > 0); days]);
        let mut sum = 0.0;
        let within = |(heat, _): &(f64, bool)| {
            sum += heat;
            sum < last_sum
        };
        days.take(300).take_while(within).collect()
    })
}

/// Days on which the service runs: mostly all, now and then with outages of up to forty days.
fn any_days_up() -> impl Strategy<Value = Vec<bool>> {
    let stretch = (1..60usize, 0..40usize).prop_map(|(up, down)| [vec![true; up], vec![false; down]].concat());
    let broken = proptest::collection::vec(stretch, 20).prop_map(|all| all.concat());
    prop_oneof![1 => Just(vec![true]), 1 => broken]
}

fn heat_days(heat: &[(f64, bool)]) -> Vec<HeatDay> {
    let mut sum = 0.0;
    let origin = |real| if real { DayOrigin::Observed } else { DayOrigin::Interpolated };
    let at = |(at, (degree_days, real)): (usize, &(f64, bool))| {
        sum += degree_days;
        HeatDay { day: date(at as i64), degree_days: *degree_days, sum, origin: origin(*real) }
    };
    heat.iter().enumerate().map(at).collect()
}

fn outlook_of(heat: &[HeatDay], years: u8, today: NaiveDate) -> Outlook {
    let profile = plain_profile();
    let futures: Vec<(i32, Vec<f64>)> =
        (0..years).map(|at| (1990 + i32::from(at), vec![1.0 + f64::from(at); 366])).collect();
    let traces = Traces::of(futures.iter().map(|(year, heat)| (*year, heat.as_slice())));
    let first = heat.last().map_or(date(0), |last| last.day + Days::new(1));
    let dressing = Dressing::default();
    make(&OutlookInput {
        season: &SeasonKey { profile: profile.id.clone(), region: "here".into(), year: 2019 },
        profile: &profile,
        belief: &SeasonBelief::certain(&profile),
        policy: &Policy::default(),
        station: &"s".into(),
        today,
        heat,
        ensemble: &Ensemble { first, traces, forecast_days: 0, dressing },
        reports: &[],
        borrowed: None,
        forecast_fit: None,
        skill: &ForecastSkill::default(),
    })
}

fn decide_on(outlook: &Outlook, told: &[DecidedNotice], reports: &[FieldReport], release: Release) -> Decision {
    let (profile, policy, today) = (Profile::pinyon_needle_scale(), Policy::default(), outlook.today);
    let days = WindowDays::of(&profile, &policy, outlook, told_days(told));
    decide(&Facts { profile: &profile, policy: &policy, release, outlook, days, told, reports, today })
}

fn decided(kind: NoticeKind, decided_on: NaiveDate, standing: Standing) -> DecidedNotice {
    DecidedNotice { kind, decided_on, standing, deadline: None, learned_days: None, report: None, expires_on: None }
}

// Before, "wash now" was skipped for "last days", and "last days" the next day for want of "wash now".
#[test]
fn what_waits_for_its_hour_is_not_held_back_by_what_it_overtakes() {
    let told = |kind, standing| decided(kind, date(0), standing);
    let told = [
        told(NoticeKind::InspectNow, Standing::Cancelled),
        told(NoticeKind::WashNow, Standing::Held),
        told(NoticeKind::LastDaysToWash, Standing::Waiting { approval_needed: None }),
    ];
    let outlook = outlook_of(&[], 5, date(0));
    let decision = decide_on(&outlook, &told, &[], Release::AtOnce);
    let again = decide_on(&outlook, &carried_out(&told, &decision, date(0)), &[], Release::AtOnce);
    assert!(again.changes_nothing(), "first {decision:#?}\nagain {again:#?}");
}

// Before, "inspect now" was announced for the sighting, the best days were told from then on, and "wash now" was skipped at the
// second look.
#[test]
fn a_sighting_that_the_days_do_not_know_of_yet_waits_for_them() {
    let today = date(263);
    let wash = Some(WashShare { first: date(0), one: vec![0.8], second: None });
    let outlook = Outlook { wash, ..outlook_of(&[], 0, today) };
    let profile = Profile::pinyon_needle_scale();
    let reports = [report_of(&profile, "seen", today, Some(profile.window.opens.clone()))];
    let decision = decide_on(&outlook, &[], &reports, Release::AtOnce);
    assert!(decision.verdicts.iter().all(|verdict| !matches!(verdict.answer, Answer::Announce(_))), "{decision:#?}");
    let again = decide_on(&outlook, &carried_out(&[], &decision, today), &reports, Release::AtOnce);
    assert!(again.changes_nothing(), "first {decision:#?}\nagain {again:#?}");
}

fn opening_on(day: NaiveDate, today: NaiveDate) -> Outlook {
    let mut outlook = Outlook { trust: RecordTrust::Sound, ..outlook_of(&[], 5, today) };
    let opens = &mut outlook.stages[0];
    let on = Some(day);
    (opens.reached, opens.dates, opens.not_reached) = (None, vec![day; 5], 0);
    opens.spread = DateSpread { early: on, median: on, late: on };
    outlook
}

// Before, it kept its words and its end, was sent with days that held no longer, or was skipped while it was of use.
#[test]
fn what_waits_for_a_word_or_is_held_gets_new_words_where_its_days_moved_and_stands_as_it_did() {
    let today = date(49);
    let outlook = opening_on(date(49 + 17), today);
    for standing in [Standing::Held, Standing::Waiting { approval_needed: Some(ApprovalNeeded::ByPolicy) }] {
        let told = decided(NoticeKind::GetReady, today, standing.clone());
        for (told, is_old) in [
            (DecidedNotice { learned_days: Some(-18), ..told.clone() }, true),
            (DecidedNotice { expires_on: Some(date(50)), ..told.clone() }, true),
            (DecidedNotice { report: Some("f-1".into()), ..told.clone() }, true),
            (DecidedNotice { learned_days: Some(-3), expires_on: Some(date(59)), ..told.clone() }, false),
            (told, false),
        ] {
            for release in [Release::AtOnce, Release::UnlessHeld { hours: 24 }, Release::WhenConfirmed] {
                let decision = decide_on(&outlook, std::slice::from_ref(&told), &[], release);
                let answer = decision.answer(NoticeKind::GetReady).expect("one a kind");
                assert_eq!(matches!(answer, Answer::Renew(_)), is_old, "{told:?}: {answer:?}");
                let after = carried_out(std::slice::from_ref(&told), &decision, today);
                assert_eq!(after[0].standing, standing, "{told:?}: {answer:?}");
                assert!(decide_on(&outlook, &after, &[], release).changes_nothing());
            }
        }
    }
}

// Before, "eggs were seen" left at its hour although the report was told as of another year meanwhile.
#[test]
fn what_a_report_brought_up_does_not_leave_by_itself_once_that_counts_no_more() {
    let today = date(49);
    let waits = decided(NoticeKind::InspectNow, today, Standing::Waiting { approval_needed: None });
    let of_report = DecidedNotice { report: Some("f-1".into()), ..waits.clone() };
    // Two days off is not too early by itself.
    let outlook = opening_on(date(49 + 2), today);
    let answer = |told: &DecidedNotice, reports: &[FieldReport]| {
        let release = Release::UnlessHeld { hours: 24 };
        let decision = decide_on(&outlook, std::slice::from_ref(told), reports, release);
        decision.answer(NoticeKind::InspectNow).expect("one a kind").clone()
    };
    let asked = answer(&of_report, &[]);
    assert!(matches!(asked, Answer::AskFirst { approval_needed: ApprovalNeeded::NowTooEarly { .. } }), "{asked:?}");
    assert!(matches!(answer(&waits, &[]), Answer::Quiet { .. }), "{:?}", answer(&waits, &[]));
}

// Before, it left with words of days that a report had moved and moves no more, since it was not too early by much.
#[test]
fn what_waits_for_its_hour_on_days_that_reports_do_not_move_any_more_gets_new_words_or_is_asked_about() {
    let today = date(49);
    let answer = |opens_on: NaiveDate, learned_days| {
        let outlook = opening_on(opens_on, today);
        let standing = Standing::Waiting { approval_needed: None };
        let told = [DecidedNotice { learned_days, ..decided(NoticeKind::GetReady, today, standing) }];
        let decision = decide_on(&outlook, &told, &[], Release::UnlessHeld { hours: 24 });
        let after = carried_out(&told, &decision, today);
        let again = decide_on(&outlook, &after, &[], Release::UnlessHeld { hours: 24 });
        assert!(again.changes_nothing(), "first {decision:#?}\nagain {again:#?}");
        decision.answer(NoticeKind::GetReady).expect("one a kind").clone()
    };
    // "Get ready" looks 21 days ahead, and by three days more it may be early.
    let (near, far) = (date(49 + 17), date(49 + 22));
    let too_early = ApprovalNeeded::NowTooEarly { expected: Some(far) };
    assert_eq!(answer(far, Some(-18)), Answer::AskFirst { approval_needed: too_early });
    assert!(matches!(answer(near, Some(-18)), Answer::Free(_)), "{:?}", answer(near, Some(-18)));
    for (opens_on, learned_days) in [(far, Some(-3)), (near, Some(-3)), (far, None), (near, None)] {
        let of = answer(opens_on, learned_days);
        assert!(matches!(of, Answer::Quiet { .. }), "{opens_on} {learned_days:?}: {of:?}");
    }
}

proptest! {
    /// Also on facts that contradict each other: one verdict a kind, nothing past its use, nothing untrusted that
    /// leaves unasked, nothing told twice, and a second look changes nothing.
    #[test]
    fn whatever_the_facts_deciding_again_changes_nothing(
        outlook in any_outlook(), told in any_told(), reports in any_reports(), release in any_release(),
    ) {
        let mut told = told;
        for notice in &mut told {
            // Nothing has left on a day still to come.
            if let Standing::Released { on } = &mut notice.standing {
                *on = outlook.today.min(*on);
            }
        }
        let decision = decide_on(&outlook, &told, &reports, release);
        prop_assert_eq!(decision.verdicts.iter().map(|verdict| verdict.kind).collect::<Vec<_>>(), NoticeKind::ALL);
        for verdict in &decision.verdicts {
            let before = told.iter().find(|told| told.kind == verdict.kind).map(|told| &told.standing);
            match &verdict.answer {
                Answer::Announce(terms) | Answer::Free(terms) => {
                    prop_assert!(terms.expires_on >= outlook.today);
                    prop_assert_eq!(terms.approval_needed.is_some(), terms.release == Release::WhenConfirmed);
                    let seen = reports.iter().any(|report| report.confirmed)
                        || outlook.stages.iter().any(StageOutlook::seen);
                    prop_assert!(terms.approval_needed.is_some() || outlook.trust == RecordTrust::Sound || seen);
                    prop_assert_eq!(before.is_some(), matches!(verdict.answer, Answer::Free(_)));
                }
                Answer::Renew(terms) => {
                    prop_assert!(terms.expires_on >= outlook.today);
                    let stays = match before {
                        Some(Standing::Held) => true,
                        Some(Standing::Waiting { .. }) => terms.approval_needed.is_some(),
                        _ => false,
                    };
                    prop_assert!(stays, "{:?}", before);
                }
                Answer::AskFirst { .. } => {
                    prop_assert_eq!(before, Some(&Standing::Waiting { approval_needed: None }));
                }
                Answer::Skip { .. } => {
                    let open = matches!(before, None | Some(Standing::Waiting { .. } | Standing::Held));
                    prop_assert!(open);
                }
                Answer::Quiet { .. } => {}
            }
            prop_assert!(!verdict.to_string().is_empty());
        }
        let after = carried_out(&told, &decision, outlook.today);
        let again = decide_on(&outlook, &after, &reports, release);
        prop_assert!(again.changes_nothing(), "first {:#?}\nagain {:#?}", decision, again);
        prop_assert_eq!(&again.remarks.iter().filter(|remark| remark.sort() != "was-early").collect::<Vec<_>>(),
            &decision.remarks.iter().filter(|remark| remark.sort() != "was-early").collect::<Vec<_>>());
    }

    /// Holds where the added heat fell on observed days and the same futures follow: the notice still goes out, and
    /// no more bound than before, or a later one is announced in its place, or its time has passed.
    #[test]
    fn more_heat_never_takes_a_notice_back(
        heat in any_heat(), warmer in prop_oneof![1.0..1.05f64, 1.0..3.0f64], years in 5..12u8, late in 1..5i64,
    ) {
        let today = date(heat.len() as i64 + late - 1);
        let warm: Vec<_> = heat.iter().map(|(heat, real)| (if *real { heat * warmer } else { *heat }, *real)).collect();
        let decide_for = |heat: &[(f64, bool)]| {
            decide_on(&outlook_of(&heat_days(heat), years, today), &[], &[], Release::AtOnce)
        };
        let (cool, warm) = (decide_for(&heat), decide_for(&warm));
        for (at, verdict) in cool.verdicts.iter().enumerate() {
            let Answer::Announce(terms) = &verdict.answer else { continue };
            let follows = warm.verdicts[at..].iter().any(|later| match &later.answer {
                Answer::Announce(warm) if later.kind == verdict.kind => {
                    warm.approval_needed.is_none() || terms.approval_needed.is_some()
                }
                Answer::Announce(_) | Answer::Skip { .. } => true,
                _ => false,
            });
            prop_assert!(follows, "cool {cool:#?}\nwarm {warm:#?}");
        }
    }

    /// Lived through day by day with the same outages, what was told carried on, and staff who give every word that is
    /// asked of them: a notice that goes out in a season does so no later in a warmer one. Only what a later notice
    /// makes needless, or what an outage kept until it was of no use, may be missing there. (Without those staff it
    /// does not hold: a window that opens on filled days waits for a word while it is of use, and one that opens when
    /// the gap has healed needs none. Nor does it of the notices that hang on a deadline, which is held to what was told.)
    #[test]
    fn more_heat_never_makes_a_notice_late(
        heat in any_heat(), warmer in prop_oneof![1.0..1.05f64, 1.0..3.0f64], years in 5..12u8,
        up in any_days_up(),
    ) {
        let warm: Vec<_> = heat.iter().map(|(heat, real)| (if *real { heat * warmer } else { *heat }, *real)).collect();
        let lived = |heat: &[(f64, bool)]| {
            let (mut told, mut gone, mut skipped) = (Vec::new(), BTreeMap::new(), BTreeMap::new());
            for at in 1..=heat.len() {
                if !up[at % up.len()] {
                    continue;
                }
                let today = date(at as i64);
                let decision = decide_on(&outlook_of(&heat_days(&heat[..at]), years, today), &told, &[], Release::AtOnce);
                for verdict in &decision.verdicts {
                    match &verdict.answer {
                        Answer::Announce(_) | Answer::Free(_) => {
                            gone.insert(verdict.kind, today);
                        }
                        Answer::Skip { reason } => {
                            skipped.insert(verdict.kind, (today, reason.clone()));
                        }
                        _ => {}
                    }
                }
                told = carried_out(&told, &decision, today);
                for told in &mut told {
                    if matches!(told.standing, Standing::Waiting { .. }) {
                        told.standing = Standing::Released { on: today };
                    }
                }
            }
            (gone, skipped)
        };
        let ((cool, _), (warm, skipped)) = (lived(&heat), lived(&warm));
        for (kind, day) in cool.iter().filter(|(kind, _)| **kind <= NoticeKind::InspectNow) {
            // As early, or a later one that makes it needless.
            let as_early = warm.iter().any(|(warm_kind, warm_day)| warm_kind >= kind && warm_day <= day);
            let up_on = |day: NaiveDate| up[(day - date(0)).num_days() as usize % up.len()];
            // No day on which the service ran lies between the event and the end of its use.
            let slept_from = |from: NaiveDate, to: NaiveDate| from.iter_days().skip(1).take_while(|day| *day < to).all(|day| !up_on(day));
            let no_use = |kind: NoticeKind| skipped.get(&kind).is_some_and(|(on, reason)| on <= day && match reason {
                SkipReason::PastUse { until } => slept_from(*until - Days::new(u64::from(Policy::default().useful_days.of(kind))), *on),
                SkipReason::WindowClosed { since } => slept_from(*since, *on),
                _ => false,
            });
            let instead = no_use(*kind) || skipped.get(kind).is_some_and(|(on, reason)| on <= day && match reason {
                SkipReason::Overtaken { by } => warm.get(by).is_some_and(|by| by <= day),
                SkipReason::WindowOpen { .. } => no_use(NoticeKind::InspectNow),
                _ => false,
            });
            prop_assert!(as_early || instead, "{kind:?} of {day}\ncool {cool:?}\nwarm {warm:?}\nskipped {skipped:?}");
        }
    }

    /// A warmer season reaches every stage no later, observed or projected.
    #[test]
    fn more_heat_never_puts_a_stage_off(heat in any_heat(), warmer in 1.0..3.0f64, years in 1..9u8) {
        let today = date(heat.len() as i64);
        let warm: Vec<_> = heat.iter().map(|(heat, real)| (heat * warmer, *real)).collect();
        let (cool, warm) = (outlook_of(&heat_days(&heat), years, today), outlook_of(&heat_days(&warm), years, today));
        for (cool, warm) in cool.stages.iter().zip(&warm.stages) {
            for (cool, warm) in [
                (cool.spread.early, warm.spread.early),
                (cool.spread.median, warm.spread.median),
                (cool.spread.late, warm.spread.late),
            ] {
                prop_assert!(warm.unwrap_or(NaiveDate::MAX) <= cool.unwrap_or(NaiveDate::MAX));
            }
        }
    }

    /// Broken numbers and misplaced days come to an outlook too, and to a decision.
    #[test]
    fn nothing_in_the_record_brings_it_to_a_halt(
        days in proptest::collection::vec((any_day(), any::<f64>(), any::<f64>()), 0..30),
        ahead in proptest::collection::vec(any::<f64>(), 0..30),
        first in any_day(), today in any_day(), reports in any_reports(), certain in any::<bool>(),
    ) {
        let profile = Profile::pinyon_needle_scale();
        let belief = match certain {
            true => SeasonBelief::certain(&profile),
            false => Learned::prior(&profile, 2019).of_region(&profile, &"here".into()),
        };
        let filled: Vec<FilledDay> = days
            .into_iter()
            .map(|(day, min_c, max_c)| FilledDay {
                day,
                temperatures: DayTemperatures { min_c, max_c },
                origin: DayOrigin::Observed,
            })
            .collect();
        let heat = season_heat(&profile, 2019, &filled);
        let traces = Traces::of([(2000, ahead.as_slice())]);
        let dressing = Dressing(BTreeMap::from([(7, ahead)]));
        let outlook = make(&OutlookInput {
            season: &SeasonKey { profile: profile.id.clone(), region: "here".into(), year: 2019 },
            profile: &profile,
            belief: &belief,
            policy: &Policy::default(),
            station: &"s".into(),
            today,
            heat: &heat,
            ensemble: &Ensemble { first, traces, forecast_days: 0, dressing },
            reports: &reports,
            borrowed: None,
            forecast_fit: None,
            skill: &ForecastSkill::default(),
        });
        prop_assert!(outlook.heat_sum.is_finite() && outlook.heat_sum >= 0.0);
        prop_assert_eq!(decide_on(&outlook, &[], &reports, Release::AtOnce).verdicts.len(), 6);
            let days = WindowDays::of(&profile, &Policy::default(), &outlook, ToldDays::default());
            let best = days.best.unwrap_or(DaySpan { first: days.look_from, last: days.look_from });
            prop_assert!(days.look_from <= best.first && best.first <= best.last && best.last <= days.deadline);
    }
}
