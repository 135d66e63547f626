//! Lists of people at the desk: tried, then taken in.

use std::fmt::Write as _;

use axum::http::StatusCode;
use treebell::people::account::{RegionReach, Role};
use treebell::store::audit::AuditFilter;

use super::support::{Browser, DeskWorld, of_region};
use crate::engines::{every_row, on_each_engine};
use crate::people::{subscribe, zip};

const PATH: &str = "/desk/people-list";

const LIST: &str = "zip,email,phone,language,consent\n\
    00101,one@example.org,,en,\"signed form, fair\"\n\
    00101 00102,,+15055550102,es,signed form\n\
    0010,three@example.org,,en,signed form\n\
    00101,four at example.org,,en,signed form\n\
    00101,five@example.org,,en,\n\
    00201,six@example.org,,en,signed form\n";

async fn rows(desk: &DeskWorld) -> std::collections::BTreeMap<String, Vec<String>> {
    let mut rows = every_row(desk.store()).await;
    rows.remove("desk_sessions");
    rows
}

/// The id of the list that a page offers to take in.
fn list_on(page: &str) -> String {
    page.split("name=\"list\" value=\"").nth(1).expect("a list on the page").split('"').next().unwrap().to_owned()
}

async fn staff<'a>(desk: &'a DeskWorld, who: &str) -> Browser<'a> {
    let mut browser = desk.signed_in(who, Role::Staff, of_region("north")).await.0;
    browser.get(PATH).await;
    browser
}

#[tokio::test]
async fn a_list_is_tried_and_every_row_that_is_refused_is_named_before_it_is_taken() {
    on_each_engine("a list of people at the desk", |store| async move {
        let desk = DeskWorld::on(store).await;
        let mut nora = staff(&desk, "nora").await;
        let before = rows(&desk).await;
        let tried = nora.upload_list(PATH, LIST.as_bytes()).await;
        assert_eq!(tried.status, StatusCode::OK, "{}", tried.body);
        assert!(tried.body.contains("2 added") && tried.body.contains("4 rows refused"), "{}", tried.body);
        for (line, said) in [
            ("Line 4", "a spreadsheet may have dropped its zeros"),
            ("Line 5", "an e-mail address is wanted"),
            ("Line 6", "nothing was given: say how its owner agreed"),
            ("Line 7", "00201 is in none of your regions"),
        ] {
            let row = tried.body.split("<tr>").find(|row| row.contains(line)).unwrap_or_default();
            assert!(row.contains(said), "{line} {said}: {}", tried.body);
        }
        assert_eq!(rows(&desk).await, before, "a trial keeps nothing");
        let list = list_on(&tried.body);

        // It is the list of who tried it.
        let mut other = staff(&desk, "nils").await;
        let stolen = other.post("/desk/people-list/take", &[("list", &list), ("bad", "leave-out")]).await;
        assert_eq!(stolen.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", stolen.body);
        // Where rows are bad, all or none is none.
        let whole = nora.post("/desk/people-list/take", &[("list", &list)]).await;
        assert_eq!(whole.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(desk.store().subscribers(None).await.unwrap().is_empty());

        nora.get(PATH).await;
        let tried = nora.upload_list(PATH, LIST.as_bytes()).await;
        let form = [("list", list_on(&tried.body)), ("bad", "leave-out".into())];
        let form: Vec<(&str, &str)> = form.iter().map(|(name, value)| (*name, value.as_str())).collect();
        let taken = nora.post("/desk/people-list/take", &form).await;
        assert_eq!(
            taken.header("location"),
            "/desk/people?done=imported&added=2&extended=0&unchanged=0&bad=4",
            "{}",
            taken.body
        );
        let people = desk.store().subscribers(None).await.unwrap();
        assert_eq!(people.len(), 2);
        assert!(people.iter().any(|person| person.zips == [zip("00101"), zip("00102")]), "several to a row");
        let filter = AuditFilter { about: Some("subscribers".into()), ..AuditFilter::default() };
        let rows = desk.store().audit(&filter).await.unwrap();
        assert_eq!(
            (rows.len(), rows[0].act.as_str(), rows[0].account.as_deref()),
            (1, "subscribers-imported", Some("nora"))
        );
        // Taken twice it is not there.
        nora.get(PATH).await;
        let twice = nora.post("/desk/people-list/take", &form).await;
        assert_eq!(twice.status, StatusCode::UNPROCESSABLE_ENTITY);
        let tried = nora.upload_list(PATH, LIST.as_bytes()).await;
        let nothing = "There is nothing to import: whoever stands in the other rows is on the list already";
        assert!(tried.body.contains("2 unchanged") && tried.body.contains(nothing), "{}", tried.body);
        assert!(!tried.body.contains("people-list/take"), "{}", tried.body);
        // The button says what it does: not all rows that are good are new.
        nora.get(PATH).await;
        let tried = nora.upload_list(PATH, (LIST.to_owned() + "00102,seven@example.org,,en,form\n").as_bytes()).await;
        let button = ">Add 1, leave 2 as they are, leave out the 4 refused</button>";
        assert!(tried.body.contains(button), "{}", tried.body);
    })
    .await;
}

#[tokio::test]
async fn zip_codes_of_no_region_are_named_before_their_rows_are_kept() {
    let desk = DeskWorld::new().await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    maria.get(PATH).await;
    let list = "zip,email,consent\n00101,a@example.org,form\n00398 00101,b@example.org,form\n\
                00399 00398,c@example.org,form\n00397,d@example.org,\n";
    let page = maria.upload_list(PATH, list.as_bytes()).await.body;
    assert!(page.contains("3 added") && page.contains("1 row refused"), "{page}");
    assert!(page.contains("2 rows have ZIP codes that no region has: 00398, 00399. Such a row is kept"), "{page}");
    let page = maria.upload_list(PATH, b"zip,email,consent\n00101,a@example.org,form\n").await.body;
    assert!(page.contains("1 added") && !page.contains("no region has"), "{page}");
    // What staff of a region may not bring is refused, and so does not wait.
    let mut nora = staff(&desk, "nora").await;
    let page = nora.upload_list(PATH, list.as_bytes()).await.body;
    assert!(page.contains("3 rows refused") && !page.contains("no region has"), "{page}");
}

#[tokio::test]
async fn what_is_no_list_or_too_large_is_refused_with_the_mend() {
    let desk = DeskWorld::new().await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    maria.get(PATH).await;
    let before = rows(&desk).await;
    let mut long = "zip,email,consent\n".to_owned();
    for nth in 0..=5000 {
        writeln!(long, "00101,owner{nth}@example.org,form").unwrap();
    }
    let mut large = "zip,email,consent\n".to_owned();
    while large.len() <= 2 << 20 {
        writeln!(large, "00101,{}@example.org,form", "a".repeat(60)).unwrap();
    }
    for (list, said) in [
        (&b""[..], "The file is empty."),
        (&b"zip,e-mail,consent\n00101,a@example.org,form\n"[..], "did you mean `email`"),
        (&b"zip;email;consent\n"[..], "semicolons"),
        (&b"zip,email,consent\n"[..], "no row below it"),
        (&b"zip,email,consent\n\xff\xfe,b,c\n"[..], "UTF-8"),
        (long.as_bytes(), "more than 5000 rows"),
        (large.as_bytes(), "more than 2 MB"),
    ] {
        let answer = maria.upload_list(PATH, list).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{said}: {}", answer.body);
        assert!(answer.body.contains(said), "{said}: {}", answer.body);
        assert!(answer.body.contains("<li><a href=\"#list\">"), "at the top, too: {}", answer.body);
    }
    let unchosen = maria.upload(PATH, &[], None).await;
    assert!(unchosen.body.contains("<li><a href=\"#list\">Choose a file.</a>"), "{}", unchosen.body);
    // Without a page of ours open it is not read.
    maria.token = "none".into();
    assert_eq!(maria.upload_list(PATH, LIST.as_bytes()).await.status, StatusCode::BAD_REQUEST);
    assert_eq!(rows(&desk).await, before);
}

#[tokio::test]
async fn a_trial_ends_after_its_time() {
    let desk = DeskWorld::new().await;
    subscribe(desk.store(), &["00101"], &["one@example.org"]).await;
    let mut nora = staff(&desk, "nora").await;
    let tried = nora.upload_list(PATH, b"zip,email,consent\n00102,one@example.org,form\n").await;
    assert!(
        tried.body.contains("1 known and extended (line 2)") && tried.body.contains(">Extend 1</button>"),
        "{}",
        tried.body
    );
    let list = list_on(&tried.body);
    desk.pass(chrono::TimeDelta::minutes(20));
    nora.get(PATH).await;
    desk.pass(chrono::TimeDelta::minutes(11));
    nora.get(PATH).await;
    let late = nora.post("/desk/people-list/take", &[("list", &list)]).await;
    assert_eq!(late.status, StatusCode::UNPROCESSABLE_ENTITY, "{} {}", late.status, late.body);
    assert!(late.body.contains("is kept no longer"), "{}", late.body);
}

/// What the page shows before a file is chosen is a file that is taken.
#[tokio::test]
async fn which_file_is_wanted_is_said_before_it_is_chosen() {
    let desk = DeskWorld::new().await;
    let mut nora = staff(&desk, "nora").await;
    let page = nora.get(PATH).await.body;
    let (before, _) = page.split_once("type=\"file\"").expect("a file is asked for");
    for column in ["zip", "email, phone", "consent", "language, height_ft"] {
        assert!(before.contains(&format!("<dt>{column}</dt>")), "{column}: {before}");
    }
    let sample = before.split("<pre class=\"code\">").nth(1).unwrap().split("</pre>").next().unwrap();
    let checked = nora.upload_list(PATH, sample.replace("&quot;", "\"").as_bytes()).await;
    assert_eq!(checked.status, StatusCode::OK, "{}", checked.body);
    assert!(checked.body.contains("2 added") && checked.body.contains(">Add 2</button>"), "{}", checked.body);
}
