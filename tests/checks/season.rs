//! Whole seasons in a line or two: what goes out, on which day, and why.
//!
//! A script says what is unusual about a season; [`check`] lives through it day by day as the service does (outlook,
//! decision, carried out, decided again) and compares what happened. The weather is invented: every day of a month
//! brings the same heat, so that dates can be worked out by hand. The normal year reaches the 214 °C·day of egg laying
//! on 17 March and the 464 of hatch on 23 April.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, Days, NaiveDate};
use treebell::heat::projection::Dressing;
use treebell::heat::{DayOrigin, DayTemperatures, FilledDay};
use treebell::region::Release;
use treebell::season::decide::{Answer, DecidedNotice, Decision, Facts, Standing, Terms, carried_out, decide};
use treebell::season::outlook::{Ensemble, ForecastSkill, Member, OutlookInput, make, season_heat};
use treebell::season::status::Shown;
use treebell::season::{FieldReport, HeatDay, NoticeKind, Outlook, Policy, Profile, SeasonKey};

/// °C·day per day of each month, January first.
const NORMAL: [f64; 12] = [1.5, 3.0, 5.0, 8.0, 10.0, 14.0, 16.0, 16.0, 12.0, 6.0, 2.0, 1.0];

/// An invented insect of the cold half of the year: heat from 1 October, out at the turn of the year.
const LANTERN_MIDGE: &str = r#"
id = "lantern-midge"
names = { en = "lantern midge", es = "mosquito farol" }
scientific_name = "Inventa lucerna"
host = { en = "alder", es = "aliso" }
provisional = false
[biofix]
month = 10
day = 1
year = "before"
origin = "invented"
[heat]
method = "average"
method_origin = "invented"
lower_c = 4.0
lower_origin = "invented"
[[stages]]
id = "eggs"
names = { en = "eggs are laid", es = "ponen huevos" }
after = "biofix"
degree_days_c = 279.0
origin = "invented"
[[stages]]
id = "larvae"
names = { en = "larvae hatch", es = "nacen larvas" }
after = "eggs"
days = 40
origin = "invented"
[window]
opens = "eggs"
closes = "larvae"
"#;

/// Lives through the season that `script` describes and compares what happened with `wanted`.
///
/// Statements, each ended by `;` (days are month-day): `year Y`, `midge`, `years N` of past record, `latency N` days, `speed F` (all heat
/// times F), `region when-confirmed|unless-held`, `set FIELD VALUE` of the policy, `heat A..B X` (°C·day a day),
/// `gap A..B` (no station has it, filled afterwards), `filled A..B` (filled at once), `revised DAY A..B X` (known as X
/// from DAY on), `down A..B` (the service is off), `report DAY STAGE|none [unconfirmed]`,
/// `elsewhere` (the reports are of another region), `hold|confirm|cancel DAY KIND`, `ask DAY KIND` (its answer in
/// full), `pages` (what the region's page says, whenever that changes), `from before` the season, whose last day before is
/// `eve`, `to DAY|over` the season.
fn check(script: &str, wanted: &[&str]) {
    let happened = World::read(script).live();
    assert_eq!(happened, wanted, "\nscript: {script}");
}

struct World {
    profile: Profile,
    policy: Policy,
    year: i32,
    release: Release,
    past_years: i32,
    latency: u64,
    speed: f64,
    heat: Vec<(Span, f64)>,
    revised: Vec<(NaiveDate, Span, f64)>,
    gaps: Vec<Span>,
    filled: Vec<Span>,
    down: Vec<Span>,
    reports: Vec<FieldReport>,
    staff: Vec<(NaiveDate, String, NoticeKind)>,
    ask: Vec<(NaiveDate, NoticeKind)>,
    pages: bool,
    from: NaiveDate,
    to: NaiveDate,
    told: Vec<DecidedNotice>,
    waits_since: BTreeMap<NoticeKind, NaiveDate>,
    happened: Vec<String>,
}

#[derive(Clone, Copy)]
struct Span(NaiveDate, NaiveDate);

impl Span {
    fn holds(self, day: NaiveDate) -> bool {
        self.0 <= day && day <= self.1
    }
}

impl World {
    fn read(script: &str) -> Self {
        let statements: Vec<Vec<&str>> = script
            .split(';')
            .map(|statement| statement.split_whitespace().collect())
            .filter(|words: &Vec<_>| !words.is_empty())
            .collect();
        let midge = statements.iter().any(|words| words[0] == "midge");
        let profile =
            if midge { Profile::parse(LANTERN_MIDGE).expect("sound") } else { Profile::pinyon_needle_scale() };
        let year =
            statements.iter().find(|words| words[0] == "year").map_or(2019, |words| words[1].parse().expect("year"));
        let first = profile.first_day(year);
        let day = |text: &str| -> NaiveDate {
            if text == "eve" {
                return first - Days::new(1);
            }
            let autumn = midge && text >= "10-01";
            format!("{}-{text}", if autumn { year - 1 } else { year }).parse().expect("a day")
        };
        let span = |text: &str| {
            text.split_once("..").map_or_else(|| Span(day(text), day(text)), |(a, b)| Span(day(a), day(b)))
        };
        let number = |text: &str| -> f64 { text.parse().expect("a number") };
        let kind = |text: &str| NoticeKind::parse(text).expect("a kind of notice");
        let mut world = Self {
            policy: Policy::default(),
            year,
            release: Release::AtOnce,
            past_years: 12,
            latency: 1,
            speed: 1.0,
            heat: vec![],
            revised: vec![],
            gaps: vec![],
            filled: vec![],
            down: vec![],
            reports: vec![],
            staff: vec![],
            ask: vec![],
            pages: false,
            from: first,
            to: day(if midge { "03-01" } else { "05-31" }),
            told: vec![],
            waits_since: BTreeMap::new(),
            happened: vec![],
            profile,
        };
        for words in &statements {
            match words.as_slice() {
                ["midge"] | ["year", _] => {}
                ["years", n] => world.past_years = n.parse().expect("a count"),
                ["latency", n] => world.latency = n.parse().expect("days"),
                ["speed", f] => world.speed = number(f),
                ["region", "when-confirmed"] => world.release = Release::WhenConfirmed,
                ["region", "unless-held"] => world.release = Release::UnlessHeld { hours: 48 },
                ["set", "too_late_on", _] => world.policy.too_late_on = true,
                ["set", "inspect_chance", x] => world.policy.inspect_chance = number(x),
                ["set", "filled_share_limit", x] => world.policy.filled_share_limit = number(x),
                ["set", "useful_inspect", x] => world.policy.useful_days.inspect_now = number(x) as u32,
                ["heat", days, x] => world.heat.push((span(days), number(x))),
                ["revised", on, days, x] => world.revised.push((day(on), span(days), number(x))),
                ["gap", days] => world.gaps.push(span(days)),
                ["filled", days] => world.filled.push(span(days)),
                ["down", days] => world.down.push(span(days)),
                ["report", on, stage, rest @ ..] => world.reports.push(FieldReport {
                    id: format!("r{}", world.reports.len() + 1),
                    region: "here".into(),
                    observed_on: day(on),
                    stage: (*stage != "none").then(|| (*stage).into()),
                    confirmed: rest != ["unconfirmed"],
                }),
                [act @ ("hold" | "confirm" | "cancel"), on, what] => {
                    world.staff.push((day(on), (*act).to_owned(), kind(what)));
                }
                ["ask", on, what] => world.ask.push((day(on), kind(what))),
                ["pages"] => world.pages = true,
                ["to", "over"] => world.to = world.profile.last_day(year) + Days::new(2),
                ["to", on] => world.to = day(on),
                ["from", "before"] => world.from = world.from - Days::new(2),
                ["elsewhere"] => world.reports.iter_mut().for_each(|report| report.region = "there".into()),
                other => panic!("no statement {other:?}"),
            }
        }
        world
    }

    /// The heat of a day as it is known on `known`.
    fn degree_days(&self, day: NaiveDate, known: NaiveDate) -> f64 {
        let normal = NORMAL[day.month0() as usize] * self.speed;
        let told = self.heat.iter().rev().find(|(span, _)| span.holds(day)).map_or(normal, |(_, heat)| *heat);
        let revised = self.revised.iter().rev().find(|(since, span, _)| *since <= known && span.holds(day));
        revised.map_or(told, |(_, _, heat)| *heat)
    }

    /// The station's days as known on a morning.
    fn days(&self, known: NaiveDate) -> Vec<FilledDay> {
        let first = self.profile.first_day(self.year);
        let Some(last) = known.checked_sub_days(Days::new(self.latency)) else { return vec![] };
        let gap = |day: NaiveDate| self.gaps.iter().any(|span| span.holds(day));
        let mut days: Vec<FilledDay> = first
            .iter_days()
            .take_while(|day| *day <= last)
            .map(|day| {
                let filled = gap(day) || self.filled.iter().any(|span| span.holds(day));
                let origin = if filled { DayOrigin::Neighbour { station: "next".into() } } else { DayOrigin::Observed };
                FilledDay { day, temperatures: of_heat(self.degree_days(day, known)), origin }
            })
            .collect();
        // A gap is filled once there is a day after it.
        while days.last().is_some_and(|day| gap(day.day)) {
            days.pop();
        }
        days
    }

    /// Twelve years of the same months, from a fifth colder to a fifth warmer: each year with its heat from the biofix on.
    fn past(&self) -> Vec<(i32, Vec<HeatDay>)> {
        (0..self.past_years)
            .map(|at| {
                let season = self.year - 20 + at;
                let warmth = self.speed * (0.8 + 0.4 * f64::from(at) / f64::from((self.past_years - 1).max(1)));
                let last = self.profile.last_day(season);
                let days: Vec<FilledDay> = self
                    .profile
                    .first_day(season)
                    .iter_days()
                    .take_while(|day| *day <= last)
                    .map(|day| FilledDay {
                        day,
                        temperatures: of_heat(NORMAL[day.month0() as usize] * warmth),
                        origin: DayOrigin::Observed,
                    })
                    .collect();
                (season, season_heat(&self.profile, season, &days))
            })
            .collect()
    }

    /// This season goes on as each past one did, by calendar day.
    fn ensemble(&self, heat: &[HeatDay], past: &[(i32, Vec<HeatDay>)]) -> Ensemble {
        let first = heat.last().map_or(self.profile.first_day(self.year), |last| last.day + Days::new(1));
        let last = self.profile.last_day(self.year);
        let members = past
            .iter()
            .map(|(season, then)| {
                let by_day: BTreeMap<NaiveDate, f64> = then.iter().map(|day| (day.day, day.degree_days)).collect();
                let on = |day: NaiveDate| {
                    let year = day.year() + season - self.year;
                    let then = day.with_year(year).or_else(|| NaiveDate::from_ymd_opt(year, 2, 28));
                    then.and_then(|then| by_day.get(&then).copied())
                };
                let days = first.iter_days().take_while(|day| *day <= last);
                Member { year: *season, degree_days: days.map_while(on).collect() }
            })
            .collect();
        Ensemble { first, members, forecast_days: 0, dressing: Dressing::default() }
    }

    fn outlook(&self, past: &[(i32, Vec<HeatDay>)], today: NaiveDate) -> Outlook {
        let season = SeasonKey { profile: self.profile.id.clone(), region: "here".into(), year: self.year };
        let heat = season_heat(&self.profile, self.year, &self.days(today));
        let ensemble = self.ensemble(&heat, past);
        make(&OutlookInput {
            season: &season,
            profile: &self.profile,
            policy: &self.policy,
            station: &"here".into(),
            today,
            heat: &heat,
            ensemble: &ensemble,
            reports: &self.reports(today),
            borrowed: None,
            forecast_fit: None,
            skill: &ForecastSkill::default(),
        })
    }

    /// What people have told by today.
    fn reports(&self, today: NaiveDate) -> Vec<FieldReport> {
        self.reports.iter().filter(|report| report.observed_on <= today).cloned().collect()
    }

    fn decide(&self, outlook: &Outlook, today: NaiveDate) -> Decision {
        decide(&Facts {
            profile: &self.profile,
            policy: &self.policy,
            release: self.release,
            outlook,
            told: &self.told,
            reports: &self.reports(today),
            today,
        })
    }

    fn live(mut self) -> Vec<String> {
        let past = self.past();
        let (from, to) = (self.from, self.to);
        let mut remarked = BTreeSet::new();
        let mut page = String::new();
        for today in from.iter_days().take_while(|day| *day <= to) {
            if self.down.iter().any(|span| span.holds(today)) {
                continue;
            }
            self.staff_acts(today);
            self.hours_pass(today);
            let outlook = self.outlook(&past, today);
            let decision = self.decide(&outlook, today);
            for (_, kind) in self.ask.clone().into_iter().filter(|(day, _)| *day == today) {
                self.happened.push(format!("{} {}", short(today), decision.answer(kind).expect("one a kind")));
            }
            self.carry_out(&decision, today);
            for remark in &decision.remarks {
                if remarked.insert(remark.key()) {
                    self.happened.push(format!("{} remark {}", short(today), remark.key()));
                }
            }
            let again = self.decide(&outlook, today);
            assert!(again.changes_nothing(), "decided again on {today}: {again:?}");
            let now = self.page(&outlook, today);
            if self.pages && now != page {
                self.happened.push(format!("{} page {now}", short(today)));
            }
            page = now;
        }
        let mut gone = BTreeMap::new();
        for told in &self.told {
            if let Standing::Released { on } = told.standing {
                assert_eq!(gone.insert(told.kind, on), None, "{:?} went out twice", told.kind);
            }
        }
        assert!(gone.values().is_sorted(), "out of order: {gone:?}");
        self.happened
    }

    /// What the region's page says after the cycle: its word, the heat's where that is another, and who stands behind it.
    fn page(&self, outlook: &Outlook, today: NaiveDate) -> String {
        let Shown { standing, by_heat, backing } =
            Shown::of(&self.profile, &self.policy, outlook, self.release, &self.told, today);
        // A word that calls for something is never ahead of what staff keep back.
        let kept_back = |kind| {
            self.told
                .iter()
                .any(|told| told.kind == kind && matches!(told.standing, Standing::Held | Standing::Cancelled))
        };
        assert!(standing.name() != "look" || !kept_back(NoticeKind::InspectNow), "{today}");
        assert!(standing.name() != "ready" || !kept_back(NoticeKind::GetReady), "{today}");
        if standing == by_heat {
            format!("{} {}", standing.name(), backing.name())
        } else {
            format!("{} for {} {}", standing.name(), by_heat.name(), backing.name())
        }
    }

    fn staff_acts(&mut self, today: NaiveDate) {
        for (_, act, kind) in self.staff.clone().into_iter().filter(|(day, ..)| *day == today) {
            let told = self.told.iter_mut().find(|told| told.kind == kind).expect("decided before");
            assert!(
                matches!(told.standing, Standing::Waiting { .. } | Standing::Held),
                "{kind:?} can still be stopped"
            );
            told.standing = match act.as_str() {
                "hold" => Standing::Held,
                "confirm" => Standing::Released { on: today },
                _ => Standing::Cancelled,
            };
            self.happened.push(format!("{} {} {act}", short(today), kind.name()));
        }
    }

    /// What nobody held within its 48 hours goes.
    fn hours_pass(&mut self, today: NaiveDate) {
        for told in &mut self.told {
            let due = self.waits_since.get(&told.kind).is_some_and(|since| *since + Days::new(2) <= today);
            if due && told.standing == (Standing::Waiting { approval_needed: None }) {
                told.standing = Standing::Released { on: today };
                self.happened.push(format!("{} {} out", short(today), told.kind.name()));
            }
        }
    }

    fn carry_out(&mut self, decision: &Decision, today: NaiveDate) {
        for verdict in &decision.verdicts {
            let what = match &verdict.answer {
                Answer::Announce(terms) => leaves(terms, today),
                Answer::Free(terms) => format!("freed, {}", leaves(terms, today)),
                Answer::AskFirst { approval_needed } => format!("stopped ({})", tag(approval_needed, "word_needed")),
                Answer::Skip { reason } => format!("skipped ({})", tag(reason, "skipped")),
                Answer::Quiet { .. } => continue,
            };
            self.waits_since.insert(verdict.kind, today);
            self.happened.push(format!("{} {} {what}", short(today), verdict.kind.name()));
        }
        self.told = carried_out(&self.told, decision, today);
    }
}

fn leaves(terms: &Terms, today: NaiveDate) -> String {
    assert!(terms.expires_on >= today, "announced past its use: {terms:?}");
    assert_eq!(terms.approval_needed.is_some(), terms.release == Release::WhenConfirmed, "{terms:?}");
    let ground = tag(&terms.reason, "ground");
    match (&terms.approval_needed, terms.release) {
        (Some(word), _) => format!("asks ({ground}, {})", tag(word, "word_needed")),
        (None, Release::AtOnce) => format!("out ({ground})"),
        (None, _) => format!("in 48 h ({ground})"),
    }
}

/// The name of a reason, as it is written in the store.
fn tag(reason: &impl serde::Serialize, field: &str) -> String {
    let json = serde_json::to_value(reason).expect("plain data");
    json[field].as_str().expect("tagged").to_owned()
}

fn of_heat(degree_days: f64) -> DayTemperatures {
    DayTemperatures { min_c: 4.0 + degree_days, max_c: 4.0 + degree_days }
}

fn short(day: NaiveDate) -> String {
    day.format("%m-%d").to_string()
}

/// One test a line: its name, what is unusual about the season, and what is to happen.
macro_rules! seasons {
    ($($name:ident: $script:literal => $($event:literal),*;)*) => {
        $(#[test] fn $name() { check($script, &[$($event),*]); })*
    };
}

seasons! {
    // What the page says beside what goes out.

    the_page_goes_with_the_notices: "pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready out (opening-near)", "03-07 page ready plain",
        "03-17 inspect-now out (begun-likely)", "03-17 page look plain",
        "04-16 last-days-to-wash out (close-near)", "04-16 page last plain", "04-23 page over plain";
    where_staff_confirm_the_page_waits_one_step_behind_the_heat:
        "region when-confirmed; confirm 03-09 get-ready; confirm 03-20 inspect-now; confirm 04-18 last-days-to-wash; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready asks (opening-near, by-policy)",
        "03-07 page quiet for ready awaited", "03-09 get-ready confirm", "03-09 page ready plain",
        "03-17 inspect-now asks (begun-likely, by-policy)", "03-17 page ready for look awaited",
        "03-20 inspect-now confirm", "03-20 page look plain", "04-16 last-days-to-wash asks (close-near, by-policy)",
        "04-16 page look for last awaited", "04-18 last-days-to-wash confirm", "04-18 page last plain",
        "04-23 page over plain";
    where_nobody_ever_confirms_the_page_stays_behind_until_it_is_over: "region when-confirmed; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready asks (opening-near, by-policy)",
        "03-07 page quiet for ready awaited", "03-17 inspect-now asks (begun-likely, by-policy)",
        "03-17 page ready for look awaited", "03-18 get-ready skipped (window-open)",
        "04-08 inspect-now skipped (past-use)", "04-08 last-days-to-wash skipped (inspect-never-sent)",
        "04-16 page ready for last awaited", "04-23 page over plain";
    what_staff_hold_the_page_does_not_call_out:
        "region unless-held; hold 03-18 inspect-now; confirm 03-25 inspect-now; pages; to 04-01" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready in 48 h (opening-near)",
        "03-07 page ready due", "03-09 get-ready out", "03-09 page ready plain",
        "03-17 inspect-now in 48 h (begun-likely)", "03-17 page look due", "03-18 inspect-now hold",
        "03-18 page ready for look held", "03-25 inspect-now confirm", "03-25 page look plain";
    what_staff_call_off_the_page_does_not_call_out: "region unless-held; cancel 03-18 inspect-now; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready in 48 h (opening-near)",
        "03-07 page ready due", "03-09 get-ready out", "03-09 page ready plain",
        "03-17 inspect-now in 48 h (begun-likely)", "03-17 page look due", "03-18 inspect-now cancel",
        "03-18 last-days-to-wash skipped (inspect-never-sent)", "03-18 page ready for look held",
        "04-16 page ready for last held", "04-23 page over plain";
    held_last_days_leave_the_page_at_look: "region unless-held; hold 04-17 last-days-to-wash; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready in 48 h (opening-near)",
        "03-07 page ready due", "03-09 get-ready out", "03-09 page ready plain",
        "03-17 inspect-now in 48 h (begun-likely)", "03-17 page look due", "03-19 inspect-now out",
        "03-19 page look plain", "04-16 last-days-to-wash in 48 h (close-near)", "04-16 page last due",
        "04-17 last-days-to-wash hold", "04-17 page look for last held",
        "04-23 last-days-to-wash skipped (window-closed)", "04-23 page over plain";
    doubtful_temperatures_leave_the_word_and_its_doubt: "filled 02-01..02-20; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready asks (opening-near, untrusted)",
        "03-07 page ready doubted", "03-17 inspect-now asks (begun-likely, untrusted)", "03-17 page look doubted",
        "04-08 get-ready skipped (past-use)", "04-08 inspect-now skipped (past-use)",
        "04-08 last-days-to-wash skipped (inspect-never-sent)", "04-16 page last doubted", "04-23 page over plain";
    what_a_person_saw_is_in_no_doubt: "filled 02-01..02-20; report 03-10 egg-laying-begins; pages" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready asks (opening-near, untrusted)",
        "03-07 page ready doubted", "03-10 get-ready skipped (window-open)", "03-10 inspect-now out (seen)",
        "03-10 remark seen-before-model/r1", "03-10 page look plain",
        "04-11 last-days-to-wash asks (close-near, untrusted)", "04-11 page last doubted",
        "04-19 last-days-to-wash skipped (window-closed)", "04-19 page over plain";
    too_late_is_said_whatever_waits: "region when-confirmed; set too_late_on 1; confirm 03-09 get-ready; confirm 03-20 inspect-now; confirm 04-18 last-days-to-wash; pages; to 05-01" =>
        "01-01 page none plain", "01-02 page quiet plain", "03-07 get-ready asks (opening-near, by-policy)",
        "03-07 page quiet for ready awaited", "03-09 get-ready confirm", "03-09 page ready plain",
        "03-17 inspect-now asks (begun-likely, by-policy)", "03-17 page ready for look awaited",
        "03-20 inspect-now confirm", "03-20 page look plain", "04-16 last-days-to-wash asks (close-near, by-policy)",
        "04-16 page look for last awaited", "04-18 last-days-to-wash confirm", "04-18 page last plain",
        "04-23 too-late-to-wash asks (closed, by-policy)", "04-23 page over awaited";

    // The year's course.

    a_normal_year_rings_three_times: "" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    data_that_come_three_days_late_cost_one_day: "latency 3" =>
        "03-07 get-ready out (opening-near)", "03-18 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    a_record_up_to_this_very_day_rings_on_the_day_of_the_crossing: "latency 0" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (crossed)",
        "04-16 last-days-to-wash out (close-near)";
    a_heat_wave_in_february_rings_weeks_early: "heat 02-10..02-24 14" =>
        "02-18 get-ready out (opening-near)", "02-20 inspect-now out (begun-likely)",
        "03-26 last-days-to-wash out (close-near)";
    a_heat_wave_after_laying_began_brings_the_last_days_forward: "heat 03-18..04-10 20" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "03-28 last-days-to-wash out (close-near)";
    a_cold_march_rings_late: "heat 03-01..03-31 0.5" =>
        "03-26 get-ready out (opening-near)", "04-01 remark was-early/get-ready",
        "04-09 inspect-now out (begun-likely)", "05-01 last-days-to-wash out (close-near)";
    a_late_frost_after_get_ready_is_told_to_staff_and_inspect_now_waits: "heat 03-12..03-31 0" =>
        "03-07 get-ready out (opening-near)", "03-16 remark was-early/get-ready",
        "04-04 inspect-now out (begun-likely)", "04-27 last-days-to-wash out (close-near)";
    a_cold_april_puts_the_last_days_off: "heat 03-18..05-10 0.5" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "05-25 last-days-to-wash out (close-near)";
    a_place_too_cold_for_the_insect_stays_silent: "speed 0.03; to over" =>
        ;
    a_short_season_rings_in_august_and_ends_without_a_hatch: "speed 0.1; to over" =>
        "08-15 get-ready out (opening-near)", "08-25 inspect-now out (begun-likely)";

    // Many places, one day.

    on_the_same_day_the_southernmost_region_hears_of_the_last_days: "speed 1.8; to 03-19; ask 03-19 last-days-to-wash" =>
        "02-14 get-ready out (opening-near)", "02-25 inspect-now out (begun-likely)",
        "03-19 announce at once, of use to 2019-03-26: close likely on 2019-03-26, 7 days off",
        "03-19 last-days-to-wash out (close-near)";
    and_the_highest_region_hears_nothing_yet: "speed 0.35; to 03-19; ask 03-19 get-ready" =>
        "03-19 quiet: opening not likely before 2019-05-08";
    the_highest_region_has_the_same_course_in_may_and_june: "speed 0.35; to 07-15" =>
        "04-29 get-ready out (opening-near)", "05-09 inspect-now out (begun-likely)",
        "06-28 last-days-to-wash out (close-near)";

    // The calendar.

    a_leap_day_brings_its_heat: "year 2020; heat 02-29 26" =>
        "03-02 get-ready out (opening-near)", "03-12 inspect-now out (begun-likely)",
        "04-12 last-days-to-wash out (close-near)";
    past_years_without_a_leap_day_project_a_leap_year: "year 2020" =>
        "03-06 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-15 last-days-to-wash out (close-near)";
    before_its_season_a_region_is_silent: "from before; to 01-01; ask eve get-ready; ask 01-01 get-ready" =>
        "12-31 quiet: season begins on 2019-01-01", "01-01 quiet: opening not likely before 2019-03-16";
    a_season_that_crosses_the_year_boundary_is_named_by_the_year_of_its_stages: "midge" =>
        "12-23 get-ready out (opening-near)", "01-02 inspect-now out (begun-likely)",
        "02-04 last-days-to-wash out (close-near)";
    a_season_may_be_told_wholly_before_the_year_it_is_named_by: "midge; year 2021; heat 12-15..12-31 4" =>
        "12-17 get-ready out (opening-near)", "12-20 inspect-now out (crossed)",
        "01-21 last-days-to-wash out (close-near)";
    an_outage_over_the_year_boundary_still_rings: "midge; down 12-20..01-05" =>
        "01-06 get-ready skipped (window-open)", "01-06 inspect-now out (crossed)",
        "02-04 last-days-to-wash out (close-near)";
    a_report_in_december_belongs_to_the_season_of_the_next_year: "midge; report 12-30 eggs" =>
        "12-23 get-ready out (opening-near)", "12-30 inspect-now out (seen)", "12-30 remark seen-before-model/r1",
        "02-01 last-days-to-wash out (close-near)";

    // Gaps and filled days.

    a_short_gap_in_january_holds_up_nothing: "gap 01-05..01-12" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    a_gap_over_the_crossing_waits_on_the_chance_of_a_sound_sum: "gap 03-14..03-20" =>
        "03-07 get-ready out (opening-near)", "03-18 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    a_crossing_on_filled_days_asks_until_an_observed_day_confirms_it: "heat 03-10..03-31 3; filled 03-19..03-27" =>
        "03-07 get-ready out (opening-near)", "03-19 remark was-early/get-ready",
        "03-22 inspect-now asks (begun-likely, not-on-real-days)", "03-29 inspect-now freed, out (crossed)",
        "04-21 last-days-to-wash out (close-near)";
    a_gap_longer_than_the_age_limit_asks: "gap 03-11..03-24" =>
        "03-07 get-ready out (opening-near)", "03-18 inspect-now asks (begun-likely, untrusted)",
        "04-05 inspect-now freed, out (crossed)", "04-16 last-days-to-wash out (close-near)";
    a_record_silent_for_good_asks_and_then_skips: "gap 03-01..05-31" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-20 inspect-now asks (begun-likely, untrusted)",
        "05-01 get-ready skipped (window-closed)", "05-01 inspect-now skipped (window-closed)",
        "05-01 last-days-to-wash skipped (window-closed)";
    too_much_filled_asks_for_every_notice_and_none_goes_out_unconfirmed: "filled 02-20..03-31" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-17 inspect-now asks (begun-likely, untrusted)",
        "04-08 get-ready skipped (past-use)", "04-08 inspect-now skipped (past-use)",
        "04-08 last-days-to-wash skipped (inspect-never-sent)";
    staff_may_confirm_what_the_record_cannot: "filled 02-01..03-31; confirm 03-10 get-ready; confirm 03-18 inspect-now; confirm 04-18 last-days-to-wash" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-10 get-ready confirm",
        "03-17 inspect-now asks (begun-likely, untrusted)", "03-18 inspect-now confirm",
        "04-16 last-days-to-wash asks (close-near, untrusted)", "04-18 last-days-to-wash confirm";
    a_notice_is_freed_once_the_record_is_sound_again: "filled 01-20..01-30" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-16 get-ready freed, out (opening-near)",
        "03-17 inspect-now out (begun-likely)", "04-16 last-days-to-wash out (close-near)";
    data_a_week_old_ask: "latency 7" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-18 inspect-now asks (begun-likely, untrusted)",
        "04-08 get-ready skipped (past-use)", "04-08 inspect-now skipped (past-use)",
        "04-08 last-days-to-wash skipped (inspect-never-sent)";
    too_few_past_years_ask: "years 3" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-17 inspect-now asks (begun-likely, untrusted)",
        "04-08 get-ready skipped (past-use)", "04-08 inspect-now skipped (past-use)",
        "04-08 last-days-to-wash skipped (inspect-never-sent)";
    without_past_years_only_the_crossing_itself_asks: "years 0" =>
        "03-18 inspect-now asks (crossed, untrusted)", "04-08 get-ready skipped (past-use)",
        "04-08 inspect-now skipped (past-use)", "04-08 last-days-to-wash skipped (inspect-never-sent)";

    // Revised data.

    new_data_never_sends_twice: "revised 03-20 03-01..03-16 9" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-08 last-days-to-wash out (close-near)";
    a_notice_that_revised_data_shows_as_early_is_told_to_staff: "revised 03-20 03-01..03-16 3" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "03-20 remark was-early/get-ready", "03-20 remark was-early/inspect-now",
        "04-20 last-days-to-wash out (close-near)";
    a_notice_early_by_less_than_the_limit_is_not_worth_a_word: "revised 03-20 03-16..03-17 1" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-17 last-days-to-wash out (close-near)";
    a_crossing_that_revised_data_takes_back_is_not_sent_again: "revised 04-01 02-01..02-28 0" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-01 remark was-early/get-ready", "04-01 remark was-early/inspect-now",
        "04-26 last-days-to-wash out (close-near)";
    revised_data_that_show_an_earlier_crossing_ring_at_once: "revised 03-10 02-01..02-28 6" =>
        "03-07 get-ready out (opening-near)", "03-10 inspect-now out (crossed)",
        "04-05 last-days-to-wash out (close-near)";
    revised_data_stop_a_notice_that_still_waits_for_its_hour: "region unless-held; revised 03-18 02-01..02-28 0" =>
        "03-07 get-ready in 48 h (opening-near)", "03-09 get-ready out", "03-17 inspect-now in 48 h (begun-likely)",
        "03-18 inspect-now stopped (now-too-early)", "03-18 remark was-early/get-ready",
        "04-02 inspect-now freed, in 48 h (begun-likely)", "04-04 inspect-now out",
        "04-26 last-days-to-wash in 48 h (close-near)", "04-28 last-days-to-wash out";
    a_record_that_goes_bad_stops_a_notice_that_still_waits_for_its_hour: "region unless-held; heat 03-10..03-12 6.2; gap 03-13..03-20" =>
        "03-07 get-ready in 48 h (opening-near)", "03-09 get-ready out", "03-17 inspect-now in 48 h (begun-likely)",
        "03-18 inspect-now stopped (untrusted)", "03-22 inspect-now freed, in 48 h (crossed)",
        "03-24 inspect-now out", "04-15 last-days-to-wash in 48 h (close-near)", "04-17 last-days-to-wash out";

    // Outages of the service.

    an_outage_over_get_ready_sends_it_while_of_use: "down 03-05..03-12" =>
        "03-13 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    an_outage_over_the_crossing_sends_inspect_now_while_of_use: "down 03-10..03-25" =>
        "03-07 get-ready out (opening-near)", "03-26 inspect-now out (crossed)",
        "04-16 last-days-to-wash out (close-near)";
    an_outage_over_both_sends_the_later_one_only: "down 03-05..03-20" =>
        "03-21 get-ready skipped (window-open)", "03-21 inspect-now out (crossed)",
        "04-16 last-days-to-wash out (close-near)";
    an_outage_of_more_than_its_use_skips_inspect_now_with_a_record: "down 03-10..04-10" =>
        "03-07 get-ready out (opening-near)", "04-11 inspect-now skipped (past-use)",
        "04-11 last-days-to-wash skipped (inspect-never-sent)";
    what_is_still_of_use_by_the_policy_goes_out_late: "set useful_inspect 60; down 03-10..04-20" =>
        "03-07 get-ready out (opening-near)", "04-21 inspect-now out (crossed)",
        "04-22 last-days-to-wash out (close-near)";
    last_days_go_out_a_day_after_inspect_now_at_the_earliest: "set useful_inspect 60; down 03-10..04-18" =>
        "03-07 get-ready out (opening-near)", "04-19 inspect-now out (crossed)",
        "04-20 last-days-to-wash out (close-near)";
    an_outage_into_the_last_days_sends_them_late: "down 03-18..04-20" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-21 last-days-to-wash out (close-near)";
    an_outage_past_the_hatch_skips_the_last_days: "down 03-18..05-01" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "05-02 last-days-to-wash skipped (window-closed)";
    a_whole_window_missed_is_a_record_of_three: "down 03-01..05-15" =>
        "05-16 get-ready skipped (window-closed)", "05-16 inspect-now skipped (window-closed)",
        "05-16 last-days-to-wash skipped (window-closed)";

    // What people saw.

    a_field_report_before_the_model_rings_and_brings_the_hatch_forward: "report 03-08 egg-laying-begins" =>
        "03-07 get-ready out (opening-near)", "03-08 inspect-now out (seen)", "03-08 remark seen-before-model/r1",
        "04-10 last-days-to-wash out (close-near)";
    a_field_report_before_get_ready_takes_its_place: "report 02-20 egg-laying-begins" =>
        "02-20 get-ready skipped (window-open)", "02-20 inspect-now out (seen)", "02-20 remark seen-before-model/r1",
        "04-02 last-days-to-wash out (close-near)";
    a_field_report_after_the_model_changes_nothing: "report 03-20 egg-laying-begins" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    an_unconfirmed_field_report_only_makes_a_remark: "report 03-10 egg-laying-begins unconfirmed" =>
        "03-07 get-ready out (opening-near)", "03-10 remark report-unconfirmed/r1",
        "03-17 inspect-now out (begun-likely)", "04-16 last-days-to-wash out (close-near)";
    looked_and_saw_none_before_the_crossing_agrees_with_the_model: "report 03-10 none" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    looked_and_saw_none_after_the_crossing_is_remarked_and_stops_nothing: "report 03-20 none unconfirmed" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)", "03-20 remark saw-none/r1",
        "04-16 last-days-to-wash out (close-near)";
    a_field_report_frees_a_notice_that_the_record_could_not: "filled 02-20..03-31; report 03-20 egg-laying-begins" =>
        "03-07 get-ready asks (opening-near, untrusted)", "03-17 inspect-now asks (begun-likely, untrusted)",
        "03-20 get-ready skipped (window-open)", "03-20 inspect-now freed, out (seen)",
        "04-16 last-days-to-wash asks (close-near, untrusted)", "04-23 last-days-to-wash skipped (window-closed)";
    a_field_report_needs_no_past_years: "years 0; report 03-10 egg-laying-begins" =>
        "03-10 get-ready skipped (window-open)", "03-10 inspect-now out (seen)", "03-10 remark seen-before-model/r1",
        "04-20 last-days-to-wash skipped (window-closed)";
    a_report_of_hatched_eggs_closes_the_window: "report 04-10 eggs-hatch" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-10 last-days-to-wash skipped (window-closed)", "04-10 remark seen-before-model/r1";
    a_report_of_another_region_counts_for_nothing: "report 03-08 egg-laying-begins; elsewhere" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)";
    a_report_of_an_unknown_stage_is_remarked: "report 03-08 needles-drop" =>
        "03-07 get-ready out (opening-near)", "03-08 remark report-of-unknown-stage/r1",
        "03-17 inspect-now out (begun-likely)", "04-16 last-days-to-wash out (close-near)";

    // Staff and the region's policy.

    a_region_that_confirms_hears_what_is_confirmed: "region when-confirmed; confirm 03-08 get-ready; confirm 03-19 inspect-now; confirm 04-17 last-days-to-wash" =>
        "03-07 get-ready asks (opening-near, by-policy)", "03-08 get-ready confirm",
        "03-17 inspect-now asks (begun-likely, by-policy)", "03-19 inspect-now confirm",
        "04-16 last-days-to-wash asks (close-near, by-policy)", "04-17 last-days-to-wash confirm";
    a_region_that_confirms_hears_nothing_unconfirmed: "region when-confirmed" =>
        "03-07 get-ready asks (opening-near, by-policy)", "03-17 inspect-now asks (begun-likely, by-policy)",
        "03-18 get-ready skipped (window-open)", "04-08 inspect-now skipped (past-use)",
        "04-08 last-days-to-wash skipped (inspect-never-sent)";
    get_ready_lapses_when_inspect_now_is_confirmed_first: "region when-confirmed; confirm 03-18 inspect-now" =>
        "03-07 get-ready asks (opening-near, by-policy)", "03-17 inspect-now asks (begun-likely, by-policy)",
        "03-18 inspect-now confirm", "03-18 get-ready skipped (window-open)",
        "04-16 last-days-to-wash asks (close-near, by-policy)", "04-23 last-days-to-wash skipped (window-closed)";
    a_notice_that_may_be_held_leaves_at_its_hour: "region unless-held" =>
        "03-07 get-ready in 48 h (opening-near)", "03-09 get-ready out", "03-17 inspect-now in 48 h (begun-likely)",
        "03-19 inspect-now out", "04-16 last-days-to-wash in 48 h (close-near)", "04-18 last-days-to-wash out";
    a_held_notice_waits_for_its_release: "region unless-held; hold 03-18 inspect-now; confirm 03-25 inspect-now" =>
        "03-07 get-ready in 48 h (opening-near)", "03-09 get-ready out", "03-17 inspect-now in 48 h (begun-likely)",
        "03-18 inspect-now hold", "03-25 inspect-now confirm", "04-16 last-days-to-wash in 48 h (close-near)",
        "04-18 last-days-to-wash out";
    a_notice_held_past_its_use_is_skipped: "region unless-held; hold 03-18 inspect-now" =>
        "03-07 get-ready in 48 h (opening-near)", "03-09 get-ready out", "03-17 inspect-now in 48 h (begun-likely)",
        "03-18 inspect-now hold", "04-08 inspect-now skipped (past-use)",
        "04-08 last-days-to-wash skipped (inspect-never-sent)";
    a_held_get_ready_is_overtaken_by_inspect_now: "region unless-held; hold 03-08 get-ready" =>
        "03-07 get-ready in 48 h (opening-near)", "03-08 get-ready hold", "03-17 get-ready skipped (overtaken)",
        "03-17 inspect-now in 48 h (begun-likely)", "03-19 inspect-now out",
        "04-16 last-days-to-wash in 48 h (close-near)", "04-18 last-days-to-wash out";
    staff_may_confirm_before_the_hour: "region unless-held; confirm 03-08 get-ready" =>
        "03-07 get-ready in 48 h (opening-near)", "03-08 get-ready confirm",
        "03-17 inspect-now in 48 h (begun-likely)", "03-19 inspect-now out",
        "04-16 last-days-to-wash in 48 h (close-near)", "04-18 last-days-to-wash out";
    a_cancelled_get_ready_does_not_stop_inspect_now: "region unless-held; cancel 03-08 get-ready" =>
        "03-07 get-ready in 48 h (opening-near)", "03-08 get-ready cancel",
        "03-17 inspect-now in 48 h (begun-likely)", "03-19 inspect-now out",
        "04-16 last-days-to-wash in 48 h (close-near)", "04-18 last-days-to-wash out";
    a_cancelled_inspect_now_ends_the_season: "region when-confirmed; cancel 03-18 inspect-now" =>
        "03-07 get-ready asks (opening-near, by-policy)", "03-17 inspect-now asks (begun-likely, by-policy)",
        "03-18 inspect-now cancel", "03-18 get-ready skipped (window-open)",
        "03-18 last-days-to-wash skipped (inspect-never-sent)";
    a_notice_still_waiting_when_the_season_ends_is_skipped: "region when-confirmed; speed 0.0747; to over" =>
        "12-02 get-ready asks (opening-near, by-policy)", "12-12 inspect-now asks (begun-likely, by-policy)",
        "12-13 get-ready skipped (window-open)", "01-01 inspect-now skipped (season-over)";

    // Too late to wash.

    too_late_is_off_by_default: "ask 05-20 too-late-to-wash" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)", "05-20 quiet: switched off";
    too_late_goes_out_where_switched_on: "set too_late_on 1" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-16 last-days-to-wash out (close-near)", "04-23 too-late-to-wash out (closed)";
    too_late_by_a_field_report_comes_at_once: "set too_late_on 1; report 04-10 eggs-hatch" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "04-10 last-days-to-wash skipped (window-closed)", "04-10 too-late-to-wash out (closed)",
        "04-10 remark seen-before-model/r1";
    too_late_after_an_outage_skips_the_others: "set too_late_on 1; down 03-01..05-10" =>
        "05-11 get-ready skipped (window-closed)", "05-11 inspect-now skipped (window-closed)",
        "05-11 last-days-to-wash skipped (window-closed)", "05-11 too-late-to-wash out (closed)";
    too_late_itself_past_its_use_is_skipped: "set too_late_on 1; down 03-18..05-20" =>
        "03-07 get-ready out (opening-near)", "03-17 inspect-now out (begun-likely)",
        "05-21 last-days-to-wash skipped (window-closed)", "05-21 too-late-to-wash skipped (past-use)";
}

/// The commands that look at profiles.
mod commands {
    use assert_cmd::Command;
    use predicates::prelude::*;

    use super::LANTERN_MIDGE;

    fn treebell() -> (Command, tempfile::TempDir) {
        let folder = tempfile::tempdir().expect("a folder");
        let mut command = Command::cargo_bin("treebell").expect("built");
        command.current_dir(folder.path()).arg("profile");
        (command, folder)
    }

    #[test]
    fn a_shown_profile_names_its_numbers_their_origin_and_that_they_are_provisional() {
        let (mut command, _folder) = treebell();
        let shows = |text: &'static str| predicate::str::contains(text);
        command.arg("show").assert().success().stdout(
            shows("PROVISIONAL")
                .and(shows("214 °C·day (385 °F·day) after biofix"))
                .and(shows("lower threshold 4 °C (39.2 °F)"))
                .and(shows("Baskerville and Emin 1969")),
        );
    }

    #[test]
    fn a_second_insect_is_a_second_file() {
        let (mut command, folder) = treebell();
        std::fs::create_dir(folder.path().join("insects")).expect("made");
        std::fs::write(folder.path().join("insects/midge.toml"), LANTERN_MIDGE).expect("written");
        std::fs::write(folder.path().join("treebell.toml"), "[profiles]\nfolder = \"insects\"\n").expect("written");
        command.args(["show", "lantern-midge"]).assert().success().stdout(
            predicate::str::contains("lantern midge (mosquito farol)")
                .and(predicate::str::contains("October 1 of the year before the season's name")),
        );
    }

    #[test]
    fn a_printed_profile_passes_the_check_and_a_faulty_one_says_where_with_exit_code_4() {
        let (mut command, folder) = treebell();
        let printed = command.args(["show", "pinyon-needle-scale", "--toml"]).output().expect("ran").stdout;
        let printed = String::from_utf8(printed).expect("text");
        std::fs::write(folder.path().join("good.toml"), &printed).expect("written");
        let faulty = printed.replace("closes =", "closs =").replace("days = 14", "days = 0");
        std::fs::write(folder.path().join("bad.toml"), faulty).expect("written");
        let check = |files: &[&str]| {
            let mut command = Command::cargo_bin("treebell").expect("built");
            command.current_dir(folder.path()).args(["profile", "check"]).args(files).assert()
        };
        check(&["good.toml"])
            .success()
            .stdout(predicate::str::contains("good.toml: sound: profile pinyon-needle-scale"));
        check(&["good.toml", "bad.toml"]).code(4).stderr(
            predicate::str::contains("bad.toml: stages[3].days: 0 is not what is wanted: a whole number from 1 to 366")
                .and(predicate::str::contains("good.toml").not()),
        );
        check(&["none.toml"]).code(2).stderr(predicate::str::contains("none.toml cannot be read"));
    }

    #[test]
    fn an_unknown_profile_is_refused_with_those_that_are_known() {
        let (mut command, _folder) = treebell();
        let says = predicate::str::contains("no profile `scale`; known: pinyon-needle-scale");
        command.args(["show", "scale"]).assert().code(2).stderr(says);
    }
}

mod laws {
    use proptest::prelude::*;
    use treebell::season::decide::{ApprovalNeeded, SkipReason};
    use treebell::season::{DateSpread, Reached, ReachedBy, RecordTrust, StageId, StageOutlook};

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
                StageOutlook { stage: id.clone(), at_sum, reached, spread, dates, not_reached, past: None }
            },
        )
    }

    fn any_outlook() -> impl Strategy<Value = Outlook> {
        let stages: Vec<_> =
            Profile::pinyon_needle_scale().stages.iter().map(|stage| any_stage(stage.id.clone())).collect();
        let days = [(); 2].map(|()| proptest::option::of(any_day()));
        (stages, any_trust(), days, 0.0..500.0, 0.0..1.0, any_day()).prop_map(
            |(stages, trust, [last_day, newest_real_day], heat_sum, real, today)| Outlook {
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
            },
        )
    }

    fn any_told() -> impl Strategy<Value = Vec<DecidedNotice>> {
        let word =
            proptest::option::of(prop_oneof![Just(ApprovalNeeded::ByPolicy), Just(ApprovalNeeded::NotOnRealDays)]);
        let standing = prop_oneof![
            word.prop_map(|approval_needed| Standing::Waiting { approval_needed }),
            Just(Standing::Held),
            any_day().prop_map(|on| Standing::Released { on }),
            Just(Standing::Skipped),
            Just(Standing::Cancelled),
        ];
        proptest::collection::vec(proptest::option::of((any_day(), standing)), 4).prop_map(|told| {
            let kinds = NoticeKind::ALL.into_iter().zip(told);
            kinds
                .filter_map(|(kind, told)| {
                    told.map(|(decided_on, standing)| DecidedNotice { kind, decided_on, standing })
                })
                .collect()
        })
    }

    fn any_reports() -> impl Strategy<Value = Vec<FieldReport>> {
        let stage = prop_oneof![
            Just(None),
            Just(Some("no-such-stage".into())),
            (0..4usize).prop_map(|at| Some(Profile::pinyon_needle_scale().stages[at].id.clone())),
        ];
        let region = prop_oneof![9 => Just("here".to_owned()), 1 => Just("there".to_owned())];
        let report = (any_day(), stage, any::<bool>(), region).prop_map(|(observed_on, stage, confirmed, region)| {
            FieldReport { id: observed_on.to_string(), region: region.into(), observed_on, stage, confirmed }
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
        let profile = Profile::pinyon_needle_scale();
        let member = |at: u8| Member { year: 1990 + i32::from(at), degree_days: vec![1.0 + f64::from(at); 366] };
        let first = heat.last().map_or(date(0), |last| last.day + Days::new(1));
        let dressing = Dressing::default();
        make(&OutlookInput {
            season: &SeasonKey { profile: profile.id.clone(), region: "here".into(), year: 2019 },
            profile: &profile,
            policy: &Policy::default(),
            station: &"s".into(),
            today,
            heat,
            ensemble: &Ensemble { first, members: (0..years).map(member).collect(), forecast_days: 0, dressing },
            reports: &[],
            borrowed: None,
            forecast_fit: None,
            skill: &ForecastSkill::default(),
        })
    }

    fn decide_on(outlook: &Outlook, told: &[DecidedNotice], reports: &[FieldReport], release: Release) -> Decision {
        let (profile, policy) = (Profile::pinyon_needle_scale(), Policy { too_late_on: true, ..Policy::default() });
        let today = outlook.today;
        decide(&Facts { profile: &profile, policy: &policy, release, outlook, told, reports, today })
    }

    proptest! {
        /// Also on facts that contradict each other: one verdict a kind, nothing past its use, nothing untrusted that
        /// leaves unasked, nothing told twice, and a second look changes nothing.
        #[test]
        fn whatever_the_facts_deciding_again_changes_nothing(
            outlook in any_outlook(), told in any_told(), reports in any_reports(), release in any_release(),
        ) {
            let decision = decide_on(&outlook, &told, &reports, release);
            prop_assert_eq!(decision.verdicts.iter().map(|verdict| verdict.kind).collect::<Vec<_>>(), NoticeKind::ALL);
            for verdict in &decision.verdicts {
                let before = told.iter().find(|told| told.kind == verdict.kind).map(|told| &told.standing);
                match &verdict.answer {
                    Answer::Announce(terms) | Answer::Free(terms) => {
                        prop_assert!(terms.expires_on >= outlook.today);
                        prop_assert_eq!(terms.approval_needed.is_some(), terms.release == Release::WhenConfirmed);
                        let seen = reports.iter().any(|report| report.confirmed);
                        prop_assert!(terms.approval_needed.is_some() || outlook.trust == RecordTrust::Sound || seen);
                        prop_assert_eq!(before.is_some(), matches!(verdict.answer, Answer::Free(_)));
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
        /// the gap has healed needs none.)
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
            for (kind, day) in &cool {
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
                                SkipReason::InspectNeverSent => no_use(NoticeKind::InspectNow),
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
            first in any_day(), today in any_day(), reports in any_reports(),
        ) {
            let profile = Profile::pinyon_needle_scale();
            let filled: Vec<FilledDay> = days
                .into_iter()
                .map(|(day, min_c, max_c)| FilledDay {
                    day,
                    temperatures: DayTemperatures { min_c, max_c },
                    origin: DayOrigin::Observed,
                })
                .collect();
            let heat = season_heat(&profile, 2019, &filled);
            let members = vec![Member { year: 2000, degree_days: ahead.clone() }];
            let dressing = Dressing(BTreeMap::from([(7, ahead)]));
            let outlook = make(&OutlookInput {
                season: &SeasonKey { profile: profile.id.clone(), region: "here".into(), year: 2019 },
                profile: &profile,
                policy: &Policy::default(),
                station: &"s".into(),
                today,
                heat: &heat,
                ensemble: &Ensemble { first, members, forecast_days: 0, dressing },
                reports: &reports,
                borrowed: None,
                forecast_fit: None,
                skill: &ForecastSkill::default(),
            });
            prop_assert!(outlook.heat_sum.is_finite() && outlook.heat_sum >= 0.0);
            prop_assert_eq!(decide_on(&outlook, &[], &reports, Release::AtOnce).verdicts.len(), 4);
        }
    }
}
