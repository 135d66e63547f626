//! Pages of notices as they are asked, without a browser.

use axum::http::StatusCode;
use chrono::TimeDelta;
use treebell::alarms::{Alarm, AlarmKind, Change, What};
use treebell::message::{EmailChart, Message};
use treebell::people::account::{RegionReach, Role};
use treebell::people::{Channel, Language};
use treebell::season::decide::ApprovalNeeded;
use treebell::season::{NoticeKind, Outlook, RecordTrust};
use treebell::store::alarms::keep;
use treebell::store::audit::AuditFilter;
use treebell::store::notices::{NewNotice, NoticeRelease};

use super::support::{DeskWorld, of_region};
use crate::desk::today::outlook;
use crate::desk::{facts, texts_of};
use crate::people::notices::notice;

use treebell::clock::Clock;

const ID: &str = "pinyon-needle-scale/north/2026/inspect-now";
const PAGE: &str = "/desk/notice/pinyon-needle-scale~north~2026~inspect-now";

/// A desk with a notice of north that waits for a word.
async fn world() -> DeskWorld {
    world_with(None).await
}

/// As [`world`]; its e-mails show a chart.
async fn world_with(chart: Option<&EmailChart>) -> DeskWorld {
    put_notice(DeskWorld::new().await, chart).await
}

async fn put_notice(desk: DeskWorld, chart: Option<&EmailChart>) -> DeskWorld {
    let facts = facts("north");
    let approval_needed = ApprovalNeeded::ByPolicy;
    let new = NewNotice {
        facts: serde_json::to_value(&facts).unwrap(),
        expires_at: desk.world.clock.now() + TimeDelta::days(30),
        ..notice(NoticeKind::InspectNow, NoticeRelease::WaitForApproval { approval_needed })
    };
    let templates = desk.world.app.templates.in_use();
    let mut texts = texts_of(&templates, NoticeKind::InspectNow, &facts);
    for text in texts.iter_mut().filter(|text| text.channel() == Channel::Email) {
        let (kind, language) = (NoticeKind::InspectNow, text.language);
        text.message = templates.render_with_chart(kind, language, Channel::Email, &facts, chart).unwrap();
    }
    desk.store().put_notice(&new, &texts).await.unwrap();
    desk
}

async fn word(desk: &DeskWorld) -> &'static str {
    desk.store().notice(&ID.into()).await.unwrap().standing_word()
}

/// The fingerprint in the form to send.
fn seen(page: &str) -> String {
    page.split("name=\"seen\" value=\"").nth(1).expect("a form to send").split('"').next().unwrap().to_owned()
}

#[tokio::test]
async fn what_has_changed_since_it_was_looked_at_is_not_sent() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = browser.get(PAGE).await;
    let looked_at = seen(&page.body);
    let words = browser.get(&format!("{PAGE}/words")).await.body;
    assert!(words.contains("{stop-link}"), "{words}");
    // Somebody else changes its words meanwhile.
    let app = &desk.world.app;
    let stored = desk.store().notice(&ID.into()).await.unwrap();
    let mut own = treebell::service::desk::wording::drafts(app, &stored).await.unwrap();
    own.iter_mut().filter(|draft| !draft.subject.is_empty()).for_each(|draft| draft.body += "\n\n505-555-0100\n");
    let everywhere = treebell::service::desk::Hand { by: "olga", reach: &|_| true };
    treebell::service::desk::wording::reword(app, everywhere, &ID.into(), &own).await.unwrap();

    browser.get(PAGE).await;
    let answer = browser.post(&format!("{PAGE}/send"), &[("seen", &looked_at)]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::UNPROCESSABLE_ENTITY, "waiting"));
    assert!(answer.body.contains("It has changed since you looked at it"), "{}", answer.body);
    let answer = browser.post(&format!("{PAGE}/send"), &[("seen", &seen(&answer.body))]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::SEE_OTHER, "leaving"));
    let page = browser.get(answer.header("location")).await.body;
    assert!(
        page.contains("It leaves on the word of maria")
            && page.contains("<span class=\"tag\">leaving</span>")
            && !page.contains("Sent.")
            && page.contains("Take the last word back"),
        "{page}"
    );
}

/// Before, it left with one press, and told people a day that the page of the region had given up.
#[tokio::test]
async fn a_notice_whose_days_moved_is_sent_when_somebody_says_so_twice() {
    let desk = world().await;
    let today = "2026-04-21".parse().unwrap();
    let moved = Outlook { today, ..outlook("north", "2026-03-24", 8, RecordTrust::Sound) };
    desk.store().put_outlook(&moved, desk.world.clock.now()).await.unwrap();
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let words = "Its words go by an earlier reckoning, in which egg laying most likely begins on March 22; by that of April 21, \
         that day is March 24.";
    let page = browser.get(PAGE).await.body;
    assert!(page.contains(words) && page.contains("name=\"moved\""), "{page}");
    let answer = browser.post(&format!("{PAGE}/send"), &[("seen", &seen(&page))]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::UNPROCESSABLE_ENTITY, "waiting"));
    let alert = format!("<a href=\"#moved\">{words} If you send it all the same, say so below.</a>");
    assert!(answer.body.contains(&alert) && answer.body.contains("id=\"moved\""), "{}", answer.body);
    let said = [("seen", seen(&answer.body)), ("moved", "yes".to_owned())];
    let said = said.each_ref().map(|(name, value)| (*name, value.as_str()));
    let answer = browser.post(&format!("{PAGE}/send"), &said).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::SEE_OTHER, "leaving"));
}

#[tokio::test]
async fn what_ends_a_notice_stands_on_its_page_and_on_its_line() {
    let desk = world().await;
    let approval_needed = ApprovalNeeded::ByPolicy;
    let last = NewNotice {
        expires_at: desk.world.clock.now() + TimeDelta::days(30),
        ..notice(NoticeKind::LastDaysToWash, NoticeRelease::WaitForApproval { approval_needed })
    };
    let texts = texts_of(&desk.world.app.templates.in_use(), NoticeKind::LastDaysToWash, &facts("north"));
    desk.store().put_notice(&last, &texts).await.unwrap();
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let said = "“Last days to wash” waits here as well: once it has left, this one is not told;";
    for page in [PAGE, "/desk/today"] {
        let page = browser.get(page).await.body;
        assert!(page.contains(said), "{page}");
    }
}

#[tokio::test]
async fn staff_of_another_region_read_and_cannot_act() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("vera", Role::Staff, of_region("south")).await;
    let page = browser.get(PAGE).await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(page.body.contains("If staff sent it now, the first would leave from "), "{}", page.body);
    assert!(page.body.contains("It is not yours to decide") && !page.body.contains("name=\"seen\""), "{}", page.body);
    for act in ["send", "hold", "call-off", "recall", "undo", "words", "restore-words"] {
        let answer = browser.post(&format!("{PAGE}/{act}"), &[("why", "because")]).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN, "{act}");
    }
    assert_eq!(word(&desk).await, "waiting");
    let today = browser.get("/desk/today").await.body;
    assert!(today.contains("Nothing waits for you.") && !today.contains("Region north"), "{today}");
    assert!(browser.get("/desk/today?all=yes").await.body.contains("Inspect now for Region north"));
}

#[tokio::test]
async fn an_act_is_one_row_of_the_audit_with_account_and_reason() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    browser.get(PAGE).await;
    for (form, wanted) in [
        (vec![("end", "open"), ("why", "")], "Say why"),
        (vec![("end", "open"), ("why", "call 505 555 0101")], "it holds a telephone number"),
        (vec![("end", "at"), ("why", "crew"), ("day", "3/14/2026"), ("time", "09:00")], "such as 2026-03-14"),
        (vec![("end", "at"), ("why", "crew"), ("day", "2099-03-14"), ("time", "09:00")], "it is of use until"),
        (vec![("end", "at"), ("why", "crew"), ("day", "2001-03-14"), ("time", "09:00")], "must end after now"),
        // The choice that stands there already, and a day that would be forgotten.
        (vec![("end", "open"), ("why", "crew"), ("day", "2099-03-14"), ("time", "10:00")], "A day is typed, but"),
    ] {
        let answer = browser.post(&format!("{PAGE}/hold"), &form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{form:?}");
        assert!(answer.body.contains(wanted), "{wanted}: {}", answer.body);
        // What is wrong leads to its field.
        let (_, alert) = answer.body.split_once("role=\"alert\"><p><a href=\"#").expect("a way to the field");
        let (field, _) = alert.split_once('"').unwrap();
        assert!(answer.body.contains(&format!("id=\"{field}\"")), "{field}: {}", answer.body);
        let of_day = ["it is of use until", "must end after now"].contains(&wanted);
        assert_eq!(field == "day", of_day, "{field}: {wanted}");
        // The form is as it was.
        for (_, value) in form.iter().filter(|(name, value)| *name != "end" && !value.contains('/')) {
            assert!(answer.body.contains(&format!("value=\"{value}\"")), "{value}: {}", answer.body);
        }
    }
    assert_eq!(word(&desk).await, "waiting");
    let answer = browser.post(&format!("{PAGE}/hold"), &[("end", "open"), ("why", "the crew looks first")]).await;
    assert_eq!((answer.status, word(&desk).await), (StatusCode::SEE_OTHER, "held"));
    let filter = AuditFilter { about: Some(format!("notice/{ID}")), ..Default::default() };
    let rows = desk.store().audit(&filter).await.unwrap();
    let [row] = rows.as_slice() else { panic!("{rows:?}") };
    assert_eq!((row.act.as_str(), row.account.as_deref()), ("notice-held", Some("maria")));
    assert_eq!(row.why.as_deref(), Some("the crew looks first"));
}

#[tokio::test]
async fn a_notice_that_was_called_off_is_not_said_to_have_nobody_signed_up() {
    let desk = world().await;
    for address in ["a@example.org", "b@example.org"] {
        crate::people::subscribe(desk.store(), &["00101"], &[address]).await;
    }
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    assert!(browser.get(PAGE).await.body.contains("<p>2 addresses:</p>"));
    let answer = browser.post(&format!("{PAGE}/call-off"), &[("why", "wrong station")]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let page = browser.get(PAGE).await.body;
    assert!(page.contains("Nobody: it was called off. It would have gone to 2 addresses, as they"), "{page}");
    assert!(page.contains("<li>2 by e-mail in English</li>") && !page.contains("no address is signed up"), "{page}");
}

/// Before, its page said that nobody is signed up, whoever had signed up since, and today only that it left by itself.
#[tokio::test]
async fn a_notice_that_left_to_nobody_says_so_in_the_past_wherever_it_stands() {
    let desk = DeskWorld::new().await;
    desk.world.clock.set("2026-03-16T19:00:00Z".parse().unwrap());
    let desk = put_notice(desk, None).await;
    let said = crate::desk::today::outlook("north", "2026-03-20", 5, treebell::season::RecordTrust::Sound);
    desk.store().put_outlook(&said, desk.world.clock.now() + TimeDelta::hours(1)).await.unwrap();
    let (mut browser, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let page = browser.get(PAGE).await.body;
    assert!(page.contains("<p>Nobody: no address is signed up here.</p>"), "{page}");
    desk.store().release_notice(&ID.into(), "policy", desk.world.clock.now()).await.unwrap();
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    // As if they had joined when it was in force no more.
    let mut tx = desk.store().begin().await.unwrap();
    sqlx::query("DELETE FROM deliveries WHERE notice_id IS NOT NULL").execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    for (path, told) in [
        (PAGE, "<p>It went to nobody: no address was signed up here when it left; 1 address is signed up now.</p>"),
        (
            PAGE,
            "<span class=\"tag\">left</span> It left on Mon, Mar 16, 1:01 PM MDT, by itself, and had nobody to go to.",
        ),
        ("/desk/today", ", as the region has it; it had nobody to go to.</p>"),
        ("/desk/region/north", "; left on Mon, Mar 16, 1:01 PM MDT; it had nobody to go to"),
    ] {
        let page = browser.get(path).await.body;
        assert!(page.contains(told) && !page.contains("no address is signed up"), "{told}: {page}");
    }
}

#[tokio::test]
async fn a_recall_is_told_with_its_reason_on_its_page_and_as_a_recall_on_today() {
    // On a day of the season that the ribbon shows.
    let desk = DeskWorld::new().await;
    desk.world.clock.set("2026-03-16T19:00:00Z".parse().unwrap());
    let desk = put_notice(desk, None).await;
    let said = crate::desk::today::outlook("north", "2026-03-20", 5, treebell::season::RecordTrust::Sound);
    desk.store().put_outlook(&said, desk.world.clock.now() + TimeDelta::hours(1)).await.unwrap();
    desk.store().release_notice(&ID.into(), "maria", desk.world.clock.now()).await.unwrap();
    let (mut browser, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let today = browser.get("/desk/today").await.body;
    assert!(today.contains(" Sent: Inspect now Mar 16.") && today.contains("class=\"rb-sent\""), "{today}");
    let answer = browser.post(&format!("{PAGE}/recall"), &[("why", "wrong region")]).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let page = browser.get(PAGE).await.body;
    assert!(page.contains("Staff recalled it: wrong region."), "{page}");
    let today = browser.get("/desk/today").await.body;
    assert!(today.contains(" Recalled: Inspect now Mar 16.") && today.contains("class=\"rb-recalled\""), "{today}");
    assert!(!today.contains(" Sent: ") && !today.contains("class=\"rb-sent\""), "{today}");
}

/// An estimate of an empty queue has no end: of a notice that is out that read as if none could be sent.
#[tokio::test]
async fn a_notice_that_is_out_does_not_say_that_none_can_be_sent() {
    let desk = world().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    desk.store().release_notice(&ID.into(), "maria", desk.world.clock.now()).await.unwrap();
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = browser.get(PAGE).await.body;
    assert!(page.contains("<li>1 queued.</li>") && page.contains("<li>E-mails: all sent by "), "{page}");
    let mut tx = desk.store().begin().await.unwrap();
    sqlx::query("UPDATE deliveries SET state = 'delivered'").execute(tx.conn()).await.unwrap();
    tx.commit().await.unwrap();
    let page = browser.get(PAGE).await.body;
    assert!(page.contains("<li>1 delivered.</li>"), "{page}");
    assert!(!page.contains("E-mails: ") && !page.contains("can be sent"), "{page}");
    // While others wait on the channel there is an estimate, and it is not this one's.
    let seen = treebell::service::desk::notice::notice_in_depth(&desk.world.app, &ID.into(), TimeDelta::zero()).await;
    assert_eq!(seen.unwrap().all_sent_by().count(), 0);
}

/// The fields of the form for its words, as they begin.
async fn words_of(desk: &DeskWorld) -> Vec<(String, String)> {
    let notice = desk.store().notice(&ID.into()).await.unwrap();
    let drafts = treebell::service::desk::wording::drafts(&desk.world.app, &notice).await.unwrap();
    let fields = drafts.into_iter().flat_map(|draft| {
        let code = draft.language.code();
        match draft.channel {
            Channel::Sms => vec![(format!("sms_{code}"), draft.body)],
            Channel::Email => {
                vec![(format!("subject_{code}"), draft.subject), (format!("email_{code}"), draft.body)]
            }
        }
    });
    fields.chain([("do".to_owned(), "keep".to_owned())]).collect()
}

fn pairs(fields: &[(String, String)]) -> Vec<(&str, &str)> {
    fields.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect()
}

/// Staff change the words of a notice in a hurry: what keeps people from harm stays in them.
#[tokio::test]
async fn words_of_one_notice_without_their_caution_are_not_kept() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = format!("{PAGE}/words");
    browser.get(&page).await;
    let before = desk.store().notice_words(&ID.into()).await.unwrap();
    for (field, what, with, lacks) in [
        ("email_en", "ladder", "chair", "without the caution: ladders"),
        ("email_en", "power lines", "cars", "without the caution: power lines"),
        ("email_es", "lentes de protección", "sombrero", "without the caution: eye protection"),
        ("sms_en", "Look twice", "Spray it. Look twice", "The word “spray” says so: where no insecticide is meant"),
    ] {
        let mut fields = words_of(&desk).await;
        let (_, words) = fields.iter_mut().find(|(name, _)| name == field).unwrap();
        assert!(words.contains(what), "{what} is not in {words}");
        *words = words.replace(what, with);
        let answer = browser.post(&page, &pairs(&fields)).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{field} {with}");
        let told = answer.body.split(&format!("id=\"{field}-error\"")).nth(1).expect("a fault at these words");
        assert!(told.split("</ul>").next().unwrap().contains(lacks), "{lacks}: {told}");
        // Above the form too, with the way to its field.
        let summary = answer.body.split("Please check:</p>").nth(1).expect("what is wrong, above the form");
        let (summary, link) = (summary.split("</ul>").next().unwrap(), format!("<li><a href=\"#in-{field}\">"));
        assert!(summary.contains(&link) && summary.contains(lacks), "{lacks}: {summary}");
        let subject = "<div class=\"field wrong\" id=\"in-subject_";
        assert!(!answer.body.contains(subject), "nothing is wrong with the subject: {}", answer.body);
    }
    // Before, the e-mails went out with none.
    let mut fields = words_of(&desk).await;
    let (_, subject) = fields.iter_mut().find(|(name, _)| name == "subject_es").unwrap();
    *subject = " ".to_owned();
    let answer = browser.post(&page, &pairs(&fields)).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", answer.body);
    let wrong = "<div class=\"field wrong\" id=\"in-subject_es\">";
    assert!(answer.body.contains(wrong) && answer.body.contains("a subject without a word"), "{}", answer.body);
    assert_eq!(desk.store().notice_words(&ID.into()).await.unwrap(), before);
    // With them they are.
    let mut fields = words_of(&desk).await;
    for (_, words) in fields.iter_mut().filter(|(name, _)| name.starts_with("email_")) {
        *words += "\n\n505-555-0100\n";
    }
    let answer = browser.post(&page, &pairs(&fields)).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    assert_ne!(desk.store().notice_words(&ID.into()).await.unwrap(), before);
    let page_of_notice = browser.get(answer.header("location")).await.body;
    assert!(page_of_notice.contains("It has your words now.</p>"), "{page_of_notice}");
    // Of one language alone.
    let mut fields = words_of(&desk).await;
    // A browser sends its own line ends.
    fields.iter_mut().for_each(|(_, words)| *words = words.replace('\n', "\r\n"));
    let (_, words) = fields.iter_mut().find(|(name, _)| name == "email_es").unwrap();
    *words += "\r\n\r\nGracias.\r\n";
    let answer = browser.post(&page, &pairs(&fields)).await;
    let page_of_notice = browser.get(answer.header("location")).await.body;
    let alone = "Only the Spanish words were changed; the English ones stand as they were. Both should say the same.";
    assert!(page_of_notice.contains(alone), "{page_of_notice}");
}

#[tokio::test]
async fn what_a_notice_of_ones_own_words_lacks_is_told_with_what_it_should_say() {
    let desk = world().await;
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = format!("{PAGE}/words");
    let shown = browser.get(&page).await.body;
    // A whole subject is seen on a phone, too.
    assert!(shown.contains("<textarea class=\"subject\" id=\"subject_en\" name=\"subject_en\""), "{shown}");
    let mut fields = words_of(&desk).await;
    let (_, words) = fields.iter_mut().find(|(name, _)| name == "sms_en").unwrap();
    *words = words.replace("Region north", "here");
    let answer = browser.post(&page, &pairs(&fields)).await;
    let told = "The text does not say where the trees are: Region north.";
    assert!(answer.body.contains(told) && !answer.body.contains("{{"), "{}", answer.body);
    // In both languages it is one line, with the way to both fields.
    let (_, words) = fields.iter_mut().find(|(name, _)| name == "sms_es").unwrap();
    *words = words.replace("Region north", "su zona");
    let answer = browser.post(&page, &pairs(&fields)).await;
    let both = format!(
        "<li><a href=\"#in-sms_en\">Text message in English</a> and <a href=\"#in-sms_es\">Text message in Spanish</a>: {told}"
    );
    assert!(answer.body.contains(&both), "{}", answer.body);
}

#[tokio::test]
async fn an_observer_reads_a_notice_and_cannot_act_on_it() {
    let desk = world().await;
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, of_region("north")).await;
    let (mut staff, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let words = desk.store().notice_words(&ID.into()).await.unwrap();
    for stands in ["waiting", "leaving"] {
        assert_eq!(word(&desk).await, stands);
        let page = observer.get(PAGE).await;
        assert_eq!(page.status, StatusCode::OK);
        assert!(page.body.contains("You see it as an observer") && page.body.contains("How it reads"), "{}", page.body);
        let ways = ["send", "hold", "call-off", "recall", "undo", "words", "restore-words"];
        for way in ways {
            assert!(!page.body.contains(&format!("{PAGE}/{way}")), "{stands}: the page leads to {way}");
            let form = [("why", "because"), ("seen", "x"), ("end", "open"), ("do", "keep")];
            let answer = observer.post(&format!("{PAGE}/{way}"), &form).await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{stands}: {way}");
        }
        assert_eq!(observer.get(&format!("{PAGE}/words")).await.status, StatusCode::FORBIDDEN);
        assert_eq!(word(&desk).await, stands);
        let page = staff.get(PAGE).await;
        if stands == "waiting" {
            let sent = staff.post(&format!("{PAGE}/send"), &[("seen", &seen(&page.body))]).await;
            assert_eq!(sent.status, StatusCode::SEE_OTHER, "{}", sent.body);
        }
    }
    assert_eq!(desk.store().notice_words(&ID.into()).await.unwrap(), words);
    let filter = AuditFilter { about: Some(format!("notice/{ID}")), ..Default::default() };
    let rows = desk.store().audit(&filter).await.unwrap();
    assert!(rows.iter().all(|row| row.account.as_deref() == Some("maria")), "{rows:?}");
}

/// As in a mailbox, and yet nothing of its own markup is in the page.
#[tokio::test]
async fn an_e_mail_is_shown_as_it_reads_with_its_chart() {
    let chart = EmailChart { png: b"a picture".to_vec().into(), alt: "Heat & dates".into(), width: 560 };
    let desk = world_with(Some(&chart)).await;
    let (mut browser, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = browser.get(PAGE).await.body;
    for wanted in [
        format!("src=\"{PAGE}/chart.png?language=en\" alt=\"Heat &amp; dates\" width=\"560\""),
        "<h3>What to look for</h3>".to_owned(),
        "<dt>Where</dt><dd>Region north</dd>".to_owned(),
        "<li>where branches join the trunk</li>".to_owned(),
    ] {
        assert!(page.contains(&wanted), "{wanted}: {page}");
    }
    assert!(!page.contains("<pre"), "{page}");
    let (decide, reads) = (page.find("id=\"decide\"").unwrap(), page.find("id=\"reads\"").unwrap());
    assert!(reads < decide, "the decision stands above the words that it is about");
    let (way, button) = (page.find("<a class=\"go\" href=\"#decide\">What you can do</a>"), page.find(">Send it now<"));
    assert!(way.unwrap() < reads && decide < button.unwrap(), "{page}");
    let picture = browser.get(&format!("{PAGE}/chart.png?language=es")).await;
    assert_eq!((picture.status, picture.header("content-type")), (StatusCode::OK, "image/png"));
    assert_eq!(picture.body, "a picture");
    for query in ["", "?language=fr"] {
        assert_eq!(browser.get(&format!("{PAGE}/chart.png{query}")).await.status, StatusCode::NOT_FOUND, "{query}");
    }

    let with = async |added: &str| {
        let mut fields = words_of(&desk).await;
        for (_, words) in fields.iter_mut().filter(|(name, _)| name.starts_with("email_")) {
            *words += added;
        }
        fields
    };
    let tags = with("\n\n<script>alert(1)</script> <img src=x>\n").await;
    let answer = browser.post(&format!("{PAGE}/words"), &pairs(&tags)).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{}", answer.body);
    assert!(answer.body.contains("&lt;img src=x&gt;") && !answer.body.contains("<img src=x>"), "{}", answer.body);
    let signs = with("\n\n1 < 2 & 3 > 2\n").await;
    let answer = browser.post(&format!("{PAGE}/words"), &pairs(&signs)).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.body);
    let page = browser.get(PAGE).await.body;
    assert!(page.contains("1 &lt; 2 &amp; 3 &gt; 2"), "{page}");
    assert!(!page.contains("<script") && !page.contains("<img src=x"), "{page}");
    // The chart goes with the words of staff too.
    assert!(page.contains("chart.png?language=en"), "{page}");
    let sent = desk.store().notice_text(&ID.into(), Channel::Email, Language::En).await.unwrap();
    assert!(matches!(sent, Some(Message::Email { chart_png: Some(_), .. })), "{sent:?}");
}

/// Before, today told of a silent station with a command alone, though its regions can be given another one at the desk.
#[tokio::test]
async fn what_the_desk_mends_has_its_page_on_today_beside_the_command() {
    let desk = world().await;
    let station = desk.store().region(&"north".into()).await.unwrap().stations[0].to_string();
    let now = desk.world.clock.now();
    let alarm = |kind: AlarmKind, subject: &str, mend: &str| Alarm {
        id: kind.name().to_owned(),
        kind,
        subject: subject.to_owned(),
        machine: String::new(),
        region: None,
        urgent: false,
        what: "It is wrong.".to_owned(),
        mend: mend.to_owned(),
        raised_at: now,
        told_at: None,
        times_told: 0,
        believed: false,
        seen_at: now,
        ended_at: None,
    };
    for alarm in [
        alarm(AlarmKind::Station, &station, "`treebell weather status` shows its sources."),
        alarm(AlarmKind::Wording, "wash-now.sms", "mend them, or `treebell message restore`."),
    ] {
        let mut tx = desk.store().begin().await.unwrap();
        keep(&mut tx, &Change { what: What::Raised, alarm, tell: false }).await.unwrap();
        tx.commit().await.unwrap();
    }
    let (north, words) = ("href=\"/desk/region/north/change#stations\"", "href=\"/desk/wording/wash-now.sms\"");
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = maria.get("/desk/today").await.body;
    assert!(page.contains(north) && page.contains(words), "{page}");
    assert!(page.contains("treebell weather status shows its sources."), "{page}");
    // Who may not change the region is led to no form of it.
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let page = olga.get("/desk/today").await.body;
    assert!(!page.contains(north) && page.contains(words), "{page}");
}

#[tokio::test]
async fn the_desk_has_the_word_of_the_public_page_for_a_last_day_that_has_passed() {
    let desk = world().await;
    let late = outlook("north", "2026-02-17", 8, RecordTrust::Sound);
    desk.store().put_outlook(&late, desk.world.clock.now()).await.unwrap();
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    for path in ["/desk/today?state=over", "/desk/region/north"] {
        let page = maria.get(path).await.body;
        assert!(page.contains("<span class=\"stage over\">Late</span>"), "{path}: {page}");
    }
    assert!(maria.get("/desk/today").await.body.contains(">Late or over</option>"));
}

/// Whoever sits at the desk has no command line; what is folded away for whoever runs the service may name one.
#[tokio::test]
async fn pages_of_the_desk_lead_to_no_command() {
    let desk = world().await;
    let (mut maria, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    for path in [PAGE, "/desk/today", "/desk/region/north", "/desk/people-list"] {
        let page = maria.get(path).await;
        assert_eq!(page.status, StatusCode::OK, "{path}");
        let (main, _) = page.body.split_once("</main>").unwrap();
        let mut parts = main.split("<summary>For whoever runs the service</summary>");
        let first = parts.next().unwrap().to_owned();
        let main = parts.fold(first, |main, part| main + part.split_once("</details>").unwrap().1);
        assert!(!main.contains("treebell ") && !main.contains('`'), "{path}: {main}");
    }
}

#[tokio::test]
async fn today_leads_to_the_recall_of_what_is_being_sent() {
    let desk = DeskWorld::new().await;
    crate::people::subscribe(desk.store(), &["00101"], &["a@example.org"]).await;
    let now = desk.world.clock.now();
    super::reports::put_notice(&desk, NoticeKind::InspectNow, now).await;
    let id = "pinyon-needle-scale/north/2025/inspect-now".into();
    desk.store().release_notice(&id, "maria", now).await.unwrap();
    let (mut maria, _) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let page = maria.get("/desk/today").await.body;
    let recall = "<a href=\"/desk/notice/pinyon-needle-scale~north~2025~inspect-now#decide\">Recall it<";
    assert!(
        page.contains("<h2 id=\"sending\">Being sent: 1</h2>") && page.contains("<p>maria sent it, and "),
        "{page}"
    );
    assert!(page.contains(recall), "{page}");
    let (mut sam, _) = desk.signed_in("sam", Role::Staff, of_region("south")).await;
    let page = sam.get("/desk/today?all=yes").await.body;
    assert!(page.contains("Being sent: 1") && !page.contains(recall), "{page}");
}
