//! One's own settings: places, language, stop, start again, erase. Who holds the link is let in; the link is only ever sent
//! to the address itself.

use axum::Router;
use axum::extract::{Form, Path, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use minijinja::context;
use tokio::time::Instant;

use super::forms::{self, FieldFault, FormFault, Typed, field};
use super::{Fault, Site, Visit};
use crate::language::Language;
use crate::people::{Address, AddressId, Channel, Zip};
use crate::season::phrases;
use crate::service::photographs;
use crate::service::subscribe::places::{Place, places};
use crate::service::subscribe::preference_link;
use crate::service::subscribe::preferences::send_link;
use crate::service::subscribe::stop::{StopRequest, stop};
use crate::store::addresses::AddressStatus;
use crate::store::heights::Said;
use crate::store::preferences::PlaceChange;
use crate::store::subscriptions::Subscriber;

/// Links that one network may ask for in an hour.
const LINKS_PER_NETWORK: usize = 5;

const FORM: &str = "link";

/// What may stand behind `?done=`: the words of each are the page's.
const DONE: [&str; 7] = ["added", "known", "removed", "height", "language", "stopped", "started"];

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/preferences", get(blank).post(send)).route("/preferences/{token}", get(open).post(change))
}

async fn blank(visit: Visit) -> Result<Response, Fault> {
    ask_form(&visit, &Typed::new(), &[], None)
}

async fn send(visit: Visit, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let checked = forms::check(&visit.site, FORM, &typed);
    let address = forms::address(&visit.site, &typed);
    match (checked, address) {
        (Err(FormFault::Trapped), _) => {}
        (_, Err(faults)) => return refused(ask_form(&visit, &typed, &faults, None)),
        (Err(fault), Ok(_)) => return refused(ask_form(&visit, &typed, &[], Some(fault.name()))),
        (Ok(()), Ok(address)) => {
            if !visit.site.link_turns().take(visit.network(), LINKS_PER_NETWORK, visit.site.now()) {
                return Err(Fault::TooMany);
            }
            send_link(visit.site.app(), &address).await?;
        }
    }
    forms::on_the_beat(since).await;
    visit.page("preferences_sent", context! {})
}

fn ask_form(visit: &Visit, typed: &Typed, faults: &[FieldFault], again: Option<&str>) -> Result<Response, Fault> {
    let fault_of = |name: &str| faults.iter().find(|(field, _)| *field == name).map(|(_, why)| *why);
    visit.page(
        "preferences_ask",
        context! {
            again,
            wrong => !faults.is_empty(),
            token => forms::stamp(&visit.site, FORM),
            phone => field(typed, "phone"),
            email => field(typed, "email"),
            faults => context! { phone => fault_of("phone"), email => fault_of("email") },
        },
    )
}

/// Whom a link lets in.
async fn let_in(visit: &Visit, token: &str) -> Result<Option<(AddressId, Address, Subscriber)>, Fault> {
    let store = &visit.site.app().store;
    let Some(id) = preference_link::open(visit.site.app(), token).await? else { return Ok(None) };
    let Some(address) = store.address_by_id(&id).await? else { return Ok(None) };
    Ok(store.subscriber_of(&address).await?.map(|subscriber| (id, address, subscriber)))
}

async fn open(visit: Visit, Path(token): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let Some((_, address, subscriber)) = let_in(&visit, &token).await? else { return useless(&visit) };
    let done = DONE.into_iter().find(|done| *done == field(&query, "done"));
    shown(&visit, &token, &address, &subscriber, done, "", None).await
}

async fn change(visit: Visit, Path(token): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let Some((id, address, subscriber)) = let_in(&visit, &token).await? else { return useless(&visit) };
    let (store, clock, now) = (&visit.site.app().store, &*visit.site.app().clock, visit.site.now());
    const EVIDENCE: &str = "preferences page";
    let wrong = async |text: &str, why: &'static str| {
        refused(shown(&visit, &token, &address, &subscriber, None, text, Some(why)).await)
    };
    let done = match field(&typed, "action") {
        "add" => {
            let text = field(&typed, "zip");
            let Ok(zip) = Zip::parse(text) else { return wrong(text, "zip_wrong").await };
            match store.add_place(&id, &zip, now).await? {
                PlaceChange::Done => "added",
                PlaceChange::TooMany => return wrong(text, "zip_many").await,
                PlaceChange::Same | PlaceChange::Last => "known",
            }
        }
        "remove" => {
            let Ok(zip) = Zip::parse(field(&typed, "zip")) else { return wrong("", "zip_wrong").await };
            match store.drop_place(&id, &zip).await? {
                PlaceChange::Last => return wrong("", "last").await,
                _ => "removed",
            }
        }
        "height" => {
            let Ok(zip) = Zip::parse(field(&typed, "zip")) else { return wrong("", "zip_wrong").await };
            let choices = store.height_choices(&zip).await?;
            let chosen = choices.iter().find(|choice| choice.region.as_str() == field(&typed, "height"));
            let Some(chosen) = chosen else { return wrong("", "height_missing").await };
            match store.say_height(&id, &zip, chosen.band, now).await? {
                Said::NotTheirs => return wrong("", "height_missing").await,
                Said::Lives(_) | Said::Kept => "height",
            }
        }
        "language" => {
            let Some(language) = Language::parse(field(&typed, "language")) else {
                return wrong("", "language_wrong").await;
            };
            store.set_language(&id, language).await?;
            "language"
        }
        "stop" => {
            for known in &subscriber.addresses {
                let key = store.address_id(&known.address).await?;
                stop(store, clock, StopRequest::Address(&key), EVIDENCE).await?;
            }
            "stopped"
        }
        "start" => {
            if !store.resume_address(&address, EVIDENCE, now).await? {
                return wrong("", "no_start").await;
            }
            "started"
        }
        "erase" => {
            if field(&typed, "sure") != "yes" {
                return wrong("", "not_sure").await;
            }
            stop(store, clock, StopRequest::Erase(&address), EVIDENCE).await?;
            photographs::sweep_after_erasure(&visit.site.app().config, store, clock.now()).await;
            return visit.page("preferences_erased", context! {});
        }
        _ => return Err(Fault::BadRequest("no such change")),
    };
    // Asked for again by GET, so that loading the page once more changes nothing.
    let back = format!("{}?done={done}", visit.link(&format!("/preferences/{token}")));
    Ok((StatusCode::SEE_OTHER, [(header::LOCATION, back)]).into_response())
}

async fn shown(
    visit: &Visit,
    token: &str,
    address: &Address,
    subscriber: &Subscriber,
    done: Option<&str>,
    zip: &str,
    fault: Option<&str>,
) -> Result<Response, Fault> {
    let store = &visit.site.app().store;
    let places = places(store, &subscriber.zips).await?;
    let places: Vec<_> = places
        .iter()
        .zip(&subscriber.homes)
        .map(|(Place { zip, region, choices }, home)| {
            let lives = home.region.as_ref();
            let own = choices.iter().find(|choice| Some(&choice.region) == lives);
            let (id, name) = match own {
                Some(own) => (Some(own.region.as_str()), Some(&own.name)),
                None => region.as_ref().map(|region| (region.id.as_str(), &region.name)).unzip(),
            };
            let heights: Vec<_> = choices
                .iter()
                .map(|choice| {
                    let checked = home.said.is_some() && Some(&choice.region) == lives;
                    let words = phrases::capitalised(&choice.words(visit.language));
                    context! { value => choice.region.as_str(), words, checked }
                })
                .collect();
            let until = own.filter(|_| home.said.is_none()).map(|own| own.band.words(visit.language));
            context! { zip => zip.as_str(), id, name, heights, until }
        })
        .collect();
    let addresses: Vec<_> = subscriber
        .addresses
        .iter()
        .map(|known| {
            context! {
                masked => known.address.to_string(),
                sms => known.address.channel() == Channel::Sms,
                status => known.status.name(),
            }
        })
        .collect();
    let own = subscriber.addresses.iter().find(|known| known.address == *address).map(|known| known.status);
    visit.page(
        "preferences",
        context! {
            token,
            places,
            addresses,
            stopped => own == Some(AddressStatus::Stopped),
            language => subscriber.language.code(),
            done,
            zip,
            fault,
            wrong => fault.is_some(),
        },
    )
}

fn useless(visit: &Visit) -> Result<Response, Fault> {
    let mut response = visit.page("preferences_useless", context! {})?;
    *response.status_mut() = StatusCode::NOT_FOUND;
    Ok(response)
}

fn refused(response: Result<Response, Fault>) -> Result<Response, Fault> {
    let mut response = response?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}
