//! A season practised by HTTP, and the other commands on the store that keeps it.

use std::path::Path;

use super::client::{Answer, Browser, Program};
use super::{told, treebell};
use crate::support::open_store;

/// Paths of the notices that a page of practice lists under a heading.
fn listed(page: &Answer, heading: &str) -> Vec<String> {
    let Some((_, after)) = page.body.split_once(&format!("<h3>{heading}</h3>")) else { return Vec::new() };
    let list = after.split("</ul>").next().unwrap();
    let paths = list.split("href=\"").skip(1).map(|rest| rest.split('"').next().unwrap().to_owned());
    paths.collect()
}

/// `Saturday, March 1, 2025` of the page of practice.
fn day(page: &Answer) -> chrono::NaiveDate {
    let text = page.body.split("<p class=\"lead\">").nth(1).unwrap().split('<').next().unwrap();
    chrono::NaiveDate::parse_from_str(text, "%A, %B %d, %Y").unwrap_or_else(|why| panic!("{text}: {why}"))
}

fn stands(browser: &mut Browser, notice: &str) -> String {
    let page = browser.get(notice);
    assert_eq!(page.status, 200, "{notice}: {}", page.body);
    let box_of = page.body.split("<span class=\"tag\">").nth(1).unwrap();
    box_of.split('<').next().unwrap().to_owned()
}

/// A notice that waits for a word, found by moving on.
pub fn one_that_waits(browser: &mut Browser) -> String {
    for _ in 0..4 {
        let page = browser.step("next-notice");
        let decided = listed(&page, "Decided");
        assert!(!(decided.is_empty() && listed(&page, "Left by itself").is_empty()), "{}", page.body);
        if let Some(found) = decided.into_iter().find(|notice| stands(browser, notice) == "waiting") {
            let page = browser.get(&found);
            if page.body.contains("before staff have said yes") || page.body.contains("Send it now") {
                return found;
            }
        }
    }
    panic!("no notice waits for a word");
}

/// As it stands on its page.
pub fn send(browser: &mut Browser, notice: &str) {
    let page = browser.get(notice);
    let seen = page.body.split("name=\"seen\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let sent = browser.post(&format!("{notice}/send"), &[("seen", &seen), ("moved", "yes")]);
    assert_eq!(sent.status, 303, "{}", sent.body);
}

#[test]
fn who_practises_holds_sends_recalls_and_reads_what_went_and_commands_see_the_same_season() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path();
    let program = Program::start(folder);
    let mut browser = program.signed_in();
    let began = day(&browser.still());

    // Every page says it, those of the public too.
    for path in ["/desk/today", "/desk/account", "/desk/reports", "/desk/practice/messages", "/", "/guide"] {
        let page = browser.get(path);
        assert!(page.status == 200 && page.body.contains("Practice: nothing leaves"), "{path}: {}", page.body);
    }
    assert!(browser.get("/es/guide").body.contains("Práctica: nada sale de aquí"));

    let notice = one_that_waits(&mut browser);
    let region = notice.split('~').nth(1).unwrap().to_owned();
    let first = day(&browser.still());
    assert!(first > began);

    // The desk holds, a command sees it and takes it back.
    browser.get(&notice);
    let held = browser.post(&format!("{notice}/hold"), &[("why", "the crew looks first"), ("end", "open")]);
    assert_eq!(held.status, 303, "{}", held.body);
    assert_eq!(stands(&mut browser, &notice), "held");
    let settings = "--config practice/treebell.toml";
    let list = told(folder, &format!("{settings} notices"));
    let line = list.lines().find(|line| line.contains(&region)).unwrap_or_else(|| panic!("{list}"));
    assert!(line.contains("held"), "{line}");
    told(folder, &format!("{settings} notices undo {region} --by ada"));
    assert_eq!(stands(&mut browser, &notice), "waiting");
    told(folder, &format!("{settings} notices hold {region} --by ada --why looks"));
    assert_eq!(stands(&mut browser, &notice), "held");
    told(folder, &format!("{settings} notices undo {region} --by ada"));

    // Sent, and part of it has gone a quarter of an hour later; nothing before.
    assert!(!browser.get("/desk/practice/messages").body.contains(&notice_name(&region)));
    send(&mut browser, &notice);
    browser.step("quarter");
    let page = browser.get("/desk/practice/messages");
    let message = page.body.split("/desk/practice/message/").nth(1).expect("a message went").split('"').next().unwrap();
    let message = format!("/desk/practice/message/{message}");
    let read = browser.get(&message);
    assert!(read.status == 200 && read.body.contains("who does not exist"), "{}", read.body);
    assert!(read.body.contains("example.org") || read.body.contains("+1505555"), "{}", read.body);
    assert_eq!(browser.get("/desk/practice/message/index.csv").status, 404);
    assert_eq!(browser.get("/desk/practice/message/..%2Fdesk-key.txt").status, 404);
    let sent = told(folder, &format!("{settings} deliveries --state sent --notice {region} --json"));
    assert!(sent.contains("\"sent\""), "{sent}");

    // The next morning, and never back.
    let page = browser.step("day");
    assert_eq!(day(&page), first.succ_opt().unwrap());
    assert!(page.body.contains(", 9:0"), "{}", page.body);
    // An hour, to the minute.
    assert!(page.body.contains("name=\"step\" value=\"hour\">An hour</button>"), "{}", page.body);
    let page = browser.step("hour");
    assert_eq!(day(&page), first.succ_opt().unwrap());
    assert!(page.body.contains(", 10:0"), "{}", page.body);
    let nonsense = browser.post("/desk/practice/move", &[("step", "back")]);
    assert_eq!(nonsense.status, 400);
    assert_eq!(day(&browser.still()), first.succ_opt().unwrap());

    // A report that staff confirm by command acts at once, as one at the desk does.
    let notices = |folder: &Path| told(folder, &format!("{settings} notices")).matches(&format!("{region}/")).count();
    let before = notices(folder);
    let saw = format!("--region {region} --date {} --saw eggs --tree gate", day(&page));
    let report = told(folder, &format!("{settings} field-report add {saw}"));
    assert_eq!(notices(folder), before, "nobody stands behind it yet");
    let confirmed = treebell(folder, &format!("{settings} field-report confirm {} --by ada", report.trim()));
    let said = String::from_utf8_lossy(&confirmed.stderr).into_owned();
    assert!(confirmed.status.success() && said.contains("worked out anew"), "{said}");
    assert!(notices(folder) > before, "eggs that were seen are told of at once");

    // A form from elsewhere moves nothing, and who may only look moves nothing either.
    may_only_look(&program, folder);

    // The audit names the account; the outlook and the reports are those of the season.
    let audit = told(folder, &format!("{settings} audit list --json"));
    assert!(audit.contains("notice-held") && audit.contains("\"trainee\""), "{audit}");
    assert!(told(folder, &format!("{settings} outlook")).contains("Cobre"));
    // A service refuses it even while the desk is open.
    let refused = treebell(folder, &format!("{settings} run"));
    assert_eq!(refused.status.code(), Some(2), "{}", String::from_utf8_lossy(&refused.stderr));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("a practice store"));

    // Taken up again it stands where it was left, with another password.
    let password = program.password.clone();
    program.stop();
    let program = Program::start(folder);
    assert_ne!(program.password, password);
    let mut browser = program.signed_in();
    assert_eq!(day(&browser.still()), first.succ_opt().unwrap());
    assert_eq!(browser.get(&notice).status, 200, "the season is there still");

    // Another season: nothing of the first is there, and who is signed in stays so.
    browser.get("/desk/practice");
    let again = browser.post("/desk/practice/begin-again", &[]);
    assert_eq!(again.status, 303, "{}", again.body);
    let page = browser.still();
    assert_eq!(day(&page), began, "it begins where a season begins");
    let page = browser.get(&notice);
    assert!(page.status == 404 || page.body.contains("<span class=\"tag\">waiting</span>"), "{}", page.body);
    assert!(browser.get("/desk/practice/messages").body.contains("None so far"));
    assert_eq!(browser.step("day").status, 200);
    assert!(told(folder, &format!("{settings} outlook")).contains("Cobre"));
    program.stop();
}

#[test]
fn a_practice_knows_nothing_of_what_is_yet_to_come_and_ends_in_order_while_its_clock_moves() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path();
    let program = Program::start(folder);
    let mut browser = program.signed_in();
    let today = day(&browser.step("day"));
    let today_page = browser.get("/desk/today").body;
    let region = today_page.split("/desk/region/").nth(1).unwrap().split('"').next().unwrap();
    let page = browser.get(&format!("/desk/region/{region}")).body;
    let newest = page.split("Newest day: ").skip(1).map(|rest| rest.split(". ").next().unwrap().to_owned());
    let newest: Vec<String> = newest.collect();
    assert!(!newest.is_empty(), "{page}");
    for text in newest {
        let day = chrono::NaiveDate::parse_from_str(&text, "%B %d, %Y").unwrap_or_else(|why| panic!("{text}: {why}"));
        assert!(day < today && day > today - chrono::Days::new(8), "{text} on {today}");
    }
    let address = format!("sqlite:{}", folder.join("practice/treebell.sqlite").display());
    let last = tokio::runtime::Runtime::new().unwrap().block_on(async {
        let store = open_store(&address).await.unwrap();
        let mut last = Vec::new();
        for station in store.stations().await.unwrap() {
            last.extend(store.record_extents(&station.id).await.unwrap().into_iter().map(|of| of.last_day));
        }
        store.close().await;
        last.into_iter().max().unwrap()
    });
    assert!(last < today, "{last} lies in the store on {today}");
    browser.get("/desk/practice");
    assert_eq!(browser.post("/desk/practice/move", &[("step", "week")]).status, 303);
    program.stop();
}

fn notice_name(region: &str) -> String {
    region.split('-').map(|word| word[..1].to_uppercase() + &word[1..]).collect::<Vec<_>>().join(" ")
}

/// An observer, made by the command that makes real ones.
fn may_only_look(program: &Program, folder: &Path) {
    let settings = "--config practice/treebell.toml";
    let link = told(folder, &format!("{settings} account add olga --role observer"));
    let path = link.trim().split_once("/desk/").map(|(_, rest)| format!("/desk/{rest}")).unwrap();
    let mut observer = program.browser();
    observer.get(&path);
    let password = "tall grass by the old gate";
    assert_eq!(observer.post(&path, &[("password", password), ("again", password)]).status, 303);
    let page = observer.get("/desk/practice");
    assert_eq!(page.status, 200, "{}", page.body);
    for form in ["move", "begin-again"] {
        let sent = observer.post(&format!("/desk/practice/{form}"), &[("step", "day")]);
        assert_eq!(sent.status, 403, "{form}: {}", sent.body);
    }
    let mut nobody = program.browser();
    nobody.get("/desk/sign-in");
    let sent = nobody.post("/desk/practice/move", &[("step", "day")]);
    assert_eq!((sent.status, sent.location.as_str()), (303, "/desk/sign-in?ended=yes"));
}
