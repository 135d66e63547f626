//! Three regions added by the program on real records of GHCN-Daily (beside the project), served as ACIS and the weather
//! service serve theirs: one ZIP code alone, one over two bands, one grid point. Then their past is played.
//!
//! The years are moved: what was 2017 is last year, so that stations report whenever this is run. Places have invented ZIP
//! codes.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use chrono::{Datelike, NaiveDate};
use serde_json::{Value, json};
use treebell::clock::{Clock, SystemClock};
use treebell::geo::{Point, distance_km};
use treebell::weather::Element;
use treebell::weather::feeds::{LineParser, Parsed, ghcn_dly};
use wiremock::matchers::{path, path_regex};
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

use super::add::{ok, run};
use super::services::count;
use crate::support::shared;

/// Latitude, longitude and height of what is served, from the list beside the records.
const STATIONS: [(&str, f64, f64, f64); 5] = [
    ("USC00290692", 36.8350, -108.0006, 1720.3),
    ("USC00291664", 36.9178, -106.5781, 2392.7),
    ("USC00292608", 36.9358, -107.0000, 2070.5),
    ("USC00295150", 34.7675, -106.7611, 1475.2),
    ("USC00295960", 32.9542, -105.8231, 2075.1),
];
/// Whose record stands for the grid's estimates, far from all that is served.
const GRID: (&str, f64, f64) = ("USC00295960", 35.2, -104.2);

/// The last year that all of these have.
const LAST: i32 = 2017;
/// Ten are enough to be projected from.
const SEASONS: i32 = 11;

/// Whole degrees Fahrenheit, as both services give them.
type Days = BTreeMap<NaiveDate, [Option<i32>; 2]>;

struct Record {
    id: &'static str,
    place: Point,
    elevation_m: f64,
    days: Days,
}

/// The day of the record that stands for a day of now: last year is [`LAST`], and this year is the one before the first.
fn moved(day: NaiveDate, this_year: i32) -> Option<NaiveDate> {
    let year = if day.year() == this_year { LAST - SEASONS } else { LAST + 1 + day.year() - this_year };
    day.with_year(year)
}

fn read(folder: &Path, id: &str, today: NaiveDate) -> Days {
    let mut bytes = Vec::new();
    let file = std::fs::File::open(folder.join(format!("{id}.dly.gz"))).unwrap();
    flate2::read::GzDecoder::new(file).read_to_end(&mut bytes).unwrap();
    let (mut lines, mut parsed) = (ghcn_dly::DlyLines::default(), Parsed::default());
    for (number, line) in (1..).zip(bytes.split(|byte| *byte == b'\n').filter(|line| !line.is_empty())) {
        lines.line(number, line, &mut parsed).unwrap();
    }
    let mut known = Days::new();
    for reading in parsed.readings.iter().filter(|one| one.source_rejects.is_none() && one.day_reported.year() >= 2000)
    {
        let fahrenheit = (f64::from(reading.value.0) / 10.0 * 1.8 + 32.0).round() as i32;
        known.entry(reading.day_reported).or_default()[usize::from(reading.element == Element::Min)] = Some(fahrenheit);
    }
    let first = NaiveDate::from_ymd_opt(today.year() - SEASONS, 1, 1).unwrap();
    let of = |day: NaiveDate| moved(day, today.year()).and_then(|then| known.get(&then)).copied().unwrap_or_default();
    first.iter_days().take_while(|day| *day < today).map(|day| (day, of(day))).collect()
}

fn feet(metres: f64) -> f64 {
    (metres / 0.3048).round()
}

fn asked(request: &Request) -> Value {
    serde_json::from_slice(&request.body).unwrap()
}

fn answer(body: Value) -> ResponseTemplate {
    ResponseTemplate::new(200).set_body_json(body)
}

fn date(value: &Value) -> Option<NaiveDate> {
    value.as_str()?.parse().ok()
}

/// The days of a question, all of them for `por`.
fn days<'a>(of: &'a Days, asked: &Value) -> impl Iterator<Item = (NaiveDate, [Option<i32>; 2])> + 'a {
    let from = date(&asked["sdate"]).unwrap_or(NaiveDate::MIN);
    let to = date(&asked["edate"]).unwrap_or(NaiveDate::MAX);
    of.iter().filter(move |(day, _)| (from..=to).contains(*day)).map(|(day, values)| (*day, *values))
}

/// As with `add: f,t`: no flag, and the hour, which these observers' source does not tell.
fn flagged(value: Option<i32>) -> Value {
    json!([value.map_or("M".to_owned(), |value| value.to_string()), " ", -1])
}

async fn serve(records: Arc<Vec<Record>>, grid: Days) -> MockServer {
    let server = MockServer::start().await;
    let known = Arc::clone(&records);
    let listing = move |request: &Request| {
        let asked = asked(request);
        let sides: Option<Vec<f64>> =
            asked["bbox"].as_str().map(|bbox| bbox.split(',').map(|side| side.parse().unwrap()).collect());
        let is_asked = |record: &&Record| match &sides {
            Some(sides) => {
                (sides[0]..=sides[2]).contains(&record.place.longitude)
                    && (sides[1]..=sides[3]).contains(&record.place.latitude)
            }
            None => asked["sids"].as_str().is_some_and(|sid| sid.starts_with(record.id)),
        };
        let entry = |record: &Record| {
            let range = json!([record.days.keys().next().unwrap().to_string(), "9999-12-31"]);
            json!({"uid": feet(record.elevation_m) as u64, "name": format!("STATION {}", &record.id[7..]), "state": "XA",
                "sids": [format!("{} 6", record.id)], "ll": [record.place.longitude, record.place.latitude],
                "elev": feet(record.elevation_m), "valid_daterange": [range, range]})
        };
        answer(json!({"meta": known.iter().filter(is_asked).map(entry).collect::<Vec<_>>()}))
    };
    Mock::given(path("/acis/StnMeta")).respond_with(listing).mount(&server).await;
    let known = Arc::clone(&records);
    let season = move |request: &Request| {
        let asked = asked(request);
        let sids: Vec<&str> = asked["sids"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        let of = |sid: &&str| {
            let record = known.iter().find(|record| sid.starts_with(record.id))?;
            let rows: Vec<Value> = days(&record.days, &asked).map(|(_, values)| json!(values.map(flagged))).collect();
            // Up to the last day asked for, today, which nobody has yet.
            let rows: Vec<Value> = rows.into_iter().chain([json!([flagged(None), flagged(None)])]).collect();
            Some(json!({"meta": {"uid": 1, "sids": [sid]}, "data": rows}))
        };
        answer(json!({"data": sids.iter().filter_map(of).collect::<Vec<_>>()}))
    };
    Mock::given(path("/acis/MultiStnData")).respond_with(season).mount(&server).await;
    let known = Arc::clone(&records);
    let whole = move |request: &Request| {
        let asked = asked(request);
        let record = known.iter().find(|record| asked["sid"].as_str().unwrap().starts_with(record.id)).unwrap();
        let row =
            |(day, [max, min]): (NaiveDate, [Option<i32>; 2])| json!([day.to_string(), flagged(max), flagged(min)]);
        answer(json!({"meta": {"uid": 1}, "data": days(&record.days, &asked).map(row).collect::<Vec<_>>()}))
    };
    Mock::given(path("/acis/StnData")).respond_with(whole).mount(&server).await;
    let cell = move |request: &Request| {
        let asked = asked(request);
        let value = |value: Option<i32>| value.unwrap_or(-999);
        // A day of this grid ends in the morning: its maximum is yesterday's.
        let yesterday = |day: NaiveDate| day.pred_opt().and_then(|day| grid.get(&day)).and_then(|values| values[0]);
        let row = |(day, [_, min]): (NaiveDate, [Option<i32>; 2])| {
            json!([day.to_string(), value(yesterday(day)), value(min)])
        };
        let mut rows: Vec<Value> = days(&grid, &asked).map(row).collect();
        if rows.is_empty() {
            rows.push(json!([asked["sdate"], 70, 40]));
        }
        answer(json!({"meta": {"ll": [GRID.2, GRID.1], "elev": feet(2075.1)}, "data": rows}))
    };
    Mock::given(path("/acis/GridData")).respond_with(cell).mount(&server).await;

    let geo = |body: Value| {
        ResponseTemplate::new(200)
            .set_body_raw(json!({"type": "Feature", "properties": body}).to_string(), "application/geo+json")
    };
    let known: Vec<(Point, f64)> = records.iter().map(|record| (record.place, record.elevation_m)).collect();
    let point = move |request: &Request| {
        let text = request.url.path().trim_start_matches("/nws/points/").to_owned();
        let (latitude, longitude) = text.split_once(',').unwrap();
        let place = Point { latitude: latitude.parse().unwrap(), longitude: longitude.parse().unwrap() };
        let near = known.iter().min_by(|a, b| distance_km(place, a.0).total_cmp(&distance_km(place, b.0))).unwrap();
        // The number of the cell tells its height to the cell's own answer.
        let metres = if distance_km(place, near.0) < 50.0 { near.1 } else { 2075.1 };
        geo(json!({"gridId": "ZZZ", "gridX": metres as i64, "gridY": 1, "type": "land", "timeZone": "America/Denver",
            "county": "https://api.weather.gov/zones/county/XAC001",
            "relativeLocation": {"properties": {"city": "Sample", "state": "XA"}}}))
    };
    Mock::given(path_regex("^/nws/points/")).respond_with(point).mount(&server).await;
    let height = move |request: &Request| {
        let cell =
            request.url.path().rsplit('/').next().unwrap_or_default().split(',').next().unwrap_or_default().to_owned();
        geo(json!({"elevation": {"unitCode": "wmoUnit:m", "value": cell.parse::<f64>().unwrap()}}))
    };
    Mock::given(path_regex("^/nws/gridpoints/")).respond_with(height).mount(&server).await;
    let county = geo(json!({"id": "XAC001", "type": "county", "name": "Sample", "state": "XA"}));
    Mock::given(path("/nws/zones/county/XAC001")).respond_with(county).mount(&server).await;
    server
}

/// Of each region the median of the days of the year on which our number was reached, and of how many seasons.
fn stories(folder: &Path) -> BTreeMap<String, (i64, usize)> {
    let (code, out, err) = run(folder, "replay --all-seasons --json");
    assert_eq!(code, 0, "{err}");
    // Nobody sees a bar here: each season says when it is done.
    let played: BTreeSet<&str> = err.lines().filter(|line| line.contains(" played: ")).collect();
    assert!(played.len() as i32 >= SEASONS && err.contains(" seasons of regions"), "{err}");
    let document: Value = serde_json::from_str(&out).unwrap();
    let mut reached: BTreeMap<String, Vec<i64>> = BTreeMap::new();
    let mut seasons: BTreeMap<String, BTreeSet<i64>> = BTreeMap::new();
    for season in document["seasons"].as_array().unwrap() {
        let (region, year) = (season["region"].as_str().unwrap().to_owned(), season["year"].as_i64().unwrap());
        assert!(seasons.entry(region.clone()).or_default().insert(year), "{region}: {year} twice");
        let day = |value: &Value| date(value).map(|day| i64::from(day.ordinal()));
        let Some(opened) = day(&season["opened"]) else { continue };
        // From a warm February to the middle of summer, and closed some weeks later.
        assert!((40..=200).contains(&opened), "{region} {year}: day {opened}");
        if let Some(closed) = day(&season["closed"]) {
            assert!((opened + 7..opened + 90).contains(&closed), "{region} {year}: {opened} to {closed}");
        }
        reached.entry(region).or_default().push(opened);
    }
    let story = |(region, mut days): (String, Vec<i64>)| {
        days.sort_unstable();
        println!("{region}: {} seasons, number reached on days {days:?}", seasons[&region].len());
        let (middle, count) = (days[days.len() / 2], seasons[&region].len());
        (region, (middle, count))
    };
    reached.into_iter().map(story).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn three_regions_on_real_records_are_added_from_names_and_zip_codes_and_tell_their_past() {
    let Some(folder) = shared("three regions on real records", "data/ghcn-daily") else { return };
    let today = SystemClock.now().with_timezone(&chrono_tz::America::Denver).date_naive();
    let of = |(id, latitude, longitude, elevation_m): (&'static str, f64, f64, f64)| Record {
        id,
        place: Point { latitude, longitude },
        elevation_m,
        days: read(&folder, id, today),
    };
    let records = Arc::new(STATIONS.map(of).into_iter().collect::<Vec<_>>());
    let server = serve(records, read(&folder, GRID.0, today)).await;

    let home = tempfile::tempdir().unwrap();
    let path = home.path();
    let at = server.uri();
    let settings = format!(
        "[log]\nlevel = \"error\"\n[schedule]\ntime_zone = \"America/Phoenix\"\n[feeds]\ncontact = \"heat@example.org\"\ntries = 1\n\
         [feeds.nws]\nbase_url = \"{at}/nws/\"\n[feeds.acis]\nbase_url = \"{at}/acis/\"\n"
    );
    std::fs::write(path.join("treebell.toml"), settings).unwrap();
    let places =
        format!("zip,latitude,longitude\n00201,34.78,-106.75\n00202,36.93,-106.98\n00203,{},{}\n", GRID.1, GRID.2);
    std::fs::write(path.join("places.csv"), places).unwrap();
    ok(path, "store init");
    ok(path, "place import places.csv");

    // For the upper band a person names the station at its height, which the table of the lower one shows.
    let mut before = 0;
    for (line, wanted) in [
        ("region add valle --name Valle --zip 00201", "USC00295150"),
        ("region add baja --name Baja --zip 00202 --band-ft ..7000", "USC00292608"),
        (
            "region add alta --name Alta --zip 00202 --band-ft 7000.. --elevation-ft 7850 --station USC00291664",
            "USC00291664",
        ),
        ("region add lejos --name Lejos --zip 00203 --grid-point", "GRID-35.2000N-104.2000W"),
    ] {
        let told = ok(path, &format!("{line} --yes"));
        println!("$ treebell {line} --yes\n{told}");
        let requests = count(&server, "/").await;
        assert!(requests - before <= 10, "{line}: {} requests", requests - before);
        before = requests;
        let region = line.split(' ').nth(2).unwrap();
        let shown: Value = serde_json::from_str(&run(path, &format!("region show {region} --json")).1).unwrap();
        assert_eq!((&shown["stations"][0], &shown["time_zone"]), (&wanted.into(), &"America/Denver".into()), "{told}");
    }

    let told = stories(path);
    for (region, (_, seasons)) in &told {
        assert!(*seasons as i32 >= SEASONS, "{region}: a season a year, and not {seasons}");
    }
    // Later higher up: 1,475 m, 2,070 m and 2,393 m.
    let [valle, baja, alta, lejos] = ["valle", "baja", "alta", "lejos"].map(|region| told[region].0);
    assert!(valle + 7 <= baja && baja + 7 <= alta, "{valle} {baja} {alta}");
    assert!(valle < lejos && lejos < alta, "{valle} {lejos} {alta}");
}
