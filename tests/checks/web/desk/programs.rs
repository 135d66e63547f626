//! Programs at the desk: what a token opens, and all that it does not.

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use chrono::TimeDelta;
use serde_json::{Value, json};
use treebell::clock::Clock;
use treebell::people::access_token::Scope;
use treebell::people::account::Role;
use treebell::region::RegionId;
use treebell::season::NoticeId;
use treebell::service::desk::access_tokens::{NewAccessToken, REPORTS_A_DAY, end_token, make_token};
use treebell::store::Store;
use treebell::store::audit::AuditFilter;
use treebell::store::field_reports::ReportStanding;
use treebell::web::desk::{ENTRIES, Kind, Needs};

use super::matrix::notice_of_north;
use super::support::{DeskWorld, name, of_region};
use crate::engines::on_each_engine;
use crate::web::support::Answer;

const REGIONS: &str = "/desk/programs/regions";
const REPORTS: &str = "/desk/programs/reports";

async fn token(desk: &DeskWorld, program: &str, scope: Scope, regions: &[&str]) -> String {
    let regions = regions.iter().map(|id| RegionId((*id).to_owned())).collect();
    let new = NewAccessToken { name: name(program), scope, regions, good_for: TimeDelta::days(30) };
    make_token(desk.store(), &new, desk.world.clock.now()).await.unwrap()
}

async fn ask(desk: &DeskWorld, method: Method, path: &str, token: &str, body: &str) -> Answer {
    let mut request = Request::builder().method(method).uri(path).header("content-type", "application/json");
    if !token.is_empty() {
        request = request.header("authorization", format!("Bearer {token}"));
    }
    desk.world.ask(request.body(Body::from(body.to_owned())).unwrap()).await
}

async fn read(desk: &DeskWorld, token: &str) -> Answer {
    ask(desk, Method::GET, REGIONS, token, "").await
}

async fn tell(desk: &DeskWorld, token: &str, report: &Value) -> (StatusCode, Value) {
    let answer = ask(desk, Method::POST, REPORTS, token, &report.to_string()).await;
    (answer.status, serde_json::from_str(&answer.body).unwrap_or_else(|why| panic!("{why}: {}", answer.body)))
}

fn report(desk: &DeskWorld, region: &str) -> Value {
    let day = (desk.world.clock.now() - TimeDelta::days(1)).date_naive();
    json!({ "region": region, "day": day, "saw": "eggs", "tree": "by the gate" })
}

fn ids(answer: &Answer) -> Vec<String> {
    let json: Value = serde_json::from_str(&answer.body).unwrap();
    let regions = json["regions"].as_array().unwrap();
    let mut ids: Vec<String> = regions.iter().map(|row| row["id"].as_str().unwrap().to_owned()).collect();
    ids.sort();
    ids
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_reads_the_regions_that_its_token_is_for() {
    let desk = DeskWorld::new().await;
    let all = token(&desk, "survey", Scope::See, &[]).await;
    assert_eq!(ids(&read(&desk, &all).await), ["north", "south"]);
    let north = token(&desk, "north-app", Scope::See, &["north"]).await;
    assert_eq!(ids(&read(&desk, &north).await), ["north"]);

    for useless in ["", "0000", &all[..all.len() - 1], &format!("{all}0")] {
        let answer = read(&desk, useless).await;
        assert_eq!(
            (answer.status, answer.header("www-authenticate")),
            (StatusCode::UNAUTHORIZED, "Bearer"),
            "{useless}"
        );
        assert!(answer.body.contains("treebell token add"), "{}", answer.body);
    }
    let (status, why) = tell(&desk, &all, &report(&desk, "north")).await;
    assert_eq!(status, StatusCode::FORBIDDEN);
    assert_eq!(why["error"], "this token is for `see`, and this wants `report`");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_ends_by_its_time_and_by_a_word_and_its_name_is_given_once() {
    let desk = DeskWorld::new().await;
    let (first, second) = (token(&desk, "first", Scope::See, &[]).await, token(&desk, "second", Scope::See, &[]).await);
    let now = desk.world.clock.now();
    assert!(end_token(desk.store(), &name("first"), now).await.unwrap());
    assert!(!end_token(desk.store(), &name("first"), now).await.unwrap());
    assert_eq!(read(&desk, &first).await.status, StatusCode::UNAUTHORIZED);
    assert_eq!(read(&desk, &second).await.status, StatusCode::OK);
    desk.pass(TimeDelta::days(30));
    assert_eq!(read(&desk, &second).await.status, StatusCode::UNAUTHORIZED);

    let again =
        NewAccessToken { name: name("first"), scope: Scope::See, regions: Vec::new(), good_for: TimeDelta::days(1) };
    let why = make_token(desk.store(), &again, now).await.unwrap_err().to_string();
    assert!(why.contains("choose another name"), "{why}");
    let unknown = NewAccessToken { name: name("third"), regions: vec![RegionId("nowhere".into())], ..again };
    assert!(make_token(desk.store(), &unknown, now).await.is_err());
    assert!(end_token(desk.store(), &name("third"), now).await.unwrap_err().to_string().contains("token list"));
}

async fn reports_wait(store: Store) {
    let desk = DeskWorld::on(store).await;
    let token = token(&desk, "survey", Scope::Report, &["north"]).await;
    let told = report(&desk, "north");
    let (status, answer) = tell(&desk, &token, &told).await;
    assert_eq!(status, StatusCode::CREATED, "{answer}");
    let id = answer["id"].as_str().unwrap();
    // Sent once more, since a program may not know that it arrived.
    assert_eq!(tell(&desk, &token, &told).await, (StatusCode::CREATED, answer.clone()));
    let kept = desk.store().field_report(id).await.unwrap();
    assert_eq!((kept.standing, kept.person.as_deref()), (ReportStanding::New, Some("survey")));
    assert_eq!(kept.tree.as_deref(), Some("by the gate"));
    let audit = desk.store().audit(&AuditFilter { about: Some(format!("report/{id}")), ..Default::default() }).await;
    let audit: Vec<_> = audit.unwrap().into_iter().map(|row| (row.act, row.account)).collect();
    assert_eq!(audit, [("report-added".to_owned(), Some("token/survey".to_owned()))]);
    let tokens = desk.store().access_tokens().await.unwrap();
    assert_eq!(tokens[0].used_at, Some(desk.world.clock.now()));

    let (status, why) = tell(&desk, &token, &report(&desk, "south")).await;
    assert_eq!((status, why["error"].as_str()), (StatusCode::FORBIDDEN, Some("this token is not for region `south`")));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_report_of_a_program_waits_for_a_word_and_names_its_program() {
    on_each_engine("reports of programs", reports_wait).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_report_that_cannot_be_kept_is_told_with_its_place() {
    let desk = DeskWorld::new().await;
    let token = token(&desk, "survey", Scope::Report, &[]).await;
    let sound = report(&desk, "north");
    let tomorrow = (desk.world.clock.now() + TimeDelta::days(2)).date_naive();
    let with = |key: &str, value: Value| {
        let mut changed = sound.clone();
        changed[key] = value;
        changed
    };
    for (sent, told) in [
        (with("region", json!("nowhere")), "nowhere"),
        (with("day", json!(tomorrow)), "day: "),
        (with("day", json!("3/31/2025")), "day: a day is written year-month-day: 2025-03-31"),
        (with("nothing_on", json!("soon")), "nothing_on: no day of the calendar: year-month-day is wanted"),
        (json!([]), "an object is wanted, with `region`"),
        (with("saw", json!("moss")), "saw: `moss` is none of "),
        (with("infested", json!(false)), "only on a tree that has the insect"),
        (with("zip", json!("00399")), "zip: 00399 is not a ZIP code of "),
        (with("tree", json!("a\u{202e}b")), "tree: "),
        (with("note", json!("ask a@example.org")), "note: it holds an e-mail address"),
        (with("nothing_on", sound["day"].clone()), "nothing_on: "),
        (with("confirmed", json!(true)), "confirmed"),
    ] {
        let (status, why) = tell(&desk, &token, &sent).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{sent}: {why}");
        assert!(why["error"].as_str().unwrap().contains(told), "{sent}: {why}");
    }
    let huge = with("note", json!("x".repeat(100_000)));
    assert_eq!(tell(&desk, &token, &huge).await.0, StatusCode::PAYLOAD_TOO_LARGE);
    assert_eq!(
        desk.store()
            .audit(&AuditFilter::default())
            .await
            .unwrap()
            .iter()
            .filter(|row| row.act == "report-added")
            .count(),
        0
    );
}

/// A program cannot read a page.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_wrong_before_a_route_is_reached_is_told_as_json_too() {
    let desk = DeskWorld::new().await;
    let token = token(&desk, "survey", Scope::Report, &[]).await;
    // Before: "… at line 1 column 28", of a text that a program wrote.
    let misnamed = ask(&desk, Method::POST, REPORTS, &token, "{\"region\": \"north\", \"date\": \"2026-03-14\"}").await;
    let told = &misnamed.body;
    assert!(told.contains("unknown field `date`, expected one of") && !told.contains("column"), "{told}");
    let from_elsewhere = Request::post(REPORTS).header("origin", "https://example.org").body(Body::empty()).unwrap();
    for (answer, status) in [
        (ask(&desk, Method::GET, "/desk/programs/region", &token, "").await, StatusCode::NOT_FOUND),
        (ask(&desk, Method::GET, "/desk/programs", &token, "").await, StatusCode::NOT_FOUND),
        (ask(&desk, Method::GET, REPORTS, &token, "").await, StatusCode::METHOD_NOT_ALLOWED),
        (ask(&desk, Method::POST, REGIONS, &token, "{}").await, StatusCode::METHOD_NOT_ALLOWED),
        (ask(&desk, Method::POST, REPORTS, &token, "region=north").await, StatusCode::UNPROCESSABLE_ENTITY),
        (ask(&desk, Method::POST, REPORTS, &token, "{\"region\": \"north\"").await, StatusCode::UNPROCESSABLE_ENTITY),
        (ask(&desk, Method::POST, REPORTS, &token, "").await, StatusCode::UNPROCESSABLE_ENTITY),
        (desk.world.ask(from_elsewhere).await, StatusCode::BAD_REQUEST),
    ] {
        assert_eq!((answer.status, answer.header("content-type")), (status, "application/json"), "{}", answer.body);
        let told: Value = serde_json::from_str(&answer.body).unwrap_or_else(|why| panic!("{why}: {}", answer.body));
        assert!(!told["error"].as_str().unwrap().is_empty(), "{told}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_program_that_has_gone_wrong_enters_so_many_reports_a_day_and_no_more() {
    let desk = DeskWorld::new().await;
    let (wild, other) =
        (token(&desk, "wild", Scope::Report, &[]).await, token(&desk, "other", Scope::Report, &[]).await);
    let nth = |nth: u64| {
        let mut sent = report(&desk, "north");
        sent["tree"] = json!(format!("tree {nth}"));
        sent
    };
    for at in 0..REPORTS_A_DAY {
        assert_eq!(tell(&desk, &wild, &nth(at)).await.0, StatusCode::CREATED);
    }
    let (status, why) = tell(&desk, &wild, &nth(REPORTS_A_DAY)).await;
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS, "{why}");
    assert_eq!(tell(&desk, &other, &nth(REPORTS_A_DAY)).await.0, StatusCode::CREATED);
    desk.pass(TimeDelta::days(1) + TimeDelta::seconds(1));
    assert_eq!(tell(&desk, &wild, &nth(REPORTS_A_DAY)).await.0, StatusCode::CREATED);
}

/// A token is no session: no page and no form of the desk knows it, so that it lets no message out.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_page_and_no_form_of_the_desk_takes_a_token() {
    let desk = DeskWorld::new().await;
    let token = token(&desk, "survey", Scope::Report, &[]).await;
    for entry in ENTRIES.iter().filter(|entry| matches!(entry.needs, Needs::Deed(_) | Needs::ActOn(_))) {
        let path = entry.path.replace("{region}", "north").replace("{notice}", "x").replace("{report}", "x");
        let method = if entry.kind == Kind::Page { Method::GET } else { Method::POST };
        let request = Request::builder().method(method).uri(&path).header("authorization", format!("Bearer {token}"));
        let request = request.header("sec-fetch-site", "same-origin").body(Body::empty()).unwrap();
        let answer = desk.world.ask(request).await;
        let leads = answer.header("location");
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{path}");
        assert!(leads.contains("/desk/sign-in"), "{path}: {leads}");
    }
    // Nor does a session open what is for programs.
    let (mut browser, _) = desk.signed_in("maria", Role::Observer, Default::default()).await;
    assert_eq!(browser.get(REGIONS).await.status, StatusCode::UNAUTHORIZED);
}

/// The form is right in all else: its right comes from a page of ours, and it says what is looked at as it stands.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_beside_a_form_that_is_right_in_all_else_lets_no_notice_go() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    let page = format!("/desk/notice/{}", notice_of_north(&desk).await);
    let id = NoticeId::from("pinyon-needle-scale/north/2026/inspect-now");
    let before = desk.store().notice(&id).await.unwrap();
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let shown = maria.get(&page).await.body;
    let seen = shown.split("name=\"seen\" value=\"").nth(1).expect("a form to send").split('"').next().unwrap();

    let bearer = format!("Bearer {}", token(&desk, "survey", Scope::Report, &[]).await);
    let mut program = desk.browser();
    program.get("/desk/sign-in").await;
    assert!(!program.token.is_empty());
    let headers = [("sec-fetch-site", "same-origin"), ("authorization", bearer.as_str())];
    for act in ["send", "hold", "call-off", "recall", "undo", "restore-words"] {
        let form = [("seen", seen), ("why", "by a program"), ("end", "open")];
        let answer = program.post_with(&format!("{page}/{act}"), &form, &headers).await;
        assert_eq!(desk.store().notice(&id).await.unwrap(), before, "{act}: as it stood");
        let leads = answer.header("location");
        assert!(answer.status == StatusCode::SEE_OTHER && leads.starts_with("/desk/sign-in"), "{act}: {leads}");
    }
    assert_eq!(desk.store().next_release().await.unwrap(), None);
    assert_eq!(desk.store().delivery_counts(&id).await.unwrap().len(), 0);
    let acts = AuditFilter { about: Some("notice/".into()), ..AuditFilter::default() };
    assert_eq!(desk.store().audit(&acts).await.unwrap(), []);

    // Of its own staff the same form is taken.
    maria.get(&page).await;
    let sent = maria.post(&format!("{page}/send"), &[("seen", seen)]).await;
    assert_eq!(sent.status, StatusCode::SEE_OTHER, "{}", sent.body);
    assert_eq!(desk.store().notice(&id).await.unwrap().standing_word(), "leaving");
}
