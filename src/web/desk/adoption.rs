//! What was learned as the profile's next version: what that would change, and the word of an administrator on it.

use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::learned::{Heat, chosen, dates_of, is_of_why, key_of, path_of, refused, waiting};
use super::notice::{app_of, by, fault_of};
use super::report::long;
use super::sign_in::with_status;
use crate::language::Language;
use crate::people::account::Deed;
use crate::season::phrases::capitalised;
use crate::service::belief::Chosen;
use crate::service::belief::version::{ProposalFault, offer};
use crate::service::desk::learning::{adopt, no_belief};
use crate::service::desk::{DeskError, Word};
use crate::text::Chain;
use crate::web::Fault;
use crate::web::forms::{Typed, field};
use crate::web::jobs::{PATIENCE, Stand};

/// What would change if the belief became the profile's numbers.
pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    offered(&desk, &query, None).await
}

pub(super) async fn sent(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let against = |why: String| with_message(&desk, &typed, why);
    let chosen = match chosen(&desk, &typed).await? {
        Ok(chosen) => chosen,
        Err(why) => return against(why).await,
    };
    let why = field(&typed, "why");
    let app = app_of(&desk, Some(why))?;
    match adopt(&app, &chosen, field(&typed, "seen"), Word { by: by(&desk), why: Some(why) }).await {
        Ok(_) => {
            // Other processes take it up at their next cycle.
            if let Err(why) = app.profiles.renew(&app.store).await {
                tracing::error!("the profiles in use stay as they were: {}", Chain(&why));
            }
            Ok(desk.to(&format!("{}&done=adopted", path_of(&chosen))))
        }
        Err(DeskError::Reason(why)) => {
            against(format!("Say why, in a few words without e-mail addresses or telephone numbers: {why}.")).await
        }
        Err(DeskError::OtherBelief) => Ok(desk.to(&format!("{}&done=changed", adoption_of(&chosen)))),
        Err(why @ DeskError::NoBelief(_)) => against(capitalised(&why.to_string()) + ".").await,
        Err(why) => Err(fault_of(why)),
    }
}

async fn with_message(desk: &Desk, typed: &Typed, why: String) -> Result<Response, Fault> {
    with_status(offered(desk, typed, Some(why)).await, StatusCode::UNPROCESSABLE_ENTITY)
}

fn adoption_of(chosen: &Chosen) -> String {
    format!("/desk/learned/adoption?profile={}&season={}", chosen.profile.id, chosen.season)
}

/// Why there is nothing to adopt, and what can be done about it.
fn nothing(why: ProposalFault) -> String {
    let mend = match &why {
        ProposalFault::Frozen { .. } => {
            "; on the page “What was learned” of that season, an administrator can let its reports teach again"
        }
        _ => "",
    };
    no_belief(why).to_string() + mend
}

async fn offered(desk: &Desk, asked: &Typed, against: Option<String>) -> Result<Response, Fault> {
    let chosen = match chosen(desk, asked).await? {
        Ok(chosen) => chosen,
        Err(why) => return refused(desk, asked, why).await,
    };
    let key = key_of(desk, &chosen).await?;
    let (app, whose) = (desk.site().app().clone(), chosen.clone());
    let work = |watch| async move { offer(&app, &whose, &watch).await.map_err(nothing) };
    let profile = &*chosen.profile;
    let head = context! {
        profile => &profile.id,
        name => capitalised(&profile.names.en),
        version => profile.version,
        season => chosen.season,
        is_over => chosen.is_over,
        asked => format!("profile={}&season={}", profile.id, chosen.season),
        keeps => desk.account().may(Deed::Administer),
        of_why => is_of_why(against.as_deref()),
        against,
        changed => field(asked, "done") == "changed",
        typed_why => field(asked, "why"),
    };
    let found = match desk.site().offers().ask(&key, PATIENCE, work).await {
        Stand::UnderWay(done, of) => {
            return waiting(desk, "What an adoption would change", &adoption_of(&chosen), (done, of));
        }
        Stand::Failed(why) => {
            return desk.page("adoption", context! { found => (), nothing => capitalised(&why) + ".", ..head });
        }
        Stand::Done(found) => found,
    };
    let heat = Heat::of(desk);
    let stage_name = |id| profile.stage(id).map_or_else(String::new, |of| capitalised(&of.names.en));
    let changes: Vec<Value> = found
        .made
        .changes
        .iter()
        .map(|change| {
            context! {
                name => stage_name(&change.stage),
                sum_before => heat.whole(change.sum_before),
                sum => heat.told(change.sum),
                belief_before => heat.whole(change.belief_before),
                belief => heat.whole(change.belief),
                reports => change.reports,
            }
        })
        .collect();
    let shown = context! {
        next => found.made.profile.version,
        provisional => found.made.profile.provisional,
        fingerprint => &found.fingerprint,
        frozen => found.frozen.iter().map(|frozen| frozen.in_words(Language::En)).collect::<Vec<_>>(),
        parted => found.parted.iter().map(|of| context! {
            id => &of.id, region => &of.region, on => long(of.observed_on), is_adopted => of.is_adopted,
        }).collect::<Vec<_>>(),
        changes,
        dates => found.dates.iter().map(dates_of).collect::<Vec<_>>(),
        faults => &found.faults,
    };
    desk.page("adoption", context! { found => shown, nothing => (), ..head })
}
