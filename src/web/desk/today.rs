//! Today: what needs a word, what leaves by itself, what is wrong, and all regions over one time axis.

use axum::extract::Query;
use axum::response::Response;
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{fault_of, path_of, shown_rests_on};
use crate::chart::ribbon::{Axis, Ribbon, SeenSign, SoftBand, gradients, months, ribbon};
use crate::language::Language;
use crate::people::Channel;
use crate::people::account::{Deed, Role};
use crate::region::{Region, RegionId};
use crate::season::status::SeasonStanding;
use crate::season::{DaySpan, NoticeKind, days_after, days_before, phrases};
use crate::service::desk::today::{
    Doubt, Filters, Left, Line, MendingPage, RegionRow, SeenMark, Sending, today_beside,
};
use crate::service::desk::{Hand, kind_words, local};
use crate::units::grouped_feet;
use crate::web::Fault;
use crate::web::forms::{Typed, field};
use crate::web::views::STEPS;

pub(super) async fn home(desk: Desk) -> Response {
    desk.to("/desk/today")
}

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let account = desk.account();
    let has_own = account.role == Role::Staff && !account.reach.is_empty();
    let all = !has_own || field(&query, "all") == "yes";
    let reach = |region: &Region| all || account.may_act_on(region);
    let filters = filters(&query);
    let hand = Hand { by: account.name.as_str(), reach: &reach };
    let app = desk.site().app();
    let views = desk.site().views().shown_now();
    let on_page = |id: &RegionId| views.as_ref()?.on_page(id);
    let seen = today_beside(app, hand, &filters, &on_page).await.map_err(fault_of)?;
    let policy = app.config.policy.get_ready_days;
    let zone = app.config.schedule.time_zone;
    let year = seen.regions.iter().filter_map(|row| row.season).max();
    let axis = Axis::of_season(year.unwrap_or_else(|| seen.now.with_timezone(&zone).year()));
    let line = |line: &Line| shown_line(&desk, line);
    let taken_back = field(&query, "done") == "undone";
    let is_filtered = filters != Filters::default();
    let may_come = |page: &MendingPage| page.acts_on.as_ref().is_none_or(|region| account.may_act_on(region));
    desk.page(
        "today",
        context! {
            day => seen.now.with_timezone(&zone).format("%A, %B %-d, %Y").to_string(),
            taken_back,
            may_add => account.may_add_regions(),
            may_act => account.may(Deed::Act),
            needs_word => seen.needs_word.iter().map(line).collect::<Vec<_>>(),
            held => seen.held.iter().map(line).collect::<Vec<_>>(),
            left => seen.left.iter().map(shown_left).collect::<Vec<_>>(),
            sending => seen.sending.iter().map(|one| shown_sending(&desk, one)).collect::<Vec<_>>(),
            leaves_today => seen.leaves.iter().filter(|one| one.leaves_today).map(line).collect::<Vec<_>>(),
            leaves_later => seen.leaves.iter().filter(|one| !one.leaves_today).map(line).collect::<Vec<_>>(),
            wrong => seen.wrong.iter().map(|trouble| context! {
                title => &trouble.title,
                what => &trouble.what,
                mend => &trouble.mend,
                by_command => &trouble.by_command,
                pages => trouble.pages.iter().filter(|page| may_come(page)).map(|page| context! {
                    path => &page.path, words => &page.words,
                }).collect::<Vec<_>>(),
                regions => trouble.regions.iter().map(|(id, name)| context! { id => id.as_str(), name }).collect::<Vec<_>>(),
                urgent => trouble.urgent,
                since => trouble.since.map(|at| local(at, zone)),
            }).collect::<Vec<_>>(),
            regions => seen.regions.iter().map(|row| shown_region(&axis, row, policy)).collect::<Vec<_>>(),
            of_regions => seen.of_regions,
            reports_wait => seen.reports_wait,
            is_filtered,
            has_own,
            all,
            counties => &seen.counties,
            county => filters.county,
            standings => standings().map(|standing| (standing.name(), choice_words(standing))).collect::<Vec<_>>(),
            standing => filters.standing.map(SeasonStanding::name),
            doubts => Doubt::ALL.map(|doubt| (doubt.name(), doubt_words(doubt))),
            doubt => filters.doubt.map(Doubt::name),
            gradients => Value::from_safe_string(gradients().to_owned()),
            months => Value::from_safe_string(months(&axis, Language::En)),
            year => axis.from.year(),
        },
    )
}

fn filters(query: &Typed) -> Filters {
    Filters {
        county: Some(field(query, "county").to_owned()).filter(|county| !county.is_empty()),
        standing: standings().find(|standing| standing.name() == field(query, "state")),
        doubt: Doubt::parse(field(query, "doubt")),
    }
}

fn standings() -> impl Iterator<Item = SeasonStanding> {
    STEPS.into_iter().chain([SeasonStanding::Unknown])
}

/// In the words of the public pages.
pub(super) fn standing_words(row: &RegionRow) -> &'static str {
    if row.is_late { LATE } else { words_of(row.standing) }
}

/// Among those to choose from, "over" stands for both of its words.
fn choice_words(standing: SeasonStanding) -> String {
    match standing {
        SeasonStanding::Over => format!("{LATE} or {}", words_of(standing).to_lowercase()),
        _ => words_of(standing).to_owned(),
    }
}

/// The last day has passed, and most eggs have probably not hatched yet.
const LATE: &str = "Late";

fn words_of(standing: SeasonStanding) -> &'static str {
    match standing {
        SeasonStanding::Unknown => "Not known",
        SeasonStanding::Quiet => "Waiting",
        SeasonStanding::Ready => "Get ready",
        SeasonStanding::Look => "Look",
        SeasonStanding::Wash => "Wash",
        SeasonStanding::Last => "Last days",
        SeasonStanding::Over => "Over",
    }
}

fn doubt_words(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::Temperatures => "Temperatures in doubt",
        Doubt::Dates => "Dates in doubt: over more than three weeks",
    }
}

fn shown_line(desk: &Desk, line: &Line) -> Value {
    let count = |channel| line.reach.get(&channel).copied().unwrap_or(0);
    context! {
        path => path_of(&line.id),
        kind => kind_words(line.kind),
        region => &line.region_name,
        county => &line.county,
        feet => grouped_feet(line.elevation_m),
        says => line.deadline.map(|day| phrases::date(Language::En, day)),
        recipients => line.recipients(),
        texts => count(Channel::Sms),
        emails => count(Channel::Email),
        leaves => line.leaves_at.map(|at| local(at, line.zone)),
        dies => local(line.dies_at, line.zone),
        left => time_left(desk.site().now(), line.dies_at),
        why => &line.why,
        undoable => line.undoable,
        held => line.held,
        old_words => &line.old_words,
        rests_on => line.rests_on.as_ref().map(shown_rests_on),
        overtook => &line.overtook,
        beside => &line.beside,
    }
}

fn shown_sending(desk: &Desk, one: &Sending) -> Value {
    context! {
        path => path_of(&one.id),
        kind => kind_words(one.kind),
        region => &one.region.name,
        words => &one.words,
        rests_on => one.rests_on.as_ref().map(shown_rests_on),
        may_recall => desk.may_act_on(&one.region),
    }
}

fn shown_left(left: &Left) -> Value {
    context! {
        path => path_of(&left.id),
        kind => kind_words(left.kind),
        region => &left.region_name,
        how => phrases::capitalised(&left.how),
        is_recalled => left.is_recalled,
        recall_reason => &left.recall_reason,
        held => &left.held,
        rests_on => left.rests_on.as_ref().map(shown_rests_on),
        overtook => &left.overtook,
    }
}

/// `3 days`, `5 hours`, `20 minutes`: what is left, told short.
fn time_left(now: DateTime<Utc>, end: DateTime<Utc>) -> String {
    let left = end - now;
    let counted = |n: i64, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    match (left.num_days(), left.num_hours(), left.num_minutes()) {
        (days, ..) if days >= 2 => counted(days, "day"),
        (_, hours, _) if hours >= 2 => counted(hours, "hour"),
        (.., minutes) => counted(minutes.max(0), "minute"),
    }
}

/// `Mar 14`.
fn short(day: NaiveDate) -> String {
    day.format("%b %-d").to_string()
}

fn span(first: NaiveDate, last: NaiveDate) -> String {
    if first == last { short(first) } else { format!("{} to {}", short(first), short(last)) }
}

pub(super) fn shown_region(axis: &Axis, row: &RegionRow, get_ready_days: u32) -> Value {
    let known = row.standing != SeasonStanding::Unknown;
    let days = row.days.filter(|_| known);
    let opens = row.opens.and_then(|opens| Some((opens.early?, opens.late)));
    context! {
        id => row.region.id.as_str(),
        name => &row.region.name,
        county => &row.region.county,
        feet => grouped_feet(row.region.elevation_m),
        standing => row.standing.name(),
        standing_words => standing_words(row),
        held_back => row.held_back,
        look_from => days.map(|days| short(days.look_from)),
        best => days.and_then(|days| days.best).map(|best| span(best.first, best.last)),
        deadline => days.map(|days| short(days.deadline)),
        opens => opens.filter(|_| known).map(|(early, late)| match late {
            Some(late) => span(early, late),
            None => format!("from {}, with an open end", short(early)),
        }),
        opened_by => row.opened_by.filter(|_| known).map(short),
        chance => row.opened_chance.filter(|_| known).map(|chance| format!("{:.0}", chance * 100.0)),
        doubt => &row.record_doubt,
        sent => row.sent.iter().map(day_of).collect::<Vec<_>>(),
        recalled => row.recalled.iter().map(day_of).collect::<Vec<_>>(),
        waiting => row.waiting.iter().map(|kind: &NoticeKind| kind_words(*kind)).collect::<Vec<_>>(),
        seen => row.seen.iter().rev().take(3).map(seen_words).collect::<Vec<_>>(),
        seen_more => row.seen.len().saturating_sub(3),
        ribbon => Value::from_safe_string(ribbon(axis, &ribbon_of(row, get_ready_days))),
    }
}

/// `Get ready Feb 1`.
fn day_of((kind, on): &(NoticeKind, NaiveDate)) -> String {
    format!("{} {}", kind_words(*kind), short(*on))
}

fn seen_words(mark: &SeenMark) -> String {
    match (&mark.stage, mark.confirmed) {
        (Some(stage), true) => format!("{stage} {}", short(mark.on)),
        (Some(stage), false) => format!("{stage} {}, not confirmed", short(mark.on)),
        (None, _) => format!("none seen {}", short(mark.on)),
    }
}

/// Get ready grows into the days to wash over the doubt of their beginning; they thin out over that of the hatch.
fn ribbon_of(row: &RegionRow, get_ready_days: u32) -> Ribbon {
    let mut shown = Ribbon {
        today: Some(row.today),
        sent: row.sent.iter().map(|(_, on)| *on).collect(),
        recalled: row.recalled.iter().map(|(_, on)| *on).collect(),
        seen: row.seen.iter().map(|mark| (mark.on, sign_of(mark))).collect(),
        ..Ribbon::default()
    };
    let Some(days) = row.days.filter(|_| row.standing != SeasonStanding::Unknown) else { return shown };
    let early = row.opens.and_then(|opens| opens.early).unwrap_or(days.look_from).min(days.look_from);
    let late = row.opens.and_then(|opens| opens.late).unwrap_or(days.look_from);
    let full_from = late.max(days.look_from).min(days.best.map_or(days.deadline, |best: DaySpan| best.first));
    let ready_from = days_before(early, get_ready_days);
    shown.ready = Some(SoftBand { from: ready_from, full_from: early, full_to: days.look_from, to: full_from });
    let ends = days.hatch_late.or(days.settled).unwrap_or(days.deadline);
    shown.wash = Some(SoftBand { from: early, full_from, full_to: days.deadline, to: ends.max(days.deadline) });
    shown.best = days.best;
    shown.deadline = Some(days.deadline);
    shown.over_from = Some(days_after(ends.max(days.deadline), 1));
    shown
}

fn sign_of(mark: &SeenMark) -> SeenSign {
    match (&mark.stage, mark.confirmed) {
        (None, _) => SeenSign::Nothing,
        (Some(_), true) => SeenSign::Confirmed,
        (Some(_), false) => SeenSign::Said,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_short() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let now = at("2026-03-16T16:00:00Z");
        for (end, said) in [
            ("2026-03-20T06:00:00Z", "3 days"),
            ("2026-03-17T23:00:00Z", "31 hours"),
            ("2026-03-16T17:30:00Z", "90 minutes"),
            ("2026-03-16T16:01:30Z", "1 minute"),
            ("2026-03-16T15:00:00Z", "0 minutes"),
        ] {
            assert_eq!(time_left(now, at(end)), said);
        }
    }
}
