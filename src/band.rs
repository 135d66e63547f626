//! A band of heights on a mountain.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::language::Language;
use crate::units::{grouped_feet, height_of_feet, to_decimetre};

/// Heights above the sea from a lower end, which belongs to it, to an upper end, which does not; either may be open.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    #[serde(default)]
    pub from_m: Option<f64>,
    #[serde(default)]
    pub to_m: Option<f64>,
}

impl Band {
    /// `5000..6500`, `..6500` or `6500..`, in feet.
    ///
    /// # Errors
    /// When it is not of this form, or cannot be.
    pub fn parse_feet(text: &str) -> Result<Self, BandError> {
        Self::parse(text, height_of_feet)
    }

    /// As [`Band::parse_feet`], in metres.
    ///
    /// # Errors
    /// When it is not of this form, or cannot be.
    pub fn parse_metres(text: &str) -> Result<Self, BandError> {
        Self::parse(text, |metres| metres)
    }

    fn parse(text: &str, to_m: impl Fn(f64) -> f64) -> Result<Self, BandError> {
        let wrong = || BandError::Form(text.trim().to_owned());
        let (from, to) = text.trim().split_once("..").ok_or_else(wrong)?;
        let end = |text: &str| match text.trim().replace(',', "") {
            text if text.is_empty() => Ok(None),
            text => text.parse().map(|height| Some(to_m(height))).map_err(|_| wrong()),
        };
        let band = Self { from_m: end(from)?, to_m: end(to)? };
        band.fault().map_or(Ok(band), |fault| Err(BandError::Unfit(fault)))
    }

    /// What cannot be about it.
    pub fn fault(&self) -> Option<String> {
        match (self.from_m, self.to_m) {
            (None, None) => Some("heights that are open above and below are no band: give an end, or no band".into()),
            (Some(from), Some(to)) if from.partial_cmp(&to) != Some(std::cmp::Ordering::Less) => Some(format!(
                "its heights begin at {} ft, which must lie below their end, {} ft",
                grouped_feet(from),
                grouped_feet(to)
            )),
            (from, to) => from.into_iter().chain(to).find(|end| !ELEVATIONS_M.contains(end)).map(|end| {
                format!("the height {end} m must lie between {} and {} m", ELEVATIONS_M.start(), ELEVATIONS_M.end())
            }),
        }
    }

    /// To the decimetre: of heights that were kept as they were said, 5,600 ft is 1706.88 m, and a band that begins there begins
    /// at 1706.9 m.
    pub fn holds(&self, height_m: f64) -> bool {
        let height_m = to_decimetre(height_m);
        self.from_m.is_none_or(|from| height_m >= to_decimetre(from))
            && self.to_m.is_none_or(|to| height_m < to_decimetre(to))
    }

    /// One height, such as a person names.
    pub fn at(height_m: f64) -> Self {
        Self { from_m: Some(height_m), to_m: Some(height_m) }
    }

    /// As [`Band::at`], in feet; `None` where no land is so high or low.
    pub fn at_feet(feet: f64) -> Option<Self> {
        let metres = height_of_feet(feet);
        ELEVATIONS_M.contains(&metres).then(|| Self::at(metres))
    }

    /// Whether all heights of `other` are its own.
    pub fn encloses(&self, other: &Band) -> bool {
        if let (Some(from), Some(to)) = (other.from_m, other.to_m)
            && from == to
        {
            return self.holds(from);
        }
        let from = self.from_m.is_none_or(|from| other.from_m.is_some_and(|other| other >= from));
        from && self.to_m.is_none_or(|to| other.to_m.is_some_and(|other| other <= to))
    }

    /// `below 6,500 ft`, `5,000 to 6,500 ft`, `6,500 ft and above`.
    pub fn words(&self, language: Language) -> String {
        match (language, self.from_m.map(grouped_feet), self.to_m.map(grouped_feet)) {
            (Language::En, None, None) => "all heights".into(),
            (Language::En, None, Some(to)) => format!("below {to} ft"),
            (Language::En, Some(from), None) => format!("{from} ft and above"),
            (Language::En, Some(from), Some(to)) if from == to => format!("{from} ft"),
            (Language::En, Some(from), Some(to)) => format!("{from} to {to} ft"),
            (Language::Es, None, None) => "todas las alturas".into(),
            (Language::Es, None, Some(to)) => format!("debajo de {to} pies"),
            (Language::Es, Some(from), None) => format!("{from} pies o más arriba"),
            (Language::Es, Some(from), Some(to)) if from == to => format!("{from} pies"),
            (Language::Es, Some(from), Some(to)) => format!("de {from} a {to} pies"),
        }
    }

    /// For a text message, in letters that cost one unit each; `goes_on`: it is read after the band that ends where it begins.
    pub fn short_words(&self, language: Language, goes_on: bool) -> String {
        match (language, self.to_m.map(grouped_feet)) {
            (Language::En, None) if goes_on => "above".into(),
            (Language::En, Some(to)) if goes_on => format!("to {to}"),
            (Language::Es, None) if goes_on => "arriba".into(),
            (Language::Es, Some(to)) if goes_on => format!("hasta {to}"),
            (Language::Es, Some(to)) if self.from_m.is_none() => format!("bajo {to} pies"),
            (Language::Es, None) => {
                self.from_m.map_or_else(String::new, |from| format!("desde {} pies", grouped_feet(from)))
            }
            _ => self.words(language),
        }
    }

    /// Whether two regions have a height in common; without a band a region has them all.
    pub fn meet(one: Option<&Band>, other: Option<&Band>) -> bool {
        let (Some(one), Some(other)) = (one, other) else { return true };
        let is_below =
            |low: &Band, high: &Band| matches!((low.to_m, high.from_m), (Some(to), Some(from)) if to <= from);
        !is_below(one, other) && !is_below(other, one)
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words(Language::En))
    }
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BandError {
    #[error("`{0}` is no band of heights: FROM..TO is wanted, such as 5000..6500, ..6500 or 6500..")]
    Form(String),
    #[error("{0}")]
    Unfit(String),
}

/// From the shore of the Dead Sea to the top of the highest mountain.
pub const ELEVATIONS_M: std::ops::RangeInclusive<f64> = -430.0..=8849.0;

/// What is wrong with an elevation that was given in feet, in feet; `None` where land is so high.
pub fn elevation_ft_fault(feet: f64) -> Option<String> {
    let metres = height_of_feet(feet);
    (!ELEVATIONS_M.contains(&metres)).then(|| {
        format!(
            "elevation {feet} ft must lie between {} and {} ft, the shore of the Dead Sea and the highest mountain",
            grouped_feet(*ELEVATIONS_M.start()),
            grouped_feet(*ELEVATIONS_M.end())
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_band_is_read_in_feet_and_printed_as_people_say_it() {
        for (text, said) in [
            ("5000..6500", "5,000 to 6,500 ft"),
            ("..6,500", "below 6,500 ft"),
            (" 6400.. ", "6,400 ft and above"),
            ("0..999", "0 to 999 ft"),
        ] {
            assert_eq!(Band::parse_feet(text).unwrap().to_string(), said);
        }
        let spanish =
            ["..6500", "5000..6500", "6500.."].map(|text| Band::parse_feet(text).unwrap().words(Language::Es));
        assert_eq!(spanish, ["debajo de 6,500 pies", "de 5,000 a 6,500 pies", "6,500 pies o más arriba"]);
        assert_eq!(Band::parse_metres("1500..1981.2").unwrap(), Band { from_m: Some(1500.0), to_m: Some(1981.2) });
        assert_eq!(Band::parse_feet("..6500").unwrap().to_m, Some(1981.2));
        for (text, said) in [
            ("6500", "`6500` is no band of heights: FROM..TO"),
            ("5000-6500", "no band of heights"),
            ("a..b", "no band of heights"),
            ("nan..5000", "below their end"),
            ("..", "open above and below"),
            ("6500..6500", "must lie below their end, 6,500 ft"),
            ("7000..6500", "begin at 7,000 ft"),
            ("6500..30000", "between -430 and 8849 m"),
        ] {
            let why = Band::parse_feet(text).unwrap_err().to_string();
            assert!(why.contains(said), "{text}: {why}");
        }
    }

    #[test]
    fn a_height_on_the_edge_belongs_to_the_band_above_it_in_feet_as_in_metres() {
        for feet in (3_000..=9_950).step_by(50) {
            let [below, above] =
                [format!("..{feet}"), format!("{feet}..")].map(|text| Band::parse_feet(&text).unwrap());
            let said = Band::at_feet(f64::from(feet)).unwrap();
            assert!(above.encloses(&said) && !below.encloses(&said), "{feet} ft");
            // As it was kept before, and a foot lower.
            assert!(above.holds(f64::from(feet) * 0.3048) && !below.holds(f64::from(feet) * 0.3048), "{feet} ft");
            assert!(below.holds(f64::from(feet - 1) * 0.3048), "{feet} ft");
        }
    }

    #[test]
    fn bands_meet_where_they_have_a_height_in_common() {
        let band = |text: &str| Band::parse_metres(text).unwrap();
        let (low, mid, high) = (band("..1800"), band("1800..2100"), band("2100.."));
        for (a, b, meet) in [
            (Some(&low), Some(&mid), false),
            (Some(&high), Some(&low), false),
            (Some(&mid), Some(&band("2000..2200")), true),
            (Some(&low), Some(&band("..1700")), true),
            (Some(&band("1000..2500")), Some(&mid), true),
            (None, Some(&mid), true),
            (None, None, true),
        ] {
            assert_eq!(Band::meet(a, b), meet, "{a:?} {b:?}");
            assert_eq!(Band::meet(b, a), meet, "{b:?} {a:?}");
        }
        assert!(mid.holds(1800.0) && !mid.holds(2100.0) && low.holds(-100.0) && high.holds(4000.0));
        assert!(low.encloses(&band("1000..1800")) && !low.encloses(&band("1000..1801")) && !mid.encloses(&low));
        assert!(mid.encloses(&Band::at(1900.0)) && high.encloses(&high));
        assert!(mid.encloses(&Band::at(1800.0)) && !low.encloses(&Band::at(1800.0)), "the lower end belongs to a band");
    }
}
