//! A region that is changed, or taken out of use.

use axum::extract::{Form, Path, Query};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;

use super::caller::Desk;
use super::new_region::{after, begin, ground};
use super::notice::{app_of, by, fault_of, reach};
use super::region_draft::acted;
use super::region_form::{AGAIN, Given, conflict_of, faults_of, fields, fingerprint, read, text, typed_of};
use super::sign_in::with_status;
use super::upload::FieldFault;
use crate::geo::Point;
use crate::people::account::Deed;
use crate::people::csv::kept_reason;
use crate::region::{Region, RegionId};
use crate::season::phrases::capitalised;
use crate::service::desk::{DeskError, Hand};
use crate::service::new_region::{NewRegionError, read_zips};
use crate::service::region_drafts::{self, NotSaved, RegionChange, Task};
use crate::store::StoreError;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

pub(super) async fn page(desk: Desk, Path(id): Path<RegionId>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let region = desk.region()?.clone();
    if region.retired {
        return Ok(desk.to(&format!("/desk/region/{id}")));
    }
    let mut typed = typed_of(&region);
    let again = desk.site().region_drafts().of(by(&desk), field(&query, AGAIN), desk.site().now());
    if let Some(draft) = again {
        typed.extend(draft.typed.clone());
        typed.insert(AGAIN.into(), draft.id.clone());
    }
    shown(&desk, &region, &typed, &[])
}

pub(super) async fn sent(desk: Desk, Form(mut typed): Form<Typed>) -> Result<Response, Fault> {
    let before = desk.region()?.clone();
    typed.remove(super::upload::TOKEN_FIELD);
    let seen = typed.remove("seen").unwrap_or_default();
    let refused =
        |faults: &[FieldFault]| with_status(shown(&desk, &before, &typed, faults), StatusCode::UNPROCESSABLE_ENTITY);
    if seen != fingerprint(&before) {
        let what =
            "Somebody changed it since you opened this page: below stands what you typed, and this time it counts.";
        return refused(&[("name", what.to_owned())]);
    }
    let given = match read(&desk, &typed) {
        Ok(given) => given,
        Err(faults) => return refused(&faults),
    };
    let why = match text(&typed, "why") {
        "" => None,
        why => match kept_reason(why) {
            Ok(why) => Some(why),
            Err(why) => {
                return refused(&[(
                    "why",
                    format!("Say why in a few words without e-mail addresses or telephone numbers: {why}."),
                )]);
            }
        },
    };
    let after_it = match changed(&before, given, &typed, desk.account().may(Deed::Administer)) {
        Ok(region) => region,
        Err(why) => return refused(&faults_of(&desk, why).await?),
    };
    if after_it == before {
        return refused(&[("name", "Nothing differs from what it is now.".to_owned())]);
    }
    let change = RegionChange { before: before.clone(), after: after_it };
    let app = app_of(&desk, why.as_deref())?;
    // Not with the store that acts for somebody: nothing is done yet.
    match desk.site().app().store.try_changing_region(&change.after).await {
        Err(StoreError::Conflict(conflict)) => return refused(&[conflict_of(&desk, &conflict).await?]),
        tried => tried?,
    }
    if change.is_of_words() {
        let may = reach(&desk);
        return match region_drafts::change(&app, Hand { by: by(&desk), reach: &may }, &change).await {
            Ok(()) => {
                acted(&desk, &change.after).await;
                Ok(desk.to(&format!("/desk/region/{}?done=changed", before.id)))
            }
            Err(NotSaved::Desk(DeskError::Store(StoreError::Conflict(conflict)))) => {
                refused(&[conflict_of(&desk, &conflict).await?])
            }
            Err(NotSaved::Desk(why)) => Err(fault_of(why)),
            Err(why) => refused(&[("name", capitalised(&why.to_string()) + ".")]),
        };
    }
    let ground = ground(&desk).await?;
    match begin(&desk, Task::Change(Box::new(change)), &typed, ground) {
        Ok(draft) => Ok(after(&desk, &draft).await),
        Err(why) => {
            let fault = ("name", capitalised(&why.to_string()) + ".");
            with_status(shown(&desk, &before, &typed, &[fault]), StatusCode::TOO_MANY_REQUESTS)
        }
    }
}

/// The region as the form has it. A height in feet that was not touched stays the metres that it was; what only administrators say
/// stays as it is for others.
fn changed(before: &Region, given: Given, typed: &Typed, administers: bool) -> Result<Region, NewRegionError> {
    let shown = typed_of(before);
    let is_same = |names: &[&str]| names.iter().all(|name| text(typed, name) == text(&shown, name));
    let mut zips = read_zips(&given.zips).map_err(NewRegionError::Refused)?;
    zips.sort();
    let place = match (given.latitude, given.longitude) {
        (Some(latitude), Some(longitude)) => Point { latitude, longitude },
        _ => before.place,
    };
    let elevation_m = given.elevation_m.filter(|_| !is_same(&["elevation_ft"])).unwrap_or(before.elevation_m);
    let region = Region {
        id: before.id.clone(),
        name: given.name,
        place,
        elevation_m,
        time_zone: given.time_zone.unwrap_or(before.time_zone),
        profile: given.profile,
        zips,
        stations: if given.stations.is_empty() { before.stations.clone() } else { given.stations },
        release: given.release,
        owner_reports: given.owner_reports,
        county: if administers { given.county } else { before.county.clone() },
        state: if administers { given.state } else { before.state.clone() },
        band: if is_same(&["from_ft", "to_ft"]) { before.band } else { given.band },
        landmarks: given.landmarks,
        retired: false,
    };
    let faults = region.faults();
    if faults.is_empty() { Ok(region) } else { Err(NewRegionError::Refused(faults)) }
}

fn shown(desk: &Desk, region: &Region, typed: &Typed, faults: &[FieldFault]) -> Result<Response, Fault> {
    desk.page(
        "change_region",
        context! {
            id => region.id.as_str(),
            name => &region.name,
            seen => fingerprint(region),
            again => text(typed, AGAIN),
            form_of => fields(desk, typed, faults),
        },
    )
}

pub(super) async fn retire_page(desk: Desk) -> Result<Response, Fault> {
    retiring(&desk, None, "").await
}

pub(super) async fn retire(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let region = desk.region()?;
    let why = match crate::service::desk::people::reason(field(&typed, "why")) {
        Ok(why) => why,
        Err(why) => {
            let why = capitalised(&why.to_string()) + ".";
            let page = retiring(&desk, Some(why), field(&typed, "why")).await;
            return with_status(page, StatusCode::UNPROCESSABLE_ENTITY);
        }
    };
    let app = app_of(&desk, Some(&why))?;
    match app.store.retire_region(&region.id, app.clock.now()).await {
        // Twice sent.
        Err(StoreError::Conflict(crate::store::Conflict::RetiredRegion { .. })) => {}
        done => done?,
    }
    let site = desk.site().clone();
    tokio::spawn(async move {
        if let Err(why) = site.views().renewed().await {
            why.log();
        }
    });
    Ok(desk.to(&format!("/desk/region/{}?done=retired", region.id)))
}

async fn retiring(desk: &Desk, wrong: Option<String>, why: &str) -> Result<Response, Fault> {
    let region = desk.region()?;
    if region.retired {
        return Ok(desk.to(&format!("/desk/region/{}", region.id)));
    }
    let people: u64 = desk.site().app().store.count_recipients(&region.id).await?.values().sum();
    let zips: Vec<String> = region.zips.iter().map(ToString::to_string).collect();
    desk.page("retire_region", context! { id => region.id.as_str(), name => &region.name, people, zips, why, wrong })
}
