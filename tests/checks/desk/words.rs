use treebell::message::Message;
use treebell::people::{Channel, Language};
use treebell::service::desk::DeskError;
use treebell::service::desk::acts;
use treebell::service::desk::notice::notice_in_depth;
use treebell::service::desk::wording::{Draft, drafts, reword, words_of_templates};
use treebell::store::notices::has_own_words;

use super::{House, UNDO, asks, everywhere};
use crate::engines::on_each_engine;

impl House {
    async fn drafts(&self) -> Vec<Draft> {
        drafts(&self.app, &self.app.store.notice(&self.id).await.unwrap()).await.unwrap()
    }

    async fn texts(&self) -> Vec<Message> {
        self.app.store.notice_words(&self.id).await.unwrap().into_iter().map(|one| one.text.message).collect()
    }
}

fn change(drafts: &mut [Draft], language: Language, channel: Channel, how: impl FnOnce(&mut Draft)) {
    how(drafts.iter_mut().find(|draft| (draft.language, draft.channel) == (language, channel)).unwrap());
}

#[tokio::test]
async fn a_notice_gets_words_of_its_own_and_those_of_the_templates_again() {
    on_each_engine("own words", |store| async move {
        let house = House::new(store, asks()).await;
        let before = house.texts().await;
        let mut own = house.drafts().await;
        for language in Language::ALL {
            change(&mut own, language, Channel::Email, |draft| draft.body += "\n\nOur desk: 505-555-0100.\n");
        }
        reword(&house.app, everywhere(), &house.id, &own).await.unwrap();
        let notice = house.app.store.notice(&house.id).await.unwrap();
        assert_eq!(notice.own_words.as_ref().map(|own| own.by.as_str()), Some("M. Reyes"));
        assert_eq!(house.drafts().await, own, "as it was written");
        let said = |messages: &[Message], wanted: &str| {
            messages.iter().filter(|message| format!("{message:?}").contains(wanted)).count()
        };
        let after = house.texts().await;
        assert_eq!((said(&after, "Our desk: 505-555-0100."), said(&before, "Our desk")), (2, 0));

        // New terms would bring the templates' words: the cycle leaves such a notice to staff.
        let mut tx = house.app.store.begin().await.unwrap();
        assert!(has_own_words(&mut tx, &house.id).await.unwrap());
        drop(tx);

        words_of_templates(&house.app, everywhere(), &house.id).await.unwrap();
        assert_eq!(house.texts().await, before);
        assert!(house.app.store.notice(&house.id).await.unwrap().own_words.is_none());
        assert_eq!(house.audit().await, ["notice-reworded", "notice-reworded"]);

        acts::send(&house.app, everywhere(), &house.id, chrono::TimeDelta::zero()).await.unwrap();
        let late = reword(&house.app, everywhere(), &house.id, &own).await.unwrap_err().to_string();
        assert!(late.contains("has left and cannot be given other words"), "{late}");
    })
    .await;
}

#[tokio::test]
async fn words_that_break_a_rule_are_refused_with_the_reason() {
    on_each_engine("words that are refused", |store| async move {
        let house = House::new(store, asks()).await;
        let before = house.texts().await;
        let long = "x".repeat(200);
        type How = Box<dyn Fn(&mut Draft)>;
        let replace = |from: &'static str, to: &'static str| -> How {
            Box::new(move |draft| {
                assert!(draft.body.contains(from), "{from}: {}", draft.body);
                draft.body = draft.body.replace(from, to);
            })
        };
        let cases: Vec<(Language, Channel, How, &str)> = vec![
            (Language::En, Channel::Email, replace("ladder", "chair"), "without the caution: ladders"),
            (Language::En, Channel::Email, replace("{stop-link}", "https://example.org"), "how to stop"),
            (Language::En, Channel::Sms, replace("Region north", "here"), "does not say where"),
            (Language::En, Channel::Sms, Box::new(move |draft| draft.body = format!("{} {long}", draft.body)), "parts"),
            (Language::Es, Channel::Sms, replace("STOP", "fin"), "does not say how to stop"),
            (
                Language::En,
                Channel::Sms,
                replace("Region north", "{region}"),
                "has `{region}`, which people would read",
            ),
            (
                Language::En,
                Channel::Email,
                Box::new(|draft| draft.body += "\n\n<b>Now</b>"),
                "has `<b>`, `</b>`, which",
            ),
            (
                Language::En,
                Channel::Email,
                Box::new(|draft| draft.subject = "Wash {{ wash_by }}".to_owned()),
                "has a subject with `{{ wash_by }}`",
            ),
            (
                Language::En,
                Channel::Email,
                Box::new(|draft| draft.body += "\n\nWash May 20.\n"),
                "says `May 20`, which is none of the days of this notice",
            ),
            (
                Language::Es,
                Channel::Email,
                Box::new(|draft| draft.body += "\n\nLave el 20/5.\n"),
                "says `20/5`, which is none of the days of this notice",
            ),
            (
                Language::Es,
                Channel::Email,
                Box::new(|draft| draft.body += "\n\nUse un insecticida.\n"),
                "insecticides without the caution",
            ),
        ];
        for (language, channel, how, wanted) in cases {
            let mut own = house.drafts().await;
            change(&mut own, language, channel, how);
            let refused = reword(&house.app, everywhere(), &house.id, &own).await.unwrap_err();
            let said = refused.to_string();
            assert!(
                matches!(&refused, DeskError::Words(faults) if faults.iter().any(|fault| fault.language == language))
            );
            assert!(said.contains(wanted), "{wanted}: {said}");
        }
        assert_eq!(house.texts().await, before, "nothing was changed");
        assert_eq!(house.audit().await, Vec::<String>::new());
    })
    .await;
}

#[tokio::test]
async fn a_day_that_one_language_alone_tells_is_refused() {
    let house = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    let mut own = house.drafts().await;
    // The facts' best days begin on March 30; both languages say so.
    change(&mut own, Language::Es, Channel::Email, |draft| {
        assert!(draft.body.contains("30 de marzo"), "{}", draft.body);
        draft.body = draft.body.replace("30 de marzo", "fin de marzo");
        draft.subject = draft.subject.replace("30 de marzo", "fin de marzo");
    });
    let said = reword(&house.app, everywhere(), &house.id, &own).await.unwrap_err().to_string();
    assert!(said.contains("the e-mail in Spanish does not say"), "{said}");
}

#[tokio::test]
async fn a_day_that_is_left_out_is_asked_for_once_and_a_line_of_the_head_by_its_name() {
    let house = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    let mut own = house.drafts().await;
    let mut line = String::new();
    change(&mut own, Language::En, Channel::Email, |draft| {
        line = draft.body.lines().find(|line| line.starts_with("When ::")).expect("a line at the head").to_owned();
        let without = draft.body.lines().filter(|line| !line.starts_with("When ::")).map(|line| format!("{line}\n"));
        draft.body = without.collect::<String>().replace("March 30", "soon");
        draft.subject = draft.subject.replace("March 30", "soon");
    });
    let refused = reword(&house.app, everywhere(), &house.id, &own).await.unwrap_err();
    let DeskError::Words(faults) = &refused else { panic!("{refused}") };
    let said: Vec<&str> = faults
        .iter()
        .filter(|fault| (fault.language, fault.channel) == (Language::En, Channel::Email))
        .map(|fault| fault.what.as_str())
        .collect();
    assert!(said.iter().any(|what| what.contains("at its head, the line “When” is gone")), "{line}: {said:?}");
    assert!(!said.iter().any(|what| what.contains("when it is time")), "{said:?}");
    assert!(!said.iter().any(|what| what.contains("the first of the best days")), "{said:?}");
}

#[tokio::test]
async fn a_preview_shows_the_link_to_stop_below_the_address_of_the_settings() {
    let house = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    let mut own = house.drafts().await;
    // Of words of staff the notation is kept.
    for language in Language::ALL {
        change(&mut own, language, Channel::Email, |draft| draft.body += "\n\nOur desk: 505-555-0100.\n");
    }
    reword(&house.app, everywhere(), &house.id, &own).await.unwrap();
    for (public_url, link) in [
        ("https://scale.example.org/trees", "https://scale.example.org/trees/stop/sample"),
        ("", "https://pinyon.example.org/stop/sample"),
    ] {
        let mut config = treebell::config::Config::clone(&house.app.config);
        config.messages.public_url = public_url.into();
        let app = treebell::service::app::App { config: std::sync::Arc::new(config), ..house.app.clone() };
        let seen = notice_in_depth(&app, &house.id, super::UNDO).await.unwrap();
        for reading in seen.reads.iter().filter(|reading| reading.channel() == Channel::Email) {
            let Message::Email { text, html, .. } = &reading.message else { panic!("an e-mail") };
            assert!(text.contains(link) && html.contains(link), "{link}: {text}");
            let document = format!("{:?}", reading.document);
            assert!(document.contains(link), "{link}: {document}");
        }
    }
}

#[tokio::test]
async fn what_goes_out_is_what_staff_wrote() {
    let house = House::new(treebell::store::Store::in_memory().await.unwrap(), asks()).await;
    let mut own = house.drafts().await;
    change(&mut own, Language::En, Channel::Email, |draft| draft.body += "\n\nCall us.\n");
    change(&mut own, Language::Es, Channel::Email, |draft| draft.body += "\n\nLlame.\n");
    reword(&house.app, everywhere(), &house.id, &own).await.unwrap();
    acts::send(&house.app, everywhere(), &house.id, UNDO).await.unwrap();
    house.go_to("2026-03-16T16:02:00Z").await;
    let text = house.app.store.notice_text(&house.id, Channel::Email, Language::En).await.unwrap().unwrap();
    assert!(
        matches!(text, Message::Email { text, html, .. } if text.contains("Call us.") && html.contains("Call us."))
    );
}
