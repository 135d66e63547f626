//! Pages of the words of messages as they are asked, without a browser.

use axum::http::StatusCode;
use treebell::people::account::{RegionReach, Role};
use treebell::store::audit::AuditFilter;

use super::support::{Browser, DeskWorld, of_region};

const PAGE: &str = "/desk/wording/wash-now.sms";

/// What stands in the two fields of the form.
fn typed(desk: &DeskWorld) -> [String; 2] {
    let templates = desk.world.app.templates.in_use();
    ["en", "es"].map(|code| templates.source(&format!("{code}/wash-now.sms.txt")).to_owned())
}

async fn sent(browser: &mut Browser<'_>, to: &str, [en, es]: [&str; 2], seen: &str) -> super::super::support::Answer {
    browser
        .post(&format!("{PAGE}/{to}"), &[("en", en), ("es", es), ("seen", seen), ("sample", "typical"), ("why", "")])
        .await
}

#[tokio::test]
async fn administrators_keep_words_staff_try_them_and_observers_read() {
    let desk = DeskWorld::new().await;
    let [en, es] = typed(&desk);
    let better = en.replace("Scale in", "Eggs in");
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let page = observer.get(PAGE).await.body;
    assert!(page.contains("Cedar Flat") && !page.contains("<textarea"), "{page}");
    // Who only reads finds no mark of whoever writes.
    assert!(page.contains("{the last day to wash}") && page.contains("[only when "), "{page}");
    assert!(!page.contains("{%") && !page.contains("{{"), "{page}");
    assert_eq!(sent(&mut observer, "preview", [&better, &es], "0").await.status, StatusCode::FORBIDDEN);

    let (mut staff, _) = desk.signed_in("vera", Role::Staff, of_region("north")).await;
    let page = staff.get(PAGE).await.body;
    assert!(page.contains("Administrators keep them") && !page.contains("/keep"), "{page}");
    // As many rows as the words take on a phone, and the way to each part of the page.
    assert!(page.contains("name=\"en\" rows=\"1") && !page.contains("rows=\"24\""), "{page}");
    assert!(["words", "reads", "history"].iter().all(|part| page.contains(&format!("href=\"#{part}\""))), "{page}");
    let tried = sent(&mut staff, "preview", [&better, &es], "0").await;
    assert_eq!(tried.status, StatusCode::OK);
    let (above, reads) = tried.body.split_once("id=\"looked\"").expect("where the form leads");
    assert!(above.contains(&format!("{PAGE}/preview#looked")) && reads.contains("<h2 id=\"reads\">"), "{above}");
    assert!(
        tried.body.contains("Eggs in Cedar Flat") && tried.body.contains("It fits one text of 160 characters ("),
        "{}",
        tried.body
    );
    // A phone puts the parts of a text together again: none of its addresses is torn.
    let long = es.replace("Escama en", "Escama de las agujas, que come la savia del tronco y de las ramas, en");
    let tried = sent(&mut staff, "preview", [&better, &long], "0").await.body;
    assert_eq!(tried.matches("class=\"bubble\"").count(), 2, "{tried}");
    assert!(tried.contains("It takes 2 texts (") && tried.contains("Phones show them as one."), "{tried}");
    for to in ["keep", "restore"] {
        assert_eq!(sent(&mut staff, to, [&better, &es], "0").await.status, StatusCode::FORBIDDEN, "{to}");
    }
    assert!(desk.store().wordings().await.unwrap().is_empty(), "a preview keeps nothing");

    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    admin.get(PAGE).await;
    let kept = sent(&mut admin, "keep", [&better, &es], "0").await;
    assert_eq!((kept.status, kept.header("location")), (StatusCode::SEE_OTHER, "/desk/wording/wash-now.sms?done=kept"));
    let page = admin.get(kept.header("location")).await.body;
    let alone = "Only the English words were changed; the Spanish ones stand as they were. Both should say the same.";
    assert!(page.contains(alone) && !admin.get(PAGE).await.body.contains(alone), "{page}");
    assert!(
        page.contains("Version 1") && page.contains("by maria") && page.contains("Use the words of the program"),
        "{page}"
    );
    assert!(page.contains("English: your own words; Spanish: as it came with the program."), "{page}");
    let list = admin.get("/desk/wording").await.body;
    assert!(list.contains("1 of these texts has words of your own"), "{list}");
    // Each part of the list has its link at the head, in the order of the season.
    let (jumps, parts) = list.split_once("<h2").expect("parts");
    let ids: Vec<&str> = parts.split(" id=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
    let led: Vec<&str> = jumps.split("href=\"#").skip(2).map(|rest| rest.split('"').next().unwrap()).collect();
    assert_eq!((&led, led[0], led.last()), (&ids, "get-ready", Some(&"parts")), "{list}");
    assert_eq!(list.matches("Tells owners that the best days to wash have come.").count(), 1, "{list}");
    assert!(list.contains("Tells owners that the best days to wash have come.") && !list.contains("shipped"), "{list}");
    let version = admin.get(&format!("{PAGE}/version/1")).await.body;
    assert!(version.contains("<del>Scale </del>") && version.contains("<ins>Eggs </ins>"), "{version}");
    assert!(version.contains("[only when ") && !version.contains("{%"), "{version}");
    let row =
        &desk.store().audit(&AuditFilter { about: Some("wording/".into()), ..Default::default() }).await.unwrap()[0];
    assert_eq!((row.act.as_str(), row.account.as_deref()), ("wording-changed", Some("maria")));

    // Somebody who looked before is asked to look again; then back to what was shipped.
    let late = sent(&mut admin, "keep", [&en, &es], "0").await;
    assert_eq!(late.body.matches("id=\"looked\"").count(), 1, "{}", late.body);
    assert_eq!(late.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(late.body.contains("Somebody has changed wash-now.sms meanwhile"), "{}", late.body);
    admin.get(PAGE).await;
    let back = admin.post(&format!("{PAGE}/restore"), &[("seen", "1"), ("version", "0")]).await;
    assert_eq!(back.status, StatusCode::SEE_OTHER, "{}", back.body);
    assert_eq!(typed(&desk), [en, es]);
    for path in ["/desk/wording/nothing.sms", "/desk/wording/layout", "/desk/wording/wash-now.sms/version/9"] {
        assert_eq!(admin.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
}

#[tokio::test]
async fn refused_words_stay_in_the_form_and_what_is_missing_stands_at_their_place() {
    let desk = DeskWorld::new().await;
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    admin.get(PAGE).await;
    let [en, es] = typed(&desk);
    let wrong = en.replace("{{ wash_by }}", "soon & <b>at once</b>");
    let answer = sent(&mut admin, "keep", [&wrong, &es], "0").await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    let english = answer.body.split("id=\"en-error\"").nth(1).expect("a fault at the English words");
    let english = english.split("</ul>").next().unwrap();
    assert!(
        english.contains(
            "The text does not say the last day to wash: put {{ wash_by }} (the last day to wash) where it belongs."
        ),
        "{english}"
    );
    // Above the words it is told too, with the way to them.
    let summary = answer.body.split("Please check:</p>").nth(1).expect("what is wrong, above the words");
    let summary = summary.split("</ul>").next().unwrap();
    let led =
        "<li><a href=\"#in-en\">Words in English</a>: The text does not say the last day to wash: put {{ wash_by }}";
    assert!(summary.contains(led) && !summary.contains("#in-es"), "{summary}");
    // One mistake is told once.
    assert!(english.matches("{{ wash_by }}").count() == 1 && !english.contains("laying_spread"), "{english}");
    assert!(!answer.body.contains("id=\"es-error\""), "nothing is wrong with the Spanish words");
    assert!(answer.body.contains("soon &amp; &lt;b&gt;at once&lt;/b&gt;"), "what was typed stays: {}", answer.body);
    assert!(answer.body.contains("name=\"seen\" value=\"0\""));
    assert!(desk.store().wordings().await.unwrap().is_empty());
    // What cannot even be read as a template is told with its line.
    let answer = sent(&mut admin, "preview", ["{{ sender_short", &es], "0").await;
    assert!(
        answer.body.contains("Line 1: cannot be read: a brace or a percent sign is missing")
            && answer.body.contains("{{ sender_short"),
        "{}",
        answer.body
    );
    let answer = sent(&mut admin, "preview", [&"long ".repeat(4000), &es], "0").await;
    assert!(answer.body.contains("a text of more than 12000 characters is not read."), "{}", answer.body);
    // Where it says that nothing is wrong it keeps them.
    let good = sent(&mut admin, "preview", [&en, &es], "0").await;
    let (_, looked) = good.body.split_once("Nothing is wrong with these words.").expect("nothing is wrong");
    let button = format!("form=\"try\" formaction=\"{PAGE}/keep\">Keep them</button>");
    assert!(looked.contains(&button), "{looked}");
}

#[tokio::test]
async fn what_may_be_filled_in_stands_above_the_words_as_it_is_typed_with_its_meaning_and_an_example() {
    let desk = DeskWorld::new().await;
    let (mut staff, _) = desk.signed_in("vera", Role::Staff, of_region("north")).await;
    let page = staff.get(PAGE).await.body;
    let (above, _) = page.split_once("<textarea").expect("words to change");
    let (used, more) = above.split_once("What else may stand here").expect("placeholders that are not used");
    let row = "<code>{{ wash_by }}</code></th><td>the last day to wash</td><td>Apr 12</td>";
    assert!(used.contains(row) && !more.contains(row), "{above}");
    assert!(used.contains("<code>{% if provisional %}</code>") && !used.contains("hatch_words"), "{used}");
    let spare = "<code>{{ wash_by_was }}</code></th><td>what the last day to wash was before</td><td>not known</td>";
    assert!(more.contains(spare), "{more}");
    // In another example it is known.
    let [en, es] = typed(&desk);
    let moved = staff
        .post(&format!("{PAGE}/preview"), &[("en", &en), ("es", &es), ("seen", "0"), ("sample", "cooler"), ("why", "")])
        .await;
    assert!(moved.body.contains("was before</td><td>Apr 5</td>"), "{}", moved.body);
    // A letter has others.
    let letter = staff.get("/desk/wording/confirm.sms").await.body;
    assert!(letter.contains("<td>the code that confirms the address</td><td>123456</td>"), "{letter}");
    assert!(!letter.contains("{{ wash_by }}"), "{letter}");
}

/// Whoever changes words that are said only now and then sees them.
#[tokio::test]
async fn words_that_an_example_does_not_show_are_named_and_shown_with_one_that_does() {
    let desk = DeskWorld::new().await;
    let page = "/desk/wording/wash-now.email";
    let hidden = "This part is shown only when what the notice rests on is “seen”.";
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let read = observer.get(page).await.body;
    assert!(read.contains(hidden) && read.contains(&format!("href=\"{page}?sample=seen#reads\"")), "{read}");
    let read = observer.get(&format!("{page}?sample=seen")).await.body;
    assert!(!read.contains(hidden) && read.contains("what the notice rests on is not “seen”"), "{read}");

    let (mut staff, _) = desk.signed_in("vera", Role::Staff, of_region("north")).await;
    let templates = desk.world.app.templates.in_use();
    let [en, es] = ["en", "es"].map(|code| templates.source(&format!("{code}/wash-now.email.txt")).to_owned());
    let other =
        en.replace("Eggs of the pinyon needle scale were seen.", "Somebody saw eggs of the pinyon needle scale.");
    assert_ne!(other, en);
    staff.get(page).await;
    let form = [("en", other.as_str()), ("es", es.as_str()), ("seen", "0"), ("sample", "typical"), ("why", "")];
    let tried = staff.post(&format!("{page}/preview"), &form).await.body;
    assert!(tried.contains(hidden) && tried.contains("“Somebody saw eggs of the pinyon needle scale."), "{tried}");
    assert!(tried.contains("form=\"try\"") && tried.contains("name=\"show\" value=\"seen\""), "{tried}");
    let form: Vec<(&str, &str)> = form.into_iter().chain([("show", "seen")]).collect();
    let shown = staff.post(&format!("{page}/preview"), &form).await.body;
    assert!(shown.contains("<dd>Somebody saw eggs of the pinyon needle scale."), "{shown}");
    assert!(!shown.contains(hidden) && shown.contains("<option value=\"seen\" selected>"), "{shown}");
}

/// Whoever washes a tree, or sprays it, must not come to harm by what somebody left out.
#[tokio::test]
async fn words_without_their_caution_are_not_kept() {
    let desk = DeskWorld::new().await;
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    for (text, code, what, with, lacks) in [
        ("wash-now.email", "en", "{% include \"care.part.txt\" %}", "", "without the caution: ladders; power lines"),
        (
            "last-days-to-wash.email",
            "es",
            "{% include \"care.part.txt\" %}",
            "",
            "without the caution: ladders (escalera)",
        ),
        (
            "too-late-to-wash.email",
            "en",
            "{% include \"insecticides.part.txt\" %}",
            "Spray an insecticide{% if settled %} by {{ settled }}{% endif %}.",
            "insecticides without the caution: read and follow the label",
        ),
    ] {
        let page = format!("/desk/wording/{text}");
        admin.get(&page).await;
        let templates = desk.world.app.templates.in_use();
        let words = |of: &str| {
            let words = templates.source(&format!("{of}/{text}.txt")).to_owned();
            assert!(of != code || words.contains(what), "{what} is not in {words}");
            if of == code { words.replace(what, with) } else { words }
        };
        let (en, es) = (words("en"), words("es"));
        let form = [("en", en.as_str()), ("es", es.as_str()), ("seen", "0"), ("sample", "typical"), ("why", "")];
        let answer = admin.post(&format!("{page}/keep"), &form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{text}");
        let at_its_words = answer.body.split(&format!("id=\"{code}-error\"")).nth(1).expect("a fault at these words");
        let at_its_words = at_its_words.split("</ul>").next().unwrap();
        assert!(at_its_words.contains(lacks), "{lacks}: {at_its_words}");
    }
    assert!(desk.store().wordings().await.unwrap().is_empty());
}

/// A text may have the address and still come without it; what mends that is said with the very example.
#[tokio::test]
async fn a_text_without_the_ground_is_refused_with_the_example_in_which_it_lacks_and_both_ways_out() {
    let desk = DeskWorld::new().await;
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    admin.get(PAGE).await;
    let [en, es] = typed(&desk);
    for (without, says) in [
        // The examples with best days have the address, but the longest of them has no room for it.
        (
            en.replace("Hose from the ground, best", "Hose, best"),
            "with the example “the longest names”: “Upland Ext Off: Scale in Upper Juniper Canyon North Rim: cotton? \
             Hose, best to Apr 27",
        ),
        (
            en.replace("Hose from the ground; dry", "Hose; dry"),
            "with the example “the heat sum is reached, no public page”: “Upland Ext: Scale in Cedar Flat: white \
             cotton? Hose; dry",
        ),
    ] {
        assert_ne!(without, en);
        let answer = sent(&mut admin, "keep", [&without, &es], "0").await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(answer.body.contains(says) && answer.body.contains("Say “from the ground” there"), "{}", answer.body);
        assert!(!answer.body.contains("put {{ public_url }}"), "it is there: {}", answer.body);
    }
    let neither = en.replace("from the ground; ", "").replace("{% if public_url %}{{ public_url }} {% endif %}", "");
    let answer = sent(&mut admin, "keep", [&neither, &es], "0").await;
    assert!(answer.body.contains("or put {{ public_url }}, which leads to the cautions"), "{}", answer.body);
}
