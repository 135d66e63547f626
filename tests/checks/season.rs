//! Whole seasons in a line or two: what goes out, on which day, and why.
//!
//! A script says what is unusual about a season; [`check`] lives through it day by day as the service does (outlook,
//! decision, carried out, decided again) and compares what happened. The weather is invented: every day of a month
//! brings the same heat, so that dates can be worked out by hand. The normal year reaches the 214 °C·day of egg laying
//! on 17 March and the 464 of hatch on 23 April.

// Seasons of a profile that does not say how sure it is, and of the one that ships.
mod believed;
mod plain;
// What must hold whatever happens: on every day that is lived through, of one decision, and over seasons drawn at random.
mod watch;

mod laws;
mod living;

// What reports teach, and the window's days by hand.
mod belief;
mod days;

mod commands;
mod midge;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike, Days, NaiveDate};
use treebell::heat::projection::Dressing;
use treebell::heat::{DayOrigin, DayTemperatures, FilledDay};
use treebell::region::Release;
use treebell::season::belief::SeasonBelief;
use treebell::season::decide::{
    Answer, DecidedNotice, Decision, Facts, Standing, Terms, carried_out, decide, told_days,
};
use treebell::season::learning::{Detection, HeatedReport, Learned};
use treebell::season::outlook::{Ensemble, ForecastSkill, OutlookInput, Traces, make, season_heat};
use treebell::season::status::Shown;
use treebell::season::{
    FieldReport, HeatDay, NoticeKind, Observer, Outlook, Policy, Profile, SeasonKey, StageId, WindowDays,
};

use self::midge::LANTERN_MIDGE;
use self::watch::Watch;

/// °C·day per day of each month, January first.
const NORMAL: [f64; 12] = [1.5, 3.0, 5.0, 8.0, 10.0, 14.0, 16.0, 16.0, 12.0, 6.0, 2.0, 1.0];

/// Lives through the season that `script` describes and compares what happened with `wanted`.
///
/// Statements, each ended by `;` (days are month-day): `year Y`, `midge`, `plain` (the shipped profile without its spreads and
/// without how eggs spread over heat), `years N` of past record, `latency N` days, `speed F` (all heat
/// times F), `region when-confirmed|unless-held`, `set FIELD VALUE` of the policy, `heat A..B X` (°C·day a day),
/// `gap A..B` (no station has it, filled afterwards), `filled A..B` (filled at once), `revised DAY A..B X` (known as X
/// from DAY on), `down A..B` (the service is off), `report DAY STAGE|none [unconfirmed] [clean|unknown] [owner] [tree NAME]` (of
/// a tree that has the insect, unless it is clean or that is unknown), `elsewhere` (the reports are of another region),
/// `hold|confirm|cancel DAY KIND`, `ask DAY KIND` (its answer in full), `pages` (what the region's page says, whenever that
/// changes), `from before|DAY` (set up on that day), where the day before the season is `eve`, `to DAY|over` the season.
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
        let says = |word: &str| statements.iter().any(|words| words[0] == word);
        let midge = says("midge");
        let profile = match () {
            () if midge => Profile::parse(LANTERN_MIDGE).expect("sound"),
            () if says("plain") => plain_profile(),
            () => Profile::pinyon_needle_scale(),
        };
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
                ["midge" | "plain"] | ["year", _] => {}
                ["years", n] => world.past_years = n.parse().expect("a count"),
                ["latency", n] => world.latency = n.parse().expect("days"),
                ["speed", f] => world.speed = number(f),
                ["region", "when-confirmed"] => world.release = Release::WhenConfirmed,
                ["region", "unless-held"] => world.release = Release::UnlessHeld { hours: 48 },
                ["set", "too_late_on", x] => world.policy.too_late_on = number(x) > 0.0,
                ["set", "inspect_chance", x] => world.policy.inspect_chance = number(x),
                ["set", "filled_share_limit", x] => world.policy.filled_share_limit = number(x),
                ["set", "useful_inspect", x] => world.policy.useful_days.inspect_now = number(x) as u32,
                ["heat", days, x] => world.heat.push((span(days), number(x))),
                ["revised", on, days, x] => world.revised.push((day(on), span(days), number(x))),
                ["gap", days] => world.gaps.push(span(days)),
                ["filled", days] => world.filled.push(span(days)),
                ["down", days] => world.down.push(span(days)),
                ["report", on, stage, rest @ ..] => {
                    let id = format!("r{}", world.reports.len() + 1);
                    let seen = (*stage != "none").then(|| StageId::from(*stage));
                    let mut report = report_of(&world.profile, &id, day(on), seen);
                    let mut rest = rest.iter();
                    while let Some(word) = rest.next() {
                        match *word {
                            "unconfirmed" => report.confirmed = false,
                            "clean" => report.infested = Some(false),
                            "unknown" => report.infested = None,
                            "owner" => report.observer = Observer::Owner,
                            "tree" => report.tree = rest.next().map(|name| (*name).to_owned()),
                            other => panic!("no report is {other:?}"),
                        }
                    }
                    world.reports.push(report);
                }
                [act @ ("hold" | "confirm" | "cancel"), on, what] => {
                    world.staff.push((day(on), (*act).to_owned(), kind(what)));
                }
                ["ask", on, what] => world.ask.push((day(on), kind(what))),
                ["pages"] => world.pages = true,
                ["to", "over"] => world.to = world.profile.last_day(year) + Days::new(2),
                ["to", on] => world.to = day(on),
                ["from", "before"] => world.from = world.from - Days::new(2),
                ["from", on] => world.from = day(on),
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
    fn weather(&self, known: NaiveDate) -> Vec<FilledDay> {
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
        let futures: Vec<(i32, Vec<f64>)> = past
            .iter()
            .map(|(season, then)| {
                let by_day: BTreeMap<NaiveDate, f64> = then.iter().map(|day| (day.day, day.degree_days)).collect();
                let on = |day: NaiveDate| {
                    let year = day.year() + season - self.year;
                    let then = day.with_year(year).or_else(|| NaiveDate::from_ymd_opt(year, 2, 28));
                    then.and_then(|then| by_day.get(&then).copied())
                };
                let days = first.iter_days().take_while(|day| *day <= last);
                (*season, days.map_while(on).collect())
            })
            .collect();
        let traces = Traces::of(futures.iter().map(|(season, heat)| (*season, heat.as_slice())));
        Ensemble { first, traces, forecast_days: 0, dressing: Dressing::default() }
    }

    fn outlook(&self, past: &[(i32, Vec<HeatDay>)], today: NaiveDate) -> Outlook {
        let season = SeasonKey { profile: self.profile.id.clone(), region: "here".into(), year: self.year };
        let heat = season_heat(&self.profile, self.year, &self.weather(today));
        let ensemble = self.ensemble(&heat, past);
        make(&OutlookInput {
            season: &season,
            profile: &self.profile,
            belief: &self.belief(&heat, today),
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

    /// The profile's own, and what confirmed reports taught of it by today.
    fn belief(&self, heat: &[HeatDay], today: NaiveDate) -> SeasonBelief {
        let heat_on = |day: NaiveDate| heat.iter().take_while(|of| of.day <= day).last().map_or(0.0, |of| of.sum);
        let heated = |report: FieldReport| HeatedReport {
            heat: heat_on(report.observed_on),
            nothing_heat: report.nothing_on.map(heat_on),
            season: self.year,
            report,
        };
        let reports: Vec<HeatedReport> = self.reports(today).into_iter().map(heated).collect();
        let learned = Learned::from(&self.profile, self.year, &reports, &Detection::default());
        learned.of_region(&self.profile, &"here".into())
    }

    fn days(&self, outlook: &Outlook) -> WindowDays {
        WindowDays::of(&self.profile, &self.policy, outlook, told_days(&self.told))
    }

    fn decide(&self, outlook: &Outlook, today: NaiveDate) -> Decision {
        decide(&Facts {
            profile: &self.profile,
            policy: &self.policy,
            release: self.release,
            outlook,
            days: self.days(outlook),
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
        let mut watch = Watch::default();
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
            let (days, told) = (self.days(&outlook), self.told.clone());
            self.carry_out(&decision, today);
            let says_at_once = self.release == Release::AtOnce;
            watch.look(&watch::Day {
                profile: &self.profile,
                policy: &self.policy,
                outlook: &outlook,
                days,
                told: &told,
                decision: &decision,
                after: &self.told,
                says_at_once,
            });
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
        self.happened
    }

    /// What the region's page says after the cycle: its word, the heat's where that is another, and who stands behind it.
    fn page(&self, outlook: &Outlook, today: NaiveDate) -> String {
        let Shown { standing, by_heat, backing } =
            Shown::of(&self.profile, &self.policy, outlook, &self.days(outlook), self.release, &self.told);
        // A word that calls for something is never ahead of what staff keep back.
        let kept_back = |kind| {
            self.told
                .iter()
                .any(|told| told.kind == kind && matches!(told.standing, Standing::Held | Standing::Cancelled))
        };
        for (word, kind) in [
            ("ready", NoticeKind::GetReady),
            ("look", NoticeKind::InspectNow),
            ("wash", NoticeKind::WashNow),
            ("last", NoticeKind::LastDaysToWash),
        ] {
            assert!(standing.name() != word || !kept_back(kind), "{today}: {word}");
        }
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
                // Nothing happens: it waits on.
                Answer::Renew(_) => continue,
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
    let by = terms.deadline.map_or_else(String::new, |day| format!(" by {}", short(day)));
    match (&terms.approval_needed, terms.release) {
        (Some(word), _) => format!("asks ({ground}, {}){by}", tag(word, "word_needed")),
        (None, Release::AtOnce) => format!("out ({ground}){by}"),
        (None, _) => format!("in 48 h ({ground}){by}"),
    }
}

/// The name of a reason, as it is written in the store.
fn tag(reason: &impl serde::Serialize, field: &str) -> String {
    let json = serde_json::to_value(reason).expect("plain data");
    json[field].as_str().expect("tagged").to_owned()
}

/// The shipped profile without its spreads, and without how eggs spread over heat.
fn plain_profile() -> Profile {
    let mut profile = Profile::pinyon_needle_scale();
    profile.stages.iter_mut().for_each(|stage| stage.spread = None);
    profile.eggs = None;
    profile
}

/// Staff's confirmed report of a tree of its own that has the insect; of none, that egg laying had not begun there.
fn report_of(profile: &Profile, id: &str, on: NaiveDate, seen: Option<StageId>) -> FieldReport {
    FieldReport {
        id: id.to_owned(),
        region: "here".into(),
        observed_on: on,
        not_yet: seen.is_none().then(|| profile.window.opens.clone()),
        stage: seen,
        infested: Some(true),
        tree: None,
        observer: Observer::Staff,
        person: None,
        nothing_on: None,
        confirmed: true,
    }
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

use seasons;
