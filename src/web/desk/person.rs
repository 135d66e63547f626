//! One person: masked, in full for a reason that is kept, and what staff do for them.

use axum::extract::{Form, Path, Query};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::app_of;
use super::people::{channel_words, day_of, people_fault, reach_of, status_words};
use super::said::{Refused, done_of};
use super::sign_in::with_status;
use super::upload::FieldFault;
use crate::people::AddressId;
use crate::people::account::Deed;
use crate::season::phrases::capitalised;
use crate::service::desk::DeskError;
use crate::service::desk::people::{self, PeopleReach, PersonInDepth, person_in_depth};
use crate::store::addresses::AddressStatus;
use crate::store::subscriptions::Subscriber;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// What may stand behind `?done=`.
const DONE: [&str; 4] = ["added", "extended", "unchanged", "stopped"];

pub(super) async fn page(desk: Desk, Path(id): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    shown(&desk, &id, done_of(&DONE, &query), None).await
}

/// By POST, since a look in clear is written down and is not to be repeated by a reload or a link.
pub(super) async fn show(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let why = match people::reason(field(&typed, "why")) {
        Ok(why) => why,
        Err(why) => return reasoned(&desk, &id, ("show", &typed), why).await,
    };
    let app = app_of(&desk, Some(&why))?;
    let person = people::in_clear(&app, &reach, &id).await.map_err(people_fault)?;
    let seen = person_in_depth(&app, &reach, &id).await.map_err(people_fault)?;
    told(&desk, &reach, &seen, Some(&person), (None, None))
}

pub(super) async fn stop(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let app = app_of(&desk, None)?;
    let only = Some(field(&typed, "only")).filter(|only| !only.is_empty()).map(AddressId::from);
    match people::stop(&app, &reach, &id, only.as_ref(), field(&typed, "how")).await {
        Ok(_) => Ok(desk.to(&format!("/desk/person/{id}?done=stopped"))),
        Err(why @ DeskError::Reason(_)) => reasoned(&desk, &id, ("stop", &typed), why).await,
        Err(why) => Err(people_fault(why)),
    }
}

/// A file for its owner, in full.
pub(super) async fn export(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let why = match people::reason(field(&typed, "why")) {
        Ok(why) => why,
        Err(why) => return reasoned(&desk, &id, ("export", &typed), why).await,
    };
    let app = app_of(&desk, Some(&why))?;
    let export = people::export(&app, &reach, &id).await.map_err(people_fault)?;
    let text = serde_json::to_string_pretty(&export);
    let text = text.map_err(|why| Fault::Inside(format!("what is kept of somebody cannot be written: {why}")))?;
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("application/json")),
        (header::CONTENT_DISPOSITION, HeaderValue::from_static("attachment; filename=\"what-we-keep-of-you.json\"")),
    ];
    Ok((headers, text + "\n").into_response())
}

pub(super) async fn erase_page(desk: Desk, Path(id): Path<String>) -> Result<Response, Fault> {
    erasing(&desk, &id, None).await
}

pub(super) async fn erase(desk: Desk, Path(id): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let app = app_of(&desk, None)?;
    let mut faults: Vec<FieldFault> = Vec::new();
    if let Err(why) = people::reason(field(&typed, "how")) {
        faults.push(("how", reason_words(why)?));
    }
    if field(&typed, "sure") != "yes" {
        faults.push(("sure", "Say that you are sure: it cannot be undone.".to_owned()));
    }
    if !faults.is_empty() {
        return with_status(
            erasing(&desk, &id, Some((&typed, faults.as_slice()))).await,
            StatusCode::UNPROCESSABLE_ENTITY,
        );
    }
    people::erase(&app, &reach, &id, field(&typed, "how")).await.map_err(people_fault)?;
    Ok(desk.to("/desk/people?done=erased"))
}

/// `refused`: what was typed, and what is wrong with it.
async fn erasing(desk: &Desk, id: &str, refused: Option<(&Typed, &[FieldFault])>) -> Result<Response, Fault> {
    let reach = reach_of(desk).await?;
    let PersonInDepth { person, .. } = person_in_depth(desk.site().app(), &reach, id).await.map_err(people_fault)?;
    let (_, elsewhere) = reach.places(&person);
    let faults = refused.map(|(_, faults)| faults).unwrap_or_default();
    let of = |name: &str| faults.iter().find(|(field, _)| *field == name).map(|(_, what)| what.as_str());
    desk.page(
        "person_erase",
        context! {
            id,
            addresses => person.addresses.iter().map(|known| known.address.to_string()).collect::<Vec<_>>(),
            elsewhere,
            how => refused.map_or("", |(typed, _)| field(typed, "how")),
            sure => refused.is_some_and(|(typed, _)| field(typed, "sure") == "yes"),
            faults => faults.iter().map(|(field, what)| context! { field => *field, what }).collect::<Vec<_>>(),
            wrong => context! { how => of("how"), sure => of("sure") },
        },
    )
}

fn reason_words(why: DeskError) -> Result<String, Fault> {
    match why {
        DeskError::Reason(why) => {
            Ok(format!("Say it in a few words without e-mail addresses or telephone numbers: {why}."))
        }
        why => Err(people_fault(why)),
    }
}

async fn reasoned(desk: &Desk, id: &str, (form, typed): (&str, &Typed), why: DeskError) -> Result<Response, Fault> {
    let why = reason_words(why)?;
    with_status(shown(desk, id, None, Some(Refused { form, why, typed })).await, StatusCode::UNPROCESSABLE_ENTITY)
}

async fn shown(desk: &Desk, id: &str, done: Option<&str>, refused: Option<Refused<'_>>) -> Result<Response, Fault> {
    let reach = reach_of(desk).await?;
    let seen = person_in_depth(desk.site().app(), &reach, id).await.map_err(people_fault)?;
    told(desk, &reach, &seen, None, (done, refused))
}

/// `clear`: the person, when their addresses are to be shown in full; that was noted before.
fn told(
    desk: &Desk,
    reach: &PeopleReach,
    seen: &PersonInDepth,
    clear: Option<&Subscriber>,
    (done, refused): (Option<&str>, Option<Refused<'_>>),
) -> Result<Response, Fault> {
    let PersonInDepth { person, consents } = seen;
    let zone = desk.site().app().config.schedule.time_zone;
    let (here, elsewhere) = reach.places(person);
    let in_full = |id: &AddressId| {
        let known = clear.and_then(|clear| clear.addresses.iter().find(|known| known.id == *id));
        known.map(|known| known.address.expose().to_owned())
    };
    let addresses: Vec<Value> = person
        .addresses
        .iter()
        .map(|known| {
            context! {
                id => known.id.as_str(),
                address => in_full(&known.id).unwrap_or_else(|| known.address.to_string()),
                channel => channel_words(known.address.channel()),
                standing => status_words(known.status),
                since => day_of(known.status_at, zone),
                told => known.status == AddressStatus::Confirmed || known.status == AddressStatus::Unconfirmed,
            }
        })
        .collect();
    let masked = |id: &AddressId| {
        let known = person.addresses.iter().find(|known| known.id == *id);
        known.map(|known| known.address.to_string())
    };
    let typed = |name: &str| refused.as_ref().map_or("", |refused| field(refused.typed, name)).to_owned();
    desk.page(
        "person",
        context! {
            id => &person.id,
            may_act => desk.account().may(Deed::Act),
            is_clear => clear.is_some(),
            addresses,
            any_told => person.addresses.iter().any(|known| known.status != AddressStatus::Stopped),
            language => person.language.english_name(),
            since => day_of(person.created_at, zone),
            places => here.iter().map(|home| context! {
                zip => home.zip.as_str(),
                region => home.region.as_ref().map(|region| context! {
                    id => region.as_str(), name => reach.name_of(region).unwrap_or(region.as_str()),
                }),
                height => home.said.map(|said| said.height.to_string()),
            }).collect::<Vec<_>>(),
            elsewhere,
            consents => consents.iter().map(|note| context! {
                at => day_of(note.at, zone),
                action => capitalised(&note.action),
                evidence => &note.evidence,
                address => masked(&note.address),
            }).collect::<Vec<_>>(),
            done,
            typed_why => typed("why"),
            typed_how => typed("how"),
            wrong => refused.as_ref().map(|refused| refused.form),
            wrong_why => refused.as_ref().map(|refused| refused.why.as_str()),
        },
    )
}
