//! What field reports taught: the belief of each stage, what each report pulls, each region's dates; and learning frozen.

use std::sync::Arc;

use axum::extract::{Form, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{app_of, by, fault_of};
use super::sign_in::with_status;
use crate::chart::belief::draw;
use crate::chart::{HeatUnit, Look};
use crate::language::Language;
use crate::people::account::Deed;
use crate::region::RegionId;
use crate::season::phrases::{capitalised, date};
use crate::season::{DateSpread, Observer, Profile, days_between};
use crate::service::belief::dates::{Dates, RegionDates};
use crate::service::belief::learn::{Belief, Doubt, Idle, Range, Shown, StageBelief, Teacher, shown_of};
use crate::service::belief::picture::chart;
use crate::service::belief::{ChoiceFault, Chosen, choose};
use crate::service::desk::learning::{freeze, thawed_words};
use crate::service::desk::{DeskError, Word, local};
use crate::text::Chain;
use crate::units::c_to_f;
use crate::web::Fault;
use crate::web::cache::SVG;
use crate::web::forms::{Typed, field};
use crate::web::jobs::{PATIENCE, Stand};
use crate::web::views::CHART_WIDTHS;

/// What may stand behind `?done=`.
const DONE: [&str; 5] = ["frozen", "thawed", "already", "adopted", "later"];

/// So many seasons can be chosen.
const SEASONS: i32 = 12;

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let done = DONE.into_iter().find(|done| *done == field(&query, "done"));
    shown(&desk, &query, done, None).await
}

/// The picture of one stage.
pub(super) async fn picture(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let chosen = chosen(&desk, &query).await?.map_err(|_| Fault::NotFound)?;
    let Stand::Done(found) = known(&desk, &chosen).await? else { return Err(Fault::NotFound) };
    let stage = field(&query, "stage").into();
    let picture = chart(&chosen.profile, &found.belief, &found.regions, &stage, Language::En);
    let picture = picture.map_err(|_| Fault::NotFound)?;
    let wanted: u32 = field(&query, "w").parse().unwrap_or(CHART_WIDTHS[1]);
    let width = CHART_WIDTHS.into_iter().min_by_key(|width| width.abs_diff(wanted)).unwrap_or(CHART_WIDTHS[1]);
    let look =
        Look { width, language: Language::En, unit: Heat::of(&desk).unit(), dark_too: true, id: "belief".to_owned() };
    Ok(([(header::CONTENT_TYPE, SVG)], draw(&picture, &look)).into_response())
}

pub(super) async fn freeze_sent(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    frozen_or_thawed(&desk, &typed, true).await
}

pub(super) async fn thaw_sent(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    frozen_or_thawed(&desk, &typed, false).await
}

async fn frozen_or_thawed(desk: &Desk, typed: &Typed, is_frozen: bool) -> Result<Response, Fault> {
    let chosen = match chosen(desk, typed).await? {
        Ok(chosen) => chosen,
        Err(why) => return refused(desk, typed, why).await,
    };
    let why = field(typed, "why");
    let app = app_of(desk, Some(why))?;
    let done = match freeze(&app, &chosen, is_frozen, Word { by: by(desk), why: Some(why) }).await {
        Ok(true) if is_frozen => "frozen",
        Ok(true) => "thawed",
        Ok(false) => "already",
        Err(why @ DeskError::NoReports { .. }) => {
            return refused(desk, typed, capitalised(&why.to_string()) + ".").await;
        }
        Err(DeskError::Reason(why)) => {
            return refused(
                desk,
                typed,
                format!("Say why, in a few words without e-mail addresses or telephone numbers: {why}."),
            )
            .await;
        }
        Err(why) => return Err(fault_of(why)),
    };
    Ok(desk.to(&format!("{}&done={done}", path_of(&chosen))))
}

pub(super) async fn refused(desk: &Desk, typed: &Typed, why: String) -> Result<Response, Fault> {
    with_status(shown(desk, typed, None, Some(why)).await, StatusCode::UNPROCESSABLE_ENTITY)
}

/// The profile and season that were asked for; what cannot be had, in words.
pub(super) async fn chosen(desk: &Desk, asked: &Typed) -> Result<Result<Chosen, String>, Fault> {
    let given = |name: &str| Some(field(asked, name)).filter(|text| !text.is_empty());
    let season = given("season").map(str::parse::<i32>).transpose();
    let Ok(season) = season else { return Ok(Err("Give the year of a season, such as 2026.".to_owned())) };
    let profile = match given("profile") {
        Some(profile) => Some(profile.to_owned()),
        // Where regions have several, the first is shown.
        None => desk.site().app().store.regions().await?.first().map(|region| region.profile.clone()),
    };
    match choose(desk.site().app(), profile.as_deref(), season).await {
        Ok(chosen) => Ok(Ok(chosen)),
        Err(ChoiceFault::Store(why)) => Err(Fault::Store(why)),
        Err(why) => Ok(Err(capitalised(&why.to_string().replace('`', "")) + ".")),
    }
}

/// Whether what stands against it is about the reason that was given, and so leads to its field.
pub(super) fn is_of_why(against: Option<&str>) -> bool {
    against.is_some_and(|against| against.starts_with("Say why"))
}

pub(super) fn path_of(chosen: &Chosen) -> String {
    format!("/desk/learned?profile={}&season={}", chosen.profile.id, chosen.season)
}

/// All that the outcome hangs on but the weather, which comes in with the next day or after some minutes.
pub(super) async fn key_of(desk: &Desk, chosen: &Chosen) -> Result<String, Fault> {
    let store = &desk.site().app().store;
    let words = store.freeze_words().await?;
    // A word of the same instant, as on a clock that stands still, is written over the one before.
    let frozen = words.iter().filter(|word| word.is_frozen).count();
    let (words, regions) = (words.len(), store.regions().await?.len());
    let (id, version, season, day) =
        (&chosen.profile.id, chosen.profile.version, chosen.season, chosen.now.date_naive());
    Ok(format!("{id} {version} {season} {day} {words} {frozen} {regions} {}", store.reports_mark().await?))
}

async fn known(desk: &Desk, chosen: &Chosen) -> Result<Stand<Shown>, Fault> {
    let key = key_of(desk, chosen).await?;
    let (app, chosen) = (desk.site().app().clone(), chosen.clone());
    let work = |watch| async move { shown_of(&app, &chosen, &watch).await.map_err(|why| Chain(&why).to_string()) };
    Ok(desk.site().learned().ask(&key, PATIENCE, work).await)
}

async fn shown(desk: &Desk, asked: &Typed, done: Option<&str>, against: Option<String>) -> Result<Response, Fault> {
    let app = desk.site().app();
    let profiles: Vec<Value> = app
        .profiles
        .all()
        .iter()
        .map(|profile| context! { id => &profile.id, name => capitalised(&profile.names.en) })
        .collect();
    let around = context! {
        profiles,
        of_why => is_of_why(against.as_deref()),
        against,
        done,
        keeps => desk.account().may(Deed::Administer),
        typed_why => field(asked, "why"),
        season => field(asked, "season"),
        profile => field(asked, "profile"),
    };
    let chosen = match chosen(desk, asked).await? {
        Ok(chosen) => chosen,
        Err(why) => {
            let page = desk.page("learned", context! { against => why, found => (), ..around });
            return with_status(page, StatusCode::UNPROCESSABLE_ENTITY);
        }
    };
    let profile = &*chosen.profile;
    let under_way = choose(app, Some(&profile.id), None).await.map_or(chosen.season, |now| now.season);
    let oldest = under_way - SEASONS + 1;
    let (from, to) = (profile.first_day(chosen.season), profile.last_day(chosen.season));
    if chosen.season < oldest && app.store.field_reports(None, from, to).await?.is_empty() {
        let page = desk.page(
            "learned",
            context! {
                against => format!("There is no report of season {}. Choose one of the seasons below.", chosen.season),
                found => (),
                seasons => (oldest..=under_way).rev().collect::<Vec<_>>(),
                season => under_way,
                profile => &profile.id,
                ..around
            },
        );
        return with_status(page, StatusCode::NOT_FOUND);
    }
    let stand = known(desk, &chosen).await?;
    let first = oldest.min(chosen.season);
    let head = context! {
        season => chosen.season,
        profile => &profile.id,
        name => capitalised(&profile.names.en),
        version => profile.version,
        through => profile.learned_through,
        in_numbers => profile.is_learned_from(chosen.season),
        thawed => thawed_words(&chosen),
        is_over => chosen.is_over,
        seasons => (first..=under_way).rev().collect::<Vec<_>>(),
        asked => format!("profile={}&season={}", profile.id, chosen.season),
        ..around
    };
    match stand {
        Stand::UnderWay(done, of) => waiting(desk, "What was learned", &path_of(&chosen), (done, of)),
        Stand::Failed(why) => desk.page(
            "learned",
            context! { against => format!("It could not be worked out: {why}."), found => (), ..head },
        ),
        Stand::Done(found) => desk.page("learned", context! { found => told(desk, profile, &found), ..head }),
    }
}

/// Heat as staff are shown it: in the unit of the settings.
#[derive(Clone, Copy)]
pub(super) struct Heat(HeatUnit);

impl Heat {
    pub(super) fn of(desk: &Desk) -> Self {
        Self(HeatUnit::of_house(desk.site().app().config.units.fahrenheit))
    }

    pub(super) fn unit(self) -> HeatUnit {
        self.0
    }

    pub(super) fn symbol(self) -> &'static str {
        self.0.symbol()
    }

    /// A temperature in °C as `7.2 °C` or `45 °F`, to the tenth.
    pub(super) fn temperature(self, celsius: f64) -> String {
        let (value, symbol) = match self.0 {
            HeatUnit::Celsius => (celsius, "°C"),
            HeatUnit::Fahrenheit => (c_to_f(celsius), "°F"),
        };
        // Without the minus of a rounded zero.
        format!("{} {symbol}", (value * 10.0).round() / 10.0 + 0.0)
    }

    /// Of °C·day.
    pub(super) fn whole(self, celsius: f64) -> String {
        whole(self.0.heat(celsius))
    }

    /// Of °C·day, with its unit and the other one behind: `400 °C·day (720 °F·day)`, `720 °F·day (400 °C·day)`.
    pub(super) fn told(self, celsius: f64) -> String {
        self.0.told(&[celsius])
    }

    /// Of °C·day: `+3`, `−12`, `0`.
    fn signed(self, celsius: f64) -> String {
        signed(self.0.heat(celsius))
    }
}

/// A page that asks for `path` again by itself.
pub(super) fn waiting(desk: &Desk, title: &str, path: &str, (steps, of): (u64, u64)) -> Result<Response, Fault> {
    let to = desk.site().path(Language::En, path);
    let mut response = desk.page("under_way", context! { title, steps, of, to => &to })?;
    let again = header::HeaderValue::from_str(&format!("3; url={to}"))
        .map_err(|why| Fault::Inside(format!("a page of the desk has no address: {why}")))?;
    response.headers_mut().insert(header::REFRESH, again);
    Ok(response)
}

fn told(desk: &Desk, profile: &Profile, found: &Arc<Shown>) -> Value {
    let Shown { belief, regions } = &**found;
    let heat = Heat::of(desk);
    let (moved, same): (Vec<&RegionDates>, Vec<&RegionDates>) = belief.regions.iter().partition(|row| row.moves());
    let name =
        |id: &RegionId| regions.iter().find(|of| of.id == *id).map_or_else(|| id.to_string(), |of| of.name.clone());
    let zone = desk.site().app().config.schedule.time_zone;
    let frozen = belief.frozen.iter().find(|frozen| frozen.season == belief.season);
    let [narrow, middle, wide] = CHART_WIDTHS;
    context! {
        as_of => local(belief.as_of, zone),
        unit => heat.symbol(),
        taught => belief.stages.iter().any(|stage| !stage.reports.is_empty()),
        sightings => belief.places.sightings,
        zeros => belief.places.zeros,
        since_adopted => belief.since_adopted(),
        frozen => frozen.map(|frozen| context! {
            at => local(frozen.freeze.at, zone), by => &frozen.freeze.by, why => &frozen.freeze.why,
        }),
        older_frozen => belief.frozen.iter().filter(|of| of.season != belief.season).map(|of| of.season).collect::<Vec<_>>(),
        narrow, middle, wide,
        stages => belief.stages.iter().map(|stage| stage_of(profile, belief, stage, heat, &name)).collect::<Vec<_>>(),
        contradictions => belief.stages.iter().flat_map(|stage| {
            let of = profile.stage(&stage.stage).map_or_else(|| stage.stage.to_string(), |of| capitalised(&of.names.en));
            stage.contradictions.iter().map(|doubt| doubt_of(&of, doubt, heat, &name)).collect::<Vec<_>>()
        }).collect::<Vec<_>>(),
        untaught => belief.untaught.iter().map(|idle| untaught_of(profile, idle, &name)).collect::<Vec<_>>(),
        moved_by => moved_by(&moved),
        moved => moved.into_iter().map(dates_of).collect::<Vec<_>>(),
        same => same.into_iter().map(dates_of).collect::<Vec<_>>(),
        faults => &belief.faults,
    }
}

/// By how much regions' first days to look move: `5 days earlier to 1 day later`; `None` where none does.
fn moved_by(moved: &[&RegionDates]) -> Option<String> {
    let days = || moved.iter().map(|row| days_between(row.before.days.look_from, row.after.days.look_from));
    match (days().min()?, days().max()?) {
        (0, 0) => None,
        (least, most) if least == most => Some(later(least)),
        (least, most) => Some(format!("{} to {}", later(least), later(most))),
    }
}

fn stage_of(
    profile: &Profile,
    belief: &Belief,
    stage: &StageBelief,
    heat: Heat,
    name: &dyn Fn(&RegionId) -> String,
) -> Value {
    let names =
        |id: &crate::season::StageId| profile.stage(id).map_or_else(|| id.to_string(), |of| of.names.en.clone());
    context! {
        id => stage.stage.0.as_str(),
        name => capitalised(&names(&stage.stage)),
        after => stage.after.as_ref().map(names),
        before => range_of(&stage.before, heat),
        now => range_of(&stage.now, heat),
        places => heat.whole(stage.places_c),
        years => heat.whole(stage.years_c),
        reports => stage.reports.iter().map(|report| teacher_of(belief, report, heat, name)).collect::<Vec<_>>(),
    }
}

fn range_of(range: &Range, heat: Heat) -> Value {
    let Range { mean, sd, early, late, .. } = *range;
    let told = heat.told(mean);
    context! { told, mean => heat.whole(mean), sd => heat.whole(sd), early => heat.whole(early), late => heat.whole(late) }
}

fn teacher_of(belief: &Belief, report: &Teacher, heat: Heat, name: &dyn Fn(&RegionId) -> String) -> Value {
    let on = date(Language::En, report.observed_on);
    let on = if report.season == belief.season { on } else { format!("{on}, {}", report.season) };
    let unit = heat.symbol();
    let found = match (report.not_yet_at, report.seen_at) {
        (Some(not_yet), Some(seen)) => {
            format!("not yet at {}, seen at {} {unit}", heat.whole(not_yet), heat.whole(seen))
        }
        (None, Some(seen)) => format!("seen at {} {unit}", heat.whole(seen)),
        (Some(not_yet), None) => format!("not yet at {} {unit}", heat.whole(not_yet)),
        (None, None) => String::new(),
    };
    context! {
        id => &report.id,
        on,
        region => name(&report.region),
        by => match report.observer { Observer::Staff => "staff", Observer::Owner => "an owner" },
        found => capitalised(&found),
        number => heat.signed(report.moves_number),
        own => heat.signed(report.moves_region),
        days => report.moves_days.map(later),
    }
}

fn doubt_of(stage: &str, doubt: &Doubt, heat: Heat, name: &dyn Fn(&RegionId) -> String) -> Value {
    let percent = doubt.chance * 100.0;
    context! {
        stage,
        id => &doubt.id,
        region => name(&RegionId(doubt.region.clone())),
        season => doubt.season,
        what => format!(
            "{} at {} {}", if doubt.seen { "saw it" } else { "saw nothing" }, heat.whole(doubt.heat), heat.symbol()
        ),
        against => &doubt.against,
        chance => if percent < 0.1 { "under 0.1 %".to_owned() } else { format!("{percent:.1} %") },
    }
}

fn untaught_of(profile: &Profile, Idle { report, why }: &Idle, name: &dyn Fn(&RegionId) -> String) -> Value {
    let season = profile.season_of(report.observed_on);
    context! {
        id => &report.id,
        on => format!("{}, {season}", date(Language::En, report.observed_on)),
        region => name(&report.region),
        why => capitalised(why.words()),
    }
}

pub(super) fn dates_of(row: &RegionDates) -> Value {
    let of = |dates: &Dates| {
        let day = |day| date(Language::En, day);
        context! {
            opens => dates.opens.and_then(spread),
            look_from => day(dates.days.look_from),
            best => dates.days.best.map(|best| format!("{} to {}", day(best.first), day(best.last))),
            deadline => day(dates.days.deadline),
        }
    };
    let (look, deadline) = (
        days_between(row.before.days.look_from, row.after.days.look_from),
        days_between(row.before.days.deadline, row.after.days.deadline),
    );
    context! {
        id => row.region.as_str(),
        name => &row.name,
        before => of(&row.before),
        after => of(&row.after),
        look => (look != 0).then(|| later(look)),
        deadline => (deadline != 0).then(|| later(deadline)),
        others => others_move(row),
    }
}

/// What moves where neither the first day to look nor the last day does; `None`: nothing.
fn others_move(RegionDates { before, after, .. }: &RegionDates) -> Option<&'static str> {
    match (before.days.best != after.days.best, before.opens != after.opens) {
        (true, true) => Some("Best days and eggs"),
        (true, false) => Some("Best days"),
        (false, true) => Some("Eggs only"),
        (false, false) => None,
    }
}

/// `March 12, 8 in 10 between March 4 and March 20`; where it was seen, it began then or before.
fn spread(DateSpread { early, median, late }: DateSpread) -> Option<String> {
    if early == median && late == median {
        return median.map(|day| format!("on or before {}", date(Language::En, day)));
    }
    let median = date(Language::En, median?);
    let end = |day: Option<chrono::NaiveDate>| day.map_or_else(|| "open".to_owned(), |day| date(Language::En, day));
    Some(format!("{median}, 8 in 10 between {} and {}", end(early), end(late)))
}

/// `3 days earlier`, `1 day later`, `same day`.
pub(super) fn later(days: i64) -> String {
    let count = if days.abs() == 1 { "1 day".to_owned() } else { format!("{} days", days.abs()) };
    match days {
        0 => "same day".to_owned(),
        days if days < 0 => format!("{count} earlier"),
        _ => format!("{count} later"),
    }
}

fn whole(value: f64) -> String {
    format!("{value:.0}")
}

/// `+3`, `−12`, `0`.
fn signed(value: f64) -> String {
    let rounded = value.round();
    match rounded {
        0.0 => "0".to_owned(),
        rounded if rounded < 0.0 => format!("−{:.0}", rounded.abs()),
        _ => format!("+{rounded:.0}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::window::DeadlineRule;
    use crate::season::{DaySpan, WindowDays};

    #[test]
    fn one_day_of_a_look_is_no_whole_range() {
        let day = |day| chrono::NaiveDate::from_ymd_opt(2025, 3, day);
        let of = |early, median, late| spread(DateSpread { early: day(early), median: day(median), late: day(late) });
        assert_eq!(of(7, 7, 7).as_deref(), Some("on or before March 7"));
        assert_eq!(of(4, 12, 20).as_deref(), Some("March 12, 8 in 10 between March 4 and March 20"));
    }

    #[test]
    fn best_days_that_move_are_not_told_as_the_same_days() {
        let day = |day| chrono::NaiveDate::from_ymd_opt(2025, 3, day).unwrap();
        let of = |first: u32, likely: u32| Dates {
            opens: Some(DateSpread { early: Some(day(1)), median: Some(day(likely)), late: Some(day(28)) }),
            days: WindowDays {
                look_from: day(1),
                best: Some(DaySpan { first: day(first), last: day(20) }),
                deadline: day(25),
                rule: DeadlineRule::LeastDays,
                last_from: day(22),
                hatch_early: None,
                hatch_late: None,
                settled: None,
                was: None,
            },
        };
        for (after, said) in [
            (of(10, 5), None),
            (of(12, 5), Some("Best days")),
            (of(10, 7), Some("Eggs only")),
            (of(12, 7), Some("Best days and eggs")),
        ] {
            let (region, name) = ("north".into(), "North".to_owned());
            assert_eq!(others_move(&RegionDates { region, name, before: of(10, 5), after }), said);
        }
    }
}
