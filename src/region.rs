//! Regions and their ZIP codes: plain types that every room may use.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::geo::Point;

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

/// A set of ZIP codes that share one outlook.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// Short name in lower case letters, digits and hyphens: stands in commands and addresses.
    pub id: String,
    pub name: String,
    pub place: Point,
    pub elevation_m: f64,
    /// IANA name: the region's days, and its quiet hours.
    pub time_zone: chrono_tz::Tz,
    /// Id of the insect's profile.
    pub profile: String,
    pub zips: Vec<Zip>,
    /// Station ids; the first is the region's own, the others fill its gaps in this order.
    pub stations: Vec<String>,
    pub release: Release,
    pub retired: bool,
}

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
