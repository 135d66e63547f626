//! The wording: built-in templates, a folder that replaces single files of them, and the way from facts to a message.
//!
//! A file is a minijinja template. Names that no notice has, filters and functions are refused when the files are
//! loaded, and every file is rendered once with sample facts then, so that a fault is met by the person who edits and
//! not by a notice that is due.

mod branches;
mod compared;
mod engine;
mod faults;
mod files;
mod own;
mod placeholders;
mod texts;
mod values;

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error as _;
use std::path::Path;

use minijinja::value::Value;
use minijinja::{Environment, ErrorKind};

use crate::message::calendar;
use crate::message::document::Document;
use crate::message::facts::{NoticeFacts, Sender};
use crate::message::personal::one_line;
use crate::message::samples;
use crate::message::transactional::{TransactionalFacts, TransactionalKind};
use crate::message::{CHART_ID, EmailChart, Message, sms};
use crate::people::{Channel, Language};
use crate::season::NoticeKind;
use crate::text::near_spelling;

pub use branches::{Branch, Branches, in_sentences};
use compared::never_so;
use engine::{beside, compile, includes};
use faults::line_of;
pub use faults::{RenderError, TemplateFault, TemplateFaults};
pub use files::Origin;
use files::{BUILT_IN, File, LAYOUT, read_folder};
pub(super) use files::{calendar_file, notice_file, transactional_file, transactional_messages};
pub use own::{STOP_LINK, chart_of, notation_of};
pub use placeholders::Placeholder;
pub use placeholders::words_of;
pub(super) use placeholders::{said, typed};
pub use texts::{TextKind, TextName};
pub use values::blocks_value;
use values::{Names, allowed_names, layout_values, notice_values, transactional_values};

/// Segments that a text message may take: one in English, two in Spanish, which may need UCS-2.
pub fn most_segments(language: Language) -> usize {
    match language {
        Language::En => 1,
        Language::Es => 2,
    }
}

/// All files, read, checked and ready to render.
#[derive(Debug)]
pub struct Templates {
    files: BTreeMap<String, File>,
    engine: Environment<'static>,
}

impl Templates {
    /// The built-in files, each replaced by the file of the same name in `folder` if there is one.
    ///
    /// # Errors
    /// Every fault found: a folder that cannot be read, a file with a name that is none of ours (with a near one), a
    /// file that is not UTF-8, a template that does not parse, names something unknown, or cannot be rendered.
    pub fn load(folder: Option<&Path>) -> Result<Self, TemplateFaults> {
        let mut files: BTreeMap<String, File> = BUILT_IN
            .iter()
            .map(|(name, source)| ((*name).to_owned(), File { source: (*source).to_owned(), origin: Origin::Shipped }))
            .collect();
        let mut faults = Vec::new();
        if let Some(folder) = folder {
            read_folder(folder, &mut files, &mut faults);
        }
        Self::of(files, faults, &|_| true)
    }

    /// From these files; those that `rendered` says are tried with the samples.
    fn of(
        files: BTreeMap<String, File>,
        mut faults: Vec<TemplateFault>,
        rendered: &dyn Fn(&str) -> bool,
    ) -> Result<Self, TemplateFaults> {
        let engine = compile(&files, &mut faults);
        let templates = Self { files, engine };
        templates.check_names(&mut faults);
        if faults.is_empty() {
            templates.render_samples(rendered, &mut faults);
        }
        if faults.is_empty() { Ok(templates) } else { Err(TemplateFaults(faults)) }
    }

    /// Every file with its name, as they are in use: what a digest of the wording is made of.
    pub fn sources(&self) -> String {
        self.files.iter().map(|(name, file)| format!("{name}\n{}\n", file.source)).collect()
    }

    /// Writes a notice for one channel in one language.
    ///
    /// A text message is tried as it stands, then with the accents of the inserted names dropped; where that takes more
    /// segments than its language may use, also without its link, then without both. The first with the fewest is taken.
    ///
    /// # Errors
    /// When a template uses a value that this notice does not have, or an e-mail comes out without a subject line.
    pub fn render_notice(
        &self,
        kind: NoticeKind,
        language: Language,
        channel: Channel,
        facts: &NoticeFacts,
    ) -> Result<Message, RenderError> {
        self.render_with_chart(kind, language, channel, facts, None)
    }

    /// As [`Templates::render_notice`], the e-mail showing a chart.
    ///
    /// # Errors
    /// As [`Templates::render_notice`].
    pub fn render_with_chart(
        &self,
        kind: NoticeKind,
        language: Language,
        channel: Channel,
        facts: &NoticeFacts,
        chart: Option<&EmailChart>,
    ) -> Result<Message, RenderError> {
        match channel {
            Channel::Email => self.render_email(kind, language, facts, chart),
            Channel::Sms => {
                let file = notice_file(kind, language, channel);
                let text = self.render_short(&file, language, &facts.sender, |sender, fold| {
                    notice_values(kind, &NoticeFacts { sender, ..facts.clone() }, language, channel, fold)
                })?;
                Ok(Message::Sms { text })
            }
        }
    }

    /// Writes a transactional message for one of its [channels](TransactionalKind::channels).
    ///
    /// # Errors
    /// As [`Templates::render_notice`]; when a message is asked for on a channel that it does not go to.
    pub fn render_transactional(
        &self,
        kind: TransactionalKind,
        language: Language,
        channel: Channel,
        facts: &TransactionalFacts,
    ) -> Result<Message, RenderError> {
        let file = transactional_file(kind, language, channel);
        match channel {
            Channel::Sms => {
                let written = |facts: &TransactionalFacts| {
                    self.render_short(&file, language, &facts.sender, |sender, fold| {
                        transactional_values(&TransactionalFacts { sender, ..facts.clone() }, language, channel, fold)
                    })
                };
                let mut text = written(facts)?;
                if sms::count(&text).parts > 1 && !facts.heights.is_empty() {
                    // Landmarks only help; the heights have to fit.
                    let mut bare = facts.clone();
                    bare.heights.iter_mut().for_each(|choice| choice.landmarks.clear());
                    text = written(&bare)?;
                }
                Ok(Message::Sms { text })
            }
            Channel::Email => {
                let values = Value::from(transactional_values(facts, language, channel, Names::AsWritten));
                let (subject, body) = self.render_titled(&file, values)?;
                let document = Document::parse(&body);
                let sender = one_line(&facts.sender.name);
                let html = self.render(LAYOUT, layout_values(&document, language, &subject, &sender, None))?;
                Ok(Message::Email { subject, text: document.to_text(), html, calendar: None, chart_png: None })
            }
        }
    }

    /// The names that a file and the files it includes use, of those allowed there.
    pub(super) fn names_used(&self, file: &str) -> BTreeSet<String> {
        let mut names = BTreeSet::new();
        let mut seen = BTreeSet::new();
        let mut to_read = vec![file.to_owned()];
        while let Some(file) = to_read.pop() {
            let (Some(found), true) = (self.files.get(&file), seen.insert(file.clone())) else { continue };
            if let Ok(template) = self.engine.get_template(&file) {
                names.extend(template.undeclared_variables(false));
            }
            to_read.extend(includes(&found.source).into_iter().map(|name| beside(&name, &file)));
        }
        names
    }

    /// Where a file's words come from, for people.
    pub(super) fn place(&self, file: &str) -> String {
        self.files.get(file).map_or_else(|| file.to_owned(), |found| found.place(file))
    }

    fn render_email(
        &self,
        kind: NoticeKind,
        language: Language,
        facts: &NoticeFacts,
        chart: Option<&EmailChart>,
    ) -> Result<Message, RenderError> {
        let values = Value::from(notice_values(kind, facts, language, Channel::Email, Names::AsWritten));
        let (subject, body) = self.render_titled(&notice_file(kind, language, Channel::Email), values.clone())?;
        let document = Document::parse(&body);
        let html =
            self.render(LAYOUT, layout_values(&document, language, &subject, &one_line(&facts.sender.name), chart))?;
        let (summary, description) = self.render_titled(&calendar_file(language), values)?;
        let calendar = calendar::entry(kind, facts, &summary, description.trim());
        // A layout of the user's own may do without it.
        let chart_png = chart.filter(|_| html.contains(CHART_ID)).map(|chart| chart.png.clone());
        Ok(Message::Email { subject, text: document.to_text(), html, calendar, chart_png })
    }

    /// A file whose first line is its title: the subject of an e-mail, the name of a calendar entry.
    fn render_titled(&self, file: &str, values: Value) -> Result<(String, String), RenderError> {
        let whole = self.render(file, values)?;
        let (first, body) = whole.split_once('\n').unwrap_or((&whole, ""));
        match first.strip_prefix("Subject:").map(one_line).filter(|subject| !subject.is_empty()) {
            Some(subject) => Ok((subject, body.to_owned())),
            None => {
                let what = "the first line is to be `Subject: ` and the subject in words".to_owned();
                Err(RenderError(TemplateFault { file: self.place(file), line: Some(1), what }))
            }
        }
    }

    fn render_short(
        &self,
        file: &str,
        language: Language,
        sender: &Sender,
        values: impl Fn(Sender, Names) -> BTreeMap<&'static str, Value>,
    ) -> Result<String, RenderError> {
        let without_link = Sender { public_url: None, ..sender.clone() };
        let mut shortest: Option<(usize, String)> = None;
        for sender in [sender, &without_link] {
            for names in [Names::AsWritten, Names::WithoutAccents] {
                let rendered = self.render(file, Value::from(values(sender.clone(), names)))?;
                let text = sms::gsm_safe(&one_line(&rendered));
                let segments = sms::count(&text).parts;
                if segments == 1 {
                    return Ok(text);
                }
                if shortest.as_ref().is_none_or(|(fewest, _)| segments < *fewest) {
                    shortest = Some((segments, text));
                }
            }
            // The page behind the link holds the days and the cautions: whoever reads Spanish is led there as well.
            if shortest.as_ref().is_some_and(|(fewest, _)| *fewest <= most_segments(language)) {
                break;
            }
        }
        Ok(shortest.map(|(_, text)| text).unwrap_or_default())
    }

    fn render(&self, file: &str, values: Value) -> Result<String, RenderError> {
        let rendered = self.engine.get_template(file).and_then(|template| template.render(values));
        rendered.map_err(|why| RenderError(self.fault(file, &why)))
    }

    fn fault(&self, file: &str, why: &minijinja::Error) -> TemplateFault {
        // The innermost error has the place inside an included file.
        let mut inner = why;
        let mut cause = why.source();
        while let Some(error) = cause {
            if let Some(error) = error.downcast_ref::<minijinja::Error>() {
                inner = error;
            }
            cause = error.source();
        }
        let file = inner.name().filter(|name| self.files.contains_key(*name)).unwrap_or(file);
        let detail = inner.detail().unwrap_or_default();
        let what = match inner.kind() {
            ErrorKind::UnknownFilter | ErrorKind::UnknownFunction | ErrorKind::UnknownTest => {
                format!("{detail}: message templates have no filters, functions or tests")
            }
            ErrorKind::TemplateNotFound => format!("{detail}; files to include are {}", self.included().join(", ")),
            kind if detail.is_empty() => kind.to_string(),
            kind => format!("{kind}: {detail}"),
        };
        TemplateFault { file: self.place(file), line: inner.line(), what }
    }

    /// The files that other files include.
    fn included(&self) -> Vec<&str> {
        let english = format!("{}/", Language::En.code());
        let names = self.files.keys().filter_map(|name| name.strip_prefix(&english));
        names.filter(|name| name.ends_with(".part.txt")).collect()
    }

    fn check_names(&self, faults: &mut Vec<TemplateFault>) {
        for (name, file) in &self.files {
            let Ok(template) = self.engine.get_template(name) else { continue };
            let allowed = allowed_names(name);
            let mut unknown: Vec<String> = template
                .undeclared_variables(false)
                .into_iter()
                .filter(|used| !allowed.contains(&used.as_str()))
                .collect();
            unknown.sort();
            faults.extend(unknown.into_iter().map(|used| TemplateFault {
                file: self.place(name),
                line: line_of(&file.source, &used),
                what: match near_spelling(&used, allowed.iter().copied()) {
                    Some(near) => format!("unknown name `{used}`, did you mean `{near}`?"),
                    None => format!("unknown name `{used}`; names to use here: {}", allowed.join(", ")),
                },
            }));
            let never = never_so(name, &file.source).into_iter();
            faults.extend(never.map(|(line, what)| TemplateFault { file: self.place(name), line: Some(line), what }));
        }
    }

    fn render_samples(&self, wanted: &dyn Fn(&str) -> bool, faults: &mut Vec<TemplateFault>) {
        let mut found = BTreeSet::new();
        let samples = samples::all();
        for language in Language::ALL {
            for sample in &samples {
                for kind in NoticeKind::ALL {
                    for channel in Channel::ALL {
                        // An e-mail has a calendar entry with it.
                        let calendar = channel == Channel::Email && wanted(&calendar_file(language));
                        if !calendar && !wanted(&notice_file(kind, language, channel)) {
                            continue;
                        }
                        found.extend(self.render_notice(kind, language, channel, &sample.facts).err());
                    }
                }
            }
            for sample in samples::with_other_names(&samples) {
                for facts in TransactionalFacts::samples(&sample.facts.sender, &sample.facts.region_name) {
                    for (kind, channel) in transactional_messages().filter(|(kind, _)| facts.fits(*kind)) {
                        if !wanted(&transactional_file(kind, language, channel)) {
                            continue;
                        }
                        found.extend(self.render_transactional(kind, language, channel, &facts).err());
                    }
                }
            }
        }
        faults.extend(found.into_iter().map(|RenderError(fault)| fault));
    }
}

#[cfg(test)]
mod tests;
