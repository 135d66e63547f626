//! The owner of an address says yes: by the button behind the link in an e-mail, or by the code in a text. Opening the
//! link does nothing yet, since programs that look at mail open every link in it.

use axum::Router;
use axum::extract::{Form, Path};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;
use tokio::time::Instant;

use super::forms::{self, Typed, field};
use super::{Fault, Site, Visit};
use crate::people::{Address, AddressId, Zip};
use crate::season::{NoticeKind, phrases};
use crate::service::subscribe::confirm::{self, Confirmed};
use crate::service::subscribe::places::{Place, places};
use crate::service::subscribe::tokens::Purpose;
use crate::service::subscribe::{preference_link, tokens};

/// Codes that one network may try in an hour, whosever they are.
const TRIES_PER_NETWORK: usize = 30;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/confirm", get(blank).post(typed_in)).route("/confirm/{token}", get(asked).post(pressed))
}

async fn blank(visit: Visit) -> Result<Response, Fault> {
    form(&visit, "", None, false)
}

async fn typed_in(visit: Visit, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let phone = match forms::phone_number(&visit.site, field(&typed, "phone")) {
        Ok(phone) => phone,
        Err((_, why)) => return refused(form(&visit, field(&typed, "phone"), Some(why), false)),
    };
    if !visit.site.code_turns().take(visit.network(), TRIES_PER_NETWORK, visit.site.now()) {
        return Err(Fault::TooMany);
    }
    let store = &visit.site.app().store;
    let key = store.address_id(&Address::Phone(phone)).await?;
    let ask = tokens::make(store.address_hash(), Purpose::Code, key.as_str());
    let done = confirm::by_code(visit.site.app(), &ask, field(&typed, "code")).await?;
    forms::on_the_beat(since).await;
    match done {
        Confirmed::Yes { address_key, zips, .. } => done_page(&visit, &address_key, &zips).await,
        // One answer, so that nobody learns by guessing who was asked.
        Confirmed::Wrong { .. } | Confirmed::No => refused(form(&visit, field(&typed, "phone"), None, true)),
    }
}

fn form(visit: &Visit, phone: &str, phone_fault: Option<&str>, wrong: bool) -> Result<Response, Fault> {
    visit.page("confirm_code", context! { phone, phone_fault, wrong })
}

/// What the link leads to: a button.
async fn asked(visit: Visit, Path(token): Path<String>) -> Result<Response, Fault> {
    match confirm::request_of(visit.site.app(), &token).await? {
        Some(request) if request.confirmed => {
            visit.page("confirm_link", context! { state => "before", zips => words(&request.zips) })
        }
        Some(request) => visit.page("confirm_link", context! { state => "ask", zips => words(&request.zips) }),
        None => useless(&visit),
    }
}

async fn pressed(visit: Visit, Path(token): Path<String>) -> Result<Response, Fault> {
    match confirm::by_token(visit.site.app(), &token).await? {
        Confirmed::Yes { address_key, zips, .. } => done_page(&visit, &address_key, &zips).await,
        // Pressed twice, or the page was loaded again.
        Confirmed::Wrong { .. } | Confirmed::No => asked(visit, Path(token)).await,
    }
}

fn useless(visit: &Visit) -> Result<Response, Fault> {
    let mut response = visit.page("confirm_link", context! { state => "useless", zips => "" })?;
    *response.status_mut() = StatusCode::NOT_FOUND;
    Ok(response)
}

async fn done_page(visit: &Visit, address_key: &AddressId, zips: &[Zip]) -> Result<Response, Fault> {
    let store = &visit.site.app().store;
    let mut shown = Vec::with_capacity(zips.len());
    let mut is_time = false;
    for Place { zip, region, choices } in places(store, zips).await? {
        let region = match store.home_region(address_key, &zip).await? {
            Some(id) => Some(store.region(&id).await?),
            None => region,
        };
        let heights = region.as_ref().and_then(|region| region.band).filter(|_| !choices.is_empty());
        let notice = match &region {
            Some(region) => store.notice_in_force(&region.id, visit.site.now()).await?,
            None => None,
        };
        is_time |= notice.is_some();
        shown.push(context! {
            zip => zip.as_str(),
            id => region.as_ref().map(|region| region.id.as_str()),
            name => region.as_ref().map(|region| region.name.as_str()),
            heights => heights.map(|band| band.words(visit.language)),
            now => notice.as_ref().map(|notice| what_now(notice.kind)),
            wash_by => notice.and_then(|notice| notice.deadline()).map(|day| phrases::date(visit.language, day)),
        });
    }
    let preferences = preference_link::make(store.address_hash(), address_key, visit.site.now());
    visit.page("confirm_done", context! { places => shown, is_time, preferences })
}

/// What is to be done under a notice in force, as a name among the page's words.
fn what_now(kind: NoticeKind) -> &'static str {
    match kind {
        NoticeKind::GetReady => "ready",
        NoticeKind::InspectNow => "look",
        NoticeKind::WashNow | NoticeKind::DeadlineMoved => "wash",
        NoticeKind::LastDaysToWash | NoticeKind::TooLateToWash => "last",
    }
}

fn words(zips: &[Zip]) -> String {
    zips.iter().map(Zip::as_str).collect::<Vec<_>>().join(", ")
}

fn refused(response: Result<Response, Fault>) -> Result<Response, Fault> {
    let mut response = response?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}
