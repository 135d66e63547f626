use treebell::region::{Band, Release};
use treebell::store::regions::RegionPut;

use super::{at, region, station, subscribe, two_regions, zip};
use crate::engines::on_each_engine;

#[tokio::test]
async fn a_region_comes_back_as_it_was_given() {
    on_each_engine("regions", |store| async move {
        store.add_station(&station("A")).await.unwrap();
        store.add_station(&station("B")).await.unwrap();
        let mut given = region("dos-vientos", &["00201", "00202"], "B");
        given.stations.push("A".into());
        given.release = Release::UnlessHeld { hours: 24 };
        given.county = Some("Piñon Mesa".into());
        given.state = Some("XA".into());
        given.band = Some(Band { from_m: Some(1500.0), to_m: Some(1981.2) });
        given.landmarks = vec!["Red Rock".into(), "Old Mill".into()];
        store.add_region(&given, at("2026-01-01T00:00:00Z")).await.unwrap();
        assert_eq!(store.region(&"dos-vientos".into()).await.unwrap(), given);

        given.stations = vec!["A".into()];
        given.zips = vec![zip("00202"), zip("00203")];
        given.release = Release::WhenConfirmed;
        given.band = Some(Band { from_m: None, to_m: Some(1981.2) });
        given.county = None;
        given.landmarks.clear();
        store.change_region(&given).await.unwrap();
        assert_eq!(store.regions().await.unwrap(), [given]);
        assert_eq!(store.region_of_zip(&zip("00201")).await.unwrap(), None);
        assert_eq!(store.region_of_zip(&zip("00203")).await.unwrap(), Some("dos-vientos".into()));
    })
    .await;
}

#[tokio::test]
async fn a_zip_code_in_two_regions_names_the_other_one_and_changes_nothing() {
    on_each_engine("ZIP clash", |store| async move {
        two_regions(&store).await;
        let clash = region("west", &["00301", "00102", "00201"], "A");
        let said = store.add_region(&clash, at("2026-01-02T00:00:00Z")).await.unwrap_err().to_string();
        assert_eq!(
            said,
            "already taken: ZIP code 00102 by region `north` (all heights), 00201 by region `south` (all heights); take them out \
             there first, or give each region heights that do not meet (--band-ft)"
        );
        assert_eq!(store.regions().await.unwrap().len(), 2);
        assert_eq!(store.region_of_zip(&zip("00301")).await.unwrap(), None);

        let mut south = store.region(&"south".into()).await.unwrap();
        south.zips.push(zip("00101"));
        let said = store.change_region(&south).await.unwrap_err().to_string();
        assert!(said.contains("00101 by region `north`"), "{said}");
        assert_eq!(store.region(&"south".into()).await.unwrap().zips, [zip("00201")]);
    })
    .await;
}

#[tokio::test]
async fn an_unknown_station_or_region_is_an_error_that_says_so() {
    on_each_engine("unknown names", |store| async move {
        two_regions(&store).await;
        let now = at("2026-01-02T00:00:00Z");
        let said = store.add_region(&region("west", &["00301"], "ALT-VIE"), now).await.unwrap_err().to_string();
        assert_eq!(said, "station `ALT-VIE` is unknown");
        let said = store.region(&"nort".into()).await.unwrap_err().to_string();
        assert_eq!(said, "region `nort` is unknown, did you mean `north`?");
        let said = store.add_region(&region("north", &["00301"], "A"), now).await.unwrap_err().to_string();
        assert_eq!(said, "region `north` is already there");
        let said = store.add_region(&region("North!", &[], "A"), now).await.unwrap_err().to_string();
        assert!(said.contains("id `North!`") && said.contains("ZIP"), "{said}");
    })
    .await;
}

#[tokio::test]
async fn a_retired_region_frees_its_zip_codes_and_can_come_back() {
    on_each_engine("retiring regions", |store| async move {
        two_regions(&store).await;
        let now = at("2026-01-02T00:00:00Z");
        store.retire_region(&"north".into(), now).await.unwrap();
        assert!(store.region(&"north".into()).await.unwrap().retired);
        assert_eq!(store.regions().await.unwrap().len(), 1);
        let said = store.change_region(&region("north", &["00101"], "A")).await.unwrap_err().to_string();
        assert_eq!(said, "region `north` was retired");

        store.add_region(&region("west", &["00101"], "A"), now).await.unwrap();
        let said = store.add_region(&region("north", &["00101", "00102"], "A"), now).await.unwrap_err().to_string();
        assert!(said.contains("00101 by region `west`"), "{said}");
        store.add_region(&region("north", &["00102"], "A"), now).await.unwrap();
        assert!(!store.region(&"north".into()).await.unwrap().retired);
    })
    .await;
}

#[tokio::test]
async fn a_list_of_regions_is_kept_whole_or_not_at_all() {
    on_each_engine("lists of regions", |store| async move {
        two_regions(&store).await;
        let now = at("2026-01-02T00:00:00Z");
        let swapped = [
            region("north", &["00201"], "A"),
            region("south", &["00102", "00101"], "A"),
            region("west", &["00301"], "A"),
        ];
        use RegionPut::{Added, Changed, Unchanged};
        assert_eq!(store.put_regions(&swapped, now).await.unwrap(), [Changed, Changed, Added]);
        assert_eq!(store.put_regions(&swapped, now).await.unwrap(), [Unchanged; 3]);
        assert_eq!(store.region_of_zip(&zip("00201")).await.unwrap(), Some("north".into()));

        let bad = [region("east", &["00310"], "A"), region("far", &["00310"], "A")];
        let said = store.put_regions(&bad, now).await.unwrap_err().to_string();
        assert!(said.contains("00310 by region `east`"), "{said}");
        assert_eq!(store.regions().await.unwrap().len(), 3);
    })
    .await;
}

#[tokio::test]
async fn people_are_counted_by_region() {
    on_each_engine("counts", |store| async move {
        two_regions(&store).await;
        subscribe(&store, &["00101", "00102"], &["a@example.org"]).await;
        subscribe(&store, &["00101", "00201"], &["b@example.org", "+15055550101"]).await;
        subscribe(&store, &["00399"], &["c@example.org"]).await;
        let counts = store.subscriber_counts().await.unwrap();
        assert_eq!(counts.into_iter().collect::<Vec<_>>(), [("north".into(), 2), ("south".into(), 1)]);
    })
    .await;
}
