//! A profile's file read: every fault at once, each with its place and the mend.

use chrono::NaiveDate;
use toml::{Table, Value};

use super::{
    BIOFIX, BIOFIX_YEARS, Biofix, BiofixYear, CUTOFFS, Eggs, HeatOrigins, LaidBy, METHODS, Names, Need, Profile,
    ProfileFault, Sight, Spread, Stage, Window,
};
use crate::heat::belief::{BeliefError, StagePrior};
use crate::heat::{Cutoff, HeatRule};
use crate::season::StageId;
use crate::text::is_hidden;

/// `None` only when at least one fault was booked.
pub(super) fn read_profile(table: Table, faults: &mut Vec<ProfileFault>) -> Option<Profile> {
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
    let version = top.whole_or("version", 1, 1_000_000, Some(1));
    let learned_through = top.whole_or("learned_through", 1, 9999, None);
    let biofix = top.section("biofix");
    let heat = top.section("heat");
    let stages = top.list("stages");
    let window = top.section("window");
    let eggs = if top.has("eggs") { top.section("eggs") } else { None };
    let sights = if top.has("sights") { top.list("sights") } else { Some(Vec::new()) };
    top.finish(&[
        "id",
        "names",
        "scientific_name",
        "host",
        "provisional",
        "note",
        "version",
        "learned_through",
        "biofix",
        "heat",
        "stages",
        "window",
        "eggs",
        "sights",
    ]);

    let biofix = biofix.and_then(|table| read_biofix(table, faults));
    let heat = heat.and_then(|table| read_heat(table, faults));
    let stages = stages.and_then(|tables| read_stages(tables, faults));
    // Without all stages a window cannot be judged, and would only add noise to their faults.
    let window = window.zip(stages.as_ref()).and_then(|(table, stages)| read_window(table, stages, faults));
    let eggs = eggs.map(|table| read_eggs(table, stages.as_deref(), faults));
    let sights = sights.zip(stages.as_ref()).and_then(|(tables, stages)| read_sights(tables, stages, faults));
    let (heat, heat_origins) = heat?;
    let mut profile = Profile {
        id: id?,
        names: names?,
        scientific_name: scientific_name?,
        host: host?,
        provisional: provisional?,
        note,
        version: version?,
        learned_through: learned_through.and_then(|year| i32::try_from(year).ok()),
        biofix: biofix?,
        heat,
        heat_origins,
        stages: stages?,
        window: window?,
        eggs: match eggs {
            None => None,
            Some(read) => Some(read?),
        },
        sights: sights?,
    };
    if let Err(stage) = profile.follow_laying() {
        let what = format!("stage `{stage}` comes at no heat sum after the one that opens the window");
        faults.push(ProfileFault { path: "eggs.laid_by".into(), what });
    }
    Some(profile)
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
    let spread = if section.has("spread") { section.section("spread") } else { None };
    if spread.is_some() && matches!(need, Some(Need::Days(_))) {
        section.fault("spread", "belongs to a stage that counts `degree_days_c`; leave it out here");
    }
    let path = format!("{}.spread", section.path);
    section.finish(&["id", "names", "after", "degree_days_c", "days", "origin", "spread"]);
    let spread = match spread {
        None => None,
        Some(table) => Some(read_spread(path, table, need, faults)?),
    };
    let after = after?;
    Some(Stage {
        id: StageId(id?),
        names: names?,
        after: (after != BIOFIX).then_some(StageId(after)),
        need: need?,
        origin: origin?,
        spread,
    })
}

fn read_spread(path: String, table: Table, need: Option<Need>, faults: &mut Vec<ProfileFault>) -> Option<Spread> {
    let mut section = Section::new(path, table, faults);
    let mut part = |key: &str, origin: &str| {
        let number = section.number(key, 0.0, 10_000.0);
        if let (Some(Need::DegreeDays(sum)), Some(sd)) = (need, number)
            && let Err(why @ BeliefError::Sd { .. }) = StagePrior::new(sum, sd, 0.0, 0.0)
        {
            let why = why.to_string().replace("the belief SD", "the SD");
            section.fault(key, why);
        }
        number.zip(section.text(origin))
    };
    let belief = part("belief_c", "belief_origin");
    let places = part("places_c", "places_origin");
    let years = part("years_c", "years_origin");
    section.finish(&["belief_c", "belief_origin", "places_c", "places_origin", "years_c", "years_origin"]);
    let ((belief_c, belief_origin), (places_c, places_origin), (years_c, years_origin)) = (belief?, places?, years?);
    Some(Spread { belief_c, belief_origin, places_c, places_origin, years_c, years_origin })
}

/// How long laying takes stands there once: as a number of its own, or by a stage and the share that is laid by then.
fn read_eggs(table: Table, stages: Option<&[Stage]>, faults: &mut Vec<ProfileFault>) -> Option<Eggs> {
    let mut section = Section::new("eggs".into(), table, faults);
    let by_stage = section.has("laid_by") || section.has("laid_share");
    let (laid_over_c, laid_by) = if by_stage {
        if section.has("laid_over_c") {
            section.drop_key("laid_over_c");
            section
                .fault("laid_over_c", "follows from `laid_by` and `laid_share`: leave it out, or leave those two out");
        }
        let (stage, share) = (section.text("laid_by"), section.number("laid_share", 0.01, 1.0));
        if let (Some(stage), Some(stages)) = (&stage, stages)
            && !stages.iter().any(|of| of.id.0 == *stage)
        {
            let near = did_you_mean(stage, stages.iter().map(|of| of.id.0.as_str()));
            section.fault("laid_by", format!("no stage `{stage}`{near}"));
            return None;
        }
        (Some(0.0), stage.zip(share).map(|(stage, share)| LaidBy { stage: StageId(stage), share }))
    } else {
        (section.number("laid_over_c", f64::MIN_POSITIVE, 10_000.0), None)
    };
    let laid_over_origin = section.text("laid_over_origin");
    let hatched_over_c = section.number("hatched_over_c", f64::MIN_POSITIVE, 10_000.0);
    let hatched_over_origin = section.text("hatched_over_origin");
    section.finish(&[
        "laid_over_c",
        "laid_by",
        "laid_share",
        "laid_over_origin",
        "hatched_over_c",
        "hatched_over_origin",
    ]);
    Some(Eggs {
        laid_over_c: laid_over_c?,
        laid_by,
        laid_over_origin: laid_over_origin?,
        hatched_over_c: hatched_over_c?,
        hatched_over_origin: hatched_over_origin?,
    })
}

/// `None` when any has a fault.
fn read_sights(tables: Vec<Table>, stages: &[Stage], faults: &mut Vec<ProfileFault>) -> Option<Vec<Sight>> {
    let count = tables.len();
    let mut sights: Vec<Sight> = Vec::with_capacity(count);
    for (at, table) in tables.into_iter().enumerate() {
        let mut section = Section::new(format!("sights[{at}]"), table, faults);
        let id = section.text("id");
        if let Some(id) = &id {
            section.check_id("id", id);
            if sights.iter().any(|sight| sight.id == *id) {
                section.fault("id", format!("`{id}` is there twice"));
            }
        }
        let names = section.names("names");
        let mut stage = |key: &str| -> Option<Option<StageId>> {
            if !section.has(key) {
                return Some(None);
            }
            let name = section.text(key)?;
            let known = stages.iter().any(|stage| stage.id.0 == name);
            if !known {
                let near = did_you_mean(&name, stages.iter().map(|stage| stage.id.0.as_str()));
                section.fault(key, format!("no stage `{name}`{near}"));
            }
            known.then_some(Some(StageId(name)))
        };
        let (shows, not_yet) = (stage("shows"), stage("not_yet"));
        let infested = section.flag("infested");
        section.finish(&["id", "names", "shows", "not_yet", "infested"]);
        let sight =
            (|| Some(Sight { id: id?, names: names?, shows: shows?, not_yet: not_yet?, infested: infested? }))();
        sights.extend(sight);
    }
    (sights.len() == count).then_some(sights)
}

fn read_window(table: Table, stages: &[Stage], faults: &mut Vec<ProfileFault>) -> Option<Window> {
    let mut section = Section::new("window".into(), table, faults);
    let role = |section: &mut Section<'_>, key: &str| {
        let name = section.text(key)?;
        let rank = stages.iter().position(|stage| stage.id.0 == name);
        if rank.is_none() {
            let near = did_you_mean(&name, stages.iter().map(|stage| stage.id.0.as_str()));
            section.fault(key, format!("no stage `{name}`{near}"));
        }
        rank
    };
    let opens = role(&mut section, "opens");
    let closes = role(&mut section, "closes");
    if let (Some(opens), Some(closes)) = (opens, closes)
        && opens >= closes
    {
        section.fault("closes", "must be a stage after the one that opens the window");
    }
    let settles = if section.has("settles") { Some(role(&mut section, "settles")) } else { None };
    if let (Some(closes), Some(Some(settles))) = (closes, settles)
        && settles <= closes
    {
        section.fault("settles", "must be a stage after the one that closes the window");
    }
    section.finish(&["opens", "closes", "settles"]);
    let id = |rank: Option<usize>| stages.get(rank?).map(|stage| stage.id.clone());
    let settles = match settles {
        None => None,
        Some(rank) => Some(id(rank)?),
    };
    Some(Window { opens: id(opens)?, closes: id(closes)?, settles })
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

    /// The default where the key is left out.
    fn whole_or(&mut self, key: &str, least: u32, most: u32, default: Option<u32>) -> Option<u32> {
        if self.has(key) { self.whole(key, least, most) } else { default }
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
        for (key, name) in [("en", &en), ("es", &es)] {
            if name.as_ref().is_some_and(|name| name.chars().any(is_hidden)) {
                inner.fault(key, "holds a character that is not seen, such as one that turns the direction of writing");
            }
        }
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

/// See [`crate::text::did_you_mean`].
fn did_you_mean<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> String {
    crate::text::did_you_mean(crate::text::near_key(name, known))
}
