//! What stands before every route of the desk: whether a form comes from a page of ours, whose session it is, and whether they may.

use std::sync::Arc;

use axum::RequestPartsExt;
use axum::body::{Body, to_bytes};
use axum::extract::{RawPathParams, Request, State};
use axum::http::{HeaderMap, HeaderValue, header, request};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use tracing::warn;

use super::caller::{Caller, Desk, redirect};
use super::cookies;
use super::needs::{Kind, Needs, Subject};
use super::upload::TOKEN_FIELD;
use super::{browser, return_path, upload};
use crate::links;
use crate::people::account::Deed;
use crate::region::{Region, RegionId};
use crate::season::NoticeId;
use crate::service::desk::{digest, form_token};
use crate::service::subscribe::tokens::same;
use crate::store::accounts::StoredAccount;
use crate::store::accounts::sessions::{Stage, StoredSession};
use crate::store::{Conflict, StoreError};
use crate::text::Chain;
use crate::web::{Fault, LARGEST_FORM, Site, Visit};

/// A session is noted as used at most this often: a page a second must not be a write a second.
const NOTED_EVERY: chrono::TimeDelta = chrono::TimeDelta::seconds(60);

#[derive(Clone)]
pub(super) struct Gate {
    pub site: Site,
    pub needs: Needs,
    pub kind: Kind,
}

pub(super) async fn gate(State(gate): State<Gate>, request: Request, next: Next) -> Response {
    let mut new_seed = None;
    let passed = gate.pass(request, &mut new_seed).await;
    let mut response = match passed {
        Ok(request) => next.run(request).await,
        Err(Stopped::Elsewhere(response)) => response,
        Err(Stopped::Fault(fault)) => fault.into_response(),
    };
    if let Some(seed) = new_seed {
        cookies::add(&mut response, &cookies::form_seed(&seed));
    }
    response
}

enum Stopped {
    Elsewhere(Response),
    Fault(Fault),
}

impl<E: Into<Fault>> From<E> for Stopped {
    fn from(why: E) -> Self {
        Stopped::Fault(why.into())
    }
}

impl Gate {
    async fn pass(&self, request: Request, new_seed: &mut Option<String>) -> Result<Request, Stopped> {
        let (mut parts, body) = request.into_parts();
        if self.kind != Kind::Page && !is_from_our_own_page(&parts.headers, &self.site) {
            return Err(Fault::BadRequest("a form of the desk was sent from another site").into());
        }
        let caller = self.caller(&parts, new_seed).await?;
        let region = self.may(&caller, &mut parts).await?;
        let body = match self.kind {
            Kind::Page => body,
            Kind::Form => checked(body, &parts.headers, caller.form_token()).await?,
            Kind::Upload => {
                let upload = upload::read(body, &parts.headers, caller.form_token()).await?;
                parts.extensions.insert(upload);
                Body::empty()
            }
        };
        if let Some((session, _)) = &caller.signed
            && self.site.door().clock.now() - session.seen_at >= NOTED_EVERY
        {
            // Reading goes on where the store takes no write; the session only ends earlier.
            let noted = self.site.door().store.touch_desk_session(&session.id, self.site.door().clock.now()).await;
            if let Err(why) = noted {
                warn!(why = %Chain(&why), "that a session of the desk is in use could not be noted");
            }
        }
        if let Some(desk) = Desk::of(&caller, region) {
            parts.extensions.insert(desk);
        }
        parts.extensions.insert(caller);
        Ok(Request::from_parts(parts, body))
    }

    /// Who asks, by the cookies of the browser.
    async fn caller(&self, parts: &request::Parts, new_seed: &mut Option<String>) -> Result<Caller, Fault> {
        let store = &self.site.app().store;
        let cookie = |name: &str| cookies::read(&parts.headers, name);
        let token = cookie(cookies::SESSION);
        let found = match &token {
            Some(token) => store.desk_session(&digest(token), self.site.door().clock.now()).await?,
            None => None,
        };
        let signed = found.map(|(session, account)| (Arc::new(session), Arc::new(account)));
        let seed = match (token.filter(|_| signed.is_some()), cookie(cookies::FORM)) {
            (Some(token), _) => token,
            (None, Some(seed)) => seed,
            (None, None) => {
                let seed = store.randomness().hex::<32>();
                // Only where a form may follow that somebody without a session sends.
                *new_seed = (self.kind == Kind::Page && self.needs == Needs::Nothing).then(|| seed.clone());
                seed
            }
        };
        let agent = parts.headers.get(header::USER_AGENT).and_then(|value| value.to_str().ok()).unwrap_or("");
        Ok(Caller {
            visit: Visit::of(parts, &self.site),
            signed,
            form_token: form_token(&seed).into(),
            device: cookie(cookies::DEVICE).map(Into::into),
            browser: browser::in_words(agent).into(),
        })
    }

    /// Whether the caller may ask; gives the region that the path names, where the entry asks for one.
    async fn may(&self, caller: &Caller, parts: &mut request::Parts) -> Result<Option<Arc<Region>>, Stopped> {
        let lead = |to: &str| Stopped::Elsewhere(self.lead(to, parts));
        let stage = caller.signed.as_ref().map(|(session, account)| stage_of(session, account));
        let deed = match (self.needs, stage) {
            (Needs::Nothing, _) | (Needs::Started, Some(_)) | (Needs::Code, Some(Stage::Code)) => return Ok(None),
            (Needs::SetUp, Some(Stage::SetUp)) => return Ok(None),
            (Needs::SetUp, Some(Stage::Whole))
                if caller.signed.as_ref().is_some_and(|(session, _)| session.pending.is_some()) =>
            {
                return Ok(None);
            }
            (_, None) => return Err(lead("/desk/sign-in")),
            (_, Some(Stage::Code)) => return Err(lead("/desk/code")),
            (_, Some(Stage::SetUp)) => return Err(lead("/desk/second-factor")),
            (Needs::Code | Needs::SetUp, Some(Stage::Whole)) => {
                return Err(Stopped::Elsewhere(redirect(&self.site, "/desk")));
            }
            (Needs::Deed(deed), Some(Stage::Whole)) => deed,
            (Needs::ActOn(_), Some(Stage::Whole)) => Deed::Act,
        };
        let Some((_, account)) = &caller.signed else { return Err(lead("/desk/sign-in")) };
        if !account.account.may(deed) {
            return Err(Fault::Forbidden.into());
        }
        let Needs::ActOn(subject) = self.needs else { return Ok(None) };
        let region = self.region(subject, parts).await?;
        if !account.account.may_act_on(&region) {
            return Err(Fault::Forbidden.into());
        }
        Ok(Some(Arc::new(region)))
    }

    async fn region(&self, subject: Subject, parts: &mut request::Parts) -> Result<Region, Fault> {
        let part = match subject {
            Subject::Region => "region",
            Subject::Report => "report",
            Subject::Notice => "notice",
        };
        let params: RawPathParams = parts.extract().await.map_err(|_| Fault::NotFound)?;
        let id = params.iter().find(|(name, _)| *name == part).map(|(_, id)| id.to_owned());
        let id = id.ok_or_else(|| Fault::Inside(format!("a path of the desk has no `{{{part}}}`")))?;
        let store = &self.site.app().store;
        let region = match subject {
            Subject::Region => RegionId(id),
            Subject::Report => unless_unknown(store.field_report(&id).await)?.region,
            Subject::Notice => unless_unknown(store.notice(&NoticeId(links::notice_of_part(&id))).await)?.season.region,
        };
        unless_unknown(store.region(&region).await)
    }

    /// To a page of the sign-in, and from there back to the one that was asked for. What was sent is not kept: a form that somebody
    /// else filled in while its owner was away must not go through when they come back.
    fn lead(&self, to: &str, parts: &request::Parts) -> Response {
        let asked = match self.kind {
            Kind::Page => {
                parts.extensions.get::<axum::extract::OriginalUri>().map_or(&parts.uri, |original| &original.0)
            }
            Kind::Form | Kind::Upload => return redirect(&self.site, &format!("{to}?ended=yes")),
        };
        let path = asked.path().strip_prefix(self.site.base()).unwrap_or(asked.path());
        let whole = asked.query().map_or_else(|| path.to_owned(), |query| format!("{path}?{query}"));
        redirect(&self.site, &return_path::after(to, &whole))
    }
}

/// A role that wants a second factor is of no use to a session that was made without one.
fn stage_of(session: &StoredSession, account: &StoredAccount) -> Stage {
    match session.stage {
        Stage::Whole if account.account.role.needs_second_factor() && account.factor.is_none() => Stage::SetUp,
        stage => stage,
    }
}

fn unless_unknown<T>(found: Result<T, StoreError>) -> Result<T, Fault> {
    found.map_err(|why| match why {
        StoreError::Conflict(
            Conflict::UnknownRegion { .. } | Conflict::UnknownNotice { .. } | Conflict::UnknownReport { .. },
        ) => Fault::NotFound,
        other => other.into(),
    })
}

/// Stricter than for public pages: a browser that says nothing of where a form comes from is not taken. `Sec-Fetch-Site` cannot be
/// set by a page (<https://www.w3.org/TR/fetch-metadata/>); browsers without it send `Origin` with every form.
fn is_from_our_own_page(headers: &HeaderMap, site: &Site) -> bool {
    let said = |name: &str| headers.get(name).map(HeaderValue::as_bytes);
    match said("sec-fetch-site") {
        Some(from) => from == b"same-origin",
        None => {
            let ours = site.public().map(|url| url.origin().ascii_serialization());
            ours.is_some_and(|ours| said("origin") == Some(ours.as_bytes()))
        }
    }
}

/// The body, if its form holds the right token.
async fn checked(body: Body, headers: &HeaderMap, right: &str) -> Result<Body, Fault> {
    let is_form = headers
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().starts_with(b"application/x-www-form-urlencoded"));
    if !is_form {
        return Err(Fault::BadRequest("a form of the desk is not written as one"));
    }
    let bytes = to_bytes(body, LARGEST_FORM).await.map_err(|_| Fault::BadRequest("a form of the desk is too large"))?;
    let mut tokens = url::form_urlencoded::parse(&bytes).filter(|(name, _)| name == TOKEN_FIELD);
    let given = tokens.next().map(|(_, token)| token.into_owned()).unwrap_or_default();
    if !same(right, &given) {
        return Err(Fault::StaleForm);
    }
    Ok(Body::from(bytes))
}
