//! What was seen at a tree, entered from a phone: what it was and Save, and below it whatever else is known.

use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::NaiveDate;
use minijinja::context;
use minijinja::value::Value;

use super::Upload;
use super::caller::Desk;
use super::notice::{app_of, by, fault_of, reach};
use super::report::{acted, would_send};
use super::sign_in::with_status;
use super::upload::{FieldFault, taken};
use crate::language::Language;
use crate::people::account::Deed;
use crate::region::{Region, Zip};
use crate::season::Profile;
use crate::season::phrases::capitalised;
use crate::service::app::App;
use crate::service::desk::comes_up::ComesUp;
use crate::service::desk::far_off::far_off;
use crate::service::desk::{Hand, reports};
use crate::service::field_reports::{LONGEST_NAME, TellingFault, before, can_be_seen, note, plain};
use crate::service::photographs::Photographs;
use crate::store::field_reports::{NewFieldReport, ReportSource, Seen};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// One thing that may have been seen.
struct Tile {
    value: String,
    label: String,
    seen: Seen,
}

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let regions = desk.site().app().store.regions().await?;
    let asked = regions.iter().find(|region| region.id.as_str() == field(&query, "region"));
    let region = match asked {
        Some(region) => Some(region),
        None => usual(&desk, &regions).await?,
    };
    shown(&desk, &regions, region, &Typed::new(), &[])
}

pub(super) async fn sent(desk: Desk, upload: Upload) -> Result<Response, Fault> {
    let Upload { typed, photograph, .. } = upload;
    let app = app_of(&desk, None)?;
    let regions = app.store.regions().await?;
    let region = regions.iter().find(|region| region.id.as_str() == field(&typed, "region"));
    let Some(region) = region else {
        return refused(&desk, &regions, None, &typed, without_region(&desk, &regions, &typed)?);
    };
    let (new, mut faults) = read(&desk, region, &typed)?;
    let photograph = match photograph {
        Some(sent) if faults.is_empty() => taken(&desk, sent).await.map(Some).unwrap_or_else(|fault| {
            faults.push(fault);
            None
        }),
        Some(_) => {
            faults.push(("photograph", "Choose the photograph once more: it was not kept.".to_owned()));
            None
        }
        None => None,
    };
    let Some(new) = new.filter(|_| faults.is_empty()) else {
        return refused(&desk, &regions, Some(region), &typed, faults);
    };
    let hand = Hand { by: by(&desk), reach: &reach(&desk) };
    // Nobody is written to before who lets it count has read to how many, and no date moves by what was unlikely before that was
    // read.
    let asks = new.confirmed && (is_far_off(&app, &new, region).await? || sends(&app, &new).await?);
    let new = NewFieldReport { confirmed: new.confirmed && !asks, ..new };
    let id = reports::enter(&app, hand, &new, photograph.as_ref()).await.map_err(fault_of)?;
    if !new.confirmed {
        let done = if asks { "asks" } else { "entered" };
        return Ok(desk.to(&format!("/desk/report/{id}?done={done}")));
    }
    acted(&desk, region).await;
    Ok(desk.to(&format!("/desk/report/{id}/effect?done=entered")))
}

/// Whether something of a report is remarkable.
async fn is_far_off(app: &App, new: &NewFieldReport, region: &Region) -> Result<bool, Fault> {
    let report = new.under("not-kept".to_owned(), app.clock.now());
    Ok(far_off(app, &report, region, false).await.map_err(fault_of)?.is_some())
}

/// Whether people are written to if a report counts, or may be: it could not be worked out in time.
async fn sends(app: &App, new: &NewFieldReport) -> Result<bool, Fault> {
    let report = NewFieldReport { confirmed: false, ..new.clone() }.under("not-kept".to_owned(), app.clock.now());
    Ok(would_send(app, &report).await?.is_none_or(|comes_up| comes_up.iter().any(ComesUp::sends_unasked)))
}

/// The region of the last report of this account; else the first that it acts on.
async fn usual<'a>(desk: &Desk, regions: &'a [Region]) -> Result<Option<&'a Region>, Fault> {
    let last = desk.site().app().store.last_region_of(by(desk)).await?;
    let last = last.and_then(|id| regions.iter().find(|region| region.id == id));
    let reaches_all = desk.account().may(Deed::Administer);
    Ok(last.or_else(|| regions.iter().find(|region| !reaches_all && desk.may_act_on(region))))
}

/// So many regions are named.
const NAMED: usize = 6;

/// The regions in which a report of this account can count at once.
fn yours(desk: &Desk, regions: &[Region]) -> String {
    if desk.account().may(Deed::Administer) {
        return "You act on all regions.".to_owned();
    }
    let names: Vec<&str> =
        regions.iter().filter(|region| desk.may_act_on(region)).map(|region| region.name.as_str()).collect();
    match (names.as_slice(), names.len().saturating_sub(NAMED)) {
        ([], _) => "No region is yours: what you enter waits for staff of its region.".to_owned(),
        ([one], _) => format!("Your region: {one}."),
        (all, 0) => format!("Your regions: {}.", all.join(", ")),
        (all, more) => format!("Your regions: {} and {more} more.", all[..NAMED].join(", ")),
    }
}

/// Everything that the profile tells apart, what opens the window first.
fn tiles(profile: &Profile) -> Vec<Tile> {
    let mut tiles = Vec::new();
    let mut sights: Vec<_> = profile.sights.iter().collect();
    sights.sort_by_key(|sight| (sight.shows.as_ref() != Some(&profile.window.opens), !sight.infested));
    for sight in sights {
        let name = capitalised(sight.names.get(Language::En));
        if sight.infested {
            tiles.push(Tile { value: sight.id.clone(), label: name, seen: Seen::at(sight, None) });
            continue;
        }
        for (end, words, infested) in [
            ("yes", "on a tree that has the insect", Some(true)),
            ("no", "on a tree without the insect", Some(false)),
            ("unknown", "not known whether the tree has it", None),
        ] {
            let (value, label) = (format!("{}.{end}", sight.id), format!("{name}, {words}"));
            tiles.push(Tile { value, label, seen: Seen::at(sight, infested) });
        }
    }
    if tiles.is_empty() {
        let of_stage = |stage: &crate::season::profile::Stage| Tile {
            value: stage.id.to_string(),
            label: capitalised(stage.names.get(Language::En)),
            seen: Seen::stage(Some(stage.id.clone()), None),
        };
        tiles.extend(profile.stages.iter().map(of_stage));
        tiles.push(Tile { value: "none".to_owned(), label: "None of these".to_owned(), seen: Seen::stage(None, None) });
    }
    tiles
}

/// The report, as far as it can be read, and all that is wrong.
fn read(desk: &Desk, region: &Region, typed: &Typed) -> Result<(Option<NewFieldReport>, Vec<FieldFault>), Fault> {
    let app = desk.site().app();
    let mut faults: Vec<FieldFault> = Vec::new();
    let profile = app.profiles.get(&region.profile);
    let profile = profile.ok_or_else(|| Fault::Inside(format!("profile `{}` is not there", region.profile)))?;
    let chosen = tiles(&profile).into_iter().find(|tile| tile.value == field(typed, "saw"));
    if chosen.is_none() {
        faults.push(("saw", "Choose what was seen.".to_owned()));
    }
    let day = field(typed, "date").parse::<NaiveDate>();
    let day = match day {
        Ok(day) => can_be_seen(day, region, app.clock.now()).map(|()| Some(day)).unwrap_or_else(|why| {
            faults.push(("date", capitalised(&why.in_prose()) + "."));
            None
        }),
        Err(_) => {
            faults.push(("date", "Give the day of the look, such as 2026-03-14.".to_owned()));
            None
        }
    };
    let zip = match field(typed, "zip") {
        "" => None,
        text => match Zip::parse(text) {
            Ok(zip) if region.zips.contains(&zip) => Some(zip),
            Ok(zip) => {
                faults.push((
                    "zip",
                    format!("{zip} is not a ZIP code of {}: choose another region, or leave it empty.", region.name),
                ));
                None
            }
            Err(why) => {
                faults.push(("zip", capitalised(&why.to_string()) + "."));
                None
            }
        },
    };
    let mut words = |name: &'static str, read: fn(&str) -> Result<String, TellingFault>| {
        let text = typed.get(name).map_or("", |text| text.trim());
        match (text, read(text)) {
            ("", _) => None,
            (_, Ok(text)) => Some(text),
            (_, Err(why)) => {
                faults.push((name, capitalised(&why.to_string()) + "."));
                None
            }
        }
    };
    let short = |text: &str| plain(text, LONGEST_NAME);
    let (tree, person, note) = (words("tree", short), words("by", short), words("note", note));
    let nothing_on = match field(typed, "nothing_on") {
        "" => None,
        text => match (text.parse::<NaiveDate>(), day, chosen.as_ref().map(|tile| tile.seen.stage.is_some())) {
            (Err(_), ..) => {
                faults.push(("nothing_on", "Give the day of the look before, such as 2026-03-10.".to_owned()));
                None
            }
            (Ok(_), _, Some(false)) => {
                let what =
                    "This belongs to a stage that was seen. Enter each look that saw none as a report of its own.";
                faults.push(("nothing_on", what.to_owned()));
                None
            }
            (Ok(nothing), Some(day), _) => match before(Some(nothing), day) {
                Ok(()) => Some(nothing),
                Err(why) => {
                    faults.push(("nothing_on", capitalised(&why.in_prose()) + "."));
                    None
                }
            },
            (Ok(_), None, _) => None,
        },
    };
    let confirmed = field(typed, "count") == "yes";
    if confirmed && !desk.may_act_on(region) {
        let what =
            format!("Only staff of {} can let it count at once. Leave this out, and it waits for them.", region.name);
        faults.push(("count", what));
    }
    let new = chosen.zip(day).map(|(tile, observed_on)| NewFieldReport {
        region: region.id.clone(),
        zip,
        observed_on,
        tree,
        seen: tile.seen,
        nothing_on,
        confirmed,
        source: ReportSource::Staff,
        person: Some(person.unwrap_or_else(|| by(desk).to_owned())),
        note,
    });
    Ok((new, faults))
}

/// All that is wrong where no region is chosen, as far as it can be told without one.
fn without_region(desk: &Desk, regions: &[Region], typed: &Typed) -> Result<Vec<FieldFault>, Fault> {
    let mut faults = vec![("region", "Choose the region in which the tree stands.".to_owned())];
    if let Some(any) = regions.first() {
        let (_, others) = read(desk, any, typed)?;
        faults.extend(others.into_iter().filter(|(field, _)| !["zip", "count"].contains(field)));
    }
    Ok(faults)
}

fn refused(
    desk: &Desk,
    regions: &[Region],
    region: Option<&Region>,
    typed: &Typed,
    faults: Vec<FieldFault>,
) -> Result<Response, Fault> {
    with_status(shown(desk, regions, region, typed, &faults), StatusCode::UNPROCESSABLE_ENTITY)
}

fn shown(
    desk: &Desk,
    regions: &[Region],
    region: Option<&Region>,
    typed: &Typed,
    faults: &[FieldFault],
) -> Result<Response, Fault> {
    let app = desk.site().app();
    let zone = region.map_or(app.config.schedule.time_zone, |region| region.time_zone);
    let today = app.clock.now().with_timezone(&zone).date_naive();
    let profile = region.or(regions.first()).and_then(|region| app.profiles.get(&region.profile));
    let tiles: Vec<Value> = profile
        .iter()
        .flat_map(|profile| tiles(profile))
        .map(|tile| context! { checked => tile.value == field(typed, "saw"), value => tile.value, label => tile.label })
        .collect();
    let choices = |mine: bool| {
        let chosen = regions.iter().filter(move |region| desk.may_act_on(region) == mine);
        chosen.map(|region| context! { id => region.id.as_str(), name => &region.name }).collect::<Vec<_>>()
    };
    let value = |name: &str| typed.get(name).map_or_else(String::new, Clone::clone);
    let of = |name: &str| faults.iter().find(|(field, _)| *field == name).map(|(_, what)| what.as_str());
    desk.page(
        "new_report",
        context! {
            mine => choices(true),
            others => choices(false),
            everywhere => desk.account().may(Deed::Administer),
            region => region.map(|region| region.id.as_str()),
            zips => region.map(|region| region.zips.iter().map(ToString::to_string).collect::<Vec<_>>()),
            tiles,
            today => today.to_string(),
            date => Some(value("date")).filter(|day| !day.is_empty()).unwrap_or_else(|| today.to_string()),
            zip => value("zip"), tree => value("tree"), by => value("by"), note => value("note"),
            nothing_on => value("nothing_on"),
            count => value("count") == "yes",
            account => by(desk),
            may_confirm => desk.account().may(Deed::Act),
            yours => yours(desk, regions),
            takes_photographs => Photographs::of(&app.config).is_some(),
            faults => faults.iter().map(|(field, what)| context! { field => *field, what }).collect::<Vec<_>>(),
            wrong => context! {
                region => of("region"), saw => of("saw"), date => of("date"), zip => of("zip"), tree => of("tree"), by => of("by"),
                note => of("note"), nothing_on => of("nothing_on"), count => of("count"), photograph => of("photograph"),
            },
        },
    )
}
