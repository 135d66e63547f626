//! An insect as data: biofix, heat rule and stages, each number with its origin.

mod profiles;
mod read;
mod write;

use std::fmt;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use toml::Table;

use super::StageId;
use crate::heat::{Cutoff, HeatRule, Method};
use crate::language::Language;
pub use profiles::{Holds, Profiles};
use read::read_profile;

/// The profile that ships, as its file.
pub const PINYON_NEEDLE_SCALE: &str = include_str!("../../../config/profiles/pinyon-needle-scale.toml");

/// What a stage's `after` says when it counts from the biofix; no stage may bear this name.
const BIOFIX: &str = "biofix";

/// An insect. Made by [`Profile::parse`] only, which proves what the fields' comments say.
#[derive(Clone, Debug, PartialEq)]
pub struct Profile {
    /// Lower case letters, digits and hyphens.
    pub id: String,
    pub names: Names,
    pub scientific_name: String,
    pub host: Names,
    /// The numbers rest on rules of the trade and not on a published or fitted heat sum; people are told so.
    pub provisional: bool,
    /// Shown beside the numbers; never empty when `provisional`.
    pub note: String,
    /// Counts up with each belief that was adopted; outlooks and notices keep the one they were made with.
    pub version: u32,
    /// The last season whose field reports are in the numbers already: only later ones teach.
    pub learned_through: Option<i32>,
    pub biofix: Biofix,
    pub heat: HeatRule,
    pub heat_origins: HeatOrigins,
    /// At least one; each counts from the biofix or from a stage before it in this list.
    pub stages: Vec<Stage>,
    pub window: Window,
    /// How the eggs of one tree are laid and hatch; without it no best days to wash are told.
    pub eggs: Option<Eggs>,
    /// What a person can see at a tree, in the order of the season.
    pub sights: Vec<Sight>,
}

/// A thing's name in each language we speak.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Names {
    pub en: String,
    pub es: String,
}

impl Names {
    pub fn get(&self, language: Language) -> &str {
        match language {
            Language::En => &self.en,
            Language::Es => &self.es,
        }
    }
}

/// The day from which heat is summed.
///
/// A season is named by the calendar year in which its stages come. With `year = "same"` that is the biofix's own
/// year. With `year = "before"` the biofix lies in the year before the season's name: biofix 1 October "before" makes
/// season 2020 begin on 1 October 2019. Either way a season ends on the day before the next one's biofix, so that
/// every day belongs to exactly one season.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Biofix {
    pub month: u32,
    /// Never 29 February: the biofix must be there every year.
    pub day: u32,
    pub year: BiofixYear,
    pub origin: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BiofixYear {
    Same,
    Before,
}

/// Where the method and the thresholds came from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HeatOrigins {
    pub method: String,
    pub lower: String,
    /// Empty where there is no upper threshold.
    pub upper: String,
}

/// An event of the insect's season.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    pub id: StageId,
    pub names: Names,
    /// `None`: counted from the biofix.
    pub after: Option<StageId>,
    pub need: Need,
    pub origin: String,
    /// How sure the sum is. `None`: nothing is said of it, and dates carry the doubt of the weather alone.
    pub spread: Option<Spread>,
}

/// How sure a stage's heat sum is, as standard deviations in °C·day, each with where it came from.
///
/// The sum at a place in a season is the profile's sum, off by three independent parts.
#[derive(Clone, Debug, PartialEq)]
pub struct Spread {
    /// What is not known of the insect: the same everywhere and in every season.
    pub belief_c: f64,
    pub belief_origin: String,
    /// From place to place within a season.
    pub places_c: f64,
    pub places_origin: String,
    /// From season to season, the same at every place.
    pub years_c: f64,
    pub years_origin: String,
}

/// How the eggs of one tree spread over heat. They are laid evenly over `laid_over_c` °C·day from the stage that opens the
/// window, and hatch in the same order, evenly over `hatched_over_c` °C·day from the stage that closes it.
#[derive(Clone, Debug, PartialEq)]
pub struct Eggs {
    /// Where `laid_by` is there it follows from it.
    pub laid_over_c: f64,
    /// The stage that tells how long laying takes; `None`: the file gives `laid_over_c` itself.
    pub laid_by: Option<LaidBy>,
    pub laid_over_origin: String,
    pub hatched_over_c: f64,
    pub hatched_over_origin: String,
}

/// A stage by which a known share of a tree's eggs is laid, so that one number tells both.
#[derive(Clone, Debug, PartialEq)]
pub struct LaidBy {
    pub stage: StageId,
    /// Above 0, up to 1.
    pub share: f64,
}

/// What a person can see at a tree, and what it says of the stages.
#[derive(Clone, Debug, PartialEq)]
pub struct Sight {
    /// Lower case letters, digits and hyphens.
    pub id: String,
    pub names: Names,
    /// A stage that has begun where this is seen.
    pub shows: Option<StageId>,
    /// A stage that has not begun where this, and nothing later, is seen on a tree that has the insect.
    pub not_yet: Option<StageId>,
    /// Only a tree that has the insect shows it.
    pub infested: bool,
}

/// What must pass after the biofix or the stage before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Need {
    /// °C·day, above 0.
    DegreeDays(f64),
    /// Calendar days, at least 1.
    Days(u32),
}

/// The two stages between which the owner can act; `opens` stands before `closes` in the list of stages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Window {
    pub opens: StageId,
    pub closes: StageId,
    /// From then on nothing can be done at the trees until the next season.
    pub settles: Option<StageId>,
}

/// One thing wrong with a profile file, with the place and the mend.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProfileFault {
    /// Dotted path inside the file, e.g. `stages[1].after`; empty for the file as a whole.
    pub path: String,
    pub what: String,
}

impl fmt::Display for ProfileFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.path.is_empty() { f.write_str(&self.what) } else { write!(f, "{}: {}", self.path, self.what) }
    }
}

impl Profile {
    /// Reads a profile file.
    ///
    /// # Errors
    /// Every fault found, each with its path: not TOML, unknown keys (with a near name), missing keys, values of the
    /// wrong type or out of range, a stage that counts from one that does not stand before it.
    pub fn parse(text: &str) -> Result<Self, Vec<ProfileFault>> {
        let table: Table = text.parse().map_err(|why: toml::de::Error| {
            let before = why.span().and_then(|span| text.get(..span.start)).unwrap_or_default();
            let line = before.matches('\n').count() + 1;
            vec![ProfileFault { path: format!("line {line}"), what: format!("not TOML: {}", why.message()) }]
        })?;
        let mut faults = Vec::new();
        let read = read_profile(table, &mut faults);
        match read {
            Some(profile) if faults.is_empty() => Ok(profile),
            _ => Err(faults),
        }
    }

    /// The profile that ships.
    pub fn pinyon_needle_scale() -> Self {
        Self::parse(PINYON_NEEDLE_SCALE).expect("the shipped file is read by a test")
    }

    /// Whether what was learned from a season lies in the numbers: its reports teach no more.
    pub fn is_learned_from(&self, season: i32) -> bool {
        self.learned_through.is_some_and(|through| season <= through)
    }

    /// The season that `day` belongs to.
    pub fn season_of(&self, day: NaiveDate) -> i32 {
        let year = day.year();
        [year + 1, year].into_iter().find(|season| self.first_day(*season) <= day).unwrap_or(year - 1)
    }

    /// The biofix of a season: its first day.
    pub fn first_day(&self, season: i32) -> NaiveDate {
        let year = match self.biofix.year {
            BiofixYear::Same => season,
            BiofixYear::Before => season.saturating_sub(1),
        };
        let edge = if year < 0 { NaiveDate::MIN } else { NaiveDate::MAX };
        NaiveDate::from_ymd_opt(year, self.biofix.month, self.biofix.day).unwrap_or(edge)
    }

    /// The day before the next season's biofix.
    pub fn last_day(&self, season: i32) -> NaiveDate {
        super::days_before(self.first_day(season.saturating_add(1)), 1)
    }

    /// Stages that come at a fixed sum from the biofix, with that sum in °C·day, in the profile's order.
    pub fn heat_marks(&self) -> Vec<(StageId, f64)> {
        let mut marks: Vec<(StageId, f64)> = Vec::new();
        for stage in &self.stages {
            let from = match &stage.after {
                None => Some(0.0),
                Some(after) => marks.iter().find(|(id, _)| id == after).map(|(_, sum)| *sum),
            };
            if let (Some(from), Need::DegreeDays(need)) = (from, stage.need) {
                marks.push((stage.id.clone(), from + need));
            }
        }
        marks
    }

    /// Our number for a stage: the sum from the biofix, °C·day. Not the sum at which somebody saw it.
    pub fn heat_mark(&self, stage: &StageId) -> Option<f64> {
        self.heat_marks().into_iter().find(|(id, _)| id == stage).map(|(_, sum)| sum)
    }

    /// Puts right how long laying takes, where that hangs on a stage: once the stages' sums are there or have changed.
    ///
    /// # Errors
    /// When that stage comes at no heat sum above that of the stage that opens the window; then nothing changes.
    pub(super) fn follow_laying(&mut self) -> Result<(), StageId> {
        let marks = self.heat_marks();
        let sum = |id: &StageId| marks.iter().find(|(of, _)| of == id).map(|(_, sum)| *sum);
        let Some(eggs) = &mut self.eggs else { return Ok(()) };
        let Some(LaidBy { stage, share }) = &eggs.laid_by else { return Ok(()) };
        let between = sum(stage).zip(sum(&self.window.opens)).map(|(laid, opens)| laid - opens);
        match between.filter(|between| *between > 0.0) {
            // To a millionth, so that 92 / 0.92 is 100.
            Some(between) => eggs.laid_over_c = (between / share * 1e6).round() / 1e6,
            None => return Err(stage.clone()),
        }
        Ok(())
    }

    pub fn stage(&self, id: &StageId) -> Option<&Stage> {
        self.stages.iter().find(|stage| stage.id == *id)
    }

    /// What can be seen, by its id.
    pub fn sight(&self, id: &str) -> Option<&Sight> {
        self.sights.iter().find(|sight| sight.id == id)
    }

    /// Whether a stage that the window hangs on says how sure its sum is.
    pub fn has_belief(&self) -> bool {
        let window = [&self.window.opens, &self.window.closes];
        window.into_iter().filter_map(|id| self.stage(id)).any(|stage| stage.spread.is_some())
    }

    /// Place of a stage in the profile's order.
    pub fn rank(&self, id: &StageId) -> Option<usize> {
        self.stages.iter().position(|stage| stage.id == *id)
    }
}

const METHODS: [(&str, Method); 6] = [
    ("average", Method::Average),
    ("average-with-replacement", Method::AverageWithReplacement),
    ("single-triangle", Method::SingleTriangle),
    ("double-triangle", Method::DoubleTriangle),
    ("single-sine", Method::SingleSine),
    ("double-sine", Method::DoubleSine),
];

const CUTOFFS: [(&str, Cutoff); 4] = [
    ("none", Cutoff::None),
    ("horizontal", Cutoff::Horizontal),
    ("intermediate", Cutoff::Intermediate),
    ("vertical", Cutoff::Vertical),
];

const BIOFIX_YEARS: [(&str, BiofixYear); 2] = [("same", BiofixYear::Same), ("before", BiofixYear::Before)];

fn name_of<T: PartialEq + Copy>(names: &[(&'static str, T)], wanted: T) -> &'static str {
    names.iter().find(|(_, value)| *value == wanted).map_or("", |(name, _)| name)
}

/// The name a person would read in a file for this method.
pub fn method_name(method: Method) -> &'static str {
    name_of(&METHODS, method)
}

/// The name a person would read in a file for this cut-off.
pub fn cutoff_name(cutoff: Cutoff) -> &'static str {
    name_of(&CUTOFFS, cutoff)
}

#[cfg(test)]
mod tests;
