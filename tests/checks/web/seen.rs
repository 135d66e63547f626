//! The page of the question what people saw: what it asks, what its answers become, and what it says when one is missing.

use treebell::people::{Address, Language, Reach, Zip};
use treebell::people::{Consent, NewSubscriber};
use treebell::store::field_reports::{ReportStanding, StoredReport};

use super::sign_up::world;
use super::support::World;
use crate::people::field_reports::question_for;

async fn asked() -> (World, String) {
    let world = world().await;
    let mailbox = "owner@example.org";
    let new = NewSubscriber {
        zips: vec![Zip::parse("00101").unwrap()],
        heights: Vec::new(),
        addresses: vec![Address::parse(mailbox, Reach::NorthAmerica).unwrap()],
        language: Language::En,
        consent: Consent::Given { evidence: "invented".into() },
    };
    let now = "2025-03-10T16:00:00Z".parse().unwrap();
    world.app.store.add_subscriber(&new, now).await.unwrap();
    let token = question_for(&world.app.store, mailbox, now).await;
    (world, token)
}

async fn reports(world: &World) -> Vec<StoredReport> {
    let (first, last) = ("2025-01-01".parse().unwrap(), "2025-12-31".parse().unwrap());
    world.app.store.field_reports(None, first, last).await.unwrap()
}

#[tokio::test]
async fn an_answer_holds_what_was_seen_the_day_and_whether_the_tree_has_the_insect() {
    let (world, token) = asked().await;
    for (path, words) in [
        (format!("/seen/{token}"), ["When did you look?", "3 days ago", "black beans"]),
        (format!("/es/seen/{token}"), ["¿Qué día revisó?", "Hace 3 días", "frijolitos negros"]),
    ] {
        let page = world.get(&path).await;
        for word in words {
            assert!(page.body.contains(word), "{word}: {}", page.body);
        }
        assert_eq!(page.body.matches("name=\"saw\"").count(), 7);
        assert!(!page.body.contains(" checked") && !page.body.contains(" selected"), "nothing is chosen for them");
    }
    assert_eq!(reports(&world).await, []);

    let path = format!("/seen/{token}");
    let said = world.post(&path, &[("saw", "none"), ("day", "3"), ("beans", "yes")]).await;
    assert_eq!(said.status, 200);
    for word in ["Thank you.", "Your answer is: Nothing new.", "value=\"3\" selected", "value=\"none\" checked"] {
        assert!(said.body.contains(word), "{word}: {}", said.body);
    }
    let [none] = reports(&world).await.try_into().unwrap();
    assert_eq!((none.observed_on.to_string().as_str(), none.day_known), ("2025-03-07", true));
    assert_eq!((none.sight.as_deref(), none.infested), (Some("nothing"), Some(true)));
    assert_eq!(none.standing, ReportStanding::New);

    // A clean tree moves no date, and nobody is thanked for moving one.
    for (path, wanted, not) in [
        (format!("/seen/{token}"), "so this answer does not change the dates", "helps us tell you"),
        (format!("/es/seen/{token}"), "esta respuesta no cambia las fechas", "nos ayuda a decirles"),
    ] {
        let said = world.post(&path, &[("saw", "none"), ("day", "3"), ("beans", "no")]).await;
        assert!(said.body.contains(wanted) && !said.body.contains(not), "{}", said.body);
        assert!(reports(&world).await[0].moves_nothing());
    }

    // Without the day it is kept, and the page asks for it.
    let said = world.post(&path, &[("saw", "eggs"), ("day", "unsure")]).await;
    assert!(said.body.contains("We do not know on which day you looked"), "{}", said.body);
    let [eggs] = reports(&world).await.try_into().unwrap();
    assert_eq!((eggs.id == none.id, eggs.day_known, eggs.sight.as_deref()), (true, false, Some("eggs")));
    let said = world.post(&format!("/es/seen/{token}"), &[("saw", "eggs"), ("day", "0")]).await;
    assert!(!said.body.contains("No sabemos qué día"), "{}", said.body);
    assert!(reports(&world).await[0].day_known);
}

/// What a text has no room for: each is the profile's sight of the same name, with the stage that follows from it.
#[tokio::test]
async fn all_that_can_be_seen_at_a_tree_can_be_told_on_the_page() {
    let (world, token) = asked().await;
    for (saw, stage, not_yet) in [
        ("old-lint", None, None),
        ("females", None, Some("egg-laying-begins")),
        ("eyespots", Some("egg-laying-begins"), Some("eggs-hatch")),
        ("crawlers", Some("eggs-hatch"), None),
    ] {
        let said = world.post(&format!("/seen/{token}"), &[("saw", saw), ("day", "1")]).await;
        assert!(said.body.contains(&format!("value=\"{saw}\" checked")), "{}", said.body);
        let [report] = reports(&world).await.try_into().unwrap();
        let told = (report.sight.as_deref(), report.stage.as_ref().map(|id| id.0.as_str()));
        assert_eq!(told, (Some(saw), stage));
        assert_eq!(report.not_yet.as_ref().map(|id| id.0.as_str()), not_yet, "{saw}");
        assert_eq!(report.infested, Some(true), "{saw}: only such a tree shows it");
    }
}

/// In their own words, which staff see and nothing goes by.
#[tokio::test]
async fn an_answer_may_say_which_tree_it_was() {
    let (world, token) = asked().await;
    let path = format!("/seen/{token}");
    assert!(world.get(&path).await.body.contains("name=\"tree\""));
    let odd = "<b>big & \"old\" one</b>";
    let said =
        world.post(&path, &[("saw", "none"), ("day", "1"), ("beans", "yes"), ("tree", &format!("  {odd} "))]).await;
    let shown = "value=\"&lt;b&gt;big &amp; &quot;old&quot; one&lt;/b&gt;\"";
    assert!(said.body.contains(shown) && !said.body.contains("<b>"), "{}", said.body);
    let [report] = reports(&world).await.try_into().unwrap();
    assert_eq!((report.owner_tree.as_deref(), report.tree.as_deref()), (Some(odd), None));
    assert_eq!(
        report.clone().for_decision().unwrap().tree_key(),
        report.person.as_deref().unwrap(),
        "one person, one tree"
    );
    assert!(world.get(&path).await.body.contains(shown), "it stands there when they come back");

    // What cannot be kept is said beside its field, and nothing that was chosen is lost.
    for long in ["x".repeat(61), "a\u{202e}b".to_owned()] {
        let said = world.post(&path, &[("saw", "eggs"), ("day", "3"), ("beans", "unsure"), ("tree", &long)]).await;
        assert_eq!(said.status, 422);
        for kept in ["id=\"tree-error\"", "value=\"eggs\" checked", "value=\"3\" selected", "value=\"unsure\" checked"]
        {
            assert!(said.body.contains(kept), "{kept}: {}", said.body);
        }
        assert_eq!(reports(&world).await, std::slice::from_ref(&report));
    }
    // Taken back, it is gone.
    world.post(&path, &[("saw", "none"), ("day", "1"), ("beans", "yes"), ("tree", "")]).await;
    assert_eq!(reports(&world).await[0].owner_tree, None);
}

#[tokio::test]
async fn nothing_chosen_is_said_beside_its_question_and_changes_nothing() {
    let (world, token) = asked().await;
    let path = format!("/seen/{token}");
    let page = world.post(&path, &[("day", "1")]).await;
    assert_eq!(page.status, 422);
    assert!(page.body.contains("Please choose what you saw."), "{}", page.body);
    for form in [
        [("saw", "everything"), ("day", "1"), ("beans", "")],
        [("saw", "eggs"), ("day", "10"), ("beans", "")],
        [("saw", "eggs"), ("day", "-1"), ("beans", "")],
        [("saw", "eggs"), ("day", "1"), ("beans", "maybe")],
    ] {
        assert_eq!(world.post(&path, &form).await.status, 400, "{form:?}");
    }
    assert_eq!(reports(&world).await, []);
}
