//! Laws over whole seasons drawn at random: what is known jumps about as no real season would, reports come in, staff act or
//! do not, the service fails, and [`Watch`] looks at every day.

use proptest::prelude::*;
use treebell::season::{DateSpread, DaySpan, Reached, ReachedBy, RecordTrust, StageOutlook, StageParts, WashShare};

use super::*;

/// A season as it is known day by day; days count from 1 January 2019.
#[derive(Clone, Debug)]
struct Season {
    first: i64,
    /// Middle of egg laying, days from there to the middle of the hatch and to the first of the best days, and their number.
    laying: i64,
    to_hatch: i64,
    to_best: i64,
    best_days: i64,
    /// Half the width of the dates.
    width: i64,
    /// What was known on the days that follow: how much later than the day before laying, hatch and best days are.
    moves: Vec<[i64; 3]>,
    /// Day, whether of the hatch, and the tree.
    sights: Vec<(i64, bool, u8)>,
    has_best: bool,
}

fn date(day: i64) -> NaiveDate {
    "2019-01-01".parse::<NaiveDate>().expect("a day") + chrono::Duration::days(day)
}

/// Mostly nothing new, often a day or two, now and then weeks.
fn any_move() -> impl Strategy<Value = i64> {
    prop_oneof![12 => Just(0i64), 5 => -1..=1i64, 2 => -3..=3i64, 1 => -20..=20i64]
}

fn any_season() -> impl Strategy<Value = Season> {
    let shape = (
        0..140i64,
        70..110i64,
        15..50i64,
        3..40i64,
        3..25i64,
        1..25i64,
        prop_oneof![4 => Just(true), 1 => Just(false)],
    );
    let moves = proptest::collection::vec([any_move(), any_move(), any_move()], 150);
    let sights = prop_oneof![
        2 => Just(vec![]),
        1 => proptest::collection::vec((60..160i64, any::<bool>(), 0..3u8), 1..5),
    ];
    (shape, moves, sights).prop_map(|(shape, moves, sights)| {
        let (first, laying, to_hatch, to_best, best_days, width, has_best) = shape;
        // Mostly from before anything is due; else set up in mid-season.
        let first = if first < 90 { 40 } else { first };
        Season { first, laying, to_hatch, to_best, best_days, width, moves, sights, has_best }
    })
}

impl Season {
    fn reports(&self, profile: &Profile, today: i64) -> Vec<FieldReport> {
        let sights = self.sights.iter().enumerate().filter(|(_, (day, ..))| *day <= today);
        sights
            .map(|(at, (day, hatch, tree))| {
                let stage = if *hatch { &profile.window.closes } else { &profile.window.opens };
                let report = report_of(profile, &format!("r{at}"), date(*day), Some(stage.clone()));
                FieldReport { tree: Some(format!("tree {tree}")), ..report }
            })
            .collect()
    }

    /// By how much laying, hatch and best days are later than first thought.
    fn moved(&self, today: i64) -> [i64; 3] {
        let days = usize::try_from(today - self.first).unwrap_or(0);
        let moved = self.moves.iter().take(days);
        moved.fold([0; 3], |sum, day| std::array::from_fn(|at| sum[at] + day[at]))
    }

    fn outlook(&self, profile: &Profile, policy: &Policy, today: i64) -> Outlook {
        let [laying, hatch, best] = self.moved(today);
        let laying = self.laying + laying;
        let hatch = laying + self.to_hatch + hatch;
        let best = laying + self.to_best + best;
        let mut stages: Vec<StageOutlook> = Vec::new();
        for stage in &profile.stages {
            let middle = match stage.id.0.as_str() {
                "egg-laying-begins" => laying,
                "egg-laying-ends" => laying + 14,
                "eggs-hatch" => hatch,
                _ => hatch + 14,
            };
            let needed = if stage.id == profile.window.closes { policy.hatch_reports as usize } else { 1 };
            let shows = |hatch: bool| hatch || stage.id == profile.window.opens;
            let in_window = stage.id == profile.window.opens || stage.id == profile.window.closes;
            let mut trees = BTreeMap::new();
            for (day, hatch, tree) in self.sights.iter().filter(|(day, hatch, _)| *day <= today && shows(*hatch)) {
                let first: &mut i64 = trees.entry(*tree).or_insert(*day);
                *first = (*first).min(*day);
                let _ = hatch;
            }
            let mut days: Vec<i64> = trees.into_values().filter(|_| in_window).collect();
            days.sort_unstable();
            let seen = days.get(needed - 1).map(|day| date(*day));
            let dates: Vec<NaiveDate> = (-10..=10).map(|at| date(middle + at * self.width / 10)).collect();
            let spread = DateSpread { early: Some(dates[2]), median: Some(dates[10]), late: Some(dates[18]) };
            let reached = seen.map(|on| Reached { on, on_real_days: true, by: ReachedBy::FieldReport });
            let (spread, dates) = match seen {
                Some(_) => (DateSpread { early: seen, median: seen, late: seen }, vec![]),
                None => (spread, dates),
            };
            stages.push(StageOutlook {
                stage: stage.id.clone(),
                at_sum: Some(200.0),
                reached,
                spread,
                dates,
                not_reached: 0,
                past: None,
                parts: Some(StageParts { weather_days: 4, insect_days: 9 }),
            });
        }
        // Up and down by a tenth a day, level for the best days.
        let (up, level) = (10, self.best_days - 1);
        let one = (0..=2 * up + level).map(|at| (at.min(2 * up + level - at).min(up) as f64 / 10.0 + 0.0001).min(1.0));
        let curve = WashShare { first: date(best - up + 1), one: one.collect(), second: None };
        let last_day = Some(date(today - 1));
        Outlook {
            season: SeasonKey { profile: profile.id.clone(), region: "here".into(), year: 2019 },
            today: date(today),
            last_day,
            newest_real_day: last_day,
            heat_sum: 100.0,
            observed_sum: 100.0,
            current_stage: None,
            stages,
            filled_days: 0,
            trust: RecordTrust::Sound,
            trace_years: vec![2000],
            forecast_days: 0,
            forecast_fit: None,
            station: "s".into(),
            borrowed: None,
            profile_version: 1,
            wash: self.has_best.then_some(curve),
            learned: None,
        }
    }
}

/// What staff do on a day to a notice that waits or is held: the place of the kind, and the deed.
type Deed = (u8, u8);

struct Life<'a> {
    season: &'a Season,
    release: Release,
    /// By day: whether the service runs, and what staff do before it.
    days: &'a [(bool, Option<Deed>)],
}

impl Life<'_> {
    fn live(&self) -> Vec<DecidedNotice> {
        let (profile, policy) = (Profile::pinyon_needle_scale(), Policy::default());
        let (mut told, mut watch) = (Vec::<DecidedNotice>::new(), Watch::default());
        let from = self.season.first;
        // As the store has it: once a later one has gone out nobody lets an earlier one go.
        let overtaken = |told: &[DecidedNotice], kind: NoticeKind| {
            let mut out = told.iter().filter(|told| matches!(told.standing, Standing::Released { .. }));
            out.any(|out| out.kind.overtakes(kind))
        };
        for today in from..from + 150 {
            let (up, deed) = match self.days {
                [] => (true, None),
                days => days[(today - from) as usize % days.len()],
            };
            if let Some((kind, deed)) = deed {
                let kind = NoticeKind::ALL[usize::from(kind) % NoticeKind::ALL.len()];
                let too_late = overtaken(&told, kind);
                for told in told.iter_mut().filter(|told| told.kind == kind) {
                    if matches!(told.standing, Standing::Waiting { .. } | Standing::Held) {
                        told.standing = match deed {
                            0 => Standing::Held,
                            1 => Standing::Cancelled,
                            _ if too_late => continue,
                            _ => Standing::Released { on: date(today) },
                        };
                    }
                }
            }
            for at in 0..told.len() {
                // Two days in which staff may hold it.
                let due = told[at].decided_on + Days::new(2) <= date(today);
                if due && told[at].standing == (Standing::Waiting { approval_needed: None }) {
                    let too_late = overtaken(&told, told[at].kind);
                    told[at].standing =
                        if too_late { Standing::Skipped } else { Standing::Released { on: date(today) } };
                }
            }
            if !up {
                continue;
            }
            let outlook = self.season.outlook(&profile, &policy, today);
            let reports = self.season.reports(&profile, today);
            let decide_on = |told: &[DecidedNotice]| {
                let days = WindowDays::of(&profile, &policy, &outlook, told_days(told));
                let facts = Facts {
                    profile: &profile,
                    policy: &policy,
                    release: self.release,
                    outlook: &outlook,
                    days,
                    told,
                    reports: &reports,
                    today: date(today),
                };
                (days, decide(&facts))
            };
            let (days, decision) = decide_on(&told);
            let after = carried_out(&told, &decision, date(today));
            watch.look(&super::watch::Day {
                profile: &profile,
                policy: &policy,
                outlook: &outlook,
                days,
                told: &told,
                decision: &decision,
                after: &after,
                says_at_once: self.release == Release::AtOnce,
            });
            let (_, again) = decide_on(&after);
            assert!(again.changes_nothing(), "{}: first {decision:#?}\nagain {again:#?}", date(today));
            let shown = Shown::of(&profile, &policy, &outlook, &decide_on(&after).0, self.release, &after);
            let held = |kind| {
                after
                    .iter()
                    .any(|told| told.kind == kind && matches!(told.standing, Standing::Held | Standing::Cancelled))
            };
            let says = match shown.standing.name() {
                "ready" => Some(NoticeKind::GetReady),
                "look" => Some(NoticeKind::InspectNow),
                "wash" => Some(NoticeKind::WashNow),
                "last" => Some(NoticeKind::LastDaysToWash),
                _ => None,
            };
            assert!(!says.is_some_and(held), "{}: the page says what staff hold back: {shown:?}", date(today));
            told = after;
        }
        told
    }
}

fn any_days() -> impl Strategy<Value = Vec<(bool, Option<Deed>)>> {
    let up = prop_oneof![12 => Just(true), 1 => Just(false)];
    let deed = prop_oneof![3 => Just(None), 1 => (0..6u8, 0..4u8).prop_map(Some)];
    proptest::collection::vec((up, deed), 150)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Notices leave at once, the record is sound, the service runs every day: every law of [`Watch`].
    #[test]
    fn whatever_becomes_known_no_told_deadline_passes_in_silence(season in any_season()) {
        Life { season: &season, release: Release::AtOnce, days: &[] }.live();
    }

    /// The laws that need no such luck: nothing twice, nothing out of order, no two at once, no told day changed in silence.
    #[test]
    fn outages_and_staff_break_no_law(
        season in any_season(), days in any_days(),
        release in prop_oneof![Just(Release::AtOnce), Just(Release::UnlessHeld { hours: 48 }), Just(Release::WhenConfirmed)],
    ) {
        Life { season: &season, release, days: &days }.live();
    }
}

#[test]
fn a_curve_of_the_drawn_seasons_has_its_best_days_where_it_is_said() {
    let season = Season {
        first: 40,
        laying: 75,
        to_hatch: 37,
        to_best: 20,
        best_days: 8,
        width: 10,
        moves: vec![],
        sights: vec![],
        has_best: true,
    };
    let (profile, policy) = (Profile::pinyon_needle_scale(), Policy::default());
    let wash = season.outlook(&profile, &policy, 50).wash.expect("a curve");
    assert_eq!(wash.best_days(0.9), Some(DaySpan { first: date(95), last: date(102 + 2) }));
    // Looks from day 73 on, washes from the 95th; the hatch comes on day 112 give or take ten.
    let told = Life { season: &season, release: Release::AtOnce, days: &[] }.live();
    let told: Vec<String> =
        told.iter().map(|told| format!("{} {}", told.kind.name(), short(told.decided_on))).collect();
    assert_eq!(
        told,
        ["get-ready 02-24", "inspect-now 03-15", "wash-now 04-06", "last-days-to-wash 04-11", "too-late-to-wash 04-23"]
    );
}
