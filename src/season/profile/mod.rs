//! An insect as data: biofix, heat rule and stages, each number with its origin.

use std::collections::BTreeMap;
use std::fmt;

use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use toml::{Table, Value};

use super::StageId;
use crate::heat::{Cutoff, HeatRule, Method};
use crate::language::Language;

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
    pub biofix: Biofix,
    pub heat: HeatRule,
    pub heat_origins: HeatOrigins,
    /// At least one; each counts from the biofix or from a stage before it in this list.
    pub stages: Vec<Stage>,
    pub window: Window,
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

    pub fn stage(&self, id: &StageId) -> Option<&Stage> {
        self.stages.iter().find(|stage| stage.id == *id)
    }

    /// Place of a stage in the profile's order.
    pub fn rank(&self, id: &StageId) -> Option<usize> {
        self.stages.iter().position(|stage| stage.id == *id)
    }

    /// The profile as a file that [`Profile::parse`] reads back to the same profile.
    pub fn to_toml(&self) -> String {
        let names = |names: &Names| format!("{{ en = {}, es = {} }}", quoted(&names.en), quoted(&names.es));
        let mut text = format!(
            "id = {}\nnames = {}\nscientific_name = {}\nhost = {}\nprovisional = {}\nnote = {}\n\n\
             [biofix]\nmonth = {}\nday = {}\nyear = {}\norigin = {}\n\n\
             [heat]\nmethod = {}\nmethod_origin = {}\nlower_c = {:?}\nlower_origin = {}\n",
            quoted(&self.id),
            names(&self.names),
            quoted(&self.scientific_name),
            names(&self.host),
            self.provisional,
            quoted(&self.note),
            self.biofix.month,
            self.biofix.day,
            quoted(name_of(&BIOFIX_YEARS, self.biofix.year)),
            quoted(&self.biofix.origin),
            quoted(name_of(&METHODS, self.heat.method())),
            quoted(&self.heat_origins.method),
            self.heat.lower_c(),
            quoted(&self.heat_origins.lower),
        );
        if let Some(upper) = self.heat.upper_c() {
            text += &format!(
                "upper_c = {upper:?}\ncutoff = {}\nupper_origin = {}\n",
                quoted(name_of(&CUTOFFS, self.heat.cutoff())),
                quoted(&self.heat_origins.upper)
            );
        }
        for stage in &self.stages {
            let need = match stage.need {
                Need::DegreeDays(sum) => format!("degree_days_c = {sum:?}"),
                Need::Days(days) => format!("days = {days}"),
            };
            text += &format!(
                "\n[[stages]]\nid = {}\nnames = {}\nafter = {}\n{need}\norigin = {}\n",
                quoted(&stage.id.0),
                names(&stage.names),
                quoted(stage.after.as_ref().map_or(BIOFIX, |after| &after.0)),
                quoted(&stage.origin),
            );
        }
        text += &format!(
            "\n[window]\nopens = {}\ncloses = {}\n",
            quoted(&self.window.opens.0),
            quoted(&self.window.closes.0)
        );
        text
    }
}

/// Profiles by id: the built-in one, and files that add to it or stand in its place.
#[derive(Clone, Debug)]
pub struct Profiles(BTreeMap<String, Profile>);

impl Default for Profiles {
    fn default() -> Self {
        let built_in = Profile::pinyon_needle_scale();
        Self(BTreeMap::from([(built_in.id.clone(), built_in)]))
    }
}

impl Profiles {
    pub fn get(&self, id: &str) -> Option<&Profile> {
        self.0.get(id)
    }

    /// In the order of their ids.
    pub fn iter(&self) -> impl Iterator<Item = &Profile> {
        self.0.values()
    }

    /// Adds a profile, in place of one of the same id.
    pub fn put(&mut self, profile: Profile) {
        self.0.insert(profile.id.clone(), profile);
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

fn quoted(text: &str) -> String {
    Value::String(text.to_owned()).to_string()
}

/// `None` only when at least one fault was booked.
fn read_profile(table: Table, faults: &mut Vec<ProfileFault>) -> Option<Profile> {
    let mut top = Section::new(String::new(), table, faults);
    let id = top.text("id");
    if let Some(id) = &id {
        top.check_id("id", id);
    }
    let names = top.names("names");
    let scientific_name = top.text("scientific_name");
    let host = top.names("host");
    let provisional = top.flag("provisional");
    let note = top.optional_text("note").unwrap_or_default();
    if provisional == Some(true) && note.trim().is_empty() {
        top.fault("note", "must say on what the provisional numbers rest");
    }
    let biofix = top.section("biofix");
    let heat = top.section("heat");
    let stages = top.list("stages");
    let window = top.section("window");
    top.finish(&[
        "id",
        "names",
        "scientific_name",
        "host",
        "provisional",
        "note",
        "biofix",
        "heat",
        "stages",
        "window",
    ]);

    let biofix = biofix.and_then(|table| read_biofix(table, faults));
    let heat = heat.and_then(|table| read_heat(table, faults));
    let stages = stages.and_then(|tables| read_stages(tables, faults));
    // Without all stages a window cannot be judged, and would only add noise to their faults.
    let window = window.zip(stages.as_ref()).and_then(|(table, stages)| read_window(table, stages, faults));
    let (heat, heat_origins) = heat?;
    Some(Profile {
        id: id?,
        names: names?,
        scientific_name: scientific_name?,
        host: host?,
        provisional: provisional?,
        note,
        biofix: biofix?,
        heat,
        heat_origins,
        stages: stages?,
        window: window?,
    })
}

fn read_biofix(table: Table, faults: &mut Vec<ProfileFault>) -> Option<Biofix> {
    let mut section = Section::new("biofix".into(), table, faults);
    let month = section.whole("month", 1, 12);
    let day = section.whole("day", 1, 31);
    let year = section.choice_or("year", &BIOFIX_YEARS, BiofixYear::Same);
    let origin = section.text("origin");
    // A common year: what is a day in it is a day in every year.
    let exists = month.zip(day).is_some_and(|(month, day)| NaiveDate::from_ymd_opt(2023, month, day).is_some());
    if let (Some(month), Some(day), false) = (month, day, exists) {
        section.fault("day", format!("{day} is not a day of month {month} in every year"));
    }
    section.finish(&["month", "day", "year", "origin"]);
    exists.then_some(())?;
    Some(Biofix { month: month?, day: day?, year: year?, origin: origin? })
}

fn read_heat(table: Table, faults: &mut Vec<ProfileFault>) -> Option<(HeatRule, HeatOrigins)> {
    let mut section = Section::new("heat".into(), table, faults);
    let method = section.choice("method", &METHODS);
    let method_origin = section.text("method_origin");
    let lower = section.number("lower_c", -20.0, 50.0);
    let lower_origin = section.text("lower_origin");
    let has_upper = section.has("upper_c");
    let upper = if has_upper { section.number("upper_c", -20.0, 80.0) } else { None };
    let cutoff = section.choice_or("cutoff", &CUTOFFS, Cutoff::None);
    let upper_origin = if has_upper { section.text("upper_origin") } else { section.optional_text("upper_origin") };
    if has_upper && cutoff == Some(Cutoff::None) {
        section.fault("cutoff", "an upper threshold needs a cut-off: horizontal, intermediate or vertical");
    }
    let complete = method.is_some() && lower.is_some() && cutoff.is_some() && (upper.is_some() || !has_upper);
    let rule = match (method, lower, cutoff) {
        (Some(method), Some(lower), Some(cutoff)) if complete => match HeatRule::new(method, lower, upper, cutoff) {
            Ok(rule) => Some(rule),
            Err(why) => {
                section.fault(if has_upper { "upper_c" } else { "cutoff" }, why.to_string());
                None
            }
        },
        _ => None,
    };
    section.finish(&["method", "method_origin", "lower_c", "lower_origin", "upper_c", "cutoff", "upper_origin"]);
    let upper = upper_origin.unwrap_or_default();
    Some((rule?, HeatOrigins { method: method_origin?, lower: lower_origin?, upper }))
}

/// `None` when any stage has a fault.
fn read_stages(tables: Vec<Table>, faults: &mut Vec<ProfileFault>) -> Option<Vec<Stage>> {
    if tables.is_empty() {
        faults.push(ProfileFault { path: "stages".into(), what: "at least one stage is wanted".into() });
    }
    let ids: Vec<String> =
        tables.iter().map(|table| table.get("id").and_then(Value::as_str).unwrap_or_default().to_owned()).collect();
    let count = tables.len();
    let stages: Vec<Stage> = tables
        .into_iter()
        .enumerate()
        .filter_map(|(at, table)| {
            let earlier: Vec<&str> = ids.iter().take(at).map(String::as_str).collect();
            read_stage(at, table, &earlier, &ids, faults)
        })
        .collect();
    (!stages.is_empty() && stages.len() == count).then_some(stages)
}

fn read_stage(
    at: usize,
    table: Table,
    earlier: &[&str],
    all: &[String],
    faults: &mut Vec<ProfileFault>,
) -> Option<Stage> {
    let mut section = Section::new(format!("stages[{at}]"), table, faults);
    let id = section.text("id");
    if let Some(id) = &id {
        section.check_id("id", id);
        if id == BIOFIX {
            section.fault("id", "`biofix` is the word for the first day of the season; name the stage otherwise");
        }
        if earlier.contains(&id.as_str()) {
            section.fault("id", format!("`{id}` is there twice"));
        }
    }
    let names = section.names("names");
    let after = section.text("after");
    if let Some(after) = &after
        && after != BIOFIX
        && !earlier.contains(&after.as_str())
    {
        let what = if all.contains(after) {
            format!("`{after}` does not stand before this stage: order the stages as they come")
        } else {
            let known = earlier.iter().copied().chain([BIOFIX]);
            format!("no stage `{after}`{}", did_you_mean(after, known))
        };
        section.fault("after", what);
    }
    let need = match (section.has("degree_days_c"), section.has("days")) {
        (true, false) => section.number("degree_days_c", f64::MIN_POSITIVE, 20_000.0).map(Need::DegreeDays),
        (false, true) => section.whole("days", 1, 366).map(Need::Days),
        (both, _) => {
            section.drop_key("degree_days_c");
            section.drop_key("days");
            let what =
                if both { "either this or `days` is wanted, not both" } else { "either this or `days` is wanted" };
            section.fault("degree_days_c", what);
            None
        }
    };
    let origin = section.text("origin");
    section.finish(&["id", "names", "after", "degree_days_c", "days", "origin"]);
    let after = after?;
    Some(Stage {
        id: StageId(id?),
        names: names?,
        after: (after != BIOFIX).then_some(StageId(after)),
        need: need?,
        origin: origin?,
    })
}

fn read_window(table: Table, stages: &[Stage], faults: &mut Vec<ProfileFault>) -> Option<Window> {
    let mut section = Section::new("window".into(), table, faults);
    let mut role = |key: &str| {
        let name = section.text(key)?;
        let rank = stages.iter().position(|stage| stage.id.0 == name);
        if rank.is_none() {
            let near = did_you_mean(&name, stages.iter().map(|stage| stage.id.0.as_str()));
            section.fault(key, format!("no stage `{name}`{near}"));
        }
        rank
    };
    let opens = role("opens");
    let closes = role("closes");
    if let (Some(opens), Some(closes)) = (opens, closes)
        && opens >= closes
    {
        section.fault("closes", "must be a stage after the one that opens the window");
    }
    section.finish(&["opens", "closes"]);
    let id = |rank: Option<usize>| stages.get(rank?).map(|stage| stage.id.clone());
    Some(Window { opens: id(opens)?, closes: id(closes)? })
}

/// One table of the file: keys are taken out one by one, what is left at the end is unknown.
struct Section<'a> {
    path: String,
    table: Table,
    faults: &'a mut Vec<ProfileFault>,
}

impl<'a> Section<'a> {
    fn new(path: String, table: Table, faults: &'a mut Vec<ProfileFault>) -> Self {
        Self { path, table, faults }
    }

    fn fault(&mut self, key: &str, what: impl Into<String>) {
        let path = if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) };
        self.faults.push(ProfileFault { path, what: what.into() });
    }

    fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    fn drop_key(&mut self, key: &str) {
        self.table.remove(key);
    }

    /// Takes a key's value through `read`; books it as missing or as of the wrong type.
    fn take<T>(&mut self, key: &str, wanted: &str, read: impl FnOnce(Value) -> Option<T>) -> Option<T> {
        let Some(value) = self.table.remove(key) else {
            self.fault(key, format!("is missing: {wanted} is wanted"));
            return None;
        };
        let seen = match &value {
            Value::Table(_) => "a table".to_owned(),
            Value::Array(_) => "a list".to_owned(),
            other => other.to_string(),
        };
        let read = read(value);
        if read.is_none() {
            self.fault(key, format!("{seen} is not what is wanted: {wanted}"));
        }
        read
    }

    /// Text with something in it.
    fn text(&mut self, key: &str) -> Option<String> {
        self.take(key, "text", |value| match value {
            Value::String(text) if !text.trim().is_empty() => Some(text),
            _ => None,
        })
    }

    fn optional_text(&mut self, key: &str) -> Option<String> {
        if !self.has(key) {
            return None;
        }
        self.take(key, "text", |value| value.as_str().map(str::to_owned))
    }

    fn flag(&mut self, key: &str) -> Option<bool> {
        self.take(key, "true or false", |value| value.as_bool())
    }

    fn whole(&mut self, key: &str, least: u32, most: u32) -> Option<u32> {
        self.take(key, &format!("a whole number from {least} to {most}"), |value| {
            let number = u32::try_from(value.as_integer()?).ok()?;
            (least..=most).contains(&number).then_some(number)
        })
    }

    fn number(&mut self, key: &str, least: f64, most: f64) -> Option<f64> {
        let wanted = if least > 0.0 && least < 1e-9 {
            format!("a number above 0, up to {most}")
        } else {
            format!("a number from {least} to {most}")
        };
        self.take(key, &wanted, |value| {
            let number = value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64))?;
            (least..=most).contains(&number).then_some(number)
        })
    }

    fn choice<T: Copy>(&mut self, key: &str, names: &[(&str, T)]) -> Option<T> {
        let wanted = format!("one of {}", names.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", "));
        self.take(key, &wanted, |value| {
            let text = value.as_str()?;
            names.iter().find(|(name, _)| *name == text).map(|(_, value)| *value)
        })
    }

    fn choice_or<T: Copy>(&mut self, key: &str, names: &[(&str, T)], default: T) -> Option<T> {
        if self.has(key) { self.choice(key, names) } else { Some(default) }
    }

    fn names(&mut self, key: &str) -> Option<Names> {
        let table = self.section(key)?;
        let path = if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) };
        let mut inner = Section::new(path, table, self.faults);
        let (en, es) = (inner.text("en"), inner.text("es"));
        inner.finish(&["en", "es"]);
        Some(Names { en: en?, es: es? })
    }

    fn section(&mut self, key: &str) -> Option<Table> {
        self.take(key, "a table", |value| match value {
            Value::Table(table) => Some(table),
            _ => None,
        })
    }

    fn list(&mut self, key: &str) -> Option<Vec<Table>> {
        self.take(key, "a list of tables", |value| match value {
            Value::Array(items) => items
                .into_iter()
                .map(|item| match item {
                    Value::Table(table) => Some(table),
                    _ => None,
                })
                .collect(),
            _ => None,
        })
    }

    fn check_id(&mut self, key: &str, id: &str) {
        let sound = id.len() <= 60
            && id.split('-').all(|part| {
                !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit())
            });
        if !sound {
            self.fault(
                key,
                format!(
                    "`{id}` must be lower case letters and digits with single hyphens between, at most 60 characters"
                ),
            );
        }
    }

    /// Books what nobody asked for.
    fn finish(mut self, known: &[&str]) {
        let left: Vec<String> = self.table.keys().cloned().collect();
        for key in left {
            let near = did_you_mean(&key, known.iter().copied());
            self.fault(&key, format!("unknown key{near}"));
        }
    }
}

/// `, did you mean …?` for the known name spelled most like `name`, or nothing when none is near.
fn did_you_mean<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> String {
    known
        .map(|near| (strsim::jaro_winkler(near, name), near))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, near)| format!(", did you mean `{near}`?"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(text: &str) -> Vec<String> {
        Profile::parse(text).expect_err("refused").iter().map(ToString::to_string).collect()
    }

    /// The shipped file with one piece of text replaced.
    fn with(old: &str, new: &str) -> String {
        assert!(PINYON_NEEDLE_SCALE.contains(old), "`{old}` is in the file");
        PINYON_NEEDLE_SCALE.replacen(old, new, 1)
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().expect("a date")
    }

    #[test]
    fn the_shipped_profile_says_its_provisional_numbers_and_where_each_came_from() {
        let scale = Profile::pinyon_needle_scale();
        assert!(scale.provisional && scale.note.contains("provisional"));
        assert_eq!((scale.biofix.month, scale.biofix.day, scale.biofix.year), (1, 1, BiofixYear::Same));
        assert_eq!((scale.heat.method(), scale.heat.lower_c()), (Method::SingleSine, 4.0));
        assert_eq!((scale.heat.upper_c(), scale.heat.cutoff()), (Some(30.0), Cutoff::Horizontal));
        let needs: Vec<_> = scale.stages.iter().map(|stage| (stage.id.0.as_str(), stage.need)).collect();
        assert_eq!(
            needs,
            [
                ("egg-laying-begins", Need::DegreeDays(214.0)),
                ("egg-laying-ends", Need::DegreeDays(92.0)),
                ("eggs-hatch", Need::DegreeDays(250.0)),
                ("crawlers-settled", Need::Days(14)),
            ]
        );
        assert_eq!(scale.window, Window { opens: "egg-laying-begins".into(), closes: "eggs-hatch".into() });
        assert!(scale.stages.iter().all(|stage| !stage.origin.is_empty()));
    }

    #[test]
    fn a_profile_reads_its_own_print() {
        let scale = Profile::pinyon_needle_scale();
        assert_eq!(Profile::parse(&scale.to_toml()), Ok(scale));
    }

    #[test]
    fn every_fault_is_told_at_once_with_its_place_and_the_mend() {
        let text = with("lower_c = 4.0", "lowr_c = 4.0")
            .replacen("month = 1\n", "month = 13\n", 1)
            .replacen("days = 14", "days = \"14\"", 1)
            .replacen("after = \"eggs-hatch\"", "after = \"egg-hatch\"", 1);
        assert_eq!(
            faults(&text),
            [
                "biofix.month: 13 is not what is wanted: a whole number from 1 to 12",
                "heat.lower_c: is missing: a number from -20 to 50 is wanted",
                "heat.lowr_c: unknown key, did you mean `lower_c`?",
                "stages[3].after: no stage `egg-hatch`, did you mean `eggs-hatch`?",
                "stages[3].days: \"14\" is not what is wanted: a whole number from 1 to 366",
            ]
        );
    }

    #[test]
    fn what_cannot_be_meant_is_refused() {
        for (old, new, wanted) in [
            ("upper_c = 30.0", "upper_c = 3.0", "heat.upper_c: lower threshold 4 must be below"),
            ("cutoff = \"horizontal\"\n", "", "heat.cutoff: an upper threshold needs a cut-off"),
            (
                "cutoff = \"horizontal\"",
                "cutoff = \"flat\"",
                "heat.cutoff: \"flat\" is not what is wanted: one of none",
            ),
            ("day = 1\n", "day = 30\nx = 1\n", "biofix.x: unknown key"),
            ("month = 1\nday = 1", "month = 2\nday = 29", "biofix.day: 29 is not a day of month 2 in every year"),
            ("year = \"same\"", "year = \"next\"", "biofix.year: \"next\" is not what is wanted: one of same, before"),
            ("degree_days_c = 92.0", "degree_days_c = 0", "stages[1].degree_days_c: 0 is not what is wanted"),
            ("degree_days_c = 92.0", "degree_days_c = nan", "stages[1].degree_days_c: nan is not what is wanted"),
            ("degree_days_c = 92.0\n", "", "stages[1].degree_days_c: either this or `days` is wanted"),
            (
                "days = 14",
                "days = 14\ndegree_days_c = 1",
                "stages[3].degree_days_c: either this or `days` is wanted, not",
            ),
            ("id = \"egg-laying-ends\"", "id = \"eggs-hatch\"", "stages[2].id: `eggs-hatch` is there twice"),
            ("id = \"egg-laying-ends\"", "id = \"Egg laying\"", "stages[1].id: `Egg laying` must be lower case"),
            (
                "after = \"biofix\"",
                "after = \"eggs-hatch\"",
                "stages[0].after: `eggs-hatch` does not stand before this",
            ),
            (
                "closes = \"eggs-hatch\"",
                "closes = \"egg-laying-begins\"",
                "window.closes: must be a stage after the one",
            ),
            ("opens = \"egg-laying-begins\"", "opens = \"egg\"", "window.opens: no stage `egg`"),
            ("es = \"piñonero\"", "fr = \"pin\"", "host.es: is missing: text is wanted"),
            ("note = ", "#", "note: must say on what the provisional numbers rest"),
            ("id = \"pinyon-needle-scale\"", "id = ", "line 7: not TOML"),
        ] {
            let told = faults(&with(old, new));
            assert!(told.iter().any(|line| line.starts_with(wanted)), "{old} -> {new}: {told:#?}");
        }
        assert!(faults("").len() >= 8, "an empty file lists what is missing");
    }

    #[test]
    fn every_day_belongs_to_one_season_also_when_the_biofix_lies_in_the_autumn_before() {
        let scale = Profile::pinyon_needle_scale();
        assert_eq!((scale.first_day(2020), scale.last_day(2020)), (day("2020-01-01"), day("2020-12-31")));
        assert_eq!(scale.season_of(day("2020-12-31")), 2020);
        let autumn = with("month = 1\n", "month = 10\n").replacen("year = \"same\"", "year = \"before\"", 1);
        let autumn = Profile::parse(&autumn).expect("sound");
        assert_eq!((autumn.first_day(2020), autumn.last_day(2020)), (day("2019-10-01"), day("2020-09-30")));
        for (text, season) in [
            ("2019-09-30", 2019),
            ("2019-10-01", 2020),
            ("2019-12-31", 2020),
            ("2020-02-29", 2020),
            ("2020-10-01", 2021),
        ] {
            assert_eq!(autumn.season_of(day(text)), season, "{text}");
        }
        let same = Profile::parse(&with("month = 1\n", "month = 10\n")).expect("sound");
        assert_eq!(same.season_of(day("2020-02-29")), 2019, "with `same` the season is named by its biofix");
        for season in [i32::MIN, -300_000, 300_000, i32::MAX] {
            assert!(scale.first_day(season) <= NaiveDate::MAX && scale.last_day(season) <= NaiveDate::MAX);
        }
    }
}
