//! Who asks, as pages see it.

use std::sync::Arc;

use axum::extract::FromRequestParts;
use axum::http::{StatusCode, header, request};
use axum::response::{IntoResponse, Response};
use minijinja::context;
use minijinja::value::Value;

use super::{NAVIGATION, NEW_REGION, PRACTICE_NAVIGATION, cookies};
use crate::language::Language;
use crate::people::account::{Account, Deed};
use crate::region::Region;
use crate::service::desk::{Begun, Credentials, Place, local};
use crate::service::practice::{Goal, Standing};
use crate::store::Store;
use crate::store::accounts::StoredAccount;
use crate::store::accounts::sessions::StoredSession;
use crate::store::acts::Actor;
use crate::web::{Fault, Site, Visit, assets};

/// Whoever asks a page of the desk, signed in or not: for the pages of the sign-in.
#[derive(Clone)]
pub struct Caller {
    pub visit: Visit,
    /// Their session, whole or half done, and its account.
    pub signed: Option<(Arc<StoredSession>, Arc<StoredAccount>)>,
    pub(super) form_token: Arc<str>,
    pub(super) device: Option<Arc<str>>,
    pub(super) browser: Arc<str>,
}

/// Somebody who is signed in, and may do what the route's entry says.
#[derive(Clone)]
pub struct Desk {
    pub caller: Caller,
    pub session: Arc<StoredSession>,
    pub stored: Arc<StoredAccount>,
    /// The region that the path names, where the entry says [`Needs::ActOn`](super::Needs::ActOn).
    region: Option<Arc<Region>>,
}

impl Desk {
    pub(super) fn of(caller: &Caller, region: Option<Arc<Region>>) -> Option<Self> {
        let (session, stored) = caller.signed.clone()?;
        let is_whole = session.stage == crate::store::accounts::sessions::Stage::Whole;
        is_whole.then(|| Self { caller: caller.clone(), session, stored, region })
    }

    pub fn visit(&self) -> &Visit {
        &self.caller.visit
    }

    pub fn site(&self) -> &Site {
        &self.caller.visit.site
    }

    /// Name, role and reach.
    pub fn account(&self) -> &Account {
        &self.stored.account
    }

    pub fn may_act_on(&self, region: &Region) -> bool {
        self.account().may_act_on(region)
    }

    /// The region that the path names.
    ///
    /// # Errors
    /// When the route's entry asks for none: a fault of ours.
    pub fn region(&self) -> Result<&Region, Fault> {
        self.region.as_deref().ok_or_else(|| Fault::Inside("this route of the desk names no region".into()))
    }

    /// The store as they use it: acts on it are written to the audit under their account's name, with the reason they gave.
    pub fn store(&self, why: Option<&str>) -> Result<Store, Fault> {
        let app = self.site().app();
        Ok(app.store.acting(Actor {
            user: self.caller.credentials()?.user().to_owned(),
            account: Some(self.account().name.to_string()),
            why: why.map(str::trim).filter(|why| !why.is_empty()).map(str::to_owned),
            clock: app.clock.clone(),
        }))
    }

    /// The page `desk/NAME` with what it shows.
    pub fn page(&self, name: &str, shown: Value) -> Result<Response, Fault> {
        self.caller.page(name, shown)
    }

    /// To another page of the desk, asked for by GET: loading it again sends no form again.
    pub fn to(&self, path: &str) -> Response {
        redirect(self.site(), path)
    }
}

impl Caller {
    pub fn credentials(&self) -> Result<&Credentials, Fault> {
        self.visit.site.credentials().ok_or(Fault::NotFound)
    }

    /// What every form of this browser carries.
    pub fn form_token(&self) -> &str {
        &self.form_token
    }

    pub(super) fn place(&self) -> Place<'_> {
        Place { network: self.visit.network(), device: self.device.as_deref(), browser: &self.browser }
    }

    /// Id of the session that another takes the place of.
    pub(super) fn session_id(&self) -> Option<&str> {
        self.signed.as_ref().map(|(session, _)| session.id.as_str())
    }

    /// The session and its account.
    ///
    /// # Errors
    /// When there is none: a fault of ours, since the gate let them through.
    pub(super) fn started(&self) -> Result<(&StoredSession, &StoredAccount), Fault> {
        let signed = self.signed.as_ref().map(|(session, account)| (&**session, &**account));
        signed.ok_or_else(|| Fault::Inside("a route of the desk let somebody in without a session".into()))
    }

    /// The page `desk/NAME`. It finds `form_token`, `link` (path before links of the desk), `me` (the account's name, where
    /// somebody is signed in whole), `navigation`, `path`, what the public pages' frame finds (`root`, `style`, `mark`, `sender`,
    /// `help`, `exercise`, `practice`: where its clock stands, `clock_goes`: where it is being moved to), `moves_clock` (whether
    /// they may move it) and what `shown` holds.
    pub fn page(&self, name: &str, shown: Value) -> Result<Response, Fault> {
        let site = &self.visit.site;
        let me = Desk::of(self, None);
        let path = &self.visit.path;
        let navigation: Vec<Value> = me
            .iter()
            .flat_map(|me| {
                let practice = site.practice().map(|_| &PRACTICE_NAVIGATION);
                let all = practice.into_iter().chain(NAVIGATION).filter(|(_, _, deed)| me.account().may(*deed));
                // On a wide window Today leads there.
                let add = me.account().may_add_regions().then_some((&NEW_REGION, true));
                all.map(|one| (one, false)).chain(add)
            })
            .map(|((to, label, _), narrow)| {
                let here = path == to || path.strip_prefix(to).is_some_and(|rest| rest.starts_with('/'));
                context! { href => site.path(Language::En, to), label => *label, here, narrow }
            })
            .collect();
        let around = context! {
            form_token => &*self.form_token,
            me => me.as_ref().map(|me| me.account().name.as_str()),
            started => self.signed.is_some(),
            navigation,
            path,
            link => site.path(Language::En, "/desk"),
            home => site.path(Language::En, "/"),
            root => site.base(),
            style => assets::style_path(site),
            desk_style => assets::path(site, "desk.css"),
            mark => assets::path(site, "mark.svg"),
            exercise => site.is_exercise(),
            practice => site.practice().map(|practice| {
                local(practice.now(), site.app().config.schedule.time_zone)
            }),
            clock_goes => goal(site),
            moves_clock => me.as_ref().is_some_and(|me| me.account().may(Deed::Act)),
            sender => &site.app().config.messages.sender_name,
        };
        let html = site
            .pages()
            .render(&format!("desk/{name}"), context! { ..shown, ..around })
            .map_err(|why| Fault::Inside(format!("page `desk/{name}`: {why:#}")))?;
        let headers = [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_LANGUAGE, "en")];
        Ok((StatusCode::OK, headers, html).into_response())
    }

    /// On to `path` with what begun gives the browser to keep.
    pub(super) fn on_with(&self, begun: &Begun, path: &str) -> Response {
        let mut response = redirect(&self.visit.site, path);
        keep(&mut response, begun);
        response
    }
}

/// Where the clock of a practice is being moved to, in words; `None`: it stands, or there is no practice.
fn goal(site: &Site) -> Option<String> {
    match site.practice()?.standing() {
        Standing::Moving(Goal::At(at)) => Some(local(at, site.app().config.schedule.time_zone)),
        Standing::Moving(Goal::NextNotice) => Some("the next notice".to_owned()),
        Standing::Still(_) | Standing::Making => None,
    }
}

/// Hands the browser its new session, and its number.
pub(super) fn keep(response: &mut Response, begun: &Begun) {
    cookies::add(response, &cookies::session(&begun.token));
    if let Some(device) = &begun.device {
        cookies::add(response, &cookies::device(device));
    }
}

/// To a path of ours, by GET.
pub(super) fn redirect(site: &Site, path: &str) -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, site.path(Language::En, path))]).into_response()
}

impl FromRequestParts<Site> for Caller {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut request::Parts, _: &Site) -> Result<Self, Fault> {
        parts.extensions.get().cloned().ok_or_else(|| Fault::Inside("a page of the desk stands before no gate".into()))
    }
}

impl FromRequestParts<Site> for Desk {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut request::Parts, _: &Site) -> Result<Self, Fault> {
        parts
            .extensions
            .get()
            .cloned()
            .ok_or_else(|| Fault::Inside("this page of the desk lets in who is not signed in".into()))
    }
}
