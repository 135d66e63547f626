//! What did you see? The page behind the link of the question: what, on which day, and whether the tree has the insect.
//! Opening the link says nothing, since programs that look at mail open every link in it.

use axum::Router;
use axum::extract::{Form, Path};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;

use super::forms::{Typed, field};
use super::{Fault, Site, Visit};
use crate::people::keywords::ScaleAnswer;
use crate::service::follow_up::{self, Reply};

/// A look further back than so many days is one whose day is not known.
const MOST_DAYS_AGO: u8 = 9;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/seen/{token}", get(ask).post(answer))
}

async fn ask(visit: Visit, Path(token): Path<String>) -> Result<Response, Fault> {
    shown(&visit, &token, Shown::Asked).await
}

async fn answer(visit: Visit, Path(token): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    const STRANGE: Fault = Fault::BadRequest("no choice of the page");
    let saw = match field(&typed, "saw") {
        "" => {
            let mut response = shown(&visit, &token, Shown::NothingChosen).await?;
            *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            return Ok(response);
        }
        name => ScaleAnswer::parse(name).ok_or(STRANGE)?,
    };
    let days_ago = match field(&typed, "day") {
        "" | "unsure" => None,
        days => Some(days.parse().ok().filter(|days| *days <= MOST_DAYS_AGO).ok_or(STRANGE)?),
    };
    let infested = match field(&typed, "beans") {
        "" | "unsure" => None,
        "yes" => Some(true),
        "no" => Some(false),
        _ => return Err(STRANGE),
    };
    let taken = follow_up::answer(visit.site.app(), &token, &Reply { saw, days_ago, infested }).await?;
    shown(&visit, &token, if taken { Shown::Thanks } else { Shown::Asked }).await
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Shown {
    Asked,
    NothingChosen,
    Thanks,
}

async fn shown(visit: &Visit, token: &str, as_what: Shown) -> Result<Response, Fault> {
    let question = follow_up::question(visit.site.app(), token).await?;
    let said = question.as_ref().and_then(|question| question.answer);
    let days_ago = question.as_ref().and_then(|question| {
        let today = visit.site.now().with_timezone(&question.zone).date_naive();
        let days = today.signed_duration_since(question.looked_on?).num_days();
        u8::try_from(days).ok().filter(|days| *days <= MOST_DAYS_AGO)
    });
    let looked = said.is_some_and(|said| said != ScaleAnswer::NotLooked);
    let day_known = question.as_ref().is_some_and(|question| question.looked_on.is_some());
    let beans = question.as_ref().filter(|_| looked).map(|question| match question.infested {
        Some(true) => "yes",
        Some(false) => "no",
        None => "unsure",
    });
    let answers = question.as_ref().map(|question| follow_up::offered(visit.site.app(), question)).unwrap_or_default();
    let answers: Vec<&str> = answers.into_iter().map(ScaleAnswer::name).collect();
    let region = question.map(|question| question.region_name);
    visit.page(
        "seen",
        context! {
            open => region.is_some(),
            region,
            answers,
            said => said.map(ScaleAnswer::name),
            looked,
            day_known,
            days_ago,
            most_days_ago => MOST_DAYS_AGO,
            beans,
            thanks => as_what == Shown::Thanks,
            wrong => as_what == Shown::NothingChosen,
        },
    )
}
