//! Words of staff for all messages: which are kept, what is written with them, and what becomes of those that break a rule.

use treebell::message::Message;
use treebell::message::templates::{Origin, TextName};
use treebell::people::{Channel, Language};
use treebell::season::{NoticeId, NoticeKind};
use treebell::service::desk::messages::{Draft, Tried, restore_words, set_words, text, tried, usual_sample};
use treebell::service::desk::wording::{drafts, words_of_templates};
use treebell::service::desk::{DeskError, Word};
use treebell::store::Store;
use treebell::store::audit::AuditFilter;
use treebell::store::wordings::WordingVersion;

use super::{House, asks, everywhere, put};
use crate::engines::on_each_engine;
use crate::learning::World;

const MARIA: Word<'static> = Word { by: "maria", why: Some("shorter is better") };

fn named(name: &str) -> TextName {
    TextName::parse(name).unwrap()
}

async fn now(app: &treebell::service::app::App, name: &str) -> Draft {
    text(app, &named(name)).await.unwrap().words
}

/// The words of a text with something else in the place of some, in English.
async fn changed(app: &treebell::service::app::App, name: &str, what: &str, with: &str) -> Draft {
    let draft = now(app, name).await;
    assert!(draft.en.contains(what), "{what} is not in {}", draft.en);
    Draft { en: draft.en.replace(what, with), ..draft }
}

async fn sms_of(store: &Store, id: &NoticeId) -> String {
    let words = store.notice_words(id).await.unwrap();
    let english = words.into_iter().find(|one| one.text.language == Language::En && one.text.channel() == Channel::Sms);
    match english.unwrap().text.message {
        Message::Sms { text } => text,
        Message::Email { .. } => panic!("a text message"),
    }
}

#[tokio::test]
async fn words_are_kept_with_who_when_and_what_and_go_back() {
    on_each_engine("words of messages", |store| async move {
        let house = House::new(store, asks()).await;
        let (app, wash) = (&house.app, named("wash-now.sms"));
        let (shipped, old) = (now(app, "wash-now.sms").await, put(app, "north", NoticeKind::WashNow, asks()).await);
        let first = changed(app, "wash-now.sms", "Scale in", "Eggs in").await;
        assert_eq!(set_words(app, &wash, &first, Some(0), MARIA).await.unwrap(), 1);
        // What is written from now on has them; what was written keeps its own.
        let new = put(app, "south", NoticeKind::WashNow, asks()).await;
        assert!(sms_of(&app.store, &new).await.contains("Eggs in"));
        assert!(!sms_of(&app.store, &old).await.contains("Eggs in"));

        let seen = text(app, &wash).await.unwrap();
        assert_eq!(seen.row.origins, [(Language::En, Origin::Staff), (Language::Es, Origin::Shipped)]);
        let kept = &seen.history[0];
        assert_eq!(
            (kept.changed_by.as_str(), kept.why.as_str(), kept.es.as_deref()),
            ("maria", "shorter is better", None)
        );
        assert_eq!(kept.en.as_deref(), Some(first.en.as_str()));

        // Whoever looked before that is not heard, and the same words are no change.
        let late = set_words(app, &wash, &shipped, Some(0), MARIA).await.unwrap_err();
        assert!(matches!(late, DeskError::ChangedMeanwhile { .. }), "{late}");
        let same = set_words(app, &wash, &first, Some(1), MARIA).await.unwrap_err();
        assert!(matches!(same, DeskError::SameWords { .. }), "{same}");

        let second = changed(app, "wash-now.sms", "Eggs in", "Egg in").await;
        assert_eq!(set_words(app, &wash, &second, Some(1), MARIA).await.unwrap(), 2);
        assert_eq!(restore_words(app, &wash, 1, Some(2), MARIA).await.unwrap(), 3);
        assert_eq!(now(app, "wash-now.sms").await, first);
        assert_eq!(restore_words(app, &wash, 0, Some(3), MARIA).await.unwrap(), 4);
        assert_eq!(now(app, "wash-now.sms").await, shipped);
        assert_eq!(text(app, &wash).await.unwrap().row.origins[0].1, Origin::Shipped);
        let versions: Vec<u32> = text(app, &wash).await.unwrap().history.iter().map(|kept| kept.version).collect();
        assert_eq!(versions, [4, 3, 2, 1], "none is taken away");
        let none = restore_words(app, &wash, 9, None, MARIA).await.unwrap_err();
        assert!(matches!(none, DeskError::NoSuchVersion { .. }), "{none}");

        let about = AuditFilter { about: Some("wording/wash-now.sms".into()), ..AuditFilter::default() };
        let mut rows = app.store.audit(&about).await.unwrap();
        rows.reverse();
        let told: Vec<(&str, &str)> = rows.iter().map(|row| (row.act.as_str(), row.detail.as_str())).collect();
        assert_eq!(told.len(), 4, "what was refused is not told: {told:?}");
        assert_eq!(told[0], ("wording-changed", "version 1, words of its own, said by maria: shorter is better"));
        assert!(told[2].1.contains("the words of version 1 again") && told[3].1.contains("without ours"), "{told:?}");
    })
    .await;
}

#[tokio::test]
async fn words_that_break_a_rule_are_refused_with_what_is_missing() {
    let house = House::new(Store::in_memory().await.unwrap(), asks()).await;
    let app = &house.app;
    for (name, what, with, says) in [
        ("wash-now.sms", "{{ wash_by }}", "soon", "the last day to wash: put {{ wash_by }} where it belongs"),
        (
            "wash-now.sms",
            "{{ sender_short }}: ",
            "",
            "who speaks: put {{ sender_short }} or {{ sender_name }} where it belongs",
        ),
        ("wash-now.sms", "STOP to end", "", "does not say how to stop"),
        (
            "wash-now.sms",
            "STOP to end",
            "Please do not wait any longer than you must, and tell all of your neighbors. STOP to end",
            "takes 2 parts",
        ),
        ("wash-now.sms", "{{ region_name }}", "{{ region }}", "unknown name `region`"),
        ("wash-now.sms", "{% endif %}", "", "syntax error"),
        ("wash-now.email", "Subject: ", "", "the first line is to be `Subject: `"),
        ("wash-now.email", "{% include \"care.part.txt\" %}", "", "without the caution: ladders"),
        (
            "care.part",
            "ladder",
            "stool",
            "texts that it is part of: speaks of washing with a strong jet without the caution: ladders",
        ),
        ("footer.part", "{{ postal_address }}", "", "does not say your postal address: put {{ postal_address }}"),
        ("confirm.email", "{{ code }}", "", "what confirms it: put {{ code }} or {{ confirm_url }}"),
    ] {
        let draft = changed(app, name, what, with).await;
        let fault = set_words(app, &named(name), &draft, None, MARIA).await.unwrap_err();
        let DeskError::Texts { faults, .. } = &fault else { panic!("{name}: {fault}") };
        let found = faults
            .iter()
            .find(|fault| fault.words().contains(says))
            .unwrap_or_else(|| panic!("{name} {says}: {fault}"));
        assert_eq!(found.language, Some(Language::En), "{found:?}");
        // One complaint, however many texts a part stands in, and none of a word that is not in it.
        if name == "care.part" {
            assert!(faults.len() == 1 && !fault.to_string().contains("nozzle"), "{fault}");
        }
    }
    // A wash is asked for in whatever words, without a word on safety.
    let bare = now(app, "last-days-to-wash.email").await;
    let without = |text: &str| -> String {
        let is_how = |line: &&str| !line.contains("wash.part") && !line.contains("care.part");
        text.lines().filter(is_how).map(|line| format!("{line}\n")).collect()
    };
    let bare = Draft { en: without(&bare.en), es: without(&bare.es) };
    let fault = set_words(app, &named("last-days-to-wash.email"), &bare, None, MARIA).await.unwrap_err().to_string();
    assert!(fault.contains("in English: ") && fault.contains("in Spanish: ") && fault.contains("ladders"), "{fault}");
    assert!(app.store.wordings().await.unwrap().is_empty());
    let word = Word { why: Some("ask 505 555 0100"), ..MARIA };
    let fine = changed(app, "wash-now.sms", "Scale in", "Eggs in").await;
    assert!(matches!(set_words(app, &named("wash-now.sms"), &fine, None, word).await, Err(DeskError::Reason(_))));
}

/// What is measured is what the house would send, as its preview shows it: not the text of an invented house with longer names.
#[tokio::test]
async fn a_text_is_measured_with_the_sender_of_the_house() {
    let house = House::new(Store::in_memory().await.unwrap(), asks()).await;
    let app = &house.app;
    let name = named("help.sms");
    let english = |tried: &Tried| {
        tried.reads.iter().find(|read| read.language == Language::En).and_then(|read| read.segments.clone()).unwrap()
    };
    // With the name and the address of the invented house it would take two.
    let longer =
        changed(app, "help.sms", "a few texts a year", "a few texts in spring. No more. You asked for news").await;
    let found = tried(app, &name, &longer, usual_sample(&name)).await.unwrap();
    assert!(found.faults.is_empty(), "{:?}", found.faults);
    assert_eq!(english(&found).parts, 1);
    let too_long = changed(app, "help.sms", "a few texts a year", &"a few texts a year ".repeat(5)).await;
    let found = tried(app, &name, &too_long, usual_sample(&name)).await.unwrap();
    let told = found.faults.iter().find(|fault| fault.what.starts_with("takes 2 parts")).unwrap();
    assert!(told.what.contains(&english(&found).words()) && told.what.contains(": Treebell: a few"), "{}", told.what);
}

/// The names of these rules come after that of the rule for both languages.
#[tokio::test]
async fn what_a_text_must_say_itself_is_told_before_what_the_other_language_says() {
    let house = House::new(Store::in_memory().await.unwrap(), asks()).await;
    let app = &house.app;
    for (what, with, says) in [
        ("{{ sender_short }}: ", "", "does not say who speaks"),
        ("{{ region_name }}", "here", "does not say where the trees are"),
    ] {
        let draft = changed(app, "wash-now.sms", what, with).await;
        let fault = set_words(app, &named("wash-now.sms"), &draft, None, MARIA).await.unwrap_err();
        let DeskError::Texts { faults, .. } = &fault else { panic!("{fault}") };
        let said: Vec<String> = faults.iter().map(|fault| fault.words()).collect();
        assert!(said.iter().any(|said| said.starts_with(says)), "{said:?}");
        assert!(!said.iter().any(|said| said.contains("leaves out what the Spanish words tell")), "{said:?}");
    }
}

#[tokio::test]
async fn stored_words_that_break_a_rule_by_now_are_set_aside_and_the_others_are_used() {
    on_each_engine("words set aside", |store| async move {
        let house = House::new(store, asks()).await;
        let app = &house.app;
        let good = changed(app, "wash-now.sms", "Scale in", "Eggs in").await;
        set_words(app, &named("wash-now.sms"), &good, None, MARIA).await.unwrap();
        // As another version of the program may have taken them.
        let care = changed(app, "care.part", "ladder", "stool").await.en;
        for (name, en) in [("care.part", care.as_str()), ("gone.sms", "Hello"), ("welcome.sms", "{{ nothing }}")] {
            let old = WordingVersion {
                text: name.into(),
                version: 1,
                en: Some(en.into()),
                es: None,
                changed_at: app.clock.now(),
                changed_by: "maria".into(),
                why: String::new(),
            };
            app.store.put_wording(&old, "words of its own").await.unwrap();
        }
        app.renew_words().await.unwrap();
        let mut aside: Vec<(String, String)> =
            app.templates.set_aside().into_iter().map(|aside| (aside.text, aside.faults.join("; "))).collect();
        aside.sort();
        let names: Vec<&str> = aside.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names, ["care.part", "gone.sms", "welcome.sms"]);
        assert!(aside[0].1.contains("ladders") && aside[2].1.contains("unknown name `nothing`"), "{aside:?}");
        let notice = put(app, "north", NoticeKind::WashNow, asks()).await;
        assert!(sms_of(&app.store, &notice).await.contains("Eggs in"));
        let words = format!("{:?}", app.store.notice_words(&notice).await.unwrap());
        assert!(words.contains("ladder") && !words.contains("stool"));

        // Mended, they are used.
        let mended =
            Draft { en: now(app, "care.part").await.en.replace("stool", "tall ladder"), ..now(app, "care.part").await };
        set_words(app, &named("care.part"), &mended, Some(1), MARIA).await.unwrap();
        assert_eq!(app.templates.set_aside().len(), 2);
        assert!(app.templates.in_use().source("en/care.part.txt").contains("tall ladder"));
    })
    .await;
}

#[tokio::test]
async fn a_notice_is_reworded_from_the_words_it_was_made_with() {
    let house = House::new(Store::in_memory().await.unwrap(), asks()).await;
    let app = &house.app;
    let before = drafts(app, &app.store.notice(&house.id).await.unwrap()).await.unwrap();
    let told = app.store.notice_words(&house.id).await.unwrap();
    let draft =
        changed(app, "inspect-now.email", "It takes five minutes a tree.", "Five minutes a tree will do.").await;
    set_words(app, &named("inspect-now.email"), &draft, None, MARIA).await.unwrap();
    assert_eq!(app.store.notice_words(&house.id).await.unwrap(), told);
    let now = drafts(app, &app.store.notice(&house.id).await.unwrap()).await.unwrap();
    let email = |drafts: &[treebell::service::desk::wording::Draft]| {
        let of = |draft: &&treebell::service::desk::wording::Draft| {
            (draft.language, draft.channel) == (Language::En, Channel::Email)
        };
        drafts.iter().find(of).unwrap().body.clone()
    };
    assert!(email(&before).contains("It takes five minutes") && email(&now).contains("It takes five minutes"));
    assert!(!email(&now).contains("will do"), "{}", email(&now));
    // Asked for the words of the templates, it gets those of now.
    words_of_templates(app, everywhere(), &house.id).await.unwrap();
    let now = drafts(app, &app.store.notice(&house.id).await.unwrap()).await.unwrap();
    assert!(email(&now).contains("Five minutes a tree will do."));
}

#[tokio::test]
async fn a_cycle_writes_with_the_words_of_staff_and_what_it_wrote_before_stays() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (app, low) = (&world.app, world.regions[0].clone());
    world.set(world.day_of(&low, 150.0).await);
    world.cycle().await;
    let told = || async {
        let notices = app.store.notices_of_season("pinyon-needle-scale", 2025).await.unwrap();
        let mut all = Vec::new();
        for notice in notices {
            all.push((notice.id.clone(), format!("{:?}", app.store.notice_words(&notice.id).await.unwrap())));
        }
        all
    };
    let first = told().await;
    assert!(!first.is_empty());
    // Another process keeps the words: this one has them from the store.
    let other = treebell::service::app::App {
        templates: treebell::service::wording_shelf::WordingShelf::new(
            treebell::message::Templates::load(None).unwrap(),
        ),
        ..app.clone()
    };
    for kind in NoticeKind::ALL {
        let name = format!("{}.email", kind.name());
        let draft = now(&other, &name).await;
        let draft = Draft {
            en: draft.en.replace(
                "{% include \"call.part.txt\" %}",
                "Come and see us on Fridays.\n\n{% include \"call.part.txt\" %}",
            ),
            es: draft
                .es
                .replace("{% include \"call.part.txt\" %}", "Venga los viernes.\n\n{% include \"call.part.txt\" %}"),
        };
        set_words(&other, &named(&name), &draft, None, MARIA).await.unwrap();
    }
    world.set(world.day_of(&low, 320.0).await);
    world.cycle().await;
    let after = told().await;
    let news: Vec<_> = after.iter().filter(|(id, _)| first.iter().all(|(known, _)| known != id)).collect();
    assert!(!news.is_empty(), "{after:?}");
    for (id, words) in news.iter().filter(|(_, words)| words.contains("Subject") || words.contains("subject")) {
        assert!(words.contains("on Fridays") && words.contains("los viernes"), "{id}: {words}");
    }
    for (id, words) in &first {
        let (_, still) = after.iter().find(|(of, _)| of == id).unwrap();
        assert!(still == words && !still.contains("on Fridays"), "{id}");
    }
}
