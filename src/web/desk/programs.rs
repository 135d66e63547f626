//! What programs ask, each by a token of its own (`Authorization: Bearer`, RFC 6750) that `treebell token add` prints: JSON in and
//! out, no cookie, no session. Nothing here lets a message out.
//!
//! - `GET /desk/programs/regions`, scope `see`: where the regions of the token stand. See [`regions`].
//! - `POST /desk/programs/reports`, scope `report`: a field report that waits for a word of staff. See [`NewReport`].
//!
//! What is wrong comes as `{"error": "…"}`, whatever it is: 401 for a token that is none or over, 403 for one that does not reach so
//! far, 404 and 405 for what is not there, 422 for a report that cannot be kept, 429 for more of them in a day than are taken.

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use chrono::NaiveDate;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer};
use serde_json::{Value, json};
use tracing::{error, warn};

use crate::people::access_token::Scope;
use crate::region::{Region, RegionId, Zip};
use crate::season::{NoticeKind, Profile};
use crate::service::desk::DeskError;
use crate::service::desk::access_tokens::{REPORTS_A_DAY, ReportEntered, enter_report, program, regions_for};
use crate::service::desk::today::RegionRow;
use crate::service::field_reports::{LONGEST_NAME, TellingFault, before, can_be_seen, note, plain};
use crate::store::accounts::access_tokens::AccessToken;
use crate::store::field_reports::{NewFieldReport, ReportSource, Seen};
use crate::store::{Conflict, StoreError};
use crate::text::{Chain, written_day};
use crate::web::{Fault, LARGEST_FORM, Site};

/// Below it only programs ask.
const ROOT: &str = "/desk/programs";

/// Whether a path is one of those that programs ask, or would be if it were there.
pub(in crate::web) fn asks(path: &str) -> bool {
    path.strip_prefix(ROOT).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// What is wrong before a request reaches its route, as a program reads it.
pub(in crate::web) fn told(fault: &Fault) -> Response {
    fault.log();
    let why = match fault {
        Fault::NotFound => {
            "nothing is here: programs ask `GET /desk/programs/regions` and send to `POST /desk/programs/reports`"
        }
        Fault::Method => {
            "this address is not asked in this way: `GET /desk/programs/regions`, `POST /desk/programs/reports`"
        }
        Fault::BadRequest(why) => *why,
        Fault::Forbidden | Fault::StaleForm => "this is not for programs",
        Fault::TooLarge => "more was sent than is read",
        Fault::TooMany => "too many requests: try again later",
        Fault::NotYet | Fault::Store(_) | Fault::TooSlow(_) => "the service cannot answer now: try again later",
        Fault::Inside(_) => "something is wrong on the side of the service: try again later",
    };
    Refused(fault.status(), why.to_owned()).into_response()
}

/// Off like the desk itself, unless the settings turn it on.
pub(in crate::web) fn routes() -> Router<Site> {
    Router::new().route("/desk/programs/regions", get(regions)).route("/desk/programs/reports", post(reports))
}

/// Why a program gets no answer.
struct Refused(StatusCode, String);

impl Refused {
    fn unsound(why: impl ToString) -> Self {
        Self(StatusCode::UNPROCESSABLE_ENTITY, why.to_string())
    }
}

impl From<StoreError> for Refused {
    fn from(why: StoreError) -> Self {
        error!(why = %Chain(&why), "a program was not answered");
        Self(StatusCode::SERVICE_UNAVAILABLE, "the service cannot read or write its store now: try again later".into())
    }
}

impl From<DeskError> for Refused {
    fn from(why: DeskError) -> Self {
        match why {
            DeskError::Store(why) => why.into(),
            DeskError::NotYours { region } => {
                Self(StatusCode::FORBIDDEN, format!("this token is not for region `{region}`"))
            }
            why => Self::unsound(why),
        }
    }
}

/// What a program gets, which nobody on the way keeps.
fn answer(status: StatusCode, told: &Value) -> Response {
    let headers = [(header::CONTENT_TYPE, "application/json"), (header::CACHE_CONTROL, "no-store")];
    (status, headers, format!("{told:#}\n")).into_response()
}

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        let mut response = answer(self.0, &json!({ "error": self.1 }));
        if self.0 == StatusCode::UNAUTHORIZED {
            response.headers_mut().insert(header::WWW_AUTHENTICATE, header::HeaderValue::from_static("Bearer"));
        }
        response
    }
}

/// Whose token a request carries, if it is good and holds the scope.
async fn token_of(site: &Site, headers: &HeaderMap, wanted: Scope) -> Result<AccessToken, Refused> {
    let none = || {
        let why = "give a token that is good now, as `Authorization: Bearer …`; `treebell token add` makes one";
        Refused(StatusCode::UNAUTHORIZED, why.to_owned())
    };
    let given = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
    let token = given.and_then(|given| given.split_once(' ')).filter(|(kind, _)| kind.eq_ignore_ascii_case("bearer"));
    let (_, token) = token.ok_or_else(none)?;
    let app = site.app();
    let token = program(app, token.trim()).await?.ok_or_else(none)?;
    // Reading goes on where the store takes no write.
    if let Err(why) = app.store.note_token_use(&token, app.clock.now()).await {
        warn!(why = %Chain(&why), "that the token of a program is in use could not be noted");
    }
    if !token.scope.holds(wanted) {
        let why = format!("this token is for `{}`, and this wants `{}`", token.scope.name(), wanted.name());
        return Err(Refused(StatusCode::FORBIDDEN, why));
    }
    Ok(token)
}

/// `regions`, sorted by their windows, each with `id`, `name`, `county` (or `null`), its own `day`, `standing` (as in
/// `outlook.json`), `opened_chance` (0 to 1, or `null`), `window` (`null` where nothing can be said: `look_from`, `best_days` with
/// `first` and `last`, `deadline`), `temperatures_in_doubt` (in words, or `null`), `newest_observed_day`, `waiting` (notices that
/// have not gone out), `sent` (`notice` and the day `on` which it went out), `recalled` (`notice` and the day `on` which staff
/// stopped what had not gone out of it; not among `sent`) and `reports_waiting`.
async fn regions(State(site): State<Site>, headers: HeaderMap) -> Result<Response, Refused> {
    let token = token_of(&site, &headers, Scope::See).await?;
    let views = site.views().shown_now();
    let on_page = |id: &RegionId| views.as_ref()?.on_page(id);
    let today = regions_for(site.app(), &token, &on_page).await?;
    let rows: Vec<Value> = today.regions.iter().map(row).collect();
    let told = json!({ "asked_at": today.now.format("%Y-%m-%dT%H:%M:%SZ").to_string(), "regions": rows });
    Ok(answer(StatusCode::OK, &told))
}

fn row(row: &RegionRow) -> Value {
    let window = row.days.map(|days| {
        let best = days.best.map(|best| json!({ "first": best.first, "last": best.last }));
        json!({ "look_from": days.look_from, "best_days": best, "deadline": days.deadline })
    });
    let days = |notices: &[(NoticeKind, NaiveDate)]| -> Vec<Value> {
        notices.iter().map(|(kind, on)| json!({ "notice": kind.name(), "on": on })).collect()
    };
    json!({
        "id": row.region.id,
        "name": row.region.name,
        "county": row.region.county,
        "day": row.today,
        "standing": row.standing.name(),
        "opened_chance": row.opened_chance,
        "window": window,
        "temperatures_in_doubt": row.record_doubt,
        "newest_observed_day": row.newest_real_day,
        "waiting": row.waiting.iter().map(|kind| kind.name()).collect::<Vec<_>>(),
        "sent": days(&row.sent),
        "recalled": days(&row.recalled),
        "reports_waiting": row.reports_wait,
    })
}

/// A field report as a program gives it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NewReport {
    region: RegionId,
    /// Of the look, such as `2026-03-14`.
    #[serde(deserialize_with = "day")]
    day: NaiveDate,
    /// What was seen: the id of a sight of the region's profile, or of a stage where that has none.
    saw: String,
    /// Whether the tree has the insect.
    infested: Option<bool>,
    zip: Option<String>,
    tree: Option<String>,
    note: Option<String>,
    /// The last look before, on which nothing of it was there.
    #[serde(default, deserialize_with = "day_or_none")]
    nothing_on: Option<NaiveDate>,
}

/// Told as the command tells it.
fn day<'de, D: Deserializer<'de>>(text: D) -> Result<NaiveDate, D::Error> {
    written_day(&String::deserialize(text)?).map_err(D::Error::custom)
}

fn day_or_none<'de, D: Deserializer<'de>>(text: D) -> Result<Option<NaiveDate>, D::Error> {
    let text: Option<String> = Option::deserialize(text)?;
    text.map(|text| written_day(&text).map_err(D::Error::custom)).transpose()
}

/// Where in the text it is helps with what is no JSON; of a field with a name it says nothing.
fn unreadable(why: &serde_path_to_error::Error<serde_json::Error>) -> Refused {
    let (told, inner) = (why.to_string(), why.inner());
    let place = format!(" at line {} column {}", inner.line(), inner.column());
    Refused::unsound(told.strip_suffix(place.as_str()).filter(|_| inner.is_data()).unwrap_or(&told))
}

/// Answers 201 with the report's `id`; the same report sent again has the same, so that a program may repeat what it is not sure of.
async fn reports(State(site): State<Site>, headers: HeaderMap, body: Body) -> Result<Response, Refused> {
    let token = token_of(&site, &headers, Scope::Report).await?;
    let too_large = |_| Refused(StatusCode::PAYLOAD_TOO_LARGE, "this is more than a report can be".to_owned());
    let body = to_bytes(body, LARGEST_FORM).await.map_err(too_large)?;
    // An array of values would be read as one, too.
    if !body.trim_ascii_start().starts_with(b"{") {
        let why = "an object is wanted, with `region`, `day`, `saw` and, where known, `infested`, `zip`, `tree`, `note`, \
                   `nothing_on`";
        return Err(Refused::unsound(why));
    }
    let mut document = serde_json::Deserializer::from_slice(&body);
    let report: NewReport = serde_path_to_error::deserialize(&mut document).map_err(|why| unreadable(&why))?;
    let app = site.app();
    if !token.reaches(&report.region) {
        return Err(DeskError::NotYours { region: report.region.to_string() }.into());
    }
    let region = app.store.region(&report.region).await.map_err(|why| match why {
        StoreError::Conflict(why @ Conflict::UnknownRegion { .. }) => Refused::unsound(why),
        why => why.into(),
    })?;
    let profile = app.profiles.get(&region.profile);
    let profile = profile.ok_or_else(|| Refused::unsound(format!("profile `{}` is not there", region.profile)))?;
    can_be_seen(report.day, &region, app.clock.now()).map_err(|why| Refused::unsound(format!("day: {why}")))?;
    let new = read(report, &region, &profile)?;
    let user = site.credentials().map_or("", |credentials| credentials.user());
    match enter_report(app, &token, user, &new).await? {
        ReportEntered::Kept(id) => Ok(answer(StatusCode::CREATED, &json!({ "id": id }))),
        ReportEntered::TooMany => {
            let why =
                format!("this program has entered {REPORTS_A_DAY} reports within a day: enter the others tomorrow");
            Err(Refused(StatusCode::TOO_MANY_REQUESTS, why))
        }
    }
}

fn read(report: NewReport, region: &Region, profile: &Profile) -> Result<NewFieldReport, Refused> {
    let seen = seen(&report, profile)?;
    if report.nothing_on.is_some() && seen.stage.is_none() {
        return Err(Refused::unsound(
            "nothing_on: this belongs to a stage that was seen; give each look that saw none as a report of its own",
        ));
    }
    before(report.nothing_on, report.day).map_err(|why| Refused::unsound(format!("nothing_on: {why}")))?;
    let zip =
        report.zip.as_deref().map(Zip::parse).transpose().map_err(|why| Refused::unsound(format!("zip: {why}")))?;
    if let Some(zip) = zip.as_ref().filter(|zip| !region.zips.contains(zip)) {
        return Err(Refused::unsound(format!("zip: {zip} is not a ZIP code of {}", region.name)));
    }
    let told = |name: &str, text: Result<Option<String>, TellingFault>| {
        text.map_err(|why| Refused::unsound(format!("{name}: {why}")))
    };
    let tree = report.tree.map(|text| plain(text.trim(), LONGEST_NAME)).transpose();
    let noted = report.note.map(|text| note(text.trim())).transpose();
    Ok(NewFieldReport {
        region: report.region,
        zip,
        observed_on: report.day,
        tree: told("tree", tree)?,
        seen,
        nothing_on: report.nothing_on,
        confirmed: false,
        source: ReportSource::Staff,
        person: None,
        note: told("note", noted)?,
    })
}

fn seen(report: &NewReport, profile: &Profile) -> Result<Seen, Refused> {
    if let Some(sight) = profile.sight(&report.saw) {
        if sight.infested && report.infested == Some(false) {
            return Err(Refused::unsound(TellingFault::Contradiction { sight: sight.id.clone() }));
        }
        return Ok(Seen::at(sight, report.infested));
    }
    let stage = profile.stages.iter().find(|stage| stage.id.0 == report.saw).filter(|_| profile.sights.is_empty());
    if let Some(stage) = stage {
        return Ok(Seen::stage(Some(stage.id.clone()), report.infested));
    }
    let known: Vec<&str> = if profile.sights.is_empty() {
        profile.stages.iter().map(|stage| stage.id.0.as_str()).collect()
    } else {
        profile.sights.iter().map(|sight| sight.id.as_str()).collect()
    };
    Err(Refused::unsound(format!("saw: `{}` is none of {}", report.saw, known.join(", "))))
}
