//! The words of messages in use: those of the program and of the settings' folder, and over them what staff wrote, which may
//! change while the service runs.
//!
//! Staff go before the folder, since what they write they see at the desk, and the folder before the program. What the store
//! holds is checked whenever it is read: a text that breaks a rule, as after an upgrade that asks for more, is set aside and
//! the words without it go out, so that no notice waits for it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, PoisonError, RwLock};

use tracing::error;

use crate::language::Language;
use crate::message::templates::TextName;
use crate::message::{Sender, Templates, check};
use crate::store::wordings::WordingVersion;
use crate::store::{Store, StoreError};

/// A text of staff that is not used, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    pub text: String,
    pub version: u32,
    pub faults: Vec<String>,
}

/// Cheap to clone; all clones show the same words.
#[derive(Clone)]
pub struct WordingShelf {
    /// Without those of staff.
    given: Arc<Templates>,
    in_use: Arc<RwLock<Arc<InUse>>>,
    held: bool,
}

/// The words that messages are made of.
#[derive(Debug)]
struct InUse {
    templates: Arc<Templates>,
    /// Of the store, as these were read.
    mark: i64,
    set_aside: Vec<SetAside>,
}

impl WordingShelf {
    /// With the words of the program and of the folder; those of staff come with [`WordingShelf::renew`].
    pub fn new(given: Templates) -> Self {
        let given = Arc::new(given);
        let in_use = InUse { templates: Arc::clone(&given), mark: 0, set_aside: Vec::new() };
        Self { in_use: Arc::new(RwLock::new(Arc::new(in_use))), given, held: false }
    }

    /// With the words that are in use now and never others, whatever a store says: for what is played or tried.
    pub fn held(&self) -> Self {
        let in_use = self.look();
        Self { given: Arc::clone(&self.given), in_use: Arc::new(RwLock::new(in_use)), held: true }
    }

    /// The words in use; who keeps them keeps those.
    pub fn in_use(&self) -> Arc<Templates> {
        Arc::clone(&self.look().templates)
    }

    /// The words that are there without those of staff.
    pub fn given(&self) -> Arc<Templates> {
        Arc::clone(&self.given)
    }

    /// Texts of staff that are not used.
    pub fn set_aside(&self) -> Vec<SetAside> {
        self.look().set_aside.clone()
    }

    fn look(&self) -> Arc<InUse> {
        Arc::clone(&self.in_use.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Reads what staff wrote, if any of it has changed.
    ///
    /// # Errors
    /// When the store fails: then the words in use stay.
    pub async fn renew(&self, store: &Store, sender: &Sender) -> Result<(), StoreError> {
        if self.held {
            return Ok(());
        }
        let mark = store.wordings_mark().await?;
        if mark == self.look().mark {
            return Ok(());
        }
        let (kept, given, sender) = (store.wordings().await?, Arc::clone(&self.given), sender.clone());
        // Checking a text that others include takes tenths of a second.
        let read = tokio::task::spawn_blocking(move || with_staff(&given, kept, &sender)).await;
        let (templates, set_aside) = read.map_err(|why| StoreError::corrupt(format!("wording_versions: {why}")))?;
        for SetAside { text, version, faults } in &set_aside {
            let why = faults.join("; ");
            error!("version {version} of the words `{text}` is not used, since it breaks a rule: {why}");
        }
        let in_use = Arc::new(InUse { templates, mark, set_aside });
        *self.in_use.write().unwrap_or_else(PoisonError::into_inner) = in_use;
        Ok(())
    }
}

/// The words of staff over those that are given; texts that break a rule are set aside.
fn with_staff(given: &Arc<Templates>, kept: Vec<WordingVersion>, sender: &Sender) -> (Arc<Templates>, Vec<SetAside>) {
    let mut set_aside = Vec::new();
    let mut all = BTreeMap::new();
    let mut known = Vec::new();
    for version in kept {
        match TextName::parse(&version.text) {
            Some(text) => {
                let words = words_of(&text, &version);
                if !words.is_empty() {
                    all.extend(words.clone());
                    known.push((version, words));
                }
            }
            None => set_aside.push(SetAside {
                text: version.text,
                version: version.version,
                faults: vec!["this program has no text of this name".to_owned()],
            }),
        }
    }
    if all.is_empty() {
        return (Arc::clone(given), set_aside);
    }
    if let Ok(templates) = checked(given, &all, sender) {
        return (Arc::new(templates), set_aside);
    }
    // One after the other, in the order in which they were written: each that breaks nothing is used.
    let mut good = BTreeMap::new();
    let mut templates = Arc::clone(given);
    for (version, words) in known {
        let mut tried = good.clone();
        tried.extend(words);
        match checked(given, &tried, sender) {
            Ok(with) => (good, templates) = (tried, Arc::new(with)),
            Err(faults) => set_aside.push(SetAside { text: version.text, version: version.version, faults }),
        }
    }
    (templates, set_aside)
}

/// By name of file.
pub fn words_of(text: &TextName, version: &WordingVersion) -> BTreeMap<String, String> {
    let of = |language: Language| Some((text.file(language), version.words(language)?.to_owned()));
    Language::ALL.into_iter().filter_map(of).collect()
}

/// The words that are given with others in the place of some, unless that breaks a rule which the given ones keep.
fn checked(given: &Templates, words: &BTreeMap<String, String>, sender: &Sender) -> Result<Templates, Vec<String>> {
    let templates = given.with(words).map_err(|faults| faults.0.iter().map(ToString::to_string).collect::<Vec<_>>())?;
    let touched = templates.touched_by(&words.keys().cloned().collect::<BTreeSet<_>>());
    let report = check::check_some(&templates, sender, &|file| touched.contains(file));
    if report.by_rule.is_empty() {
        return Ok(templates);
    }
    let before = check::check_some(given, sender, &|file| touched.contains(file)).by_rule;
    let news: Vec<String> = report
        .by_rule
        .into_iter()
        .filter(|(key, _)| !before.contains_key(key))
        .map(|(_, fault)| fault.to_string())
        .collect();
    if news.is_empty() { Ok(templates) } else { Err(news) }
}
