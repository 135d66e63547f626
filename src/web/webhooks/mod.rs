//! Webhooks, by which other programs call: texts that came in, reports of delivery, mail that came back.
//!
//! They stand below a secret path (`hooks.path`); without one they are closed. With `hooks.secrets` every call must carry a
//! signature too. The work is one short transaction, so the answer is quick and whoever calls does not call again.

mod fields;
mod signature;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Path, RawQuery, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::any;
use tracing::{error, warn};

use self::fields::Fields;
use self::signature::Refused;
use crate::config::{HooksConfig, SecretText};
use crate::delivery::attempt::Reference;
use crate::delivery::inbound::InboundText;
use crate::delivery::state::Report;
use crate::dispatch::bounces;
use crate::dispatch::bounces::BounceOutcome;
use crate::people::Channel;
use crate::service::subscribe::tokens::same;
use crate::service::texts::Texts;
use crate::text::Chain;
use crate::web::Site;

/// Largest call, bytes.
const LARGEST: usize = 256 * 1024;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/hooks/{secret}/{hook}", any(call)).layer(DefaultBodyLimit::max(LARGEST))
}

/// Gateways differ in how they call, so both methods are taken; the path is what nobody else knows.
async fn call(
    State(site): State<Site>,
    Path((secret, hook)): Path<(String, String)>,
    method: Method,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    match answer(&site, &secret, &hook, &method, query.as_deref().unwrap_or(""), &headers, &body).await {
        Ok(words) => (StatusCode::OK, words).into_response(),
        Err(refusal) => refusal.into_response(),
    }
}

/// Why a call is not carried out.
enum Refusal {
    /// No such webhook, or not this secret.
    NotFound,
    Method,
    Forged(Refused),
    /// It lacks what the settings say it has.
    Malformed(String),
    /// To be called again.
    Later(String),
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let (status, fault) = match self {
            Refusal::NotFound => (StatusCode::NOT_FOUND, "no such door".to_owned()),
            Refusal::Method => (StatusCode::METHOD_NOT_ALLOWED, "GET or POST is wanted".into()),
            Refusal::Forged(why) => {
                warn!("a call with a bad signature was refused: {why}");
                (StatusCode::UNAUTHORIZED, "the signature does not hold".into())
            }
            Refusal::Malformed(what) => (StatusCode::BAD_REQUEST, what),
            Refusal::Later(why) => {
                error!("a call could not be carried out: {why}");
                (StatusCode::SERVICE_UNAVAILABLE, "try again".into())
            }
        };
        // For a program: plain text would be made a page for people.
        let body = serde_json::json!({ "fault": fault }).to_string();
        (status, [(header::CONTENT_TYPE, "application/json")], body).into_response()
    }
}

async fn answer(
    site: &Site,
    secret: &str,
    hook: &str,
    method: &Method,
    query: &str,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<&'static str, Refusal> {
    let config = &site.app().config.hooks;
    let Some(path) = &config.path else { return Err(Refusal::NotFound) };
    let path = path.read().await.map_err(|why| Refusal::Later(format!("hooks.path: {why}")))?;
    if path.expose().is_empty() || !same(path.expose(), secret) || !matches!(hook, "text" | "report" | "bounce") {
        return Err(Refusal::NotFound);
    }
    if !matches!(*method, Method::GET | Method::POST) {
        return Err(Refusal::Method);
    }
    let signed = signed_id(site, config, headers, body).await?;
    if let Some(id) = &signed
        && site.app().store.call_was_taken(id).await.map_err(|why| Refusal::Later(why.to_string()))?
    {
        return Ok("taken before\n");
    }
    if hook == "bounce" {
        let (store, config) = (&site.app().store, &site.app().config);
        let taken = bounces::take(store, body, config.email.bounces_until_dead, site.now()).await;
        let words = match taken.map_err(|why| Refusal::Later(why.to_string()))? {
            BounceOutcome::Booked(_) => "taken\n",
            BounceOutcome::Nothing(_) | BounceOutcome::Unknown => "nothing done\n",
        };
        return noted(site, signed.as_deref(), words).await;
    }
    // A signature is over the body alone: what else stands in the address of a signed call is nobody's word.
    let query = if signed.is_some() { "" } else { query };
    let fields = Fields::of(query, headers, body).map_err(Refusal::Malformed)?;
    let words = match hook {
        "text" => take_text(site, config, &fields, signed.as_deref()).await?,
        _ => take_report(site, config, &fields).await?,
    };
    noted(site, signed.as_deref(), words).await
}

/// Remembers a signed call that was carried out.
async fn noted(site: &Site, signed: Option<&str>, words: &'static str) -> Result<&'static str, Refusal> {
    if let Some(id) = signed {
        site.app().store.note_call(id, site.now()).await.map_err(|why| Refusal::Later(why.to_string()))?;
    }
    Ok(words)
}

/// The id of a signed call; `None` when no signature is asked for.
async fn signed_id(
    site: &Site,
    config: &HooksConfig,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<Option<String>, Refusal> {
    if config.secrets.is_empty() {
        return Ok(None);
    }
    // Read each time: a secret that is changed holds at once.
    let mut secrets: Vec<SecretText> = Vec::new();
    for secret in &config.secrets {
        secrets.push(secret.read().await.map_err(|why| Refusal::Later(format!("hooks.secrets: {why}")))?);
    }
    signature::check(&secrets, headers, body, site.now()).map(Some).map_err(Refusal::Forged)
}

async fn take_text(
    site: &Site,
    config: &HooksConfig,
    fields: &Fields,
    signed: Option<&str>,
) -> Result<&'static str, Refusal> {
    let names = &config.text;
    let missing = |name: &str| Refusal::Malformed(format!("the field `{name}` is missing (hooks.text)"));
    let text = InboundText {
        from: fields.get(&names.from).ok_or_else(|| missing(&names.from))?,
        to: fields.get(&names.to).unwrap_or_default(),
        text: fields.get_said_in(&names.text, &names.charset).ok_or_else(|| missing(&names.text))?,
        whole: true,
        at: site.now(),
        id: fields.get(&names.id).filter(|id| !id.is_empty()).or_else(|| signed.map(str::to_owned)),
    };
    Texts::new(site.app().clone()).take(&text).await.map_err(|why| Refusal::Later(Chain(&why).to_string()))?;
    // Nothing more: some gateways send what they are answered to the phone.
    Ok("")
}

async fn take_report(site: &Site, config: &HooksConfig, fields: &Fields) -> Result<&'static str, Refusal> {
    let names = &config.report;
    let said = fields
        .get(&names.status)
        .ok_or_else(|| Refusal::Malformed(format!("the field `{}` is missing (hooks.report)", names.status)))?;
    let is_among = |words: &[String]| words.iter().any(|word| word.eq_ignore_ascii_case(said.trim()));
    let report = match () {
        () if is_among(&names.delivered) => Report::Delivered,
        () if is_among(&names.undelivered) => Report::Undelivered,
        () if is_among(&names.accepted) => Report::Accepted,
        // Steps on the way that say nothing of the end.
        () => return Ok("nothing new\n"),
    };
    let (key, provider) = (fields.get(&names.key), fields.get(&names.reference));
    let reference = match (key.as_deref().filter(|key| !key.is_empty()), provider.as_deref()) {
        (Some(key), _) => Reference::Key(key),
        (None, Some(reference)) if !reference.is_empty() => Reference::Provider(reference),
        _ => {
            let what = format!("neither `{}` nor `{}` is there (hooks.report)", names.key, names.reference);
            return Err(Refusal::Malformed(what));
        }
    };
    let now = site.now();
    site.app()
        .store
        .apply_report(Channel::Sms, reference, report, now)
        .await
        .map_err(|why| Refusal::Later(why.to_string()))?;
    Ok("taken\n")
}
