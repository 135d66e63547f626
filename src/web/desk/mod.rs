//! The staff's desk, at `/desk`: off unless the settings turn it on.
//!
//! ```text
//! table (this file) ─> gate (same page? whose session? may they? which region?) ─> one file a page ─> pages/desk/NAME.html
//! ```
//!
//! Every route stands in [`ENTRIES`] with what it needs, and the router is made of nothing else. A page gets a [`Desk`], which is
//! there only for somebody who is signed in whole and may do what the entry says. English only; no page needs a script.

mod account;
mod browser;
mod caller;
mod code;
mod cookies;
mod gate;
mod invitation;
mod needs;
mod new_report;
mod notice;
mod pictures;
mod region;
mod report;
mod reports;
mod return_path;
mod second_factor;
mod sign_in;
mod today;
pub(super) mod upload;
mod words;

use axum::Router;
use axum::middleware::from_fn_with_state;
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
    Entry::page("/desk/report/{report}/effect", Needs::Deed(Deed::See), || get(report::effect_page)),
    Entry::form("/desk/report/{report}/confirm", Needs::ActOn(Subject::Report), || post(report::confirm)),
    Entry::form("/desk/report/{report}/set-aside", Needs::ActOn(Subject::Report), || post(report::set_aside)),
    Entry::form("/desk/report/{report}/day", Needs::ActOn(Subject::Report), || post(report::mend_day)),
    Entry::page("/desk/report/{report}/photograph", Needs::Deed(Deed::See), || get(report::photograph)),
    Entry::upload("/desk/report/{report}/photograph", Needs::ActOn(Subject::Report), || post(report::put_photograph)),
    Entry::form("/desk/report/{report}/erase-photograph", Needs::ActOn(Subject::Report), || {
        post(report::drop_photograph)
    }),
    Entry::page("/desk/region/{region}", Needs::Deed(Deed::See), || get(region::page)),
];

/// What the head of every page leads to: path, name, and whom it is shown.
const NAVIGATION: &[(&str, &str, Deed)] = &[
    ("/desk/today", "Today", Deed::See),
    ("/desk/new-report", "New report", Deed::Report),
    ("/desk/reports", "Reports", Deed::See),
    ("/desk/account", "My account", Deed::See),
];

/// The routes of a table: of the desk's own, and in checks of others.
pub fn routes(site: &Site, entries: &[Entry]) -> Router<Site> {
    entries.iter().fold(Router::new(), |router, entry| {
        let gate = Gate { site: site.clone(), needs: entry.needs, kind: entry.kind };
        router.route(entry.path, (entry.handler)().route_layer(from_fn_with_state(gate, gate::gate)))
    })
}
