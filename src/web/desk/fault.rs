//! What is wrong, told in the frame of the desk, so that whoever works there has its pages at hand.

use std::sync::Arc;
use std::time::Duration;

use axum::http::HeaderMap;
use axum::response::Response;
use minijinja::context;

use super::caller::Caller;
use super::cookies;
use crate::language::Language;
use crate::service::desk::{digest, form_token};
use crate::store::accounts::StoredAccount;
use crate::store::accounts::sessions::StoredSession;
use crate::web::page::with_fault;
use crate::web::{Fault, Visit};

/// Who is signed in matters to the head of the page alone: nobody waits longer for a store that does not answer.
const LONGEST_LOOK: Duration = Duration::from_secs(2);

/// The page that says what is wrong and where to go on from there. `headers`: of the request.
pub(in crate::web) async fn page(visit: &Visit, headers: &HeaderMap, fault: &Fault) -> Response {
    fault.log();
    let token = cookies::read(headers, cookies::SESSION);
    let signed = match &token {
        Some(token) => signed(visit, token).await,
        None => None,
    };
    let token = token.filter(|_| signed.is_some());
    let caller = Caller {
        visit: visit.clone(),
        signed,
        // Only who is signed in finds a form here, to sign out.
        form_token: token.map_or_else(String::new, |token| form_token(&token)).into(),
        device: None,
        browser: "".into(),
    };
    let shown = context! {
        t => visit.site.pages().words().of(Language::En, "fault"),
        kind => fault.name(),
        status => fault.status().as_u16(),
    };
    with_fault(caller.page("fault", shown), fault)
}

/// The session of a browser and its account. Without an answer of the store nobody is signed in on this page.
async fn signed(visit: &Visit, token: &str) -> Option<(Arc<StoredSession>, Arc<StoredAccount>)> {
    let (store, now) = (&visit.site.app().store, visit.site.door().clock.now());
    let hash = digest(token);
    let found = tokio::time::timeout(LONGEST_LOOK, store.desk_session(&hash, now)).await.ok()?.ok()??;
    Some((Arc::new(found.0), Arc::new(found.1)))
}
