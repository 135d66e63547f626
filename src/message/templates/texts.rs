//! The texts that staff may change: each a file in every language, both changed together.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use minijinja::value::Value;

use super::engine::{beside, includes};
use super::files::{BUILT_IN, File, Origin};
use super::values::{Names, allowed_names, notice_values};
use super::{RenderError, TemplateFaults, Templates};
use super::{calendar_file, notice_file, transactional_file, transactional_messages};
use crate::message::document::Document;
use crate::message::facts::NoticeFacts;
use crate::message::transactional::TransactionalKind;
use crate::people::{Channel, Language};
use crate::season::NoticeKind;

/// Name of a text: that of its files without folder and ending, such as `wash-now.sms` or `care.part`. The frame of e-mails is
/// no text.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TextName(String);

/// What a text is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TextKind {
    Notice(NoticeKind, Channel),
    Letter(TransactionalKind, Channel),
    /// The calendar entry of notices.
    Calendar,
    /// Part of other texts.
    Part,
}

impl TextName {
    /// Every text: notices as a season brings them, letters, the calendar entry, parts.
    pub fn all() -> Vec<Self> {
        let notices = NoticeKind::ALL
            .into_iter()
            .flat_map(|kind| [Channel::Sms, Channel::Email].map(|channel| notice_file(kind, Language::En, channel)));
        let letters = transactional_messages().map(|(kind, channel)| transactional_file(kind, Language::En, channel));
        let parts = BUILT_IN.iter().map(|(name, _)| (*name).to_owned());
        let parts = parts.filter(|name| name.starts_with("en/") && name.ends_with(".part.txt"));
        let files = notices.chain(letters).chain([calendar_file(Language::En)]).chain(parts);
        files.filter_map(|file| Self::of_file(&file)).collect()
    }

    /// `None`: there is no such text.
    pub fn parse(name: &str) -> Option<Self> {
        Self::all().into_iter().find(|text| text.0 == name)
    }

    /// The text of a file, such as `en/wash-now.sms.txt`.
    pub fn of_file(file: &str) -> Option<Self> {
        let (_, name) = file.split_once('/')?;
        Some(Self(name.strip_suffix(".txt")?.to_owned()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Its file in a language.
    pub fn file(&self, language: Language) -> String {
        format!("{}/{}.txt", language.code(), self.0)
    }

    pub fn kind(&self) -> TextKind {
        let file = self.file(Language::En);
        let notice = NoticeKind::ALL
            .into_iter()
            .flat_map(|kind| Channel::ALL.map(|channel| (kind, channel)))
            .find(|(kind, channel)| notice_file(*kind, Language::En, *channel) == file);
        if let Some((kind, channel)) = notice {
            return TextKind::Notice(kind, channel);
        }
        let letter =
            transactional_messages().find(|(kind, channel)| transactional_file(*kind, Language::En, *channel) == file);
        match letter {
            Some((kind, channel)) => TextKind::Letter(kind, channel),
            None if file == calendar_file(Language::En) => TextKind::Calendar,
            None => TextKind::Part,
        }
    }

    /// The names of values that may stand in it.
    pub fn values(&self) -> &'static [&'static str] {
        allowed_names(&self.file(Language::En))
    }
}

impl fmt::Display for TextName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl Templates {
    /// These, with the words of staff in the place of some: by name of file. Only what these files are part of is tried.
    ///
    /// # Errors
    /// What is wrong with them, as [`Templates::load`] says it.
    pub fn with(&self, words: &BTreeMap<String, String>) -> Result<Self, TemplateFaults> {
        let mut files = self.files.clone();
        for (name, source) in words.iter().filter(|(name, _)| self.files.contains_key(*name)) {
            files.insert(name.clone(), File { source: source.clone(), origin: Origin::Staff });
        }
        let touched = touched(&files, &words.keys().cloned().collect());
        Self::of(files, Vec::new(), &|file| touched.contains(file))
    }

    /// The files that say anything of these: themselves, and all that include them.
    pub fn touched_by(&self, names: &BTreeSet<String>) -> BTreeSet<String> {
        touched(&self.files, names)
    }

    /// The words of a file as they are in use; empty if there is no such file.
    pub fn source(&self, file: &str) -> &str {
        self.files.get(file).map_or("", |found| found.source.as_str())
    }

    /// Where the words of a file come from.
    pub fn origin(&self, file: &str) -> Origin {
        self.files.get(file).map_or(Origin::Shipped, |found| found.origin.clone())
    }

    /// The calendar entry as notices of a kind have it: its name and what it says.
    ///
    /// # Errors
    /// As [`Templates::render_notice`].
    pub fn calendar_words(
        &self,
        kind: NoticeKind,
        language: Language,
        facts: &NoticeFacts,
    ) -> Result<(String, String), RenderError> {
        let values = Value::from(notice_values(kind, facts, language, Channel::Email, Names::AsWritten));
        let (name, body) = self.render_titled(&calendar_file(language), values)?;
        Ok((name, Document::parse(&body).to_text()))
    }
}

fn touched(files: &BTreeMap<String, File>, names: &BTreeSet<String>) -> BTreeSet<String> {
    let mut found = names.clone();
    // Parts include parts: until nothing is added.
    loop {
        let more: Vec<String> = files
            .iter()
            .filter(|(name, _)| !found.contains(*name))
            .filter(|(name, file)| includes(&file.source).iter().any(|part| found.contains(&beside(part, name))))
            .map(|(name, _)| name.clone())
            .collect();
        if more.is_empty() {
            return found;
        }
        found.extend(more);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_but_the_frame_belongs_to_one_text() {
        let of_texts: BTreeSet<String> =
            TextName::all().iter().flat_map(|text| Language::ALL.map(|language| text.file(language))).collect();
        let files: BTreeSet<String> =
            BUILT_IN.iter().map(|(name, _)| (*name).to_owned()).filter(|name| name != "layout.html").collect();
        assert_eq!(of_texts, files);
        assert_eq!(TextName::parse("layout"), None);
        assert_eq!(TextName::parse("care.part").map(|text| text.kind()), Some(TextKind::Part));
    }

    #[test]
    fn words_of_staff_go_before_and_what_they_are_part_of_is_tried() {
        let given = Templates::load(None).unwrap();
        let care = "en/care.part.txt".to_owned();
        let touched = given.touched_by(&BTreeSet::from([care.clone()]));
        assert!(touched.contains("en/wash-now.email.txt") && !touched.contains("en/wash-now.sms.txt"), "{touched:?}");
        let with = given.with(&BTreeMap::from([(care.clone(), "Stay safe.\n".to_owned())])).unwrap();
        assert_eq!((with.source(&care), with.origin(&care)), ("Stay safe.\n", Origin::Staff));
        assert_eq!(given.origin(&care), Origin::Shipped);
        let wrong = given.with(&BTreeMap::from([(care, "{{ wash_buy }}".to_owned())])).unwrap_err().to_string();
        assert!(
            wrong.contains("staff's en/care.part.txt:1: unknown name `wash_buy`, did you mean `wash_by`?"),
            "{wrong}"
        );
    }
}
