//! A TOML file of regions, as `treebell region import` reads it.

use chrono_tz::Tz;
use serde::Deserialize;

use crate::commands::args::zone;
use crate::geo::Point;
use crate::id::StationId;
use crate::region::{OwnerReports, Region, RegionId, Release, Zip};

/// A file of regions.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RegionFile {
    #[serde(default)]
    region: Vec<RegionEntry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RegionEntry {
    id: RegionId,
    name: String,
    zips: Vec<String>,
    latitude: f64,
    longitude: f64,
    elevation_m: f64,
    time_zone: Option<String>,
    stations: Vec<StationId>,
    #[serde(default = "usual_profile")]
    profile: String,
    release: Option<String>,
    owner_reports: Option<String>,
}

fn usual_profile() -> String {
    "pinyon-needle-scale".into()
}

/// Every fault of the file at once, or its regions.
pub(super) fn read_regions(text: &str, usual_zone: Tz) -> Result<Vec<Region>, Vec<String>> {
    let file: RegionFile = toml::from_str(text).map_err(|why| vec![why.to_string().trim_end().to_owned()])?;
    if file.region.is_empty() {
        return Err(vec!["there is no [[region]] in it".into()]);
    }
    let mut faults = Vec::new();
    let mut regions: Vec<Region> = Vec::new();
    for entry in file.region {
        let mut wrong = |what: String| faults.push(format!("region `{}`: {what}", entry.id));
        let zips =
            entry.zips.iter().filter_map(|text| Zip::parse(text).map_err(|why| wrong(why.to_string())).ok()).collect();
        let time_zone = match entry.time_zone.as_deref().map(zone) {
            None => usual_zone,
            Some(Ok(zone)) => zone,
            Some(Err(why)) => {
                wrong(why);
                usual_zone
            }
        };
        let release = match entry.release.as_deref().unwrap_or("unless-held:24").parse() {
            Ok(release) => release,
            Err(why) => {
                wrong(format!("{why}"));
                Release::WhenConfirmed
            }
        };
        let owner_reports = entry.owner_reports.as_deref().map_or(Ok(OwnerReports::default()), str::parse);
        let owner_reports = owner_reports.unwrap_or_else(|why| {
            wrong(format!("{why}"));
            OwnerReports::WhenConfirmed
        });
        let region = Region {
            id: entry.id.clone(),
            name: entry.name,
            place: Point { latitude: entry.latitude, longitude: entry.longitude },
            elevation_m: entry.elevation_m,
            time_zone,
            profile: entry.profile,
            zips,
            stations: entry.stations,
            release,
            owner_reports,
            retired: false,
        };
        for fault in region.faults() {
            // Bad ZIP codes were named above.
            if !(region.zips.is_empty() && !entry.zips.is_empty() && fault.contains("ZIP")) {
                wrong(fault);
            }
        }
        for other in &regions {
            if other.id == region.id {
                wrong("it stands in the file twice".into());
            }
            for zip in region.zips.iter().filter(|zip| other.zips.contains(zip)) {
                wrong(format!("ZIP code {zip} belongs to region `{}` of the same file", other.id));
            }
        }
        regions.push(region);
    }
    if faults.is_empty() { Ok(regions) } else { Err(faults) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
        [[region]]
        id = "dos-vientos"
        name = "Dos Vientos"
        zips = ["00201", "00202"]
        latitude = 32.75
        longitude = -134.95
        elevation_m = 1565
        stations = ["ALT-VIE"]
        release = "at-once"
    "#;

    fn faults(text: &str) -> String {
        read_regions(text, Tz::America__Denver).map_or_else(|faults| faults.join("\n"), |_| "none".into())
    }

    #[test]
    fn a_file_of_regions_is_read() {
        let regions = read_regions(GOOD, Tz::America__Denver).unwrap();
        assert_eq!((regions.len(), regions[0].release, regions[0].zips.len()), (1, Release::AtOnce, 2));
    }

    #[test]
    fn every_fault_of_a_file_is_named_with_its_region() {
        for (from, to, wanted) in [
            ("zips =", "zip =", "unknown field `zip`"),
            ("[[region]]", "[[regions]]", "unknown field `regions`"),
            ("\"00202\"", "\"202\"", "region `dos-vientos`: `202` is not a ZIP code"),
            ("\"00202\"", "\"00201\"", "ZIP code 00201 is named twice"),
            ("at-once", "at once", "`at once` is no way of release"),
            ("release =", "owner_reports = \"now\"\nrelease =", "`now` does not say when owners' reports count"),
            ("latitude = 32.75", "latitude = 132.75", "latitude 132.75"),
            ("stations = [\"ALT-VIE\"]", "stations = []", "at least one station"),
            ("elevation_m = 1565", "", "missing field `elevation_m`"),
            ("release =", "time_zone = \"Mars/Base\"\nrelease =", "Mars/Base"),
        ] {
            let text = GOOD.replacen(from, to, 1);
            assert_ne!(text, GOOD);
            assert!(faults(&text).contains(wanted), "{wanted}: {}", faults(&text));
        }
        let twice = format!("{GOOD}{GOOD}");
        assert!(faults(&twice).contains("stands in the file twice"), "{}", faults(&twice));
        assert!(faults(&twice).contains("00201 belongs to region `dos-vientos` of the same file"));
        assert!(faults("").contains("no [[region]]"));
    }
}
