//! No parser panics, hangs or makes up values, whatever the bytes: noise, and good answers with something broken.

use proptest::prelude::*;
use treebell::weather::feeds::acis::Question;
use treebell::weather::feeds::{
    FeedError, Parsed, Unit, access_csv, acis, awdb, daily_summaries, ghcn_csv, ghcn_dly, nws, plain_csv,
};
use treebell::weather::{FeedKind, StationId};

use super::{day, utc};

const DLY: &str = "USC00999001202606TMAX  183  7  206  7-9999     461 I7  194L 7\nUSC00999001202606TMIN   83  7  106  7-9999      61  7   94  7\n";
const BY_YEAR: &str = "ID,DATE,ELEMENT,DATA_VALUE,M_FLAG,Q_FLAG,S_FLAG,OBS_TIME\nUSC00999001,20260614,TMAX,289,,,7,0700\nUSC00999001,20260614,TMIN,72,H,X,7,2400\n";
const ACCESS: &str = "\"STATION\",\"DATE\",\"LATITUDE\",\"LONGITUDE\",\"ELEVATION\",\"NAME\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"\n\"USC00999001\",\"2026-06-14\",\"35.6123\",\"-135.0456\",\"2103.1\",\"EXAMPLE MESA, XA US\",\"  289\",\",,7\",\"   72\",\",,7,0700\"\n";
const ORDER: &str = "STATION,NAME,DATE,TMAX,TMIN\nUSC00999001,\"A, B\",6/14/2026,84,45\n";
const SUMMARIES: &str = r#"[{"DATE":"2026-06-14","STATION":"USW00099902","TMAX":"  301","TMAX_ATTRIBUTES":",,W,2400","TMIN":"  117","LATITUDE":"35.1"}]"#;
const STATION: &str = r#"{"meta":{"uid":1},"data":[["2026-06-12",["84"," ",7],["45"," ",7]],["2026-06-13",["M"," ",-1],["0.45A"," ",-1]]]}"#;
const MANY: &str =
    r#"{"data":[{"meta":{"sids":["A 6"]},"data":[[["84"," ",7],["45"," ",7]],[["M"," ",-1],["M"," ",-1]]]}]}"#;
const HOURS: &str = r#"{"features":[{"properties":{"timestamp":"2026-06-14T20:53:00+00:00","temperature":{"unitCode":"wmoUnit:degC","value":27.8,"qualityControl":"V"}}}],"pagination":{"next":"https://example.org/x"}}"#;
const GRID: &str = r#"{"properties":{"updateTime":"2026-06-14T11:20:00+00:00","maxTemperature":{"uom":"wmoUnit:degC","values":[{"validTime":"2026-06-14T14:00:00+00:00/P1DT13H","value":28.3}]},"minTemperature":{"uom":"wmoUnit:degC","values":[{"validTime":"2026-06-15T02:00:00+00:00/PT14H","value":7.2}]}}}"#;
const SNOTEL: &str = r#"[{"stationTriplet":"9901:XA:SNTL","data":[{"stationElement":{"elementCode":"TMAX","durationName":"DAILY","storedUnitCode":"degF"},"values":[{"date":"2026-06-13","value":71.2,"qcFlag":"V"}]}]}]"#;
const PLAIN: &str = "date;tmin_c;tmax_c\n2026-06-14;7,2;28,9\n";

type Parser = fn(&[u8]) -> Result<Parsed, FeedError>;

fn question() -> Question<'static> {
    Question::ours(day(2026, 6, 12), day(2026, 6, 13))
}

fn parsers() -> Vec<(&'static str, &'static str, Parser)> {
    fn access(bytes: &[u8]) -> Result<Parsed, FeedError> {
        access_csv::parse(bytes, None, FeedKind::GhcnDaily)
    }
    fn order(bytes: &[u8]) -> Result<Parsed, FeedError> {
        daily_summaries::parse_csv(bytes, Some(Unit::Fahrenheit))
    }
    fn summaries(bytes: &[u8]) -> Result<Parsed, FeedError> {
        daily_summaries::parse_json(bytes, None)
    }
    fn station(bytes: &[u8]) -> Result<Parsed, FeedError> {
        acis::parse_station(bytes, &"A".into(), &question())
    }
    fn many(bytes: &[u8]) -> Result<Parsed, FeedError> {
        let parts = acis::parse_many(bytes, &question(), |sids| sids.first().map(|_| StationId::from("A")))?;
        let mut all = Parsed::default();
        parts.into_iter().for_each(|part| all.readings.extend(part.parsed.readings));
        Ok(all)
    }
    fn hours(bytes: &[u8]) -> Result<Parsed, FeedError> {
        let page = nws::parse_observations(bytes)?;
        Ok(nws::daily_extremes(&"A".into(), &page.temperatures, chrono_tz::America::Denver))
    }
    fn grid(bytes: &[u8]) -> Result<Parsed, FeedError> {
        let now = utc("2026-06-14T12:00:00Z");
        nws::parse_forecast(bytes, &"A".into(), chrono_tz::America::Denver, now).map(|forecast| forecast.parsed)
    }
    fn places(bytes: &[u8]) -> Result<Parsed, FeedError> {
        let _ = (nws::parse_point(bytes), nws::parse_stations(bytes));
        Ok(Parsed::default())
    }
    fn plain(bytes: &[u8]) -> Result<Parsed, FeedError> {
        plain_csv::parse(bytes, &"A".into(), None)
    }
    vec![
        ("dly", DLY, ghcn_dly::parse),
        ("by-year", BY_YEAR, ghcn_csv::parse),
        ("access", ACCESS, access),
        ("order", ORDER, order),
        ("summaries", SUMMARIES, summaries),
        ("acis station", STATION, station),
        ("acis many", MANY, many),
        ("nws hours", HOURS, hours),
        ("nws grid", GRID, grid),
        ("nws places", r#"{"properties":{"gridId":"ZZZ","gridX":1,"gridY":2}}"#, places),
        ("awdb", SNOTEL, awdb::parse),
        ("plain", PLAIN, plain),
    ]
}

/// One thing broken in a good answer.
#[derive(Clone, Debug)]
enum Damage {
    Cut(prop::sample::Index),
    Byte(prop::sample::Index, u8),
    Insert(prop::sample::Index, Vec<u8>),
    Remove(prop::sample::Index, usize),
    Repeat(prop::sample::Index, prop::sample::Index),
}

fn damage() -> impl Strategy<Value = Damage> {
    let at = any::<prop::sample::Index>;
    // Characters that mean something to one of the formats come more often than chance would have them.
    let meaning = prop::sample::select(b"\"',;:/[]{}-+.0159eMATPZ \n\r\t\x00\xff\xc3".to_vec());
    prop_oneof![
        at().prop_map(Damage::Cut),
        (at(), prop_oneof![meaning, any::<u8>()]).prop_map(|(at, byte)| Damage::Byte(at, byte)),
        (at(), prop::collection::vec(any::<u8>(), 1..12)).prop_map(|(at, bytes)| Damage::Insert(at, bytes)),
        (at(), 1..20_usize).prop_map(|(at, count)| Damage::Remove(at, count)),
        (at(), at()).prop_map(|(from, to)| Damage::Repeat(from, to)),
    ]
}

fn damaged(good: &str, damages: &[Damage]) -> Vec<u8> {
    let mut bytes = good.as_bytes().to_vec();
    for one in damages {
        if bytes.is_empty() {
            break;
        }
        let size = bytes.len();
        match one {
            Damage::Cut(at) => bytes.truncate(at.index(size)),
            Damage::Byte(at, byte) => bytes[at.index(size)] = *byte,
            Damage::Insert(at, more) => {
                let at = at.index(size);
                bytes.splice(at..at, more.iter().copied());
            }
            Damage::Remove(at, count) => {
                let at = at.index(size);
                bytes.drain(at..(at + count).min(size));
            }
            Damage::Repeat(from, to) => {
                let (a, b) = (from.index(size), to.index(size));
                let piece = bytes[a.min(b)..a.max(b)].to_vec();
                bytes.splice(a..a, piece);
            }
        }
    }
    bytes
}

/// What holds for anything a parser gives.
fn check(name: &str, result: &Result<Parsed, FeedError>) {
    match result {
        Ok(parsed) => {
            for reading in &parsed.readings {
                assert!(reading.observation_hour.is_none_or(|hour| hour <= 24), "{name}: {reading:?}");
                assert!(reading.value.0.abs() <= 1_000_000, "{name}: {reading:?}");
                assert!((1..=40).contains(&reading.station.0.len()), "{name}: {reading:?}");
            }
            for line in &parsed.rejected_lines {
                assert!(!line.to_string().contains(|c: char| c.is_control()), "{name}: {line:?}");
                assert!(line.seen.chars().count() <= 61, "{name}: {line:?}");
            }
        }
        Err(why) => assert!(!why.to_string().contains(|c: char| c.is_control()), "{name}: {why:?}"),
    }
}

#[test]
fn the_samples_that_are_broken_below_are_good() {
    for (name, good, parse) in parsers() {
        let parsed = parse(good.as_bytes()).unwrap_or_else(|why| panic!("{name}: {why}"));
        check(name, &Ok(parsed.clone()));
        let silent = ["nws places", "nws hours"].contains(&name);
        assert!(silent || !parsed.readings.is_empty(), "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn noise_is_refused_or_told(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        for (name, _, parse) in parsers() {
            check(name, &parse(&bytes));
        }
    }

    #[test]
    fn broken_answers_are_refused_or_told(damages in prop::collection::vec(damage(), 1..6)) {
        for (name, good, parse) in parsers() {
            check(name, &parse(&damaged(good, &damages)));
        }
    }

    #[test]
    fn every_cell_of_a_station_file_is_a_reading_a_gap_or_told(values in prop::collection::vec("[ 0-9x-]{5}", 30)) {
        let cells: String = values.iter().map(|value| format!("{value}  7")).collect();
        let parsed = ghcn_dly::parse(format!("USC00999001202606TMAX{cells}\n").as_bytes()).unwrap();
        prop_assert_eq!(parsed.readings.len() + parsed.missing as usize + parsed.rejected_lines.len(), 30);
    }
}
