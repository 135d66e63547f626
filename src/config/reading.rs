//! The settings file read one setting at a time, so that a fault in one hides no fault in another, and the line of each.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::wanted::wanted;
use crate::config::{CodingConfig, Config, ConfigFault, DkimConfig, Faults, SmppConfig};
use crate::{files, text};

/// Longest settings file, bytes: ours has eight thousand.
const LARGEST_FILE: u64 = 1 << 20;

/// All that is wrong with one file.
#[derive(Debug, thiserror::Error)]
#[error("{}", .faults.iter().map(|fault| in_file(.file, fault)).collect::<Vec<_>>().join("\n"))]
pub struct ConfigError {
    pub file: PathBuf,
    pub faults: Vec<ConfigFault>,
}

/// `treebell.toml:12: messages.postal_address: is empty …`.
fn in_file(file: &Path, fault: &ConfigFault) -> String {
    match fault.line {
        Some(line) => format!("{}:{line}: {fault}", file.display()),
        None => format!("{}: {fault}", file.display()),
    }
}

impl Config {
    /// Reads and checks a file.
    ///
    /// # Errors
    /// Every fault found, each with its line and path: unreadable, not TOML, unknown keys (with a near name), values out of
    /// range.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let reading = Self::examine(path)?;
        let faults = reading.faults();
        if faults.is_empty() { Ok(reading.config) } else { Err(ConfigError { file: path.to_owned(), faults }) }
    }

    /// Reads a file as far as that goes, for whoever wants to look further than the first faults.
    ///
    /// # Errors
    /// When it cannot be read at all.
    pub fn examine(path: &Path) -> Result<Reading, ConfigError> {
        let text = files::read_text(path, LARGEST_FILE).map_err(|why| ConfigError {
            file: path.to_owned(),
            faults: vec![ConfigFault::new("", format!("cannot be read: {why}"))],
        })?;
        Ok(Reading::of(&text))
    }

    /// # Errors
    /// As [`Config::load`].
    pub fn parse(text: &str) -> Result<Self, Vec<ConfigFault>> {
        let reading = Reading::of(text);
        let faults = reading.faults();
        if faults.is_empty() { Ok(reading.config) } else { Err(faults) }
    }
}

/// What a settings file comes to: the settings as far as they could be read, and all that is wrong.
#[derive(Clone, Debug, Default)]
pub struct Reading {
    /// A setting that could not be read has its default here.
    pub config: Config,
    faults: Faults,
    lines: Lines,
}

impl Reading {
    pub(super) fn of(text: &str) -> Self {
        let (document, mistakes) = DeTable::parse_recoverable(text);
        let (document, line) = (document.into_inner(), |at: usize| line_of(text, at));
        let lines = Lines::of(&document, text);
        let mut faults = Faults::default();
        let mut spoiled = Vec::new();
        for mistake in mistakes {
            let line = mistake.span().map_or(1, |span| line(span.start));
            spoiled.push(line);
            // One mistake often makes more behind it on the same line.
            if !faults.iter().any(|told| told.line == Some(line)) {
                let what = format!("not TOML: {}", mistake.message());
                faults.push(ConfigFault { line: Some(line), ..ConfigFault::new("", what) });
            }
        }
        let mut sound = DeTable::new();
        for one in single_settings(&document) {
            // What stands on a line that is no TOML is not what was meant.
            if lines.of_path(&path_of(&one)).is_some_and(|line| spoiled.contains(&line)) {
                continue;
            }
            if read_one(one.clone(), &mut faults) {
                merge(&mut sound, one);
            }
        }
        let config = Config::deserialize(toml::de::Deserializer::from(Spanned::new(0..0, sound)));
        let config = config.unwrap_or_else(|why| {
            faults.add("", why.message());
            Config::default()
        });
        let mut found = Faults::default();
        config.check(&mut found);
        // What could not be read is told once: its default is not at fault.
        let unread: Vec<String> = faults.iter().map(|fault| fault.path.clone()).collect();
        let told = |path: &str| unread.iter().any(|unread| !unread.is_empty() && unread == path);
        found.iter().filter(|fault| !told(&fault.path)).cloned().for_each(|fault| faults.push(fault));
        Self { config, faults, lines }
    }

    /// Takes a fault that was found outside of the file: in a folder, a secret, a text.
    pub fn add(&mut self, path: impl Into<String>, what: impl Into<String>) {
        self.faults.add(path, what);
    }

    /// As [`Reading::add`], many.
    pub fn extend(&mut self, faults: impl IntoIterator<Item = ConfigFault>) {
        self.faults.extend(faults);
    }

    /// All faults, in the order of the file; those of what does not stand there come last.
    pub fn faults(&self) -> Vec<ConfigFault> {
        let mut faults: Vec<ConfigFault> = self
            .faults
            .iter()
            .map(|fault| ConfigFault { line: fault.line.or_else(|| self.lines.of_path(&fault.path)), ..fault.clone() })
            .collect();
        faults.sort_by_key(|fault| fault.line.unwrap_or(usize::MAX));
        faults
    }
}

/// The lines on which settings stand, by their dotted paths.
#[derive(Clone, Debug, Default)]
struct Lines(BTreeMap<String, usize>);

impl Lines {
    fn of(document: &DeTable<'_>, text: &str) -> Self {
        let mut lines = Self::default();
        lines.add_table("", document, text);
        lines
    }

    fn add_table(&mut self, under: &str, table: &DeTable<'_>, text: &str) {
        for (key, value) in table {
            let path = below(under, key.get_ref());
            self.0.insert(path.clone(), line_of(text, key.span().start));
            self.add_value(&path, value.get_ref(), text);
        }
    }

    fn add_value(&mut self, path: &str, value: &DeValue<'_>, text: &str) {
        match value {
            DeValue::Table(table) => self.add_table(path, table, text),
            DeValue::Array(items) => {
                for (at, item) in items.iter().enumerate() {
                    let path = format!("{path}[{at}]");
                    self.0.insert(path.clone(), line_of(text, item.span().start));
                    self.add_value(&path, item.get_ref(), text);
                }
            }
            _ => {}
        }
    }

    /// The line of the setting; where it does not stand in the file, that of the nearest section around it.
    fn of_path(&self, path: &str) -> Option<usize> {
        let mut path = path;
        loop {
            if let Some(line) = self.0.get(path) {
                return Some(*line);
            }
            path = &path[..path.rfind(['.', '['])?];
        }
    }
}

fn below(parent: &str, key: &str) -> String {
    if parent.is_empty() { key.to_owned() } else { format!("{parent}.{key}") }
}

fn line_of(text: &str, at: usize) -> usize {
    text.as_bytes().iter().take(at).filter(|byte| **byte == b'\n').count() + 1
}

/// Documents of one setting each, which together are the whole.
fn single_settings<'i>(document: &DeTable<'i>) -> Vec<DeTable<'i>> {
    let known = serde_json::to_value(known(false)).unwrap_or_default();
    let mut single = Vec::new();
    for (key, value) in document {
        // At the top only sections stand, and one that is empty may have a wrong name.
        match value.get_ref() {
            DeValue::Table(table) if !table.is_empty() => {
                for one in single_values(table, known.get(key.get_ref().as_ref())) {
                    single.push(with_one(key, Spanned::new(value.span(), DeValue::Table(one))));
                }
            }
            _ => single.push(with_one(key, value.clone())),
        }
    }
    single
}

/// A section's settings one by one. Tables that are no section (such as where a secret is read from) stay whole.
fn single_values<'i>(section: &DeTable<'i>, known: Option<&serde_json::Value>) -> Vec<DeTable<'i>> {
    let mut single = Vec::new();
    for (key, value) in section {
        let inner = known.and_then(|known| known.get(key.get_ref().as_ref())).filter(|known| known.is_object());
        match (value.get_ref(), inner) {
            (DeValue::Table(table), Some(_)) if !table.is_empty() => {
                for one in single_values(table, inner) {
                    single.push(with_one(key, Spanned::new(value.span(), DeValue::Table(one))));
                }
            }
            _ => single.push(with_one(key, value.clone())),
        }
    }
    single
}

fn with_one<'i>(key: &Spanned<toml::de::DeString<'i>>, value: Spanned<DeValue<'i>>) -> DeTable<'i> {
    DeTable::from_iter([(key.clone(), value)])
}

/// The path of the setting that a document of one holds.
fn path_of(one: &DeTable<'_>) -> String {
    let (mut path, mut table) = (String::new(), one);
    while let Some((key, value)) = table.iter().next() {
        path = below(&path, key.get_ref());
        match value.get_ref() {
            DeValue::Table(inner) => table = inner,
            _ => break,
        }
    }
    path
}

/// Puts a document of one setting to the others.
fn merge<'i>(whole: &mut DeTable<'i>, one: DeTable<'i>) {
    for (key, value) in one {
        match (whole.get_mut(key.get_ref().as_ref()), value.get_ref()) {
            (Some(there), DeValue::Table(_)) => {
                if let (DeValue::Table(there), DeValue::Table(more)) = (there.get_mut(), value.into_inner()) {
                    merge(there, more);
                }
            }
            _ => {
                whole.insert(key, value);
            }
        }
    }
}

/// Reads a document that holds one setting; what is wrong with it goes to `faults`. Whether it could be read.
fn read_one(one: DeTable<'_>, faults: &mut Faults) -> bool {
    let mut unknown = Vec::new();
    let mut track = serde_path_to_error::Track::new();
    let document = toml::de::Deserializer::from(Spanned::new(0..0, one));
    let read: Result<Config, _> =
        serde_ignored::deserialize(serde_path_to_error::Deserializer::new(document, &mut track), |path| {
            unknown.push(path.to_string())
        });
    for path in unknown {
        // Where a section may be missing, its keys are told with a `?` between.
        let path = path.replace(".?", "");
        let mend = match (near_key(&path), only_home(&path)) {
            (None, Some(section)) => {
                // Under the head of a list's item everything is the item's, up to the next head.
                let list = list_around(&path).filter(|list| list.starts_with(&format!("{section}.")));
                let whereto = list.map_or_else(String::new, |list| format!(", move it above `[[{list}]]`"));
                format!(": it belongs to [{section}]{whereto}")
            }
            (near, _) => text::did_you_mean(near.as_deref()),
        };
        faults.add(path, format!("unknown key{mend}"));
    }
    if let Err(why) = &read {
        let path = track.path().to_string().replace(".?", "");
        let what = wanted(&path, why.message().trim_end());
        faults.add(path, what);
    }
    read.is_ok()
}

/// The known key at the same place that is spelled most like the last part of `path`.
fn near_key(path: &str) -> Option<String> {
    let (parents, last) = path.rsplit_once('.').map_or((None, path), |(parents, last)| (Some(parents), last));
    // JSON, since it keeps the names of settings that are not set.
    let mut level = serde_json::to_value(known(true)).ok()?;
    for parent in parents.into_iter().flat_map(|parents| parents.split('.')) {
        level = level.get_mut(parent)?.take();
    }
    let known = level.as_object()?;
    text::near_key(last, known.keys().map(String::as_str)).map(str::to_owned)
}

/// The one section that has a setting by the last name of `path`.
fn only_home(path: &str) -> Option<String> {
    let name = path.rsplit_once('.')?.1;
    let sections = serde_json::to_value(known(true)).ok()?;
    let has_it = |settings: &serde_json::Value| settings.get(name).is_some();
    let mut homes = sections.as_object()?.iter().filter(|(_, settings)| has_it(settings)).map(|(section, _)| section);
    let home = homes.next()?;
    homes.next().is_none().then(|| home.clone())
}

/// The list in one of whose items a setting stands: `alarms.recipients` of `alarms.recipients.0.name`.
fn list_around(path: &str) -> Option<String> {
    let parts: Vec<&str> = path.split('.').collect();
    let item = parts.iter().position(|part| part.parse::<usize>().is_ok())?;
    Some(parts.get(..item)?.join("."))
}

/// All settings, with the sections that may be missing; `whole` = also those that must be given whole if at all.
fn known(whole: bool) -> Config {
    let mut config = Config::default();
    config.email.dkim = Some(DkimConfig::default());
    config.sms.smpp = Some(SmppConfig::default());
    config.sms.coding = whole.then(|| CodingConfig { gsm7: String::new(), ucs2: String::new() });
    config
}
