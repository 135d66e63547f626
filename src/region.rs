//! Regions and their ZIP codes: plain types that every room may use.

use std::fmt;

use serde::{Deserialize, Serialize};
use unicode_normalization::UnicodeNormalization;

pub use crate::band::{Band, BandError, ELEVATIONS_M, elevation_ft_fault};
use crate::geo::Point;
use crate::id::{StationId, text_id};
use crate::language::Language;
use crate::text::is_hidden;
use crate::units::grouped_feet;

/// A five-digit ZIP code, kept as text (leading zeros count).
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Zip(String);

#[derive(Debug, thiserror::Error, PartialEq)]
#[error("`{0}` is not a ZIP code: five digits are wanted, such as 00123")]
pub struct ZipError(String);

impl Zip {
    /// # Errors
    /// When the text, trimmed, is not exactly five ASCII digits (a ZIP+4 is cut to its five).
    pub fn parse(text: &str) -> Result<Self, ZipError> {
        let five = text.trim();
        let five = five.split_once('-').map_or(five, |(head, tail)| {
            if tail.len() == 4 && tail.bytes().all(|b| b.is_ascii_digit()) { head } else { five }
        });
        if five.len() == 5 && five.bytes().all(|b| b.is_ascii_digit()) {
            Ok(Self(five.to_owned()))
        } else {
            Err(ZipError(text.trim().to_owned()))
        }
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl TryFrom<String> for Zip {
    type Error = ZipError;
    fn try_from(text: String) -> Result<Self, ZipError> {
        Self::parse(&text)
    }
}

impl From<Zip> for String {
    fn from(zip: Zip) -> Self {
        zip.0
    }
}

impl fmt::Display for Zip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

text_id! {
    /// Short name of a region in lower case letters, digits and hyphens: stands in commands and addresses. What is wrong
    /// with one, [`Region::faults`] tells.
    RegionId
}

/// The id that a name makes: its letters without their marks, in lower case, and hyphens; empty when it has none.
pub fn id_of(name: &str) -> String {
    let mut id = String::new();
    for c in name.nfd().filter(|c| c.is_ascii() || c.is_alphanumeric() || c.is_whitespace()) {
        match c.to_ascii_lowercase() {
            c if c.is_ascii_alphanumeric() => id.push(c),
            // "St. Mary's" is st-marys.
            '\'' => {}
            _ if !id.ends_with('-') && !id.is_empty() => id.push('-'),
            _ => {}
        }
    }
    id.truncate(40);
    id.trim_end_matches('-').to_owned()
}

/// A set of ZIP codes that share one outlook.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Region {
    pub id: RegionId,
    pub name: String,
    pub place: Point,
    pub elevation_m: f64,
    /// IANA name: the region's days, and its quiet hours.
    pub time_zone: chrono_tz::Tz,
    /// Id of the insect's profile.
    pub profile: String,
    pub zips: Vec<Zip>,
    /// Station ids; the first is the region's own, the others fill its gaps in this order.
    pub stations: Vec<StationId>,
    pub release: Release,
    #[serde(default)]
    pub owner_reports: OwnerReports,
    #[serde(default)]
    pub county: Option<String>,
    /// Two letters, or the name as it was given.
    #[serde(default)]
    pub state: Option<String>,
    /// Heights that it is for; `None`: all of its ZIP codes' heights.
    #[serde(default)]
    pub band: Option<Band>,
    /// Towns or landmarks of its heights that people know, in words that serve every language.
    #[serde(default)]
    pub landmarks: Vec<String>,
    pub retired: bool,
}

impl Region {
    /// What is wrong with the region by itself; empty when nothing is. Whether its ZIP codes are free and its stations
    /// known, only the store can tell.
    pub fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let mut wrong = |is: bool, what: String| {
            if is {
                faults.push(what);
            }
        };
        let formed = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        let id = self.id.as_str();
        let mend = match id_of(id) {
            made if made.is_empty() => ", such as `dos-vientos`".to_owned(),
            made => format!(": write `{made}`"),
        };
        wrong(
            id.is_empty() || id.len() > 40 || !id.chars().all(formed) || id.starts_with('-') || id.ends_with('-'),
            format!(
                "the id `{id}` must be 1 to 40 lower case letters, digits and hyphens, with no hyphen at an end{mend}"
            ),
        );
        wrong(self.name.trim().is_empty(), "the name is empty".into());
        let length = self.name.chars().count();
        wrong(
            length > LONGEST_REGION_NAME,
            format!(
                "the name has {length} characters, and text messages have room for {LONGEST_REGION_NAME}: shorten it"
            ),
        );
        wrong(self.name.chars().any(is_hidden), "the name holds a character that is not seen".into());
        let Point { latitude, longitude } = self.place;
        wrong(!(-90.0..=90.0).contains(&latitude), format!("latitude {latitude} must lie between -90 and 90"));
        wrong(!(-180.0..=180.0).contains(&longitude), format!("longitude {longitude} must lie between -180 and 180"));
        wrong(
            !ELEVATIONS_M.contains(&self.elevation_m),
            format!(
                "elevation {} m must lie between -430 and 8849 m, the shore of the Dead Sea and the highest mountain: was it \
                 given in feet?",
                self.elevation_m
            ),
        );
        wrong(self.profile.trim().is_empty(), "the profile is empty".into());
        wrong(self.zips.is_empty(), "at least one ZIP code is wanted".into());
        wrong(self.stations.is_empty(), "at least one station is wanted".into());
        for (at, station) in self.stations.iter().enumerate() {
            wrong(self.stations[..at].contains(station), format!("station `{station}` is named twice"));
        }
        for (at, zip) in self.zips.iter().enumerate() {
            wrong(self.zips[..at].contains(zip), format!("ZIP code {zip} is named twice"));
        }
        for (what, name) in [("county", &self.county), ("state", &self.state)] {
            if let Some(name) = name {
                wrong(!is_plain_name(name), format!("{what} `{name}` must have 1 to {LONGEST_NAME} plain characters"));
            }
        }
        for (at, name) in self.landmarks.iter().enumerate() {
            wrong(!is_plain_name(name), format!("landmark `{name}` must have 1 to {LONGEST_NAME} plain characters"));
            wrong(self.landmarks[..at].contains(name), format!("landmark `{name}` is named twice"));
        }
        wrong(
            self.landmarks.len() > MOST_LANDMARKS,
            format!("more than {MOST_LANDMARKS} landmarks: name the best known"),
        );
        if let Some(band) = &self.band {
            faults.extend(band.fault());
            if band.fault().is_none() && !band.holds(self.elevation_m) {
                faults.push(format!(
                    "its elevation of {} ft lies outside its heights, {band}: give an elevation of the trees that it is for",
                    grouped_feet(self.elevation_m)
                ));
            }
        }
        faults
    }

    /// Whether a ZIP code can belong to both: only where their heights do not meet.
    pub fn shares_heights_with(&self, other: &Region) -> bool {
        Band::meet(self.band.as_ref(), other.band.as_ref())
    }
}

fn is_plain_name(name: &str) -> bool {
    !name.trim().is_empty() && name.chars().count() <= LONGEST_NAME && !name.chars().any(is_hidden)
}

/// Of a county, a state, a town or landmark, in characters.
pub const LONGEST_NAME: usize = 40;

const MOST_LANDMARKS: usize = 6;

/// A region that a person may choose by the height of their trees, where their ZIP code has several.
#[derive(Clone, Debug, PartialEq)]
pub struct HeightChoice {
    pub region: RegionId,
    pub name: String,
    pub band: Band,
    pub landmarks: Vec<String>,
}

impl HeightChoice {
    /// What a question that named these choices is known by: an answer counts while they are the same.
    pub fn layout(choices: &[HeightChoice]) -> String {
        let end = |end: Option<f64>| end.map_or_else(String::new, |end| format!("{end:.1}"));
        let one =
            |choice: &HeightChoice| format!("{} {}..{}", choice.region, end(choice.band.from_m), end(choice.band.to_m));
        choices.iter().map(one).collect::<Vec<_>>().join(", ")
    }

    /// As people are asked: its heights and its landmarks, `below 6,500 ft (Red Rock, Old Mill)`.
    pub fn words(&self, language: Language) -> String {
        with_landmarks(self.band.words(language), &self.landmarks)
    }

    /// The choices in few words, each read after the one before it: `below 6,500 ft (Red Rock)`, `to 7,500`, `above`;
    /// so many landmarks each.
    pub fn short_words(choices: &[HeightChoice], language: Language, landmarks: usize) -> Vec<String> {
        let mut below = None;
        let one = |choice: &HeightChoice| {
            let goes_on = below.is_some() && below == choice.band.from_m;
            below = choice.band.to_m;
            let words = choice.band.short_words(language, goes_on);
            with_landmarks(words, &choice.landmarks[..choice.landmarks.len().min(landmarks)])
        };
        choices.iter().map(one).collect()
    }
}

fn with_landmarks(words: String, landmarks: &[String]) -> String {
    if landmarks.is_empty() { words } else { format!("{words} ({})", landmarks.join(", ")) }
}

/// So many regions a ZIP code may have: the question that names them is one text message.
pub const MOST_BANDS: usize = 5;

/// Longest name, in characters, that fits every text message of the house.
pub const LONGEST_REGION_NAME: usize = 30;

/// How a decided notice leaves the house.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "when")]
pub enum Release {
    AtOnce,
    /// Goes out after so many hours unless staff hold it.
    UnlessHeld {
        hours: u32,
    },
    /// Goes out only when staff confirm it.
    WhenConfirmed,
}

#[derive(Debug, thiserror::Error, PartialEq)]
#[error("`{0}` is no way of release: at-once, unless-held:HOURS (1 to 720) or when-confirmed is wanted")]
pub struct ReleaseError(String);

impl std::str::FromStr for Release {
    type Err = ReleaseError;

    fn from_str(text: &str) -> Result<Self, ReleaseError> {
        let wrong = || ReleaseError(text.to_owned());
        match text.split_once(':') {
            None if text == "at-once" => Ok(Release::AtOnce),
            None if text == "when-confirmed" => Ok(Release::WhenConfirmed),
            Some(("unless-held", hours)) => match hours.parse() {
                Ok(hours @ 1..=720) => Ok(Release::UnlessHeld { hours }),
                _ => Err(wrong()),
            },
            _ => Err(wrong()),
        }
    }
}

impl fmt::Display for Release {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Release::AtOnce => f.write_str("at-once"),
            Release::UnlessHeld { hours } => write!(f, "unless-held:{hours}"),
            Release::WhenConfirmed => f.write_str("when-confirmed"),
        }
    }
}

/// Whether what owners report teaches before staff have looked at it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OwnerReports {
    #[default]
    WhenConfirmed,
    /// They count as confirmed when they come.
    AtOnce,
}

impl OwnerReports {
    pub fn name(self) -> &'static str {
        match self {
            OwnerReports::WhenConfirmed => "when-confirmed",
            OwnerReports::AtOnce => "at-once",
        }
    }
}

#[derive(Debug, thiserror::Error, PartialEq)]
#[error("`{0}` does not say when owners' reports count: at-once or when-confirmed is wanted")]
pub struct OwnerReportsError(String);

impl std::str::FromStr for OwnerReports {
    type Err = OwnerReportsError;

    fn from_str(text: &str) -> Result<Self, OwnerReportsError> {
        let all = [OwnerReports::WhenConfirmed, OwnerReports::AtOnce];
        all.into_iter().find(|one| one.name() == text).ok_or_else(|| OwnerReportsError(text.to_owned()))
    }
}

impl fmt::Display for OwnerReports {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
impl Region {
    /// One that is sound and of which nothing more is said, for checks.
    pub fn bare(id: &str) -> Self {
        Self {
            id: id.into(),
            name: format!("Region {id}"),
            place: Point { latitude: 32.75, longitude: -134.95 },
            elevation_m: 1565.0,
            time_zone: chrono_tz::America::Denver,
            profile: "pinyon-needle-scale".into(),
            zips: Vec::new(),
            stations: Vec::new(),
            release: Release::AtOnce,
            owner_reports: OwnerReports::default(),
            county: None,
            state: None,
            band: None,
            landmarks: Vec::new(),
            retired: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zip_codes_are_five_digits_with_their_zeros() {
        assert_eq!(Zip::parse(" 00123 ").unwrap().as_str(), "00123");
        assert_eq!(Zip::parse("00123-4567").unwrap().as_str(), "00123");
        for text in ["", "123", "001234", "0012a", "00123-45", "00123-abcd", "٠٠١٢٣"] {
            assert!(Zip::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_question_is_known_by_the_bands_it_named() {
        let choice = |region: &str, band: &str| HeightChoice {
            region: region.into(),
            name: region.into(),
            band: Band::parse_metres(band).unwrap(),
            landmarks: Vec::new(),
        };
        let mut three = [choice("low", "..1981.2"), choice("mid", "1981.2..2286"), choice("high", "2286..")];
        assert_eq!(HeightChoice::layout(&three), "low ..1981.2, mid 1981.2..2286.0, high 2286.0..");
        three[0].landmarks = vec!["Red Rock".into(), "Old Mill".into()];
        let short = |language, landmarks| HeightChoice::short_words(&three, language, landmarks).join(", ");
        assert_eq!(short(Language::En, 1), "below 6,500 ft (Red Rock), to 7,500, above");
        assert_eq!(short(Language::Es, 0), "bajo 6,500 pies, hasta 7,500, arriba");
        assert_eq!(three[0].words(Language::Es), "debajo de 6,500 pies (Red Rock, Old Mill)");
        let apart = [three[0].clone(), choice("high", "2286..")];
        assert_eq!(HeightChoice::short_words(&apart, Language::En, 0), ["below 6,500 ft", "7,500 ft and above"]);
    }

    #[test]
    fn ways_of_release_print_as_they_are_read() {
        for text in ["at-once", "unless-held:24", "when-confirmed"] {
            assert_eq!(text.parse::<Release>().unwrap().to_string(), text);
        }
        for text in ["", "unless-held", "unless-held:0", "unless-held:721", "unless-held:-1", "at-once:3", "At-Once"] {
            assert!(text.parse::<Release>().is_err(), "{text}");
        }
    }

    #[test]
    fn every_fault_of_a_region_is_named() {
        let sound = Region {
            zips: vec![Zip::parse("00201").unwrap()],
            stations: vec!["ALT-VIE".into()],
            owner_reports: OwnerReports::WhenConfirmed,
            ..Region::bare("dos-vientos")
        };
        assert_eq!(sound.faults(), Vec::<String>::new());
        let longest = Region { name: "ñ".repeat(LONGEST_REGION_NAME), ..sound.clone() };
        assert_eq!(longest.faults(), Vec::<String>::new());
        let longer = Region { name: "ñ".repeat(LONGEST_REGION_NAME + 1), ..sound.clone() };
        assert!(longer.faults().join("\n").contains("31 characters"), "{:?}", longer.faults());
        let low = Region { band: Some(Band { from_m: Some(2000.0), to_m: None }), ..sound.clone() };
        assert!(low.faults().join("\n").contains("5,135 ft lies outside its heights, 6,562 ft and above"));
        let bad = Region {
            id: "Dos Vientos".into(),
            name: " ".into(),
            place: Point { latitude: 106.0, longitude: f64::NAN },
            elevation_m: 15650.0,
            county: Some(" ".into()),
            band: Some(Band { from_m: Some(2000.0), to_m: None }),
            landmarks: vec!["Red Rock".into(), "Red Rock".into()],
            zips: vec![],
            stations: vec!["A".into(), "A".into()],
            ..sound
        };
        let faults = bad.faults().join("\n");
        for word in [
            "the id `Dos Vientos` must be 1 to 40 lower case letters, digits and hyphens, with no hyphen at an end: write `dos-vientos`",
            "name",
            "latitude 106",
            "longitude NaN",
            "15650",
            "ZIP",
            "`A` is named twice",
            "county ` `",
            "landmark `Red Rock` is named twice",
        ] {
            assert!(faults.contains(word), "{word}: {faults}");
        }
    }
}
