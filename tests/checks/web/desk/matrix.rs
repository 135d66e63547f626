//! Every route of the desk against everybody who may ask it.

use std::collections::BTreeSet;

use axum::http::StatusCode;
use axum::routing::{get, post};
use treebell::clock::Clock;
use treebell::people::account::{Deed, RegionReach, Role};
use treebell::season::NoticeKind;
use treebell::store::notices::NoticeRelease;
use treebell::web::desk::{Desk, ENTRIES, Entry, Kind, Needs, Subject};
use treebell::web::{self, Site};

use super::support::{Browser, DeskWorld, PASSWORD, of_county, of_region};
use crate::people::notices::{notice, texts};

/// Who asks: nobody; somebody whose code is asked for; each role. Staff act on `north` and not on `south`.
const CALLERS: [&str; 6] = ["nobody", "half", "observer", "staff", "county", "administrator"];

/// Whom each route lets in, written down here a second time and by hand: what the table in the program says is what is checked.
/// A route that is not here fails the check.
const LET_IN: &[(&str, &str, &[&str])] = &[
    ("page", "/desk", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/sign-in", &CALLERS),
    ("form", "/desk/sign-in", &CALLERS),
    ("page", "/desk/code", &["half"]),
    ("form", "/desk/code", &["half"]),
    ("page", "/desk/second-factor", &[]),
    ("form", "/desk/second-factor", &[]),
    ("page", "/desk/invitation/{token}", &CALLERS),
    ("form", "/desk/invitation/{token}", &CALLERS),
    ("form", "/desk/sign-out", &["half", "observer", "staff", "county", "administrator"]),
    ("page", "/desk/account", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/account/password", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/account/password", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/account/second-factor", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/account/recovery-codes", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/account/end-session", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/account/end-others", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/today", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/notice/{notice}", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/notice/{notice}/chart.png", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/notice/{notice}/send", &["staff", "administrator"]),
    ("form", "/desk/notice/{notice}/hold", &["staff", "administrator"]),
    ("form", "/desk/notice/{notice}/call-off", &["staff", "administrator"]),
    ("form", "/desk/notice/{notice}/recall", &["staff", "administrator"]),
    ("form", "/desk/notice/{notice}/undo", &["staff", "administrator"]),
    ("page", "/desk/notice/{notice}/words", &["staff", "administrator"]),
    ("form", "/desk/notice/{notice}/words", &["staff", "administrator"]),
    ("form", "/desk/notice/{notice}/restore-words", &["staff", "administrator"]),
    ("page", "/desk/new-report", &["observer", "staff", "county", "administrator"]),
    ("upload", "/desk/new-report", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/reports", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/report/{report}", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/report/{report}/effect", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/report/{report}/confirm", &["staff", "administrator"]),
    ("form", "/desk/report/{report}/set-aside", &["staff", "administrator"]),
    ("form", "/desk/report/{report}/day", &["staff", "administrator"]),
    ("page", "/desk/report/{report}/photograph", &["observer", "staff", "county", "administrator"]),
    ("upload", "/desk/report/{report}/photograph", &["staff", "administrator"]),
    ("form", "/desk/report/{report}/erase-photograph", &["staff", "administrator"]),
    ("page", "/desk/region/{region}", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/learned", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/learned/belief.svg", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/learned/freeze", &["administrator"]),
    ("form", "/desk/learned/thaw", &["administrator"]),
    ("page", "/desk/learned/adoption", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/learned/adopt", &["administrator"]),
    ("page", "/desk/learned/years", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/learned/fit.svg", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/learned/adopt-fit", &["administrator"]),
    ("page", "/desk/wording", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/wording/{text}", &["observer", "staff", "county", "administrator"]),
    ("page", "/desk/wording/{text}/version/{version}", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/wording/{text}/preview", &["staff", "county", "administrator"]),
    ("form", "/desk/wording/{text}/keep", &["administrator"]),
    ("form", "/desk/wording/{text}/restore", &["administrator"]),
    ("page", "/desk/region/{region}/change", &["staff", "administrator"]),
    ("form", "/desk/region/{region}/change", &["staff", "administrator"]),
    ("page", "/desk/region/{region}/retire", &["staff", "administrator"]),
    ("form", "/desk/region/{region}/retire", &["staff", "administrator"]),
    // Who keeps single regions and no county adds none.
    ("page", "/desk/new-region", &["county", "administrator"]),
    ("form", "/desk/new-region", &["county", "administrator"]),
    ("page", "/desk/region-draft/{draft}", &["staff", "county", "administrator"]),
    ("form", "/desk/region-draft/{draft}/save", &["staff", "county", "administrator"]),
    ("form", "/desk/region-draft/{draft}/take", &["county", "administrator"]),
    ("form", "/desk/region-draft/{draft}/give-up", &["staff", "county", "administrator"]),
    ("page", "/desk/people", &["observer", "staff", "county", "administrator"]),
    ("form", "/desk/people", &["staff", "county", "administrator"]),
    ("page", "/desk/new-person", &["staff", "county", "administrator"]),
    ("form", "/desk/new-person", &["staff", "county", "administrator"]),
    ("page", "/desk/people-list", &["staff", "county", "administrator"]),
    ("upload", "/desk/people-list", &["staff", "county", "administrator"]),
    ("form", "/desk/people-list/take", &["staff", "county", "administrator"]),
    // Of somebody of `north`: to who does not see them they are not there.
    ("page", "/desk/person/{person}", &["staff", "administrator"]),
    ("form", "/desk/person/{person}/show", &["staff", "administrator"]),
    ("form", "/desk/person/{person}/stop", &["staff", "administrator"]),
    ("form", "/desk/person/{person}/export", &["staff", "administrator"]),
    ("page", "/desk/person/{person}/erase", &["staff", "administrator"]),
    ("form", "/desk/person/{person}/erase", &["staff", "administrator"]),
];

/// Routes of this check alone, of every kind of need that the desk's own have not.
const TRIED: &[Entry] = &[
    Entry::page("/desk/try/see", Needs::Deed(Deed::See), || get(ok)),
    Entry::form("/desk/try/report", Needs::Deed(Deed::Report), || post(ok)),
    Entry::form("/desk/try/act", Needs::Deed(Deed::Act), || post(ok)),
    Entry::page("/desk/try/administer", Needs::Deed(Deed::Administer), || get(ok)),
    Entry::page("/desk/try/region/{region}", Needs::ActOn(Subject::Region), || get(of_its_region)),
    Entry::form("/desk/try/region/{region}", Needs::ActOn(Subject::Region), || post(of_its_region)),
    Entry::upload("/desk/try/region/{region}/upload", Needs::ActOn(Subject::Region), || post(of_its_region)),
    Entry::form("/desk/try/report/{report}", Needs::ActOn(Subject::Report), || post(of_its_region)),
    Entry::form("/desk/try/notice/{notice}", Needs::ActOn(Subject::Notice), || post(of_its_region)),
];

async fn ok(_: Desk) -> &'static str {
    "let in"
}

async fn of_its_region(desk: Desk) -> Result<String, web::Fault> {
    Ok(format!("let in to {}", desk.region()?.id))
}

enum Let {
    In,
    ToSignIn,
    Forbidden,
    NotFound,
}

/// How an answer treats whoever asked. What a page makes of a form that holds nothing is its own business.
fn treated(answer: &super::super::support::Answer, path: &str) -> Let {
    let to = answer.header("location").split('?').next().unwrap();
    let is_step = ["/desk/sign-in", "/desk/code", "/desk/second-factor"].contains(&to);
    match answer.status {
        // Their own answers lead there too.
        StatusCode::SEE_OTHER if is_step && !["/desk/sign-out", "/desk/account/second-factor"].contains(&path) => {
            Let::ToSignIn
        }
        StatusCode::SEE_OTHER if path == "/desk/sign-out" && answer.header("location") != "/desk/sign-in?out=yes" => {
            Let::ToSignIn
        }
        StatusCode::SEE_OTHER if path == "/desk/account/second-factor" && to != "/desk/second-factor" => Let::ToSignIn,
        StatusCode::SEE_OTHER if ["/desk/code", "/desk/second-factor"].contains(&path) => Let::ToSignIn,
        StatusCode::FORBIDDEN => Let::Forbidden,
        // Let in, and there is none: no photograph, no chart, no version of this number, no draft.
        StatusCode::NOT_FOUND
            if path.contains("/region-draft/")
                || [".sms/restore", "/photograph", "/chart.png", "/belief.svg", "/fit.svg"]
                    .iter()
                    .any(|end| path.ends_with(end)) =>
        {
            Let::In
        }
        StatusCode::NOT_FOUND if !path.contains("invitation") => Let::NotFound,
        StatusCode::OK
        | StatusCode::UNPROCESSABLE_ENTITY
        | StatusCode::TOO_MANY_REQUESTS
        | StatusCode::SEE_OTHER
        | StatusCode::NOT_FOUND => Let::In,
        other => panic!("{path}: {other}"),
    }
}

/// A browser of each, fresh for each route: some routes end the session.
async fn caller<'a>(desk: &'a DeskWorld, who: &str, nth: usize) -> Browser<'a> {
    let account = format!("{who}-{nth}");
    match who {
        "nobody" => {
            let mut browser = desk.browser();
            browser.get("/desk/sign-in").await;
            browser
        }
        "half" => {
            desk.signed_in(&account, Role::Staff, of_region("north")).await;
            let mut browser = desk.browser();
            browser.give_password(&account, PASSWORD).await;
            browser.get("/desk/code").await;
            browser
        }
        "observer" => desk.signed_in(&account, Role::Observer, RegionReach::default()).await.0,
        "staff" => desk.signed_in(&account, Role::Staff, of_region("north")).await.0,
        "county" => desk.signed_in(&account, Role::Staff, of_county("Vista")).await.0,
        _ => desk.signed_in(&account, Role::Administrator, RegionReach::default()).await.0,
    }
}

async fn asked(browser: &mut Browser<'_>, kind: Kind, path: &str) -> super::super::support::Answer {
    match kind {
        Kind::Page => browser.get(path).await,
        Kind::Form => browser.post(path, &[]).await,
        Kind::Upload => browser.upload(path, &[], None).await,
    }
}

/// A notice that waits for a word, with words of the templates; the part of a path that names it.
pub async fn notice_of_north(desk: &DeskWorld) -> String {
    let facts = crate::desk::facts("north");
    let texts = crate::desk::texts_of(&desk.world.app.templates.in_use(), NoticeKind::InspectNow, &facts);
    let approval_needed = treebell::season::decide::ApprovalNeeded::ByPolicy;
    let new = treebell::store::notices::NewNotice {
        facts: serde_json::to_value(&facts).unwrap(),
        expires_at: desk.world.clock.now() + chrono::TimeDelta::days(30),
        ..notice(NoticeKind::InspectNow, NoticeRelease::WaitForApproval { approval_needed })
    };
    desk.store().put_notice(&new, &texts).await.unwrap();
    "pinyon-needle-scale~north~2026~inspect-now".to_owned()
}

/// Words of staff, so that there is a version of them.
async fn words_of_welcome(desk: &DeskWorld) {
    use treebell::service::desk::Word;
    use treebell::service::desk::messages::{Draft, set_words, text};
    let (app, name) = (&desk.world.app, treebell::message::templates::TextName::parse("welcome.sms").unwrap());
    let now = text(app, &name).await.unwrap().words;
    let draft = Draft { en: now.en.replace("A few texts a year.", "Few texts a year."), ..now };
    set_words(app, &name, &draft, None, Word { by: "maria", why: None }).await.unwrap();
}

#[tokio::test]
async fn every_route_lets_in_whom_it_is_for_and_nobody_else() {
    let desk = DeskWorld::new().await;
    let notice = notice_of_north(&desk).await;
    let report = super::reports::report_of_north(&desk).await;
    words_of_welcome(&desk).await;
    let person = crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await.subscriber().to_owned();
    let told: BTreeSet<(&str, &str)> = LET_IN.iter().map(|(kind, path, _)| (*kind, *path)).collect();
    let there: BTreeSet<(&str, &str)> = ENTRIES.iter().map(|entry| (word(entry.kind), entry.path)).collect();
    assert_eq!(told, there, "each route of the desk stands in the table of this check");
    for who in CALLERS {
        let mut browser = caller(&desk, who, 0).await;
        for (nth, entry) in ENTRIES.iter().enumerate() {
            let (_, _, let_in) =
                LET_IN.iter().find(|(kind, path, _)| (*kind, *path) == (word(entry.kind), entry.path)).unwrap();
            let path = entry.path.replace("{token}", "none").replace("{notice}", &notice);
            let path = path.replace("{report}", &report).replace("{region}", "north");
            let path = path.replace("{text}", "welcome.sms").replace("{version}", "1");
            let path = path.replace("{draft}", "none").replace("{person}", &person);
            let answer = asked(&mut browser, entry.kind, &path).await;
            let is_in = matches!(treated(&answer, &path), Let::In);
            assert_eq!(
                is_in,
                let_in.contains(&who),
                "{who} {} {path}: {} {}",
                word(entry.kind),
                answer.status,
                answer.header("location")
            );
            // A form that is taken may have ended the session, or counted wrong codes.
            if is_in && entry.kind != Kind::Page && who != "nobody" {
                browser = caller(&desk, who, nth + 1).await;
            }
        }
    }
}

fn word(kind: Kind) -> &'static str {
    match kind {
        Kind::Page => "page",
        Kind::Form => "form",
        Kind::Upload => "upload",
    }
}

#[tokio::test]
async fn deeds_are_for_their_roles_and_regions_for_those_within_reach() {
    let mut desk = DeskWorld::new().await;
    let mut north = desk.store().region(&"north".into()).await.unwrap();
    north.county = Some("Vista County".into());
    desk.store().change_region(&north).await.unwrap();
    let new = notice(NoticeKind::InspectNow, NoticeRelease::Wait { release_at: desk.world.clock.now() });
    desk.store().put_notice(&new, &texts()).await.unwrap();
    let notice = format!("/desk/try/notice/{}", "pinyon-needle-scale~north~2026~inspect-now");
    let report = format!("/desk/try/report/{}", super::reports::report_of_north(&desk).await);
    let all: Vec<Entry> = ENTRIES.iter().chain(TRIED).map(|entry| Entry { ..*entry }).collect();
    desk.world.router = web::router_with(&Site::new(desk.world.app.clone()).unwrap(), &all);
    let mut signed = Vec::new();
    for who in ["observer", "staff", "county", "administrator"] {
        let browser = caller(&desk, who, 0).await;
        signed.push((who, browser.jar, browser.token));
    }
    for (kind, path, wanted) in [
        (Kind::Page, "/desk/try/see", [200, 200, 200, 200]),
        (Kind::Form, "/desk/try/report", [200, 200, 200, 200]),
        (Kind::Form, "/desk/try/act", [403, 200, 200, 200]),
        (Kind::Page, "/desk/try/administer", [403, 403, 403, 200]),
        (Kind::Page, "/desk/try/region/north", [403, 200, 200, 200]),
        (Kind::Form, "/desk/try/region/north", [403, 200, 200, 200]),
        (Kind::Form, "/desk/try/region/south", [403, 403, 403, 200]),
        (Kind::Form, "/desk/try/region/nowhere", [403, 404, 404, 404]),
        (Kind::Upload, "/desk/try/region/north/upload", [403, 200, 200, 200]),
        (Kind::Upload, "/desk/try/region/south/upload", [403, 403, 403, 200]),
        (Kind::Form, &notice, [403, 200, 200, 200]),
        (Kind::Form, &report, [403, 200, 200, 200]),
        (Kind::Form, "/desk/try/report/none", [403, 404, 404, 404]),
        (Kind::Form, "/desk/try/notice/none", [403, 404, 404, 404]),
    ] {
        for (nth, (who, jar, token)) in signed.iter().enumerate() {
            let mut browser = desk.browser();
            (browser.jar, browser.token) = (jar.clone(), token.clone());
            let answer = asked(&mut browser, kind, path).await;
            assert_eq!(answer.status.as_u16(), wanted[nth], "{who} {path}");
            if path.contains("north") && wanted[nth] == 200 {
                assert_eq!(answer.body, "let in to north");
            }
        }
        let mut nobody = caller(&desk, "nobody", 0).await;
        assert_eq!(asked(&mut nobody, kind, path).await.status, StatusCode::SEE_OTHER, "nobody {path}");
    }
}
