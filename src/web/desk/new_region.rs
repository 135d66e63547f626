//! A new region: a name and ZIP codes, and below them whatever else somebody knows better than what is looked up.

use std::sync::Arc;

use axum::extract::{Form, Path, Query};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::by;
use super::region_draft::{PATIENCE, gone, own, path_of, step_words};
use super::region_form::{AGAIN, Given, faults_of, fields, read, taken_beside, text, typed_of, usual};
use super::sign_in::with_status;
use super::upload::FieldFault;
use crate::people::account::Deed;
use crate::region::{Region, RegionId, id_of};
use crate::service::desk::region_words::desk_words;
use crate::service::new_region::{Ground, NewRegionError, Wish, check_wish, faults_beside};
use crate::service::region_drafts::{Draft, Stage, Task, TooMany};
use crate::store::{Conflict, StoreError};
use crate::text::Chain;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// `?again=DRAFT` fills the form in as it was for a draft, `?back=REGION` as it was for a region that was retired, `?zip=` with a ZIP
/// code that people wait for.
pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    allowed(&desk)?;
    let mut typed = usual();
    let drafts = desk.site().region_drafts();
    if let Some(draft) = drafts.of(by(&desk), field(&query, AGAIN), desk.site().now()) {
        if let Task::Change(change) = &draft.task {
            return Ok(desk.to(&format!("/desk/region/{}/change?again={}", change.before.id, draft.id)));
        }
        typed.extend(draft.typed.clone());
        typed.insert(AGAIN.into(), draft.id.clone());
    } else if let Some(region) = retired(&desk, field(&query, "back")).await? {
        typed.extend(typed_of(&region));
    }
    if !field(&query, "zip").is_empty() {
        typed.insert("zips".into(), field(&query, "zip").to_owned());
    }
    shown(&desk, &typed, &[])
}

pub(super) async fn sent(desk: Desk, Form(mut typed): Form<Typed>) -> Result<Response, Fault> {
    allowed(&desk)?;
    typed.remove(super::upload::TOKEN_FIELD);
    tried(&desk, &typed).await
}

/// Tries a draft that found no station once more, with the station or the grid that its page offers.
pub(super) async fn take(desk: Desk, Path(id): Path<String>, Form(form): Form<Typed>) -> Result<Response, Fault> {
    allowed(&desk)?;
    let Some(draft) = own(&desk, &id) else { return gone(&desk) };
    let offered = match draft.stage() {
        Stage::Failed(failure) => failure.no_station.clone(),
        _ => None,
    };
    let Some(offered) = offered else { return Ok(desk.to(&path_of(&draft))) };
    let mut typed = draft.typed.clone();
    match (field(&form, "take"), offered.offer) {
        ("grid", _) if offered.has_grid => {
            typed.remove("stations");
            typed.insert("grid".into(), "yes".into());
        }
        ("station", Some(offer)) => {
            typed.remove("grid");
            typed.insert("stations".into(), offer.station.id.to_string());
        }
        _ => return Ok(desk.to(&path_of(&draft))),
    }
    typed.insert(AGAIN.into(), draft.id.clone());
    tried(&desk, &typed).await
}

async fn tried(desk: &Desk, typed: &Typed) -> Result<Response, Fault> {
    let given = match read(desk, typed) {
        Ok(given) => given,
        Err(mut faults) => {
            let taken = taken_beside(desk, typed, &faults).await?;
            faults.extend(taken);
            faults.extend(no_height(desk, typed, &faults));
            return refused(desk, typed, &faults);
        }
    };
    let wish = match wish_of(given, text(typed, "id")) {
        Ok(wish) => wish,
        Err(fault) => return refused(desk, typed, &[fault]),
    };
    let ground = ground(desk).await?;
    if let Err(why) = check_wish(&wish, &ground).await {
        let rest = match &why {
            NewRegionError::Store(StoreError::Conflict(Conflict::ZipsTaken { taken })) => {
                faults_beside(&wish, taken, &ground)
            }
            _ => Vec::new(),
        };
        let mut faults = faults_of(desk, why).await?;
        faults.extend(rest.iter().map(|fault| ("zips", desk_words(fault))));
        return refused(desk, typed, &faults);
    }
    match begin(desk, Task::Add(Box::new(wish)), typed, ground) {
        Ok(draft) => Ok(after(desk, &draft).await),
        Err(why) => {
            let why = crate::season::phrases::capitalised(&why.to_string()) + ".";
            with_status(shown(desk, typed, &[("drafts", why)]), StatusCode::TOO_MANY_REQUESTS)
        }
    }
}

/// A height that the form asks for where nothing is looked up. Alone it stands against nothing: stations around may tell it.
fn no_height(desk: &Desk, typed: &Typed, faults: &[FieldFault]) -> Option<FieldFault> {
    let is_told = faults.iter().any(|(field, _)| *field == "elevation_ft");
    let looks_up = desk.site().app().config.feeds.look_up;
    let lacks = !looks_up && !is_told && text(typed, "elevation_ft").is_empty();
    lacks.then(|| ("elevation_ft", "Give the elevation: nothing is looked up.".to_owned()))
}

/// Begins a draft; the one that it follows, if any, goes.
pub(super) fn begin(desk: &Desk, task: Task, typed: &Typed, ground: Ground) -> Result<Arc<Draft>, TooMany> {
    let drafts = desk.site().region_drafts();
    let mut typed = typed.clone();
    let before = typed.remove(AGAIN).and_then(|id| drafts.of(by(desk), &id, desk.site().now()));
    let draft = drafts.begin(desk.site().app(), by(desk), (task, typed), ground)?;
    draft.follow(before.as_ref().is_some_and(|before| before.follows()));
    // One that was saved still leads to its region.
    if let Some(before) = before.filter(|before| !matches!(before.stage(), Stage::Saved(_))) {
        drafts.give_up(&before);
    }
    Ok(draft)
}

/// Where nobody has to be asked it is there at once; else its page tells how far it is.
pub(super) async fn after(desk: &Desk, draft: &Draft) -> Response {
    draft.ended_within(PATIENCE).await;
    desk.to(&path_of(draft))
}

/// What finding a region stands on, with the services of the settings.
pub(super) async fn ground(desk: &Desk) -> Result<Ground, Fault> {
    let app = desk.site().app();
    let ground = Ground::of(&app.store, &app.config, app.clock.clone(), None).await;
    ground.map_err(|why| Fault::Inside(format!("a region cannot be looked up: {}", Chain(&why))))
}

fn allowed(desk: &Desk) -> Result<(), Fault> {
    if desk.account().may_add_regions() { Ok(()) } else { Err(Fault::Forbidden) }
}

/// A region that may come back: its ZIP codes were given free, and are to be given anew.
async fn retired(desk: &Desk, id: &str) -> Result<Option<Region>, Fault> {
    if id.is_empty() {
        return Ok(None);
    }
    let all = desk.site().app().store.all_regions().await?;
    Ok(all.into_iter().find(|region| region.retired && region.id.as_str() == id))
}

fn wish_of(given: Given, id: &str) -> Result<Wish, FieldFault> {
    let id = if id.is_empty() { id_of(&given.name) } else { id.to_owned() };
    if id.is_empty() {
        return Err(("id", "No short name can be made of this name: give one, such as dos-vientos.".to_owned()));
    }
    Ok(Wish {
        id: RegionId(id),
        name: given.name,
        zips: given.zips,
        latitude: given.latitude,
        longitude: given.longitude,
        elevation_m: given.elevation_m,
        time_zone: given.time_zone,
        county: given.county,
        state: given.state,
        band: given.band,
        landmarks: given.landmarks,
        stations: given.stations,
        take_grid_point: given.take_grid_point,
        profile: given.profile,
        release: given.release,
        owner_reports: given.owner_reports,
    })
}

fn refused(desk: &Desk, typed: &Typed, faults: &[FieldFault]) -> Result<Response, Fault> {
    with_status(shown(desk, typed, faults), StatusCode::UNPROCESSABLE_ENTITY)
}

fn shown(desk: &Desk, typed: &Typed, faults: &[FieldFault]) -> Result<Response, Fault> {
    let reach = &desk.account().reach;
    desk.page(
        "new_region",
        context! {
            form_of => fields(desk, typed, faults),
            counties => reach.counties.iter().map(ToString::to_string).collect::<Vec<_>>(),
            everywhere => desk.account().may(Deed::Administer),
            again => text(typed, AGAIN),
            drafts => drafts(desk),
        },
    )
}

/// Their own drafts that are not saved yet.
fn drafts(desk: &Desk) -> Vec<Value> {
    let own = desk.site().region_drafts().all_of(by(desk), desk.site().now());
    let line = |draft: &Draft| {
        let name = match &draft.task {
            Task::Add(wish) => wish.name.clone(),
            Task::Change(change) => format!("{}, changed", change.after.name),
        };
        let stage = draft.stage();
        let failed = matches!(stage, Stage::Failed(_));
        let stands = match stage {
            Stage::Working { step, done, of } => step_words(&step, done, of),
            Stage::Ready(_) => "ready to be looked at".to_owned(),
            Stage::Failed(_) => "did not work out".to_owned(),
            Stage::Saved(_) | Stage::GivenUp => return None,
        };
        Some(context! { path => draft.id.as_str(), name, stands, failed })
    };
    own.iter().filter_map(|draft| line(draft)).collect()
}
