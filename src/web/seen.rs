//! What did you see? The page behind the link of the question: three buttons, and one tap is the answer. Opening the link
//! says nothing, since programs that look at mail open every link in it.

use axum::Router;
use axum::extract::{Form, Path};
use axum::response::Response;
use axum::routing::get;
use minijinja::context;
use serde::Deserialize;

use super::{Fault, Site, Visit};
use crate::people::keywords::ScaleAnswer;
use crate::service::follow_up;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/seen/{token}", get(ask).post(answer))
}

#[derive(Deserialize)]
struct Pressed {
    #[serde(default)]
    saw: String,
}

async fn ask(visit: Visit, Path(token): Path<String>) -> Result<Response, Fault> {
    shown(&visit, &token, false).await
}

async fn answer(visit: Visit, Path(token): Path<String>, Form(pressed): Form<Pressed>) -> Result<Response, Fault> {
    let saw = ScaleAnswer::parse(&pressed.saw).ok_or(Fault::BadRequest("no button of the page"))?;
    let taken = follow_up::answer(visit.site.app(), &token, saw).await?;
    shown(&visit, &token, taken).await
}

async fn shown(visit: &Visit, token: &str, thanks: bool) -> Result<Response, Fault> {
    let question = follow_up::question(visit.site.app(), token).await?;
    let said = question.as_ref().and_then(|question| question.answer).map(ScaleAnswer::name);
    let region = question.map(|question| question.region_name);
    visit.page("seen", context! { open => region.is_some(), region, said, thanks })
}
