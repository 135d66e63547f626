//! Files to the store: what a file is, what it may not be, what stays behind of a broken one, and that a second
//! import changes nothing.

use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tempfile::TempDir;
use treebell::service::import::{ImportFault, Imported, Terms, import_file};
use treebell::store::Store;
use treebell::weather::feeds::{DescribedStation, FeedError, Unit};
use treebell::weather::import::{Format, FoundFile, ImportError, Options, find, read_station_list, recognise, survey};
use treebell::weather::{Element, FeedKind, StationId};

use super::backfill::{ID, archive_of, wobble};
use super::{day, utc};
use crate::support::shared;

const LIST: &str = "USC00999001  35.6123 -135.0456 2103.1 XA EXAMPLE MESA 2 NW\nUSC00999002  36.1000 -135.5000 1650.0 XA SAMPLE FLAT\n";
const ACCESS: &str = "\"STATION\",\"DATE\",\"LATITUDE\",\"LONGITUDE\",\"ELEVATION\",\"NAME\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"\n\
    \"USC00999003\",\"2025-06-14\",\"35.6\",\"-135.0\",\"2000.0\",\"THIRD, XA US\",\"  289\",\",,7,0700\",\"   72\",\",,7,0700\"\n\
    \"USC00999003\",\"2025-06-15\",\"35.6\",\"-135.0\",\"2000.0\",\"THIRD, XA US\",\"  300\",\",I,7,0700\",\"   83\",\",,7,0700\"\n";

fn by_year() -> String {
    let mut text = String::new();
    for station in ["USC00999001", "USC00999002", "USC00999009"] {
        for date in 1..=28 {
            text += &format!("{station},202502{date:02},TMAX,{},,,7,0700\n", 100 + date);
            text += &format!("{station},202502{date:02},TMIN,{},,{},7,0700\n", date, if date == 3 { "I" } else { "" });
        }
    }
    text
}

fn gz(text: &str) -> Vec<u8> {
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(text.as_bytes()).unwrap();
    packed.finish().unwrap()
}

fn folder(files: &[(&str, &[u8])]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    folder
}

fn terms(unit: Option<Unit>) -> Terms {
    Terms { options: Options { unit, ..Options::default() }, time_zone: None, usual_zone: chrono_tz::America::Denver }
}

async fn take(
    store: &Store,
    path: &Path,
    lists: &BTreeMap<StationId, DescribedStation>,
    now: &str,
) -> Result<Imported, ImportFault> {
    let file = FoundFile { path: path.to_owned(), format: recognise(path)?, size: 0 };
    import_file(store, &file, &terms(None), lists, utc(now), Arc::new(|_, _| {})).await
}

fn listed(text: &str) -> BTreeMap<StationId, DescribedStation> {
    let folder = folder(&[("list.txt", text.as_bytes())]);
    let stations = read_station_list(&folder.path().join("list.txt")).unwrap();
    stations.into_iter().map(|station| (station.id.clone(), station)).collect()
}

#[test]
fn formats_are_seen_from_the_content_not_the_name() {
    let dly = "USC00999001202606TMAX  183  7  206  7-9999   \n";
    let by_year = by_year();
    let packed = gz(dly);
    let cases: [(&[u8], Result<Format, &str>); 22] = [
        (dly.as_bytes(), Ok(Format::GhcnDly)),
        (&packed, Ok(Format::GhcnDly)),
        (by_year.as_bytes(), Ok(Format::GhcnCsv)),
        (b"\xEF\xBB\xBFID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\n", Ok(Format::GhcnCsv)),
        (ACCESS.as_bytes(), Ok(Format::AccessCsv)),
        (b"STATION,NAME,DATE,TMAX,TMIN\n", Ok(Format::OrderedCsv)),
        (b"\n\ndate,tmin_c,tmax_c\n", Ok(Format::PlainCsv)),
        (b"# logger 7\nstation;date;tmax (\xC2\xB0F);tmin (\xC2\xB0F)\n", Ok(Format::PlainCsv)),
        (br#"[{"DATE":"2026-06-14","STATION":"USW00099902","TMAX":"  301"}]"#, Ok(Format::SummariesJson)),
        (br#"[{"stationTriplet":"9901:XA:SNTL","data":[]}]"#, Ok(Format::AwdbJson)),
        (LIST.as_bytes(), Ok(Format::StationList)),
        (b"", Err("it is empty")),
        (b"PK\x03\x04xxxxxxxx", Err("it is a zip archive: unpack it first")),
        (b"\xFF\xFEd\x00a\x00", Err("it is UTF-16 text: save it as UTF-8")),
        (b"<html><body>503</body></html>", Err("it is a web page or XML, perhaps the error page of a failed download")),
        (
            br#"{"meta":{},"data":[]}"#,
            Err("it looks like an ACIS answer, which does not say what was asked: `weather pull` asks for those"),
        ),
        (
            br#"{"properties":{"maxTemperature":{}}}"#,
            Err("it is a forecast, and no forecast becomes part of the record"),
        ),
        (
            br#"{"features":[{"properties":{"timestamp":"x"}}]}"#,
            Err("it holds hourly observations of a few days: `weather pull` asks for those"),
        ),
        (b"[]", Err("it is an empty list")),
        (b"{\"DATE\":", Err("it begins like JSON but is not (cut short?)")),
        (
            b"USC00999001  35.6123 -135.0456 TMAX 1948 2026\n",
            Err("its first line is none of the formats read here (`USC00999001  35.6123 -135.0456 TMAX 1948 2026`)"),
        ),
        (b"\x00\x01\x02", Err("its first line is none of the formats read here (`\\u{0}\\u{1}\\u{2}`)")),
    ];
    for (at, (bytes, wanted)) in cases.into_iter().enumerate() {
        let folder = folder(&[("file.bin", bytes)]);
        let got = recognise(&folder.path().join("file.bin"));
        match (got, wanted) {
            (Ok(got), Ok(wanted)) => assert_eq!(got, wanted, "case {at}"),
            (Err(ImportError::NotARecord { why, .. }), Err(wanted)) => assert_eq!(why, wanted, "case {at}"),
            (got, wanted) => panic!("case {at}: {got:?}, wanted {wanted:?}"),
        }
    }
}

#[test]
fn a_tar_archive_is_named_as_one() {
    let mut tar = vec![0; 512];
    tar[..5].copy_from_slice(b"a.dly");
    tar[257..262].copy_from_slice(b"ustar");
    let folder = folder(&[("all.tar.gz", &gz(std::str::from_utf8(&tar).unwrap()))]);
    let why = recognise(&folder.path().join("all.tar.gz")).unwrap_err().to_string();
    assert!(why.ends_with("it is a tar archive: unpack it first"), "{why}");
}

#[test]
fn folders_are_walked_and_what_is_no_record_is_left_alone() {
    let folder = folder(&[
        ("a/2025.csv", by_year().as_bytes()),
        ("a/deeper/x.csv.gz", &gz(ACCESS)),
        ("ghcnd-stations.txt", LIST.as_bytes()),
        ("notes.md", b"# about these files"),
        (".hidden/2024.csv", by_year().as_bytes()),
    ]);
    let root = folder.path().to_owned();
    let found = find(&[root.clone(), root.join("a/2025.csv")]).unwrap();
    let names: Vec<_> = found.records.iter().map(|file| file.path.strip_prefix(&root).unwrap().to_owned()).collect();
    assert_eq!(names, [PathBuf::from("a/2025.csv"), PathBuf::from("a/deeper/x.csv.gz")]);
    assert_eq!(found.stations.len(), 2);
    assert_eq!(found.left_alone.len(), 1);
    // Named by itself, the same file is an error.
    assert!(matches!(find(&[root.join("notes.md")]), Err(ImportError::NotARecord { .. })));
    assert!(matches!(find(&[root.join("none")]), Err(ImportError::Unreadable { .. })));
}

#[tokio::test]
async fn an_import_takes_known_stations_and_tells_of_the_others() {
    let store = Store::in_memory().await.unwrap();
    let folder = folder(&[("2025.csv.gz", &gz(&by_year()))]);
    let imported =
        take(&store, &folder.path().join("2025.csv.gz"), &listed(LIST), "2026-01-05T00:00:00Z").await.unwrap();
    let summary = &imported.summary;
    assert_eq!(imported.new_stations, [StationId::from("USC00999001"), StationId::from("USC00999002")]);
    assert_eq!((summary.station_days_taken, summary.values_taken, summary.values_rejected_total()), (56, 110, 2));
    assert_eq!(summary.unknown_stations, BTreeMap::from([("USC00999009".into(), 56)]));
    assert_eq!((imported.added.new, imported.added.unchanged), (112, 0));

    let station = store.station(&"USC00999001".into()).await.unwrap();
    assert_eq!((station.name.as_str(), station.elevation_m), ("EXAMPLE MESA 2 NW", 2103.1));
    assert_eq!(
        station.sources.iter().map(|s| s.feed).collect::<Vec<_>>(),
        [FeedKind::DailySummaries, FeedKind::Acis, FeedKind::GhcnDaily]
    );
    let record = store.record(&station.id).await.unwrap();
    assert!(record.versions.iter().all(|version| version.bulk && version.feed == FeedKind::GhcnDaily));
    // A morning observer: the maximum filed under 1 February belongs to 31 January, the minimum to its own day.
    let first = &record.versions[0];
    assert_eq!(
        (first.day, first.day_reported, first.element, first.value.0),
        (day(2025, 1, 31), day(2025, 2, 1), Element::Max, 101)
    );
    let refused: Vec<_> = record.versions.iter().filter(|version| version.rejected.is_some()).collect();
    assert_eq!(refused.len(), 1);
    assert_eq!((refused[0].day, refused[0].element), (day(2025, 2, 3), Element::Min));
}

#[tokio::test]
async fn importing_again_changes_nothing_even_where_files_disagree() {
    let store = Store::in_memory().await.unwrap();
    let revised = by_year().replace("USC00999001,20250210,TMAX,110", "USC00999001,20250210,TMAX,115");
    let folder = folder(&[("a.csv", by_year().as_bytes()), ("b.csv", revised.as_bytes())]);
    let lists = listed(LIST);
    let mut records = Vec::new();
    for (round, now) in ["2026-01-05T00:00:00Z", "2026-01-06T00:00:00Z", "2026-01-07T00:00:00Z"].into_iter().enumerate()
    {
        for name in ["a.csv", "b.csv"] {
            let imported = take(&store, &folder.path().join(name), &lists, now).await.unwrap();
            let new = match (round, name) {
                (0, "a.csv") => 112,
                (0, _) => 1,
                _ => 0,
            };
            assert_eq!((imported.added.new, imported.added.unchanged), (new, 112 - new), "round {round}, {name}");
        }
        records.push(store.record(&"USC00999001".into()).await.unwrap());
    }
    assert_eq!(records[0].versions.len(), 57);
    assert!(records.iter().all(|record| *record == records[0]));
}

#[tokio::test]
async fn a_file_that_repeats_itself_is_settled_and_told() {
    let store = Store::in_memory().await.unwrap();
    let twice =
        format!("{}USC00999001,20250210,TMAX,115,,,7,0700\nUSC00999001,20250211,TMAX,111,,,7,0700\n", by_year());
    let folder = folder(&[("a.csv", twice.as_bytes())]);
    for now in ["2026-01-05T00:00:00Z", "2026-01-06T00:00:00Z"] {
        let imported = take(&store, &folder.path().join("a.csv"), &listed(LIST), now).await.unwrap();
        assert_eq!(imported.set_aside, 1);
    }
    assert_eq!(store.record(&"USC00999001".into()).await.unwrap().versions.len(), 56);
}

#[tokio::test]
async fn a_file_that_says_where_its_station_is_needs_no_list() {
    let store = Store::in_memory().await.unwrap();
    let folder = folder(&[("x", ACCESS.as_bytes())]);
    let imported = take(&store, &folder.path().join("x"), &BTreeMap::new(), "2026-01-05T00:00:00Z").await.unwrap();
    assert_eq!(imported.new_stations, [StationId::from("USC00999003")]);
    assert_eq!((imported.summary.station_days_taken, imported.summary.values_rejected_total()), (2, 1));
    let station = store.station(&"USC00999003".into()).await.unwrap();
    assert_eq!((station.name.as_str(), station.elevation_m, station.place.latitude), ("THIRD, XA US", 2000.0, 35.6));
}

#[tokio::test]
async fn of_a_broken_file_nothing_stays_in_the_store() {
    // Long enough that the break comes after much that is good.
    let many: String = (0..200).map(|_| by_year()).collect();
    let mut cut = gz(&many);
    cut.truncate(cut.len() - 20);
    let mut flipped = gz(&many);
    let middle = flipped.len() / 2;
    flipped[middle] ^= 0x55;
    let order = format!(
        "STATION,DATE,LATITUDE,LONGITUDE,ELEVATION,TMAX (Degrees Fahrenheit)\n{}USC00999001,14/6/2025,35,-135,2000,60\n",
        (1..=28).map(|d| format!("USC00999001,2/{d}/2025,35,-135,2000,50\n")).collect::<String>()
    );
    for (name, bytes) in [("cut.csv.gz", &cut[..]), ("flipped.csv.gz", &flipped[..]), ("order.csv", order.as_bytes())] {
        let store = Store::in_memory().await.unwrap();
        let folder = folder(&[(name, bytes)]);
        let why = take(&store, &folder.path().join(name), &listed(LIST), "2026-01-05T00:00:00Z").await.unwrap_err();
        match (name, &why) {
            (
                "order.csv",
                ImportFault::File(ImportError::Refused { source: FeedError::DayFirst { line: 30, .. }, .. }),
            ) => {}
            ("cut.csv.gz" | "flipped.csv.gz", ImportFault::File(ImportError::Unreadable { .. })) => {}
            _ => panic!("{name}: {why:?}"),
        }
        assert!(store.all_stations().await.unwrap().is_empty(), "{name}");
    }
}

/// A file knows the eras of an observer as a whole record that is fetched does. Seen failing before: all of it stood on the days
/// that it was filed under, and where the station's own hour was set, every year was moved by that.
#[tokio::test]
async fn a_file_of_years_has_the_hour_of_each_era_found_beside_a_midnight_station() {
    let days = || day(2018, 1, 1).iter_days().take_while(|on| *on < day(2026, 6, 1)).collect::<Vec<_>>();
    let mornings = day(2022, 1, 1);
    let observer = archive_of(days, |on| u64::from(on >= mornings));
    let midnight = archive_of(days, |_| 0).replace(ID, "USW00099902");
    // By name the observer's file comes before that of the station beside which its hours are found.
    let folder = folder(&[("USC.dly", observer.as_bytes()), ("USW00099902.dly", midnight.as_bytes())]);
    let lists = listed(&format!(
        "{ID}  35.3000 -135.0000 2000.0 XA EXAMPLE MESA\nUSW00099902  35.0000 -135.0000 1900.0 XA EXAMPLE FIELD\n"
    ));
    let found = find(&[folder.path().to_owned()]).unwrap();
    let store = Store::in_memory().await.unwrap();
    for (nth, now) in ["2026-06-16T12:00:00Z", "2026-06-17T12:00:00Z"].into_iter().enumerate() {
        let mut last = None;
        for file in &found.records {
            let done = import_file(&store, file, &terms(None), &lists, utc(now), Arc::new(|_, _| {})).await.unwrap();
            assert_eq!(done.added.new > 3000, nth == 0, "{}: {:?}", file.path.display(), done.added);
            assert_eq!((nth == 0 || done.added.new == 0, done.hours_unknown), (true, vec![]));
            last = Some(done.hours);
        }
        let told = last.unwrap();
        assert!(told.iter().all(|(station, _)| *station == ID), "{told:?}");
        let said = |words: &str| told.iter().any(|(_, told)| told.contains(words));
        assert!(said("2018-2021 later in the day or at midnight") && said("2022-2026 in the morning"), "{told:?}");
        assert_eq!(said("its hour of reading is set to 7"), nth == 0, "{told:?}");
    }
    assert_eq!(store.station(&ID.into()).await.unwrap().observation_hour, Some(7));
    for version in store.record(&ID.into()).await.unwrap().versions {
        assert_eq!(version.value.0, wobble(version.day), "{}", version.day);
    }

    // A file that ends with the older era: the hour of today says nothing of it.
    let store = Store::in_memory().await.unwrap();
    let older: String =
        observer.lines().filter(|line| &line[11..15] < "2022").map(|line| format!("{line}\n")).collect();
    std::fs::write(folder.path().join("older.dly"), older).unwrap();
    take(&store, &folder.path().join("USW00099902.dly"), &lists, "2026-06-16T12:00:00Z").await.unwrap();
    let by_hand = StationId::from(ID);
    store
        .add_station(&treebell::service::import::new_station(&lists[&by_hand], chrono_tz::America::Denver).unwrap())
        .await
        .unwrap();
    let mut station = store.station(&by_hand).await.unwrap();
    station.observation_hour = Some(7);
    store.change_station(&station).await.unwrap();
    take(&store, &folder.path().join("older.dly"), &lists, "2026-06-16T12:00:00Z").await.unwrap();
    let record = store.record(&by_hand).await.unwrap();
    assert!(record.versions.len() > 1000 && record.versions.iter().all(|one| one.day == one.day_reported));

    // With nothing to be held against, the file says what it lacks.
    let store = Store::in_memory().await.unwrap();
    let done = take(&store, &folder.path().join("USC.dly"), &lists, "2026-06-16T12:00:00Z").await.unwrap();
    assert_eq!((done.hours, done.hours_unknown), (vec![], vec![StationId::from(ID)]));
}

#[test]
fn unreadable_lines_are_counted_by_reason_with_a_few_examples() {
    let mut text = by_year();
    for n in 0..20 {
        text += &format!("USC00999001,202503{n:02},TMAX\n");
    }
    text += "USC00999001,20250399,TMAX,1,,,7,\n";
    let folder = folder(&[("a.csv", text.as_bytes())]);
    let file = FoundFile { path: folder.path().join("a.csv"), format: Format::GhcnCsv, size: 0 };
    let known = HashSet::from([StationId::from("USC00999001")]);
    let summary = survey(&file, &Options::default(), &known, &|_| {}).unwrap();
    let counts: Vec<_> = summary.lines_rejected.iter().map(|(reason, count)| (*reason, *count)).collect();
    assert_eq!(counts, [("not a date of the form YYYYMMDD", 1), ("not the eight fields of a GHCN-Daily row", 20)]);
    assert_eq!(summary.examples.len(), 5);
    assert_eq!(summary.examples[0].place, "line 169");
}

#[tokio::test]
async fn everything_beside_the_project_imports_twice_with_one_result() {
    let Some(data) = shared("import of everything", "data") else { return };
    let found = find(std::slice::from_ref(&data)).unwrap();
    assert_eq!((found.records.len(), found.stations.len()), (21, 14));
    let store = Store::in_memory().await.unwrap();
    let mut sizes = Vec::new();
    for now in ["2026-01-05T00:00:00Z", "2026-01-06T00:00:00Z"] {
        let (mut taken, mut new) = (0, 0);
        for file in &found.records {
            // The orders do not tell their unit; the archive's own files do.
            let terms = terms(Some(Unit::Fahrenheit));
            let imported = import_file(&store, file, &terms, &found.stations, utc(now), Arc::new(|_, _| {})).await;
            let imported = imported.unwrap_or_else(|why| panic!("{}: {why}", file.path.display()));
            taken += imported.summary.station_days_taken;
            new += imported.added.new;
        }
        sizes.push((taken, new));
    }
    // 14 station files (479 761 station-days), the access CSV (15 618), the order that says where it was made (21 166),
    // and two stations of the 14 on one day of the by-year piece.
    assert_eq!(sizes[0].0, 479_761 + 15_618 + 21_166 + 2);
    assert_eq!(sizes[1], (sizes[0].0, 0));
}
