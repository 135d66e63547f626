//! What pages show while nothing new was worked out yet: what is kept, however it was made, and of the rest that it is coming.

use std::time::Duration;

use chrono::{Datelike, TimeDelta};
use treebell::clock::Clock;
use treebell::links::region_path;
use treebell::region::{Region, RegionId};
use treebell::service::region_views::renew_kept;

use super::pages::{again, execute, made_at, world};
use crate::web::support::World;

const COMING: [(&str, &str); 2] = [("", "we are working out the dates"), ("/es", "estamos calculando las fechas")];

/// Pages, pictures and documents of a region in one language.
fn paths(language: &str, region: &Region) -> Vec<String> {
    let page = format!("{language}{}", region_path(&region.id));
    let below = ["", "/chart.svg?w=340", "/badge.svg", "/calendar.ics", "/news.atom", "/outlook.json"];
    below.into_iter().map(|end| format!("{page}{end}")).collect()
}

#[tokio::test]
async fn a_program_that_makes_pages_otherwise_shows_the_old_ones_until_it_has_its_own() {
    let (world, regions) = world().await;
    renew_kept(&world.app).await.unwrap();
    let first = world.clock.now();
    // As another program would have signed them.
    execute(&world.app.store, "UPDATE region_views SET sign = 'another make'").await;
    world.clock.set(first + TimeDelta::days(1));
    let (next, site) = again(&world);
    {
        let _nothing_is_made = next.app.views_turn.lock().await;
        for (language, coming) in COMING {
            let home = next.get(if language.is_empty() { "/" } else { language }).await;
            assert_eq!(home.status, 200);
            for region in &regions {
                assert!(home.body.contains(&region.name), "{}", region.name);
                for path in paths(language, region) {
                    let answer = next.get(&path).await;
                    assert_eq!(answer.status, 200, "{path}");
                    assert_eq!(answer.header("cache-control"), "public, max-age=300", "{path}");
                    assert!(!answer.body.contains(coming), "{path}");
                }
                let page = next.get(&paths(language, region)[0]).await.body;
                let day = first.with_timezone(&region.time_zone).day();
                let worked_out = match language {
                    "" => format!("March {day}, 2025"),
                    _ => format!("{day} de marzo de 2025"),
                };
                assert!(page.contains(&worked_out), "{} does not say of when it is", region.id);
                assert_eq!(made_at(&next, region).await, first.format("%Y-%m-%dT%H:%M:%SZ").to_string());
            }
        }
    }
    site.ready().await.unwrap();
    let now = next.clock.now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    for region in &regions {
        assert_eq!(made_at(&next, region).await, now);
    }
}

/// What a region shows of which nothing was worked out yet.
async fn is_coming(world: &World, region: &Region) {
    for (language, coming) in COMING {
        let page = world.get(&paths(language, region)[0]).await;
        assert_eq!(page.status, 200);
        assert_eq!(page.header("cache-control"), "no-cache", "it is asked for again");
        assert!(page.body.contains(coming), "{}", page.body);
        assert!(!page.body.contains("chart.svg") && !page.body.contains("outlook.json"), "{}", page.body);
        let badge = world.get(&format!("{language}{}/badge.svg", region_path(&region.id))).await;
        assert_eq!((badge.status.as_u16(), badge.header("cache-control")), (200, "no-cache"));
        assert!(badge.body.to_lowercase().contains(coming), "{}", badge.body);
        // An empty answer would be taken for the truth by a program.
        for name in ["chart.svg", "calendar.ics", "outlook.json"] {
            let answer = world.get(&format!("{language}{}/{name}", region_path(&region.id))).await;
            assert_eq!((answer.status.as_u16(), answer.header("retry-after")), (503, "30"), "{name}");
            assert_eq!(answer.header("cache-control"), "no-store", "{name}");
        }
        // What was told does not wait for what is worked out.
        let news = world.get(&format!("{language}{}/news.atom", region_path(&region.id))).await;
        assert_eq!(news.status, 200);
    }
}

#[tokio::test]
async fn the_very_first_start_lists_every_region_at_once_and_says_that_its_dates_are_coming() {
    let (world, regions) = world().await;
    let (next, site) = again(&world);
    {
        let _nothing_is_made = next.app.views_turn.lock().await;
        for (language, being_worked_out) in [("/", "Being worked out"), ("/es", "En cálculo")] {
            let home = next.get(language).await;
            assert_eq!((home.status.as_u16(), home.header("cache-control")), (200, "no-cache"));
            assert_eq!(home.body.matches(being_worked_out).count(), regions.len(), "{}", home.body);
            for region in &regions {
                assert!(home.body.contains(&region.name), "{}", region.name);
            }
        }
        let zip = regions[1].zips.iter().find(|zip| regions.iter().filter(|one| one.zips.contains(zip)).count() == 1);
        let found = next.get(&format!("/find?zip={}", zip.unwrap())).await;
        assert_eq!(found.status, 303, "its page is there");
        for region in &regions {
            is_coming(&next, region).await;
        }
    }
    site.ready().await.unwrap();
    let home = next.get("/").await;
    assert!(!home.body.contains("Being worked out"));
    assert_eq!(home.header("cache-control"), "public, max-age=300");
    for path in regions.iter().flat_map(|region| paths("/es", region)) {
        assert_eq!(next.get(&path).await.status, 200, "{path}");
    }
}

#[tokio::test]
async fn a_region_that_is_added_is_there_before_its_dates_are_and_changes_no_other() {
    let (world, regions) = world().await;
    renew_kept(&world.app).await.unwrap();
    let (next, site) = again(&world);
    let first = made_at(&next, &regions[0]).await;
    site.ready().await.unwrap();
    let added = Region {
        id: RegionId("added".into()),
        name: "Upper Arroyo".into(),
        zips: vec![crate::people::zip("00299")],
        ..regions[0].clone()
    };
    next.app.store.put_regions(std::slice::from_ref(&added), next.clock.now()).await.unwrap();
    next.clock.set(next.clock.now() + TimeDelta::minutes(1));
    {
        let _nothing_is_made = next.app.views_turn.lock().await;
        // Looked for behind an answer.
        while next.get(&region_path(&added.id)).await.status == 404 {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        is_coming(&next, &added).await;
        assert!(next.get("/").await.body.contains("Upper Arroyo"));
        assert_eq!(made_at(&next, &regions[0]).await, first);
    }
    site.ready().await.unwrap();
    assert_ne!(made_at(&next, &added).await, first);
}
