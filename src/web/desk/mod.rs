//! The staff's desk, at `/desk`: off unless the settings turn it on.
//!
//! ```text
//! table (this file) ─> gate (same page? whose session? may they? which region?) ─> one file a page ─> pages/desk/NAME.html
//! ```
//!
//! Every route stands in [`ENTRIES`] with what it needs. A page gets a [`Desk`], which is there only for somebody who is signed in
//! whole and may do what the entry says. English only; no page needs a script. Programs come in by a token and by the routes of
//! `programs.rs` alone, which know no session, as the pages know no token.

mod account;
mod adoption;
mod again;
mod browser;
mod caller;
mod came_of;
mod code;
mod cookies;
mod date_doubts;
mod elsewhere;
pub(super) mod fault;
mod gate;
mod invitation;
mod learned;
mod needs;
mod new_region;
mod new_report;
mod next_report;
mod notice;
mod people;
mod people_list;
mod person;
mod pictures;
mod practice;
pub(super) mod programs;
mod reading;
mod region;
mod region_change;
mod region_draft;
mod region_form;
mod region_height;
mod report;
mod report_effect;
mod reports;
mod return_path;
mod said;
mod second_factor;
mod sign_in;
mod today;
pub(super) mod upload;
mod wording;
mod wording_names;
mod words;

use axum::Router;
use axum::extract::State;
use axum::http::Uri;
use axum::middleware::from_fn_with_state;
use axum::response::Response;
use axum::routing::{get, post};

pub use caller::{Caller, Desk};
pub use needs::{Entry, Kind, Needs, Subject};
pub use upload::Upload;

use super::Site;
use crate::people::account::Deed;
use gate::Gate;

/// Every page and form of the desk.
pub const ENTRIES: &[Entry] = &[
    Entry::page("/desk", Needs::Deed(Deed::See), || get(today::home)),
    Entry::page("/desk/sign-in", Needs::Nothing, || get(sign_in::page)),
    Entry::form("/desk/sign-in", Needs::Nothing, || post(sign_in::sent)),
    Entry::page("/desk/code", Needs::Code, || get(code::page)),
    Entry::form("/desk/code", Needs::Code, || post(code::sent)),
    Entry::page("/desk/second-factor", Needs::SetUp, || get(second_factor::page)),
    Entry::form("/desk/second-factor", Needs::SetUp, || post(second_factor::sent)),
    Entry::page("/desk/invitation/{token}", Needs::Nothing, || get(invitation::page)),
    Entry::form("/desk/invitation/{token}", Needs::Nothing, || post(invitation::sent)),
    Entry::form("/desk/sign-out", Needs::Started, || post(sign_in::out)),
    Entry::page("/desk/account", Needs::Deed(Deed::See), || get(account::page)),
    Entry::page("/desk/account/password", Needs::Deed(Deed::See), || get(account::password_page)),
    Entry::form("/desk/account/password", Needs::Deed(Deed::See), || post(account::password_sent)),
    Entry::form("/desk/account/second-factor", Needs::Deed(Deed::See), || post(account::another_factor)),
    Entry::form("/desk/account/recovery-codes", Needs::Deed(Deed::See), || post(account::new_codes)),
    Entry::form("/desk/account/end-session", Needs::Deed(Deed::See), || post(account::end_one)),
    Entry::form("/desk/account/end-others", Needs::Deed(Deed::See), || post(account::end_others)),
    Entry::page("/desk/today", Needs::Deed(Deed::See), || get(today::page)),
    Entry::page("/desk/notice/{notice}", Needs::Deed(Deed::See), || get(notice::page)),
    Entry::page("/desk/notice/{notice}/chart.png", Needs::Deed(Deed::See), || get(notice::chart)),
    Entry::form("/desk/notice/{notice}/send", Needs::ActOn(Subject::Notice), || post(notice::send)),
    Entry::form("/desk/notice/{notice}/hold", Needs::ActOn(Subject::Notice), || post(notice::hold)),
    Entry::form("/desk/notice/{notice}/call-off", Needs::ActOn(Subject::Notice), || post(notice::call_off)),
    Entry::form("/desk/notice/{notice}/recall", Needs::ActOn(Subject::Notice), || post(notice::recall)),
    Entry::form("/desk/notice/{notice}/undo", Needs::ActOn(Subject::Notice), || post(notice::undo)),
    Entry::page("/desk/notice/{notice}/words", Needs::ActOn(Subject::Notice), || get(words::page)),
    Entry::form("/desk/notice/{notice}/words", Needs::ActOn(Subject::Notice), || post(words::sent)),
    Entry::form("/desk/notice/{notice}/restore-words", Needs::ActOn(Subject::Notice), || post(notice::restore_words)),
    Entry::page("/desk/new-report", Needs::Deed(Deed::Report), || get(new_report::page)),
    Entry::upload("/desk/new-report", Needs::Deed(Deed::Report), || post(new_report::sent)),
    Entry::page("/desk/reports", Needs::Deed(Deed::See), || get(reports::page)),
    Entry::page("/desk/report/{report}", Needs::Deed(Deed::See), || get(report::page)),
    Entry::page("/desk/report/{report}/effect", Needs::Deed(Deed::See), || get(report_effect::page)),
    Entry::form("/desk/report/{report}/confirm", Needs::ActOn(Subject::Report), || post(report::confirm)),
    Entry::form("/desk/report/{report}/set-aside", Needs::ActOn(Subject::Report), || post(report::set_aside)),
    Entry::form("/desk/report/{report}/day", Needs::ActOn(Subject::Report), || post(report::mend_day)),
    Entry::page("/desk/report/{report}/photograph", Needs::Deed(Deed::See), || get(report::photograph)),
    Entry::upload("/desk/report/{report}/photograph", Needs::ActOn(Subject::Report), || post(report::put_photograph)),
    Entry::form("/desk/report/{report}/erase-photograph", Needs::ActOn(Subject::Report), || {
        post(report::drop_photograph)
    }),
    Entry::page("/desk/region/{region}", Needs::Deed(Deed::See), || get(region::page)),
    Entry::page("/desk/learned", Needs::Deed(Deed::See), || get(learned::page)),
    Entry::page("/desk/learned/belief.svg", Needs::Deed(Deed::See), || get(learned::picture)),
    Entry::form("/desk/learned/freeze", Needs::Deed(Deed::Administer), || post(learned::freeze_sent)),
    Entry::form("/desk/learned/thaw", Needs::Deed(Deed::Administer), || post(learned::thaw_sent)),
    Entry::page("/desk/learned/adoption", Needs::Deed(Deed::See), || get(adoption::page)),
    Entry::form("/desk/learned/adopt", Needs::Deed(Deed::Administer), || post(adoption::sent)),
    Entry::page("/desk/learned/years", Needs::Deed(Deed::See), || get(again::page)),
    Entry::page("/desk/learned/fit.svg", Needs::Deed(Deed::See), || get(again::picture)),
    Entry::form("/desk/learned/adopt-fit", Needs::Deed(Deed::Administer), || post(again::adopt_sent)),
    Entry::page("/desk/wording", Needs::Deed(Deed::See), || get(wording::list)),
    Entry::page("/desk/wording/{text}", Needs::Deed(Deed::See), || get(wording::page)),
    Entry::page("/desk/wording/{text}/version/{version}", Needs::Deed(Deed::See), || get(wording::version)),
    Entry::form("/desk/wording/{text}/preview", Needs::Deed(Deed::Act), || post(wording::preview)),
    Entry::form("/desk/wording/{text}/keep", Needs::Deed(Deed::Administer), || post(wording::keep)),
    Entry::form("/desk/wording/{text}/restore", Needs::Deed(Deed::Administer), || post(wording::restore)),
    Entry::page("/desk/region/{region}/change", Needs::ActOn(Subject::Region), || get(region_change::page)),
    Entry::form("/desk/region/{region}/change", Needs::ActOn(Subject::Region), || post(region_change::sent)),
    Entry::page("/desk/region/{region}/retire", Needs::ActOn(Subject::Region), || get(region_change::retire_page)),
    Entry::form("/desk/region/{region}/retire", Needs::ActOn(Subject::Region), || post(region_change::retire)),
    Entry::page("/desk/new-region", Needs::Deed(Deed::Act), || get(new_region::page)),
    Entry::form("/desk/new-region", Needs::Deed(Deed::Act), || post(new_region::sent)),
    Entry::page("/desk/region-draft/{draft}", Needs::Deed(Deed::Act), || get(region_draft::page)),
    Entry::form("/desk/region-draft/{draft}/save", Needs::Deed(Deed::Act), || post(region_draft::save)),
    Entry::form("/desk/region-draft/{draft}/take", Needs::Deed(Deed::Act), || post(new_region::take)),
    Entry::form("/desk/region-draft/{draft}/give-up", Needs::Deed(Deed::Act), || post(region_draft::give_up)),
    Entry::page("/desk/people", Needs::Deed(Deed::See), || get(people::page)),
    Entry::form("/desk/people", Needs::Deed(Deed::Act), || post(people::by_address)),
    Entry::page("/desk/new-person", Needs::Deed(Deed::Act), || get(people::new_page)),
    Entry::form("/desk/new-person", Needs::Deed(Deed::Act), || post(people::new_sent)),
    Entry::page("/desk/people-list", Needs::Deed(Deed::Act), || get(people_list::page)),
    Entry::upload("/desk/people-list", Needs::Deed(Deed::Act), || post(people_list::tried)),
    Entry::form("/desk/people-list/take", Needs::Deed(Deed::Act), || post(people_list::taken)),
    Entry::page("/desk/person/{person}", Needs::Deed(Deed::See), || get(person::page)),
    Entry::form("/desk/person/{person}/show", Needs::Deed(Deed::Act), || post(person::show)),
    Entry::form("/desk/person/{person}/stop", Needs::Deed(Deed::Act), || post(person::stop)),
    Entry::form("/desk/person/{person}/export", Needs::Deed(Deed::Act), || post(person::export)),
    Entry::page("/desk/person/{person}/erase", Needs::Deed(Deed::Act), || get(person::erase_page)),
    Entry::form("/desk/person/{person}/erase", Needs::Deed(Deed::Act), || post(person::erase)),
];

/// Pages and forms that there are only in practice: the service has none of them.
pub const PRACTICE_ENTRIES: &[Entry] = &[
    Entry::page("/desk/practice", Needs::Deed(Deed::See), || get(practice::page)),
    Entry::form("/desk/practice/move", Needs::Deed(Deed::Act), || post(practice::step)),
    Entry::form("/desk/practice/begin-again", Needs::Deed(Deed::Act), || post(practice::begin_again)),
    Entry::page("/desk/practice/messages", Needs::Deed(Deed::See), || get(practice::messages)),
    Entry::page("/desk/practice/message/{message}", Needs::Deed(Deed::See), || get(practice::message)),
];

/// What the head of every page leads to in practice, before all else.
const PRACTICE_NAVIGATION: (&str, &str, Deed) = ("/desk/practice", "Practice", Deed::See);

/// What the menu of a narrow window leads to besides, for those who may add regions.
const NEW_REGION: (&str, &str, Deed) = ("/desk/new-region", "Add a region", Deed::Act);

/// What the head of every page leads to: path, name, and whom it is shown.
const NAVIGATION: &[(&str, &str, Deed)] = &[
    ("/desk/today", "Today", Deed::See),
    ("/desk/new-report", "New report", Deed::Report),
    ("/desk/reports", "Reports", Deed::See),
    ("/desk/learned", "Learned", Deed::See),
    ("/desk/wording", "Wording", Deed::See),
    ("/desk/people", "People", Deed::See),
    ("/desk/account", "My account", Deed::See),
];

/// The routes of a table: of the desk's own, and in checks of others. A page's path with a slash behind leads to the page.
pub fn routes(site: &Site, entries: &[Entry]) -> Router<Site> {
    entries.iter().fold(Router::new(), |router, entry| {
        let gate = Gate { site: site.clone(), needs: entry.needs, kind: entry.kind };
        let router = router.route(entry.path, (entry.handler)().route_layer(from_fn_with_state(gate, gate::gate)));
        match entry.kind {
            Kind::Page => router.route(&format!("{}/", entry.path), get(without_slash)),
            Kind::Form | Kind::Upload => router,
        }
    })
}

/// To the same address without its last slash. It tells nothing: what stands there asks who comes.
async fn without_slash(State(site): State<Site>, uri: Uri) -> Response {
    let path = uri.path().strip_suffix('/').unwrap_or(uri.path());
    match uri.query() {
        Some(query) => caller::redirect(&site, &format!("{path}?{query}")),
        None => caller::redirect(&site, path),
    }
}
