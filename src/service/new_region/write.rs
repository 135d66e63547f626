//! Regions as files, which reading again changes nothing of.

use serde::Serialize;

use super::list::COLUMNS;
use crate::region::{Band, Region};

/// Why regions are no file.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    #[error(
        "region `{region}`: its landmark `{landmark}` holds a semicolon, which sets landmarks apart in CSV: write TOML"
    )]
    Semicolon { region: String, landmark: String },
    #[error("the regions cannot be written as TOML")]
    Toml(#[from] toml::ser::Error),
    #[error("the regions cannot be written as CSV")]
    Csv(#[from] csv::Error),
    #[error("the CSV is not text")]
    Text(#[from] std::string::FromUtf8Error),
}

#[derive(Serialize)]
struct File<'a> {
    region: Vec<Entry<'a>>,
}

#[derive(Serialize)]
struct Entry<'a> {
    id: &'a str,
    name: &'a str,
    zips: Vec<&'a str>,
    latitude: f64,
    longitude: f64,
    elevation_m: f64,
    time_zone: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    county: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    state: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    band_m: Option<String>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    landmarks: &'a [String],
    stations: Vec<&'a str>,
    profile: &'a str,
    release: String,
    owner_reports: &'static str,
}

impl<'a> Entry<'a> {
    fn of(region: &'a Region) -> Self {
        Self {
            id: region.id.as_str(),
            name: &region.name,
            zips: region.zips.iter().map(|zip| zip.as_str()).collect(),
            latitude: region.place.latitude,
            longitude: region.place.longitude,
            elevation_m: region.elevation_m,
            time_zone: region.time_zone.name(),
            county: region.county.as_deref(),
            state: region.state.as_deref(),
            band_m: region.band.as_ref().map(band_m),
            landmarks: &region.landmarks,
            stations: region.stations.iter().map(|station| station.as_str()).collect(),
            profile: &region.profile,
            release: region.release.to_string(),
            owner_reports: region.owner_reports.name(),
        }
    }
}

/// As [`Band::parse_metres`] reads it.
fn band_m(band: &Band) -> String {
    let end = |end: Option<f64>| end.map(|metres| metres.to_string()).unwrap_or_default();
    format!("{}..{}", end(band.from_m), end(band.to_m))
}

/// One `[[region]]` each.
///
/// # Errors
/// When TOML cannot hold them, which is our fault.
pub fn to_toml(regions: &[Region]) -> Result<String, WriteError> {
    Ok(toml::to_string(&File { region: regions.iter().map(Entry::of).collect() })?)
}

/// A line each.
///
/// # Errors
/// When a landmark holds what sets landmarks apart.
pub fn to_csv(regions: &[Region]) -> Result<String, WriteError> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    // In feet nothing is written: it would be rounded.
    let columns = COLUMNS.into_iter().filter(|column| !column.ends_with("_ft"));
    writer.write_record(columns)?;
    for region in regions {
        if let Some(landmark) = region.landmarks.iter().find(|landmark| landmark.contains(';')) {
            return Err(WriteError::Semicolon { region: region.id.to_string(), landmark: landmark.clone() });
        }
        let entry = Entry::of(region);
        writer.write_record::<[&str; 15], &str>([
            entry.id,
            entry.name,
            &entry.zips.join(" "),
            &entry.latitude.to_string(),
            &entry.longitude.to_string(),
            &entry.elevation_m.to_string(),
            entry.time_zone,
            entry.county.unwrap_or_default(),
            entry.state.unwrap_or_default(),
            &entry.band_m.unwrap_or_default(),
            &entry.landmarks.join("; "),
            &entry.stations.join(" "),
            entry.profile,
            &entry.release,
            entry.owner_reports,
        ])?;
    }
    let bytes = writer.into_inner().map_err(|why| csv::Error::from(why.into_error()))?;
    Ok(String::from_utf8(bytes)?)
}

#[cfg(test)]
mod tests {
    use super::super::list::{read_csv, read_toml};
    use super::*;
    use crate::geo::Point;
    use crate::region::{OwnerReports, Release, Zip};

    #[test]
    fn what_is_written_is_read_again() {
        let region = Region {
            id: "dos-vientos".into(),
            name: "Dos \"Vientos\", alto".into(),
            place: Point { latitude: 32.7501, longitude: -134.95 },
            elevation_m: 1565.2,
            time_zone: chrono_tz::America::Phoenix,
            profile: "pinyon-needle-scale".into(),
            zips: vec![Zip::parse("00201").unwrap(), Zip::parse("00202").unwrap()],
            stations: vec!["A".into(), "B".into()],
            release: Release::UnlessHeld { hours: 6 },
            owner_reports: OwnerReports::AtOnce,
            county: Some("Sample".into()),
            state: None,
            band: Some(Band { from_m: Some(1500.0), to_m: Some(1981.2) }),
            landmarks: vec!["Red Rock".into(), "Mill, old".into()],
            retired: false,
        };
        let regions = [region];
        let (toml, csv) = (to_toml(&regions).unwrap(), to_csv(&regions).unwrap());
        let (of_toml, of_csv) = (read_toml(&toml).unwrap(), read_csv(&csv).unwrap());
        assert_eq!(of_toml, of_csv, "{toml}\n{csv}");
        let entry = &of_csv[0];
        assert_eq!(
            (entry.latitude, entry.elevation_m, entry.band_m.as_deref()),
            (Some(32.7501), Some(1565.2), Some("1500..1981.2"))
        );
        assert_eq!((entry.name.as_str(), entry.release.as_deref()), ("Dos \"Vientos\", alto", Some("unless-held:6")));
        assert_eq!(Band::parse_metres("1500..1981.2").ok(), regions[0].band);
        let odd = [Region { landmarks: vec!["a;b".into()], ..regions[0].clone() }];
        assert!(to_csv(&odd).unwrap_err().to_string().contains("write TOML"));
    }
}
