//! What did you see? The page behind the link of the question: what, on which day, on which tree, and whether that has the
//! insect.
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
    shown(&visit, &token, Shown::Asked, None).await
}

async fn answer(visit: Visit, Path(token): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    const STRANGE: Fault = Fault::BadRequest("no choice of the page");
    let saw = match field(&typed, "saw") {
        "" => None,
        name => Some(ScaleAnswer::parse(name).ok_or(STRANGE)?),
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
    let (saw, tree) = match (saw, follow_up::tree_words(field(&typed, "tree"))) {
        (Some(saw), Ok(tree)) => (saw, tree),
        (saw, tree) => {
            let wrong = Shown::Wrong { saw: saw.is_none(), tree: tree.is_err() };
            let mut response = shown(&visit, &token, wrong, Some(&typed)).await?;
            *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
            return Ok(response);
        }
    };
    let reply = Reply { saw, days_ago, infested, tree };
    let taken = follow_up::answer(visit.site.app(), &token, &reply).await?;
    shown(&visit, &token, if taken { Shown::Thanks } else { Shown::Asked }, None).await
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Shown {
    Asked,
    /// Nothing was chosen, or the words for the tree cannot be kept.
    Wrong {
        saw: bool,
        tree: bool,
    },
    Thanks,
}

/// `typed`: what was sent and not taken, so that nobody types it twice.
async fn shown(visit: &Visit, token: &str, as_what: Shown, typed: Option<&Typed>) -> Result<Response, Fault> {
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
    let tree = question.as_ref().and_then(|question| question.tree.clone());
    let answers = question.as_ref().map(|question| follow_up::offered(visit.site.app(), question)).unwrap_or_default();
    let answers: Vec<&str> = answers.into_iter().map(ScaleAnswer::name).collect();
    let region = question.map(|question| question.region_name);
    let said = said.map(ScaleAnswer::name);
    // What stands in the form: what was just typed, else what is kept.
    let (chosen, days_ago, beans, tree) = match typed {
        Some(typed) => {
            let chosen = Some(field(typed, "saw")).filter(|saw| !saw.is_empty());
            let beans = Some(field(typed, "beans")).filter(|beans| !beans.is_empty());
            (chosen, field(typed, "day").parse().ok(), beans, Some(field(typed, "tree").to_owned()))
        }
        None => (said, days_ago, beans, tree),
    };
    let (wrong_saw, wrong_tree) = match as_what {
        Shown::Wrong { saw, tree } => (saw, tree),
        Shown::Asked | Shown::Thanks => (false, false),
    };
    visit.page(
        "seen",
        context! {
            open => region.is_some(),
            region,
            answers,
            said,
            chosen,
            looked,
            day_known,
            days_ago,
            most_days_ago => MOST_DAYS_AGO,
            beans,
            tree,
            longest_tree => follow_up::LONGEST_TREE,
            thanks => as_what == Shown::Thanks,
            wrong_saw,
            wrong_tree,
        },
    )
}
