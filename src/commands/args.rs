//! Arguments that several commands take, and how their texts are read. A parser's fault is a sentence for whoever typed it.

use chrono::NaiveDate;
use chrono_tz::Tz;

use crate::chart::HeatUnit;
use crate::config::Config;
use crate::geo::Point;
use crate::heat::{Cutoff, Method};
use crate::language::Language;
use crate::people::csv::kept_reason;
use crate::region::{Band, BandError, ELEVATIONS_M, elevation_ft_fault};
use crate::text::near_name;
pub use crate::text::written_day as date;
use crate::units::{dd_c_to_f, f_to_c, grouped_feet, height_of_feet};
use crate::weather::feeds::check_source;
use crate::weather::{FeedKind, SourceRef};

/// An elevation in the unit at hand.
#[derive(Debug, clap::Args)]
#[group(multiple = false)]
pub struct Elevation {
    /// Elevation in metres
    #[arg(long, allow_negative_numbers = true, value_name = "METRES")]
    elevation_m: Option<f64>,
    /// Elevation in feet
    #[arg(long, allow_negative_numbers = true, value_name = "FEET", value_parser = elevation_ft)]
    elevation_ft: Option<f64>,
}

impl Elevation {
    pub fn metres(&self) -> Option<f64> {
        self.elevation_m.or(self.elevation_ft.map(height_of_feet))
    }
}

/// A season's year.
pub fn season(text: &str) -> Result<i32, String> {
    text.trim().parse().map_err(|_| "a season is written as its year, such as 2026".to_owned())
}

/// Judged here, since the fault is said in the unit that was typed.
fn elevation_ft(text: &str) -> Result<f64, String> {
    let feet = text.trim().parse::<f64>().map_err(|_| "a number of feet is wanted, such as 6800".to_owned())?;
    elevation_ft_fault(feet).map_or(Ok(feet), Err)
}

/// How high up somebody's trees stand.
#[derive(Debug, Default, clap::Args)]
#[group(multiple = false)]
pub struct TreeHeight {
    /// Height of their trees above the sea in feet
    #[arg(long, allow_negative_numbers = true, value_name = "FEET", value_parser = height_ft)]
    height_ft: Option<f64>,
    /// The same in metres
    #[arg(long, allow_negative_numbers = true, value_name = "METRES", value_parser = height_m)]
    height_m: Option<f64>,
}

impl TreeHeight {
    pub fn band(&self) -> Option<Band> {
        self.height_m.or(self.height_ft.map(height_of_feet)).map(Band::at)
    }
}

fn height_ft(text: &str) -> Result<f64, String> {
    height(text, |feet| Band::at_feet(feet).is_some())
}

fn height_m(text: &str) -> Result<f64, String> {
    height(text, |metres| ELEVATIONS_M.contains(&metres))
}

fn height(text: &str, can_be: impl Fn(f64) -> bool) -> Result<f64, String> {
    text.trim().replace(',', "").parse().ok().filter(|height| can_be(*height)).ok_or_else(|| {
        format!("`{text}` is no height of trees above the sea: a number such as 6800 is wanted, not higher than the mountains")
    })
}

/// County, state, heights and landmarks of a region.
#[derive(Debug, Default, clap::Args)]
pub struct Bounds {
    /// County; `none` takes it away
    #[arg(long, value_name = "NAME")]
    pub county: Option<String>,
    /// State, as two letters or by its name; `none` takes it away
    #[arg(long, value_name = "STATE")]
    pub state: Option<String>,
    /// Heights that it is for, in feet, where its ZIP codes climb a mountain: 5000..6500, ..6500 or 6500..; `all` for no band
    #[arg(long, value_parser = band_ft, value_name = "FROM..TO", conflicts_with = "band_m")]
    pub band_ft: Option<Heights>,
    /// The same in metres
    #[arg(long, value_parser = band_m, value_name = "FROM..TO")]
    pub band_m: Option<Heights>,
    /// Town or landmark at these heights, for whoever is asked how high their trees stand; give it several times or with commas;
    /// `none` takes them away
    #[arg(long = "landmark", value_delimiter = ',', value_name = "NAME")]
    pub landmarks: Vec<String>,
}

impl Bounds {
    /// The heights that were given.
    pub fn heights(&self) -> Option<Heights> {
        self.band_ft.or(self.band_m)
    }
}

/// All heights, or a band of them.
#[derive(Clone, Copy, Debug)]
pub struct Heights(pub Option<Band>);

fn band_ft(text: &str) -> Result<Heights, String> {
    heights(text, Band::parse_feet)
}

fn band_m(text: &str) -> Result<Heights, String> {
    heights(text, Band::parse_metres)
}

fn heights(text: &str, read: impl Fn(&str) -> Result<Band, BandError>) -> Result<Heights, String> {
    if text.trim() == "all" {
        return Ok(Heights(None));
    }
    read(text).map(|band| Heights(Some(band))).map_err(|why| why.to_string())
}

/// Why something is done, for the audit.
#[derive(Debug, Default, clap::Args)]
pub struct Why {
    /// Why, in a few words without e-mail addresses or telephone numbers; it is kept in the audit
    #[arg(long, value_name = "REASON", value_parser = reason)]
    pub why: Option<String>,
}

/// Words that outlive the erasure of whoever they may be about.
fn reason(text: &str) -> Result<String, String> {
    kept_reason(text).map_err(|why| match text.trim() {
        "" => format!("{why}: say why in a few words"),
        _ => why,
    })
}

/// The unit in which a command takes temperatures and prints heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DegreeUnit {
    Celsius,
    Fahrenheit,
}

impl DegreeUnit {
    /// As the flag `--fahrenheit` says.
    pub fn of_flag(fahrenheit: bool) -> Self {
        if fahrenheit { Self::Fahrenheit } else { Self::Celsius }
    }

    pub fn to_c(self, value: f64) -> f64 {
        match self {
            Self::Celsius => value,
            Self::Fahrenheit => f_to_c(value),
        }
    }

    /// °C·day in this unit.
    pub fn heat_from_c(self, degree_days_c: f64) -> f64 {
        match self {
            Self::Celsius => degree_days_c,
            Self::Fahrenheit => dd_c_to_f(degree_days_c),
        }
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Celsius => "celsius",
            Self::Fahrenheit => "fahrenheit",
        }
    }

    pub fn symbol(self) -> &'static str {
        match self {
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
        }
    }

    pub fn heat_symbol(self) -> &'static str {
        match self {
            Self::Celsius => "°C·day",
            Self::Fahrenheit => "°F·day",
        }
    }

    /// That of the settings, for a command that takes no other.
    pub fn of_house(config: &Config) -> Self {
        Self::of_flag(config.units.fahrenheit)
    }

    /// A height in whole metres, or in whole feet: who reads °F reads feet.
    pub fn height(self, metres: f64) -> String {
        match self {
            Self::Celsius => format!("{metres:.0}"),
            Self::Fahrenheit => grouped_feet(metres),
        }
    }

    pub fn height_symbol(self) -> &'static str {
        match self {
            Self::Celsius => "m",
            Self::Fahrenheit => "ft",
        }
    }
}

impl From<DegreeUnit> for HeatUnit {
    fn from(unit: DegreeUnit) -> Self {
        match unit {
            DegreeUnit::Celsius => Self::Celsius,
            DegreeUnit::Fahrenheit => Self::Fahrenheit,
        }
    }
}

/// In which units heat and heights are shown.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
#[group(multiple = false)]
pub struct ShownUnit {
    /// Heat in °F·day and heights in feet; `units.fahrenheit` of the settings says so for all commands
    #[arg(long)]
    fahrenheit: bool,
    /// Heat in °C·day and heights in metres
    #[arg(long)]
    celsius: bool,
}

impl ShownUnit {
    /// What was asked for, else what the settings say.
    pub fn of(self, config: &Config) -> DegreeUnit {
        DegreeUnit::of_flag(self.fahrenheit || (config.units.fahrenheit && !self.celsius))
    }
}

pub fn language(code: &str) -> Result<Language, String> {
    Language::parse(code).ok_or_else(|| format!("`{code}` is not a language we write: en or es"))
}

pub fn method(name: &str) -> Result<Method, String> {
    Method::parse(name).ok_or_else(|| format!("must be one of {}", Method::ALL.map(Method::name).join(", ")))
}

pub fn cutoff(name: &str) -> Result<Cutoff, String> {
    Cutoff::parse(name).ok_or_else(|| format!("must be one of {}", Cutoff::ALL.map(Cutoff::name).join(", ")))
}

pub fn percent(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|value| (0.0..=100.0).contains(value)).ok_or("must be a number from 0 to 100".into())
}

pub fn month_and_day(text: &str) -> Result<(u32, u32), String> {
    let wrong = || "must be a month and a day of every year, such as 01-01".to_owned();
    let (month, day) = text.split_once('-').ok_or_else(wrong)?;
    let (month, day) = (month.parse().map_err(|_| wrong())?, day.parse().map_err(|_| wrong())?);
    // A common year: what is a day in it is a day in every year.
    NaiveDate::from_ymd_opt(2023, month, day).map(|_| (month, day)).ok_or_else(wrong)
}

pub fn zone(text: &str) -> Result<Tz, String> {
    crate::service::new_region::list::zone(text)
}

pub fn point(text: &str) -> Result<Point, String> {
    let wanted = || format!("`{text}` is no place: LATITUDE,LONGITUDE is wanted, such as 32.75,-134.95");
    let (latitude, longitude) = text.split_once(',').ok_or_else(wanted)?;
    let number = |text: &str| text.trim().parse::<f64>().ok();
    match (number(latitude), number(longitude)) {
        (Some(latitude), Some(longitude))
            if (-90.0..=90.0).contains(&latitude) && (-180.0..=180.0).contains(&longitude) =>
        {
            Ok(Point { latitude, longitude })
        }
        _ => Err(wanted()),
    }
}

pub fn source(text: &str) -> Result<SourceRef, String> {
    let known: Vec<String> = FeedKind::ALL.iter().map(|feed| feed.name().to_owned()).collect();
    let (feed, id) =
        text.split_once(':').ok_or_else(|| format!("FEED:ID is wanted, with FEED one of {}", known.join(", ")))?;
    let feed = FeedKind::parse(feed).ok_or_else(|| {
        let near = crate::text::did_you_mean(near_name(feed, &known).as_deref());
        format!("feed `{feed}` is unknown{near} (known: {})", known.join(", "))
    })?;
    if id.trim().is_empty() {
        return Err(format!("the station's name in feed {} is missing after the colon", feed.name()));
    }
    let source = SourceRef { feed, id: id.trim().to_owned() };
    check_source(&source).map_err(|why| why.to_string())?;
    Ok(source)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::weather::feeds::usual_sources;

    #[test]
    fn sources_zones_and_places_say_what_is_wanted() {
        assert_eq!(source("plain-csv:C:\\logger.csv").unwrap().id, "C:\\logger.csv");
        assert!(source("acsi:X").unwrap_err().contains("did you mean `acis`?"));
        assert!(source("acis").unwrap_err().contains("FEED:ID"));
        assert!(source("acis: ").unwrap_err().contains("missing"));
        assert!(zone("America/Dever").unwrap_err().contains("did you mean `America/Denver`?"));
        assert!(point("32.75,-134.95").is_ok());
        for text in ["32.75", "32.75 -134.95", "95,0", "0,181", "x,y"] {
            assert!(point(text).is_err(), "{text}");
        }
        assert!(usual_sources(&"USC00290692".into()).len() == 3 && usual_sources(&"logger-1".into()).is_empty());
    }

    #[test]
    fn a_day_that_is_written_otherwise_is_answered_with_how_to_write_it() {
        let day = NaiveDate::from_ymd_opt(2025, 3, 10);
        assert_eq!(date(" 2025-03-10 ").ok(), day);
        assert_eq!(
            date("3/10/2025").unwrap_err(),
            "a day is written year-month-day: 2025-03-10 for March 10, 2025-10-03 for October 3"
        );
        assert_eq!(date("3/31/2025").unwrap_err(), "a day is written year-month-day: 2025-03-31");
        assert_eq!(date("31/3/2025").unwrap_err(), "a day is written year-month-day: 2025-03-31");
        assert_eq!(date("3/3/2025").unwrap_err(), "a day is written year-month-day: 2025-03-03");
        for text in ["3/10/25", "2025-02-29", "tomorrow", ""] {
            let said = date(text).unwrap_err();
            assert!(said.starts_with("no day of the calendar"), "{text}: {said}");
        }
    }
}
