//! Webhooks, by which other programs call: texts that came in, reports of delivery, mail that came back.
//!
//! They stand below a secret path (`hooks.path`); without one they are closed. With `hooks.secrets` every call must carry a
//! signature too. Mail that came back may also be brought to `/hooks/bounce`, signed with a key of its own that opens nothing
//! else. Who guesses is told to wait, and never a call that is right. The work is one short transaction, so the answer is quick
//! and whoever calls does not call again.

mod fields;
mod signature;

use std::net::IpAddr;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Path, RawQuery, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{any, post};
use tracing::{error, warn};

use self::fields::Fields;
use self::signature::Refused;
pub use self::signature::sign;
use crate::config::HooksConfig;
use crate::delivery::attempt::Reference;
use crate::delivery::inbound::InboundText;
use crate::delivery::state::Report;
use crate::dispatch::bounces;
use crate::dispatch::bounces::BounceOutcome;
use crate::people::Channel;
use crate::service::subscribe::tokens::same;
use crate::service::texts::Texts;
use crate::store::queue::Reported;
use crate::text::Chain;
use crate::web::{Site, Visit};

/// Largest call, bytes.
pub const LARGEST: usize = 256 * 1024;

/// So long a network that guesses is told to wait, seconds; about as long as its guesses are remembered.
const COME_BACK_S: &str = "3600";

pub(super) fn routes() -> Router<Site> {
    Router::new()
        .route("/hooks/{secret}/{hook}", any(call))
        .route("/hooks/bounce", post(bounce))
        .layer(DefaultBodyLimit::max(LARGEST))
}

/// Gateways differ in how they call, so both methods are taken; the path is what nobody else knows.
async fn call(
    State(site): State<Site>,
    visit: Visit,
    Path((secret, hook)): Path<(String, String)>,
    method: Method,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let call = Call { site: &site, network: visit.network(), headers: &headers, body: &body };
    match answer(&call, &secret, &hook, &method, query.as_deref().unwrap_or("")).await {
        Ok(words) => (StatusCode::OK, words).into_response(),
        Err(refusal) => refusal.into_response(),
    }
}

/// Mail that came back, from `treebell bounce --to`.
async fn bounce(State(site): State<Site>, visit: Visit, headers: HeaderMap, body: Bytes) -> Response {
    let call = Call { site: &site, network: visit.network(), headers: &headers, body: &body };
    match answer_bounce(&call).await {
        Ok(words) => (StatusCode::OK, words).into_response(),
        Err(refusal) => refusal.into_response(),
    }
}

/// One call as it came.
struct Call<'a> {
    site: &'a Site,
    network: IpAddr,
    headers: &'a HeaderMap,
    body: &'a [u8],
}

impl Call<'_> {
    /// How a call with a wrong path or signature is refused.
    fn wrong(&self, what: &str, refusal: Refusal) -> Refusal {
        let few = self.site.doors().guesses.wrong(self.network, what, self.site.now());
        if few { refusal } else { Refusal::GuessedTooOften }
    }

    /// The call's id when it is signed by one of the keys.
    fn signed_by(&self, keys: &[Vec<u8>]) -> Result<String, Refusal> {
        signature::check(keys, self.headers, self.body, self.site.now()).map_err(|why| match why {
            Refused::Wrong => self.wrong("signature", Refusal::Forged(why)),
            Refused::Missing | Refused::Time => Refusal::Forged(why),
        })
    }

    async fn was_taken(&self, id: &str) -> Result<bool, Refusal> {
        self.site.app().store.call_was_taken(id).await.map_err(|why| Refusal::Later(why.to_string()))
    }

    async fn take_bounce(&self) -> Result<&'static str, Refusal> {
        let (store, config) = (&self.site.app().store, &self.site.app().config);
        let taken = bounces::take(store, self.body, config.email.bounces_until_dead, self.site.now()).await;
        Ok(match taken.map_err(|why| Refusal::Later(why.to_string()))? {
            BounceOutcome::Booked(_) => "taken\n",
            BounceOutcome::Nothing(_) | BounceOutcome::Unknown => "nothing done\n",
        })
    }
}

async fn answer_bounce(call: &Call<'_>) -> Result<&'static str, Refusal> {
    let doors = call.site.doors();
    let Some(key) = &doors.bounce else { return Err(Refusal::NotFound) };
    let id = call.signed_by(&[key.get().await.map_err(Refusal::Later)?])?;
    if call.was_taken(&id).await? {
        return Ok("taken before\n");
    }
    let words = call.take_bounce().await?;
    noted(call.site, Some(&id), words).await
}

/// Why a call is not carried out.
enum Refusal {
    /// No such webhook, or not this secret.
    NotFound,
    Method,
    Forged(Refused),
    GuessedTooOften,
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
            Refusal::GuessedTooOften => {
                let body = serde_json::json!({ "fault": "too many wrong calls: try again later" }).to_string();
                let headers = [(header::CONTENT_TYPE, "application/json"), (header::RETRY_AFTER, COME_BACK_S)];
                return (StatusCode::TOO_MANY_REQUESTS, headers, body).into_response();
            }
            Refusal::Forged(why) => {
                // A wrong one is told where the guesses are counted, with its network.
                if !matches!(why, Refused::Wrong) {
                    warn!("a call with a bad signature was refused: {why}");
                }
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
    call: &Call<'_>,
    secret: &str,
    hook: &str,
    method: &Method,
    query: &str,
) -> Result<&'static str, Refusal> {
    let Call { site, headers, body, .. } = *call;
    let (config, doors) = (&site.app().config.hooks, site.doors());
    let Some(path) = &doors.path else { return Err(Refusal::NotFound) };
    let path = path.get().await.map_err(Refusal::Later)?;
    if !same(&String::from_utf8_lossy(&path), secret) {
        return Err(call.wrong("path", Refusal::NotFound));
    }
    if !matches!(hook, "text" | "report" | "bounce") {
        return Err(Refusal::NotFound);
    }
    if !matches!(*method, Method::GET | Method::POST) {
        return Err(Refusal::Method);
    }
    let signed = signed_id(call).await?;
    if let Some(id) = &signed
        && call.was_taken(id).await?
    {
        return Ok("taken before\n");
    }
    if hook == "bounce" {
        let words = call.take_bounce().await?;
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
async fn signed_id(call: &Call<'_>) -> Result<Option<String>, Refusal> {
    let mut keys = Vec::new();
    for key in &call.site.doors().keys {
        keys.push(key.get().await.map_err(Refusal::Later)?);
    }
    if keys.is_empty() { Ok(None) } else { call.signed_by(&keys).map(Some) }
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
        (Some(key), Some(provider)) if !provider.is_empty() => Reference::Both { key, provider },
        (Some(key), _) => Reference::Key(key),
        (None, Some(reference)) if !reference.is_empty() => Reference::Provider(reference),
        _ => {
            let what = format!("neither `{}` nor `{}` is there (hooks.report)", names.key, names.reference);
            return Err(Refusal::Malformed(what));
        }
    };
    let now = site.now();
    let taken = site.app().store.apply_report(Channel::Sms, reference, report, now).await;
    match taken.map_err(|why| Refusal::Later(why.to_string()))? {
        Reported::Forged { why } => {
            warn!("a delivery report was refused: {why}");
            Err(Refusal::Malformed(why.to_owned()))
        }
        Reported::Moved { .. } | Reported::Unchanged { .. } | Reported::Unknown => Ok("taken\n"),
    }
}
