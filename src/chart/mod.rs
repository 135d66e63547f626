//! Pictures of a season: pure functions from figures to SVG text, and from SVG to PNG.
//!
//! A chart holds no script and fetches nothing. It is laid out for the width asked for, so that letters keep their size on a
//! phone and on a wall; it says everything twice, by line style and by word, and never by colour alone.

pub mod belief;
pub mod error_profile;
pub mod png;
pub mod ribbon;
pub mod season;
pub mod wash;

mod figures;
mod palette;
mod svg;
mod words;

use chrono::NaiveDate;

use crate::language::Language;
use crate::season::{DateSpread, DaySpan, HeatDay};

pub use season::season_heat;
pub(crate) use svg::text_width;

/// What a season's chart shows. Temperatures are °C, heat is °C·day, whatever unit is drawn.
#[derive(Clone, Debug)]
pub struct SeasonChart {
    /// The region's name, as people know it.
    pub place: String,
    /// The insect's name in the chart's language.
    pub insect: String,
    pub year: i32,
    /// The day from which heat is summed: the left edge.
    pub biofix: NaiveDate,
    /// The right edge; `None` lets the chart end some weeks after the last thing it has to show.
    pub until: Option<NaiveDate>,
    /// °C; stands at the axis.
    pub lower_threshold_c: f64,
    /// The season so far in order of days, filled days and forecast days marked by their origin.
    pub heat: Vec<HeatDay>,
    pub past: Vec<PastSeason>,
    /// In the order of the season.
    pub stages: Vec<ChartStage>,
    /// The days of the window; `None` where nothing can be said of them.
    pub days: Option<ChartDays>,
    /// Drawn as a line where it falls inside the chart.
    pub today: NaiveDate,
    /// Where the temperatures come from, e.g. a station's name and id.
    pub source: String,
    /// A reservation that has to stand on the picture, e.g. that thresholds are provisional.
    pub note: Option<String>,
}

/// Heat sums of one past year: `sums[i]` belongs to the i-th day after that year's biofix day.
#[derive(Clone, Debug)]
pub struct PastSeason {
    pub year: i32,
    pub sums: Vec<f64>,
}

/// A stage with its threshold and its date.
#[derive(Clone, Debug)]
pub struct ChartStage {
    /// In the chart's language.
    pub name: String,
    /// °C·day since the biofix; `None` for a stage that comes so many days after another.
    pub threshold: Option<f64>,
    pub date: StageDate,
    /// The date in words, in the chart's language: `likely between March 12 and 24, most likely the 17th`.
    pub said: String,
}

/// The window as it is drawn: a strip over the best days that thins out towards both ends, and a flag on the last day.
#[derive(Clone, Debug)]
pub struct ChartDays {
    pub look_from: NaiveDate,
    /// Without them the strip is full from `look_from` to the deadline.
    pub best: Option<DaySpan>,
    /// The last day to wash.
    pub deadline: NaiveDate,
    /// Where the strip has thinned out: by then eggs have hatched, most likely.
    pub ends: Option<NaiveDate>,
    /// All of it in words, in the chart's language.
    pub said: String,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StageDate {
    /// Our heat number was reached.
    Reached(NaiveDate),
    /// Somebody saw the stage.
    Seen(NaiveDate),
    Projected(DateSpread),
    /// Nothing can be said.
    Unknown,
}

/// How a chart is to look.
#[derive(Clone, Debug)]
pub struct Look {
    /// CSS pixels: 320 to 1600; what lies outside is brought inside.
    pub width: u32,
    pub language: Language,
    pub unit: HeatUnit,
    /// Dark colours for readers who prefer them, by a media query inside the picture. Light stays the default.
    pub dark_too: bool,
    /// Start of the element ids, so that two charts can stand in one page. Letters, digits and hyphens are kept.
    pub id: String,
}

impl Default for Look {
    fn default() -> Self {
        Self { width: 800, language: Language::En, unit: HeatUnit::Celsius, dark_too: true, id: "chart".to_owned() }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeatUnit {
    Celsius,
    Fahrenheit,
}

impl HeatUnit {
    /// As `units.fahrenheit` of the settings says.
    pub fn of_house(fahrenheit: bool) -> Self {
        if fahrenheit { HeatUnit::Fahrenheit } else { HeatUnit::Celsius }
    }

    /// As English pages write it.
    pub fn symbol(self) -> &'static str {
        match self {
            HeatUnit::Celsius => "°C·day",
            HeatUnit::Fahrenheit => "°F·day",
        }
    }

    /// Sums of heat (°C·day), each a share of the next, for whoever thinks in either unit: `720 °F·day (400 °C·day)`,
    /// `270 of 385 °F·day (150 of 214 °C·day)`.
    pub fn told(self, sums_c: &[f64]) -> String {
        let of = |unit: HeatUnit| {
            let sums: Vec<String> = sums_c.iter().map(|sum| format!("{:.0}", unit.heat(*sum))).collect();
            format!("{} {}", sums.join(" of "), unit.symbol())
        };
        let other = match self {
            HeatUnit::Celsius => HeatUnit::Fahrenheit,
            HeatUnit::Fahrenheit => HeatUnit::Celsius,
        };
        format!("{} ({})", of(self), of(other))
    }

    /// °C·day in this unit.
    pub fn heat(self, degree_days_c: f64) -> f64 {
        match self {
            HeatUnit::Celsius => degree_days_c,
            HeatUnit::Fahrenheit => crate::units::dd_c_to_f(degree_days_c),
        }
    }

    fn temperature(self, celsius: f64) -> f64 {
        match self {
            HeatUnit::Celsius => celsius,
            HeatUnit::Fahrenheit => crate::units::c_to_f(celsius),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::HeatUnit;

    #[test]
    fn sums_of_heat_are_told_in_the_unit_of_the_house_with_the_other_one_behind() {
        assert_eq!(HeatUnit::of_house(false).told(&[400.0]), "400 °C·day (720 °F·day)");
        assert_eq!(HeatUnit::of_house(true).told(&[150.0, 214.0]), "270 of 385 °F·day (150 of 214 °C·day)");
    }
}
