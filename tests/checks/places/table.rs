//! The table of ZIP areas: against the file it came from, and as staff put another in its place.

use std::io::Read;

use flate2::read::GzDecoder;
use treebell::places::{self, PlaceTable};
use treebell::region::Zip;

use crate::engines::on_each_engine;
use crate::support;

fn zip(text: &str) -> Zip {
    Zip::parse(text).unwrap()
}

#[test]
fn the_built_in_table_says_what_the_gazetteer_says() {
    let Some(file) = support::shared("the table of ZIP areas against the gazetteer", "more/places/zcta.csv.gz") else {
        return;
    };
    let mut text = String::new();
    GzDecoder::new(std::fs::File::open(file).unwrap()).read_to_string(&mut text).unwrap();
    let table = PlaceTable::built_in();
    assert_eq!(text.lines().count() - 1, table.len());
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let place = table.place_of(&zip(cells[0])).unwrap_or_else(|| panic!("{line}"));
        let off = |seen: f64, told: &str| (seen - told.parse::<f64>().unwrap()).abs();
        // Half of the last decimal kept, and a hair for binary numbers.
        assert!(off(place.latitude, cells[1]) < 0.000_051 && off(place.longitude, cells[2]) < 0.000_051, "{line}");
    }
    // The file itself can be imported, and gives the same.
    let read = places::read(text.as_bytes(), table.source()).unwrap();
    let far = text.lines().skip(1).filter(|line| {
        let code = zip(&line[..5]);
        let (one, other) = (read.place_of(&code).unwrap(), table.place_of(&code).unwrap());
        (one.latitude - other.latitude).abs() > 0.000_11 || (one.longitude - other.longitude).abs() > 0.000_11
    });
    assert_eq!(far.count(), 0);
}

#[tokio::test]
async fn an_imported_table_counts_until_it_is_dropped() {
    on_each_engine("tables of places", |store| async move {
        let now = super::services::now();
        assert_eq!(store.imported_places().await.unwrap(), None);
        assert!(!store.drop_places().await.unwrap());
        for (latitude, count) in [("31.2", 1), ("31.3", 2)] {
            let second = if count == 2 { "00102,31.4,-135\n" } else { "" };
            let text = format!("zip,latitude,longitude\n00101,{latitude},-135.4\n{second}");
            let table = places::read(text.as_bytes(), "invented").unwrap();
            store.import_places(&table, now).await.unwrap();
            let kept = store.imported_places().await.unwrap().unwrap();
            assert_eq!((kept.len(), kept.place_of(&zip("00101"))), (count, table.place_of(&zip("00101"))));
        }
        assert!(store.drop_places().await.unwrap());
        assert_eq!(store.imported_places().await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn answers_about_places_are_used_again_for_a_month() {
    on_each_engine("answers about places", |store| async move {
        let now = super::services::now();
        let ask = |days: i64| store.place_answer("nws-point 31.2,-135.4", now + chrono::TimeDelta::days(days));
        assert_eq!(ask(0).await.unwrap(), None);
        for answer in ["{}", "{\"a\":1}"] {
            store.keep_place_answer("nws-point 31.2,-135.4", answer, now).await.unwrap();
            assert_eq!(ask(29).await.unwrap().unwrap().answer, answer);
        }
        assert_eq!(ask(30).await.unwrap(), None);
    })
    .await;
}
