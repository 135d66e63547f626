//! A region's outlook as JSON, for other programs.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use super::Visit;
use super::recalled::newest;
use super::views::RegionView;
use super::window::moved;
use crate::season::decide::MovedBy;
use crate::season::{DateSpread, LearnedNote, Outlook, ReachedBy, StageOutlook, WashShare, WindowDays};
use crate::weather::StationKind;
use crate::weather::feeds::acis_grid::Grid;

/// `outlook.json`. Dates are days of the region's own `time_zone`, as `2026-03-09`; `computed_at` is UTC; heat is
/// °C·day (`…_degree_days_c`, to a tenth); shares and chances run from 0 to 1; what is not known is `null`.
///
/// While the season of a region is looked at for the first time there is no such document: 503, with `Retry-After`.
///
/// - `region`: `id`, `name`, `zips`, `elevation_m`, `time_zone` (IANA name); `heights`, the band that it is for where its ZIP
///   codes climb a mountain: `from_m` (belongs to it) and `to_m` (does not), each `null` where open.
/// - `profile`: `id`; the `version` that the dates were made with; whether its thresholds are `provisional`.
/// - `day`: the day that all this was worked out for.
/// - `standing`: where the season stands, as the page shows it: `none` (nothing can be said), `quiet`, `ready`, `look`,
///   `wash` (the days on which one wash takes most), `last` (days to wash), `over` (the last day to wash has passed).
///   `standing_by_heat`: the same by the heat and by what was seen at trees, whatever staff said.
/// - `backing`: who stands behind `standing`. `plain`: it was told, or nobody is asked; `due`: its notice waits for its
///   hour; `doubted`: temperatures are in doubt, staff are asked; `awaited`: this region tells nothing unconfirmed;
///   `held`: staff hold it back.
/// - `recalled`, `null` unless the newest notice that went out was recalled after messages had gone out, or may have: its
///   `kind`, the day `on` which it left and the day of the recall (`recalled_on`).
/// - `season`, `null` for a region that could not be assessed:
///   - `year`; `heat_sum_degree_days_c` up to and with `last_day`; `newest_observed_day`; how many of the days summed
///     are `filled_days`; how many `forecast_days` follow them; how many `past_years` the dates were projected from.
///   - `record`: whether the temperatures are sound: `trust` is `sound`, `too-much-filled`, `too-old`, `too-few-years`
///     or `borrowed-years`, each but the first with its figures.
///   - `station`: `id` and `name`; `kind` is `station`, or `grid-point` where a grid's estimates stand in for one, with the
///     `terms` of its makers, else `null`.
///   - `window`, `null` where nothing can be said of it, is what every page, message and picture takes its dates from:
///     - `look_from`: the day from which looking at the trees twice a week is advised.
///     - `best_days`: `first` and `last` of the days on which one wash takes nearly as much as it can, none after the
///       deadline; `null` for a profile that does not say how eggs spread over heat.
///     - `deadline`: the last day on which washing is advised; `deadline_rule`: on what it rests, `hatch-early` (days
///       before the early bound of the hatch), `least-days` (so many days from the first of the best ones), `hatch-seen`
///       (somebody saw the hatch) or `month` (a month after egg laying); `deadline_was`: the day that people were told
///       before, where it has moved since; `deadline_moved_by`: what moved it (`cool-weather`, `warm-weather`, `reports`),
///       `null` while they have not been told of the new one.
///     - `last_from`: from then on it is time for the last wash.
///     - `hatch`: the 10 % (`early`) and 90 % (`late`) dates of the first eggs to hatch.
///     - `settled`: from then on nothing can be done at the trees, most likely.
///   - `wash_by`: the same as `window.deadline`.
///   - `wash`, `null` without best days: `first_day` and `shares`, the share of a tree's eggs that one wash is expected to
///     take on that day and on each day after it; `second`: what a second wash takes on top (`adds`) of one on the day
///     `after`, on the day `on` on which it adds most.
///   - `reports`, `null` while no confirmed field report of the season bears on the dates: at how many places the insect's
///     eggs were seen (`seen_at`), at how many they were looked for and not there yet (`not_yet_at`); by how many days that
///     moved the likely first day of egg laying here (`moved_days`, above 0 is later); whether staff let later reports
///     change nothing (`frozen`).
///   - `stages`, in order: `id`; `name` in the page's language; `degree_days_c`: our number for it. `reached_on`: the day
///     on which that number was reached (`reached_by` is `model`: it does not say that anybody saw the stage) or by which
///     a person had seen it (`field-report`), with `reached_on_observed_days` (observed temperatures or a person's eyes
///     carry it, not filled days). `projected`: the 10 % (`early`), 50 % (`median`) and 90 % (`late`) dates, as long as
///     nobody has seen the stage, and for a profile that does not say how sure its number is until that was reached.
///     `chance_today`: the chance that it has come by `day`. `parts`: days from the early to the late date if only the
///     weather (`weather_days`) or only the insect's own number (`insect_days`) were in doubt.
pub(super) fn of(visit: &Visit, view: &RegionView) -> String {
    let region = &view.region;
    let days = view.days();
    let season = view.known.as_ref().map(|known| {
        let outlook = &known.outlook;
        json!({
            "year": outlook.season.year,
            "heat_sum_degree_days_c": tenth(outlook.heat_sum),
            "last_day": outlook.last_day,
            "newest_observed_day": outlook.newest_real_day,
            "filled_days": outlook.filled_days,
            "forecast_days": outlook.forecast_days,
            "past_years": outlook.trace_years.len(),
            "record": outlook.trust,
            "station": {
                "id": outlook.station,
                "name": known.station,
                "kind": if known.grid.is_some() { StationKind::GridPoint } else { StationKind::Station },
                "terms": known.grid.map(Grid::terms),
            },
            "window": days.as_ref().map(|days| window(view, days)),
            "wash_by": days.map(|days| days.deadline),
            "wash": outlook.wash.as_ref().map(wash),
            "reports": outlook.learned.as_ref().map(reports),
            "stages": stages(visit, view, outlook),
        })
    });
    let value = json!({
        "region": {
            "id": region.id,
            "name": region.name,
            "zips": region.zips,
            "elevation_m": region.elevation_m,
            "heights": region.band,
            "time_zone": region.time_zone.name(),
        },
        "profile": {
            "id": view.profile.id,
            "version": view.known.as_ref().map_or(view.profile.version, |known| known.outlook.profile_version),
            "provisional": view.profile.provisional,
        },
        "day": view.today,
        "computed_at": view.made_at.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
        "standing": view.shown.standing.name(),
        "standing_by_heat": view.shown.by_heat.name(),
        "backing": view.shown.backing.name(),
        "recalled": recalled(view),
        "season": season,
    });
    format!("{value:#}\n")
}

fn recalled(view: &RegionView) -> Option<Value> {
    let (notice, recall) = newest(view)?;
    let day = |at: DateTime<Utc>| at.with_timezone(&view.region.time_zone).date_naive();
    let on = day(notice.released_at().unwrap_or(notice.decided_at));
    Some(json!({ "kind": notice.kind.name(), "on": on, "recalled_on": day(recall.at) }))
}

fn window(view: &RegionView, days: &WindowDays) -> Value {
    let (was, moved_by) = moved(view, days);
    json!({
        "look_from": days.look_from,
        "best_days": days.best.map(|best| json!({ "first": best.first, "last": best.last })),
        "deadline": days.deadline,
        "deadline_rule": days.rule.name(),
        "deadline_was": was,
        "deadline_moved_by": moved_by.map(MovedBy::name),
        "last_from": days.last_from,
        "hatch": { "early": days.hatch_early, "late": days.hatch_late },
        "settled": days.settled,
    })
}

fn wash(wash: &WashShare) -> Value {
    let second = wash.second.map(|second| json!({ "after": second.after, "on": second.on, "adds": second.adds }));
    json!({ "first_day": wash.first, "shares": wash.one, "second": second })
}

fn reports(note: &LearnedNote) -> Value {
    json!({
        "seen_at": note.sightings,
        "not_yet_at": note.zeros,
        "moved_days": note.moved_days,
        "frozen": note.frozen,
    })
}

fn stages(visit: &Visit, view: &RegionView, outlook: &Outlook) -> Vec<Value> {
    let spread = |spread: DateSpread| json!({ "early": spread.early, "median": spread.median, "late": spread.late });
    let has_chances =
        |stage: &StageOutlook| stage.reached.is_some() || !stage.dates.is_empty() || stage.not_reached > 0;
    let stage = |stage: &StageOutlook| {
        let name = view.profile.stage(&stage.stage).map(|of| of.names.get(visit.language));
        let in_doubt = stage.reached.is_none() || !stage.dates.is_empty();
        json!({
            "id": stage.stage,
            "name": name,
            "reached_on": stage.reached.map(|reached| reached.on),
            "reached_by": stage.reached.map(|reached| match reached.by {
                ReachedBy::Model => "model",
                ReachedBy::FieldReport => "field-report",
            }),
            "reached_on_observed_days": stage.reached.map(|reached| reached.on_real_days),
            "projected": in_doubt.then(|| spread(stage.spread)),
            "chance_today": has_chances(stage).then(|| hundredth(stage.chance_by(view.today))),
            "parts": stage.parts.map(|parts| json!({
                "weather_days": parts.weather_days,
                "insect_days": parts.insect_days,
            })),
            "degree_days_c": view.profile.heat_mark(&stage.stage).or(stage.at_sum).map(tenth),
        })
    };
    outlook.stages.iter().map(stage).collect()
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn hundredth(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}
