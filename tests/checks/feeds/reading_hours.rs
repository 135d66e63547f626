//! The hour of reading found in real records (GHCN-Daily, beside the project), where it is known: airports read at midnight.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use chrono::{DateTime, NaiveDate};
use treebell::geo::{Point, distance_km};
use treebell::weather::feeds::{LineParser, Parsed, ghcn_dly};
use treebell::weather::reading_hour::{Reads, clear_years, eras, filed_maxima};
use treebell::weather::record::RawSeries;
use treebell::weather::{Element, FeedKind, StationRecord, TenthsC, Version};

use crate::support::shared;

/// Filed maxima of all stations at hand, with their places.
fn maxima() -> Option<BTreeMap<String, (Point, RawSeries)>> {
    let what = "the hour of reading on real records";
    let (first, more) = (shared(what, "data/ghcn-daily")?, shared(what, "more/daily")?);
    let mut all = BTreeMap::new();
    for folder in [&first, &more] {
        let list = std::fs::read(folder.join("ghcnd-stations.txt")).unwrap();
        for line in String::from_utf8_lossy(&list).lines() {
            let id = line[..11].to_owned();
            let number = |from: usize, to: usize| line[from..to].trim().parse::<f64>().unwrap();
            let place = Point { latitude: number(12, 20), longitude: number(21, 30) };
            let days = read_dly(&folder.join(format!("{id}.dly.gz")))
                .or_else(|| read_csv(&folder.join(format!("{id}.csv.gz"))));
            if let Some(days) = days {
                all.insert(id, (place, filed_maxima(&StationRecord { versions: days })));
            }
        }
    }
    Some(all)
}

fn unpacked(path: &Path) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    flate2::read::GzDecoder::new(std::fs::File::open(path).ok()?).read_to_end(&mut bytes).unwrap();
    Some(bytes)
}

fn maximum(day: NaiveDate, value: TenthsC) -> Version {
    Version {
        day,
        element: Element::Max,
        value,
        feed: FeedKind::GhcnDaily,
        day_reported: day,
        sampled: false,
        rejected: None,
        received_at: DateTime::UNIX_EPOCH,
        bulk: true,
    }
}

fn read_dly(path: &Path) -> Option<Vec<Version>> {
    let (mut lines, mut parsed) = (ghcn_dly::DlyLines::default(), Parsed::default());
    for (number, line) in (1..).zip(unpacked(path)?.split(|byte| *byte == b'\n').filter(|line| !line.is_empty())) {
        lines.line(number, line, &mut parsed).unwrap();
    }
    let good = parsed.readings.iter().filter(|r| r.element == Element::Max && r.source_rejects.is_none());
    Some(good.map(|reading| maximum(reading.day_reported, reading.value)).collect())
}

/// `date,tmax_c,tmin_c`.
fn read_csv(path: &Path) -> Option<Vec<Version>> {
    let text = String::from_utf8(unpacked(path)?).unwrap();
    let days = text.lines().skip(1).filter_map(|line| {
        let mut fields = line.split(',');
        let day = fields.next()?.parse().ok()?;
        Some(maximum(day, TenthsC::from_c(fields.next()?.parse().ok()?)))
    });
    Some(days.collect())
}

/// The nearest airport within some distance.
fn airport<'a>(
    all: &'a BTreeMap<String, (Point, RawSeries)>,
    id: &str,
    within_km: f64,
) -> Option<(f64, &'a str, &'a RawSeries)> {
    let place = all[id].0;
    all.iter()
        .filter(|(other, _)| other.starts_with("USW") && *other != id)
        .map(|(other, (there, series))| (distance_km(place, *there), other.as_str(), series))
        .filter(|(km, ..)| *km <= within_km)
        .min_by(|a, b| a.0.total_cmp(&b.0))
}

/// Airports read at midnight (the note beside the records); held against the next airport they must look like it. The three
/// mountain states' airports lie far apart, so the reach is longer than the 75 km that the program goes.
#[test]
fn airports_are_seen_to_read_at_midnight() {
    let Some(all) = maxima() else { return };
    let (mut clear, mut wrong, mut eras_wrong) = (0, Vec::new(), Vec::new());
    for (id, (_, series)) in all.iter().filter(|(id, _)| id.starts_with("USW")) {
        let Some((_, other, there)) = airport(&all, id, 250.0) else { continue };
        let years = clear_years(series, there);
        clear += years.len();
        wrong.extend(years.iter().filter(|year| year.1 != Reads::SameDay).map(|year| (id.clone(), other, year.0)));
        eras_wrong.extend(eras(series, there).into_iter().filter(|era| era.reads != Reads::SameDay));
    }
    println!("{clear} clear years of airports, {} look like a morning reader's: {wrong:?}", wrong.len());
    assert!(clear > 400, "{clear}");
    // At most one year in a hundred, and never two in a row, which would make an era.
    assert!(wrong.len() * 100 <= clear, "{wrong:?}");
    assert!(eras_wrong.is_empty(), "{eras_wrong:?}");
}

/// Observers within the program's own reach of an airport. Their hours are not told in these files; that this one went over to
/// mornings in the 1970s is what its maxima show against an airport that kept its midnight.
#[test]
fn an_observer_who_went_over_to_mornings_is_seen_on_a_real_record() {
    let Some(all) = maxima() else { return };
    for id in all.keys().filter(|id| id.starts_with("USC")) {
        if let Some((km, other, there)) = airport(&all, id, 75.0) {
            let words: Vec<String> = eras(&all[id].1, there).iter().map(|era| era.words()).collect();
            println!("{id} beside {other}, {km:.0} km: {}", words.join("; "));
        }
    }
    let (km, other, there) = airport(&all, "USC00298535", 75.0).unwrap();
    let found: Vec<_> = eras(&all["USC00298535"].1, there).into_iter().map(|era| (era.first, era.reads)).collect();
    assert_eq!((km.round(), other), (63.0, "USW00023044"));
    assert_eq!(found, [(1959, Reads::SameDay), (1975, Reads::Morning)]);
}
