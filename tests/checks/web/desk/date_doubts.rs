//! How far a region's dates can be trusted, on its page at the desk.

use treebell::language::Language;
use treebell::people::account::{RegionReach, Role};
use treebell::region::Region;
use treebell::season::phrases;
use treebell::store::Store;
use treebell::store::notices::Notice;

use super::support::{Browser, DeskWorld};
use crate::learning::World;

async fn page(browser: &mut Browser<'_>, region: &Region) -> String {
    browser.get(&format!("/desk/region/{}", region.id)).await.body
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_region_shows_whose_doubt_its_dates_carry_the_chance_and_what_a_wash_takes_by_day() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (today, _) = world.early_sightings(true).await;
    world.cycle().await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut olga, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let [low, _, high] = world.regions.as_slice() else { panic!("three regions") };
    let profile = world.app.profiles.get(&high.profile).unwrap();
    let [opens, closes] = [&profile.window.opens, &profile.window.closes];
    let name = |stage| phrases::capitalised(&profile.stage(stage).unwrap().names.en);
    let language = Language::En;

    let outlook = world.app.store.newest_outlook(high).await.unwrap().unwrap();
    let shown = page(&mut olga, high).await;
    for stage in [opens, closes] {
        let parts = outlook.stage(stage).unwrap().parts.unwrap();
        assert!(parts.weather_days > 0 && parts.insect_days > 0, "{parts:?}");
        let said = phrases::capitalised(&phrases::parts(language, parts));
        let said = format!("<dt>{}: doubt</dt><dd>{said}</dd>", name(stage));
        assert!(shown.contains(&said), "{said}: {shown}");
    }
    let chance = |days: u64| outlook.stage(opens).unwrap().chance_by(today + chrono::Days::new(days));
    let mut said = format!("{} by today", phrases::capitalised(&phrases::chance(language, chance(0))));
    for (before, days) in [(0_u32, 7_u32), (7, 14)] {
        let (before, share) = (chance(u64::from(before)), chance(u64::from(days)));
        if phrases::chance(language, before) != phrases::chance(language, share) {
            said = format!("{said}, {}", phrases::chance_within(language, share, days));
        }
    }
    assert!(shown.contains(&format!("<dt>{}</dt><dd>{said}</dd>", name(opens))), "{said}: {shown}");

    let wash = outlook.wash.as_ref().unwrap();
    let (most, share) = wash.peak().unwrap();
    let said = format!("<b>{:.0} on {}</b>, the most of any day", share * 100.0, phrases::date(language, most));
    assert!(shown.contains(&said), "{said}: {shown}");
    // What two take is told as a part of all eggs: a share of one wash and "9 more" would be read as their sum.
    let (second, both) = wash.second.zip(wash.both()).unwrap();
    let first = (wash.on(second.after) * 100.0).round();
    let said = format!(
        "take {:.0} of the 100 together: {first:.0} by the first and {:.0} by the second.",
        (both * 100.0).round(),
        (both * 100.0).round() - first
    );
    assert!(shown.contains(&said), "{said}: {shown}");
    let curve = shown.split_once("<svg class=\"curve\"").unwrap().1.split_once("</svg>").unwrap().0;
    let bars = curve.matches("\"rb-wash\"").count() + curve.matches("\"rb-ready\"").count();
    let end = chrono::NaiveDate::from_ymd_opt(2025, 7, 31).unwrap();
    let days = wash.first.iter_days().zip(&wash.one).take_while(|(day, _)| *day <= end);
    let seen = days.filter(|(_, share)| (*share * 120.0).round() >= 1.0).count();
    assert_eq!(bars, seen, "a bar for each day on which a wash takes something: {curve}");
    assert!(curve.contains("rb-best") && curve.contains("rb-flag"), "{curve}");

    // Where eggs were seen nothing is in doubt of their beginning; the hatch still is.
    let shown = page(&mut olga, low).await;
    assert!(!shown.contains(&format!("{}: doubt", name(opens))) && !shown.contains(" by today, "), "{shown}");
    assert!(shown.contains(&format!("{}: doubt", name(closes))), "{shown}");
    // Without `opened_by` the day of the look is told as the whole of "8 in 10".
    assert!(
        shown.contains("<dt>Opened</dt><dd>on or before ") && !shown.contains("<dt>Opens, 8 in 10</dt>"),
        "{shown}"
    );
    // Its days are there, brought in without a pull.
    assert!(!shown.contains("No source has answered yet") && shown.contains("Newest day: "), "{shown}");
    // Our number is the profile's, not the sum on the day on which somebody saw eggs.
    let mark = profile.heat_mark(opens).unwrap();
    let notices = world.app.store.notices_of_season(&profile.id, profile.season_of(today)).await.unwrap();
    let tells = |notice: &Notice| notice.season.region == low.id && notice.facts["heat_needed"].is_f64();
    assert!(notices.iter().any(tells), "{notices:?}");
    for notice in notices {
        // One that was skipped has no facts.
        let Some(told) = notice.facts["heat_needed"].as_f64() else { continue };
        assert!((told - mark).abs() < 0.05, "{told} for {mark}: {}", notice.id);
    }
}
