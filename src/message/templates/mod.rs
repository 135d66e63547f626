//! The wording: built-in templates, a folder that replaces single files of them, and the way from facts to a message.
//!
//! A file is a minijinja template. Names that no notice has, filters and functions are refused when the files are
//! loaded, and every file is rendered once with sample facts then, so that a fault is met by the person who edits and
//! not by a notice that is due.

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error as _;
use std::fmt;
use std::path::{Path, PathBuf};

use minijinja::syntax::SyntaxConfig;
use minijinja::value::Value;
use minijinja::{AutoEscape, Environment, ErrorKind, UndefinedBehavior};

use crate::message::calendar;
use crate::message::dates;
use crate::message::dates::DateStyle;
use crate::message::document::{Block, Document, Line};
use crate::message::facts::{NoticeFacts, Sender, StageDates};
use crate::message::samples;
use crate::message::transactional::{LetterFacts, LetterKind};
use crate::message::{CHART_ID, Message, Picture, STOP_LINK_PLACE, sms};
use crate::people::{Channel, Language};
use crate::season::{NoticeKind, phrases};
use crate::units;

/// Parts that a text message may take: one in English, two in Spanish, which may need UCS-2.
pub fn most_parts(language: Language) -> usize {
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

#[derive(Debug)]
struct File {
    source: String,
    /// `None` = built in.
    path: Option<PathBuf>,
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
            .map(|(name, source)| ((*name).to_owned(), File { source: (*source).to_owned(), path: None }))
            .collect();
        let mut faults = Vec::new();
        if let Some(folder) = folder {
            read_folder(folder, &mut files, &mut faults);
        }
        let engine = compile(&files, &mut faults);
        let templates = Self { files, engine };
        templates.check_names(&mut faults);
        if faults.is_empty() {
            templates.render_samples(&mut faults);
        }
        if faults.is_empty() { Ok(templates) } else { Err(TemplateFaults(faults)) }
    }

    /// Writes a notice for one channel in one language.
    ///
    /// A text message is tried as it stands, then with the accents of the inserted names dropped, then without its
    /// link, then without both: the first with the fewest parts is taken.
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
        chart: Option<&Picture>,
    ) -> Result<Message, RenderError> {
        match channel {
            Channel::Email => self.render_email(kind, language, facts, chart),
            Channel::Sms => {
                let file = notice_file(kind, language, channel);
                let text = self.render_short(&file, &facts.sender, |sender, fold| {
                    notice_values(&NoticeFacts { sender, ..facts.clone() }, language, channel, fold)
                })?;
                Ok(Message::Sms { text })
            }
        }
    }

    /// Writes a letter for one of its [channels](LetterKind::channels).
    ///
    /// # Errors
    /// As [`Templates::render_notice`]; when a letter is asked for on a channel that it does not go to.
    pub fn render_letter(
        &self,
        kind: LetterKind,
        language: Language,
        channel: Channel,
        facts: &LetterFacts,
    ) -> Result<Message, RenderError> {
        let file = letter_file(kind, language, channel);
        match channel {
            Channel::Sms => {
                let text = self.render_short(&file, &facts.sender, |sender, fold| {
                    letter_values(&LetterFacts { sender, ..facts.clone() }, channel, fold)
                })?;
                Ok(Message::Sms { text })
            }
            Channel::Email => {
                let values = Value::from(letter_values(facts, channel, Names::AsWritten));
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
        match self.files.get(file).and_then(|found| found.path.as_ref()) {
            Some(path) => path.display().to_string(),
            None => format!("built-in {file}"),
        }
    }

    fn render_email(
        &self,
        kind: NoticeKind,
        language: Language,
        facts: &NoticeFacts,
        chart: Option<&Picture>,
    ) -> Result<Message, RenderError> {
        let values = Value::from(notice_values(facts, language, Channel::Email, Names::AsWritten));
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
        sender: &Sender,
        values: impl Fn(Sender, Names) -> BTreeMap<&'static str, Value>,
    ) -> Result<String, RenderError> {
        let without_link = Sender { public_url: None, ..sender.clone() };
        let ways = [
            (sender, Names::AsWritten),
            (sender, Names::WithoutAccents),
            (&without_link, Names::AsWritten),
            (&without_link, Names::WithoutAccents),
        ];
        let mut shortest: Option<(usize, String)> = None;
        for (sender, names) in ways {
            let rendered = self.render(file, Value::from(values(sender.clone(), names)))?;
            let text = sms::gsm_safe(&one_line(&rendered));
            let parts = sms::count(&text).parts;
            if shortest.as_ref().is_none_or(|(fewest, _)| parts < *fewest) {
                shortest = Some((parts, text));
            }
            if parts == 1 {
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
            ErrorKind::TemplateNotFound => format!("{detail}; files to include are {}", self.parts().join(", ")),
            kind if detail.is_empty() => kind.to_string(),
            kind => format!("{kind}: {detail}"),
        };
        TemplateFault { file: self.place(file), line: inner.line(), what }
    }

    /// The files that other files include.
    fn parts(&self) -> Vec<&str> {
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
                what: match near(&used, allowed.iter().copied()) {
                    Some(near) => format!("unknown name `{used}`, did you mean `{near}`?"),
                    None => format!("unknown name `{used}`; names to use here: {}", allowed.join(", ")),
                },
            }));
        }
    }

    fn render_samples(&self, faults: &mut Vec<TemplateFault>) {
        let mut found = BTreeSet::new();
        for language in Language::ALL {
            for sample in samples::all() {
                for kind in NoticeKind::ALL {
                    for channel in Channel::ALL {
                        found.extend(self.render_notice(kind, language, channel, &sample.facts).err());
                    }
                }
                for facts in LetterFacts::samples(&sample.facts.sender, &sample.facts.region_name) {
                    for (kind, channel) in letters() {
                        found.extend(self.render_letter(kind, language, channel, &facts).err());
                    }
                }
            }
        }
        faults.extend(found.into_iter().map(|RenderError(fault)| fault));
    }
}

/// One thing wrong with one file.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TemplateFault {
    /// A path, or `built-in` and a name.
    pub file: String,
    pub line: Option<usize>,
    pub what: String,
}

impl fmt::Display for TemplateFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}:{line}: {}", self.file, self.what),
            None => write!(f, "{}: {}", self.file, self.what),
        }
    }
}

/// All that is wrong with the files, one a line.
#[derive(Debug, thiserror::Error)]
#[error("{}", .0.iter().map(TemplateFault::to_string).collect::<Vec<_>>().join("\n"))]
pub struct TemplateFaults(pub Vec<TemplateFault>);

/// Why a message could not be written.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, thiserror::Error)]
#[error("{0}")]
pub struct RenderError(pub TemplateFault);

/// Name of a notice's file.
pub(super) fn notice_file(kind: NoticeKind, language: Language, channel: Channel) -> String {
    format!("{}/{}.{}.txt", language.code(), kind.name(), channel.name())
}

/// Name of the file of the calendar entry.
pub(super) fn calendar_file(language: Language) -> String {
    format!("{}/washing.calendar.txt", language.code())
}

/// Name of a letter's file.
pub(super) fn letter_file(kind: LetterKind, language: Language, channel: Channel) -> String {
    format!("{}/{}.{}.txt", language.code(), kind.name(), channel.name())
}

/// Every letter on every channel it goes to.
pub(super) fn letters() -> impl Iterator<Item = (LetterKind, Channel)> {
    LetterKind::ALL.into_iter().flat_map(|kind| kind.channels().iter().map(move |channel| (kind, *channel)))
}

/// The names that a notice's templates may use. Dates come in words, long in an e-mail and short in a text message.
const NOTICE_NAMES: [&str; 23] = [
    "basis",
    "borrowed",
    "hatch_began",
    "hatch_likely",
    "hatch_past_error",
    "hatch_spread",
    "heat_needed",
    "heat_sum",
    "help_contact",
    "laying_began",
    "laying_likely",
    "laying_past_error",
    "laying_spread",
    "postal_address",
    "provisional",
    "public_url",
    "region_name",
    "season",
    "sender_name",
    "sender_short",
    "station_name",
    "stop_url",
    "wash_by",
];

/// The names that a letter's templates may use.
const LETTER_NAMES: [&str; 12] = [
    "code",
    "confirm_url",
    "help_contact",
    "postal_address",
    "preferences_url",
    "public_url",
    "region_name",
    "seen_url",
    "sender_name",
    "sender_short",
    "stop_url",
    "zip",
];

const LAYOUT_NAMES: [&str; 6] = ["blocks", "chart", "language", "sender_name", "small_print", "subject"];

fn allowed_names(file: &str) -> &'static [&'static str] {
    let is_letter = file.ends_with("/letter-footer.part.txt")
        || letters().any(|(kind, channel)| Language::ALL.iter().any(|lang| letter_file(kind, *lang, channel) == file));
    if file == LAYOUT {
        &LAYOUT_NAMES
    } else if is_letter {
        &LETTER_NAMES
    } else {
        &NOTICE_NAMES
    }
}

/// How names and addresses are put into a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Names {
    AsWritten,
    /// See [`sms::fold_accents`].
    WithoutAccents,
}

impl Names {
    fn put(self, text: &str) -> Value {
        let text = one_line(text);
        Value::from(match self {
            Names::AsWritten => text,
            Names::WithoutAccents => sms::fold_accents(&text),
        })
    }
}

fn sender_values(sender: &Sender, names: Names) -> BTreeMap<&'static str, Value> {
    BTreeMap::from([
        ("sender_name", names.put(&sender.name)),
        ("sender_short", names.put(&sender.short)),
        ("postal_address", names.put(&sender.postal_address)),
        ("help_contact", names.put(&sender.help_contact)),
        ("public_url", sender.public_url.as_deref().map(one_line).map_or(Value::from(()), Value::from)),
    ])
}

fn letter_values(facts: &LetterFacts, channel: Channel, names: Names) -> BTreeMap<&'static str, Value> {
    let maybe = |text: &Option<String>| text.as_deref().map(one_line).map_or(Value::from(()), Value::from);
    let stop_url = facts.sender.public_url.as_ref().map_or(Value::from(()), |_| Value::from(STOP_LINK_PLACE));
    let mut values = sender_values(&facts.sender, names);
    values.extend([
        ("code", maybe(&facts.code)),
        ("confirm_url", maybe(&facts.confirm_url)),
        ("preferences_url", maybe(&facts.preferences_url)),
        ("region_name", facts.region_name.as_deref().map_or(Value::from(()), |name| names.put(name))),
        ("seen_url", maybe(&facts.seen_url)),
        ("stop_url", stop_url),
        ("zip", Value::from(facts.zip_words(channel))),
    ]);
    values
}

fn notice_values(
    facts: &NoticeFacts,
    language: Language,
    channel: Channel,
    names: Names,
) -> BTreeMap<&'static str, Value> {
    let style = match channel {
        Channel::Email => DateStyle::Full,
        Channel::Sms => DateStyle::Short,
    };
    let day = |date| Value::from(dates::day(date, language, style));
    let maybe = |date: Option<_>| date.map_or(Value::from(()), day);
    let spread = |stage: StageDates| Value::from(dates::spread(stage.early, stage.likely, stage.late, language, style));
    let past_error = |stage: StageDates| {
        let days = stage.past_error_days.filter(|_| stage.reached.is_none());
        days.map_or(Value::from(()), |days| Value::from(phrases::past_error(language, f64::from(days))))
    };
    // Owners think in °F; rounding hides what the sum cannot promise.
    let heat = |degree_days: f64| Value::from(format!("{:.0}", units::dd_c_to_f(degree_days)));
    let stop_url = facts.sender.public_url.as_ref().map_or(Value::from(()), |_| Value::from(STOP_LINK_PLACE));
    let mut values = sender_values(&facts.sender, names);
    values.extend([
        ("basis", Value::from(facts.basis.name())),
        (
            "borrowed",
            facts.borrowed.as_ref().map_or(Value::from(()), |from| names.put(&phrases::borrowed_words(language, from))),
        ),
        ("hatch_past_error", past_error(facts.hatch)),
        ("laying_past_error", past_error(facts.laying)),
        ("hatch_began", maybe(facts.hatch.reached)),
        ("hatch_likely", day(facts.hatch.likely)),
        ("hatch_spread", spread(facts.hatch)),
        ("heat_needed", heat(facts.heat_needed)),
        ("heat_sum", heat(facts.heat_sum)),
        ("laying_began", maybe(facts.laying.reached)),
        ("laying_likely", day(facts.laying.likely)),
        ("laying_spread", spread(facts.laying)),
        ("provisional", Value::from(facts.provisional)),
        ("region_name", names.put(&facts.region_name)),
        ("season", Value::from(facts.season)),
        ("station_name", names.put(&facts.station_name)),
        ("stop_url", stop_url),
        ("wash_by", day(facts.wash_by)),
    ]);
    values
}

fn layout_values(
    document: &Document,
    language: Language,
    subject: &str,
    sender_name: &str,
    chart: Option<&Picture>,
) -> Value {
    let chart = chart.map(|chart| {
        let values = [("id", CHART_ID.into()), ("alt", one_line(&chart.alt).into()), ("width", chart.width.into())];
        Value::from(BTreeMap::<&str, Value>::from(values))
    });
    let blocks = |blocks: &[Block]| Value::from(blocks.iter().map(block_value).collect::<Vec<_>>());
    Value::from(BTreeMap::from([
        ("language", Value::from(language.code())),
        ("subject", Value::from(subject)),
        ("sender_name", Value::from(sender_name)),
        ("blocks", blocks(&document.body)),
        ("small_print", blocks(&document.small_print)),
        ("chart", chart.unwrap_or_else(|| Value::from(()))),
    ]))
}

fn block_value(block: &Block) -> Value {
    let lines = |lines: &[Line]| Value::from(lines.iter().map(line_value).collect::<Vec<_>>());
    let (kind, content) = match block {
        Block::Heading(line) => ("heading", line_value(line)),
        Block::Paragraph(line) => ("paragraph", line_value(line)),
        Block::Points(points) => ("points", lines(points)),
        Block::Steps(steps) => ("steps", lines(steps)),
        Block::Glance(rows) => {
            let row = |(name, value): &(String, Line)| {
                Value::from(BTreeMap::from([("name", Value::from(name)), ("value", line_value(value))]))
            };
            ("glance", Value::from(rows.iter().map(row).collect::<Vec<_>>()))
        }
    };
    Value::from(BTreeMap::from([("kind", Value::from(kind)), ("content", content)]))
}

fn line_value(line: &Line) -> Value {
    let run = |run: &super::document::Run| {
        let link = run.link.as_deref().map_or(Value::from(()), Value::from);
        Value::from(BTreeMap::from([("text", Value::from(&run.text)), ("link", link)]))
    };
    Value::from(line.iter().map(run).collect::<Vec<_>>())
}

/// Text on one line: control characters, line ends and runs of blanks become one blank, and the characters that mark
/// the place of a personal part are taken out. So no value can add a header, a paragraph or a second stop link.
pub(super) fn one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || matches!(c, ' ' | '\u{2028}' | '\u{2029}') {
            if !line.is_empty() && !line.ends_with(' ') {
                line.push(' ');
            }
        } else if !matches!(c, '\u{E000}' | '\u{E001}') {
            line.push(c);
        }
    }
    line.truncate(line.trim_end().len());
    line
}

fn read_folder(folder: &Path, files: &mut BTreeMap<String, File>, faults: &mut Vec<TemplateFault>) {
    let known: Vec<String> = files.keys().cloned().collect();
    let mut names = Vec::new();
    list_files(folder, "", &mut names, faults);
    for name in names {
        let path = folder.join(&name);
        let place = path.display().to_string();
        if !files.contains_key(&name) {
            let what = match near(&name, known.iter().map(String::as_str)) {
                Some(near) => format!("no message has a file of this name, did you mean `{near}`?"),
                None => format!("no message has a file of this name; names are {}", known.join(", ")),
            };
            faults.push(TemplateFault { file: place, line: None, what });
            continue;
        }
        match std::fs::read(&path).map(String::from_utf8) {
            Ok(Ok(text)) => {
                let source = text.trim_start_matches('\u{FEFF}').replace("\r\n", "\n");
                files.insert(name, File { source, path: Some(path) });
            }
            Ok(Err(why)) => {
                let line = why.as_bytes().iter().take(why.utf8_error().valid_up_to()).filter(|b| **b == b'\n').count();
                let what = "not UTF-8 text: save the file in that encoding".to_owned();
                faults.push(TemplateFault { file: place, line: Some(line + 1), what });
            }
            Err(why) => faults.push(TemplateFault { file: place, line: None, what: format!("cannot be read: {why}") }),
        }
    }
}

/// Lists the files of the folder and its folders, one level deep; hidden ones (of an editor, of git) are passed over.
fn list_files(folder: &Path, under: &str, names: &mut Vec<String>, faults: &mut Vec<TemplateFault>) {
    let here = folder.join(under);
    let entries = match std::fs::read_dir(&here).and_then(Iterator::collect::<Result<Vec<_>, _>>) {
        Ok(entries) => entries,
        Err(why) => {
            let what = format!("the folder cannot be read: {why}");
            faults.push(TemplateFault { file: here.display().to_string(), line: None, what });
            return;
        }
    };
    for entry in entries {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') {
            continue;
        }
        let full = if under.is_empty() { name } else { format!("{under}/{name}") };
        if under.is_empty() && entry.path().is_dir() {
            list_files(folder, &full, names, faults);
        } else {
            names.push(full);
        }
    }
    names.sort();
}

fn compile(files: &BTreeMap<String, File>, faults: &mut Vec<TemplateFault>) -> Environment<'static> {
    // Empty: no filters, functions or tests that could fail on a value no sample had.
    let mut engine = Environment::empty();
    engine.set_undefined_behavior(UndefinedBehavior::Strict);
    engine.set_auto_escape_callback(|name| if name.ends_with(".html") { AutoEscape::Html } else { AutoEscape::None });
    engine.set_path_join_callback(|name, parent| beside(name, parent).into());
    engine.set_formatter(|out, state, value| {
        if value.is_none() {
            let what = "this value is not known in every message: put it between {% if … %} and {% endif %}";
            return Err(minijinja::Error::new(ErrorKind::InvalidOperation, what));
        }
        minijinja::escape_formatter(out, state, value)
    });
    let mut syntax = SyntaxConfig::builder();
    syntax.trim_blocks(true).lstrip_blocks(true).keep_trailing_newline(true);
    // Only clashing delimiters make this fail, and none is changed.
    if let Ok(syntax) = syntax.build() {
        engine.set_syntax(syntax);
    }
    for (name, file) in files {
        if let Err(why) = engine.add_template_owned(name.clone(), file.source.clone()) {
            let place = match &file.path {
                Some(path) => path.display().to_string(),
                None => format!("built-in {name}"),
            };
            let what = match why.detail() {
                Some(detail) => format!("{}: {detail}", why.kind()),
                None => why.kind().to_string(),
            };
            faults.push(TemplateFault { file: place, line: why.line(), what });
        }
    }
    engine
}

/// The name of a file in the folder of another.
fn beside(name: &str, parent: &str) -> String {
    match parent.rsplit_once('/') {
        Some((folder, _)) => format!("{folder}/{name}"),
        None => name.to_owned(),
    }
}

/// The files that a template includes by a quoted name.
fn includes(source: &str) -> Vec<String> {
    source
        .split("{%")
        .skip(1)
        .filter_map(|tag| {
            let name = tag.trim_start_matches(['-', '+']).trim_start().strip_prefix("include")?.trim_start();
            let quote = name.chars().next().filter(|c| matches!(c, '"' | '\''))?;
            name.get(1..)?.split(quote).next().map(str::to_owned)
        })
        .collect()
}

/// The first line on which a name stands as a word of its own inside a tag.
fn line_of(source: &str, name: &str) -> Option<usize> {
    let mut inside = false;
    for (at, line) in source.lines().enumerate() {
        let mut rest = line;
        loop {
            if inside {
                let (tag, after) = match [rest.find("}}"), rest.find("%}")].into_iter().flatten().min() {
                    Some(end) => rest.split_at(end),
                    None => (rest, ""),
                };
                if tag.split(|c: char| !(c.is_alphanumeric() || c == '_')).any(|word| word == name) {
                    return Some(at + 1);
                }
                if after.is_empty() {
                    break;
                }
                inside = false;
                rest = after;
            } else {
                match [rest.find("{{"), rest.find("{%")].into_iter().flatten().min() {
                    Some(start) => {
                        inside = true;
                        rest = rest.split_at(start).1;
                    }
                    None => break,
                }
            }
        }
    }
    None
}

/// The nearest of some names, if any is near enough to have been meant.
pub(super) fn near<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    known
        .map(|known| (strsim::damerau_levenshtein(name, known), known))
        .filter(|(distance, known)| *distance <= (known.chars().count() / 3).max(2))
        .min()
        .map(|(_, known)| known)
}

const LAYOUT: &str = "layout.html";

macro_rules! built_in {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("../../../config/messages/", $name)))),+]
    };
}

/// Every file of the house by its name in the folder.
const BUILT_IN: [(&str, &str); 77] = built_in![
    "layout.html",
    "en/basis.part.txt",
    "en/care.part.txt",
    "en/footer.part.txt",
    "en/insecticides.part.txt",
    "en/look.part.txt",
    "en/wash.part.txt",
    "en/get-ready.email.txt",
    "en/get-ready.sms.txt",
    "en/inspect-now.email.txt",
    "en/inspect-now.sms.txt",
    "en/last-days-to-wash.email.txt",
    "en/last-days-to-wash.sms.txt",
    "en/too-late-to-wash.email.txt",
    "en/too-late-to-wash.sms.txt",
    "en/letter-footer.part.txt",
    "en/follow-up.email.txt",
    "en/follow-up.sms.txt",
    "en/kept-zip.email.txt",
    "en/kept-zip.sms.txt",
    "en/confirm.email.txt",
    "en/confirm.sms.txt",
    "en/not-covered.email.txt",
    "en/not-covered.sms.txt",
    "en/welcome.email.txt",
    "en/welcome.sms.txt",
    "en/stopped.email.txt",
    "en/stopped.sms.txt",
    "en/resumed.email.txt",
    "en/resumed.sms.txt",
    "en/covered-now.email.txt",
    "en/covered-now.sms.txt",
    "en/preferences.email.txt",
    "en/preferences.sms.txt",
    "en/help.sms.txt",
    "en/which-zip.sms.txt",
    "en/not-understood.sms.txt",
    "en/thanks.sms.txt",
    "en/washing.calendar.txt",
    "es/basis.part.txt",
    "es/care.part.txt",
    "es/footer.part.txt",
    "es/insecticides.part.txt",
    "es/look.part.txt",
    "es/wash.part.txt",
    "es/get-ready.email.txt",
    "es/get-ready.sms.txt",
    "es/inspect-now.email.txt",
    "es/inspect-now.sms.txt",
    "es/last-days-to-wash.email.txt",
    "es/last-days-to-wash.sms.txt",
    "es/too-late-to-wash.email.txt",
    "es/too-late-to-wash.sms.txt",
    "es/letter-footer.part.txt",
    "es/follow-up.email.txt",
    "es/follow-up.sms.txt",
    "es/kept-zip.email.txt",
    "es/kept-zip.sms.txt",
    "es/confirm.email.txt",
    "es/confirm.sms.txt",
    "es/not-covered.email.txt",
    "es/not-covered.sms.txt",
    "es/welcome.email.txt",
    "es/welcome.sms.txt",
    "es/stopped.email.txt",
    "es/stopped.sms.txt",
    "es/resumed.email.txt",
    "es/resumed.sms.txt",
    "es/covered-now.email.txt",
    "es/covered-now.sms.txt",
    "es/preferences.email.txt",
    "es/preferences.sms.txt",
    "es/help.sms.txt",
    "es/which-zip.sms.txt",
    "es/not-understood.sms.txt",
    "es/thanks.sms.txt",
    "es/washing.calendar.txt",
];

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in files {
            let path = folder.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        folder
    }

    #[track_caller]
    fn faults(files: &[(&str, &str)]) -> Vec<String> {
        let folder = folder(files);
        let prefix = format!("{}/", folder.path().display());
        let TemplateFaults(faults) = Templates::load(Some(folder.path())).unwrap_err();
        faults.iter().map(|fault| fault.to_string().replace(&prefix, "")).collect()
    }

    #[test]
    fn the_built_in_files_load() {
        Templates::load(None).unwrap();
    }

    #[test]
    fn a_file_of_the_folder_replaces_the_built_in_one() {
        let folder = folder(&[("en/inspect-now.sms.txt", "Look, {{ region_name }}!\r\n"), ("README.md~", "")]);
        std::fs::remove_file(folder.path().join("README.md~")).unwrap();
        std::fs::write(folder.path().join(".hidden"), "").unwrap();
        let templates = Templates::load(Some(folder.path())).unwrap();
        let facts = samples::typical().facts;
        let message = templates.render_notice(NoticeKind::InspectNow, Language::En, Channel::Sms, &facts).unwrap();
        assert_eq!(message, Message::Sms { text: "Look, Cedar Flat!".into() });
    }

    #[test]
    fn a_strange_file_name_is_a_fault_with_a_near_name() {
        assert_eq!(
            faults(&[("en/inspect_now.sms.txt", "x")]),
            ["en/inspect_now.sms.txt: no message has a file of this name, did you mean `en/inspect-now.sms.txt`?"]
        );
        assert!(faults(&[("notes/a-file-of-mine.doc", "x")])[0].contains("names are en/basis.part.txt, "));
    }

    #[test]
    fn an_unknown_name_is_a_fault_with_its_line_and_a_near_name() {
        let faults = faults(&[("en/get-ready.sms.txt", "hello regoin_name\n{{ wash_by }} {{\n regoin_name }}")]);
        assert_eq!(faults, ["en/get-ready.sms.txt:3: unknown name `regoin_name`, did you mean `region_name`?"]);
    }

    #[test]
    fn a_name_of_another_kind_of_file_is_a_fault() {
        let faults = faults(&[("en/help.sms.txt", "{{ wash_by }}")]);
        assert!(faults[0].starts_with("en/help.sms.txt:1: unknown name `wash_by`"), "{faults:?}");
    }

    #[test]
    fn a_template_that_does_not_parse_is_a_fault_with_its_line() {
        let faults = faults(&[("es/look.part.txt", "uno\n{% if provisional %}\n")]);
        assert!(faults[0].starts_with("es/look.part.txt:"), "{faults:?}");
        assert!(faults[0].contains("syntax error"), "{faults:?}");
    }

    #[test]
    fn filters_functions_and_missing_files_are_faults() {
        let filter = faults(&[("en/get-ready.sms.txt", "{{ region_name|upper }}")]);
        assert!(filter[0].contains("message templates have no filters"), "{filter:?}");
        let function = faults(&[("en/get-ready.sms.txt", "{{ range(3) }}")]);
        assert!(function[0].contains("unknown name `range`"), "{function:?}");
        let include = faults(&[("en/get-ready.sms.txt", "a\n{% include \"lok.part.txt\" %}")]);
        assert!(include[0].starts_with("en/get-ready.sms.txt:2: "), "{include:?}");
        assert!(include[0].contains("files to include are basis.part.txt, care.part.txt"), "{include:?}");
    }

    #[test]
    fn a_value_that_some_notices_lack_is_a_fault_unless_it_is_asked_for_first() {
        let faults = faults(&[("en/get-ready.sms.txt", "a\n{{ laying_began }}")]);
        assert_eq!(faults.len(), 1);
        assert!(faults[0].starts_with("en/get-ready.sms.txt:2: "), "{faults:?}");
        assert!(faults[0].contains("{% if … %}"), "{faults:?}");
    }

    #[test]
    fn a_template_that_includes_itself_is_a_fault() {
        let faults = faults(&[("en/look.part.txt", "{% include \"look.part.txt\" %}")]);
        assert!(!faults.is_empty());
    }

    #[test]
    fn an_e_mail_without_a_subject_line_is_a_fault() {
        for text in ["Hello\nSubject: x", "Subject:\n\nx", ""] {
            let faults = faults(&[("en/get-ready.email.txt", text)]);
            assert!(faults[0].contains("the first line is to be `Subject: `"), "{faults:?}");
        }
    }

    #[test]
    fn text_that_is_not_utf8_and_a_missing_folder_are_faults() {
        let folder = folder(&[]);
        std::fs::create_dir(folder.path().join("en")).unwrap();
        std::fs::write(folder.path().join("en/help.sms.txt"), b"a\n\xff").unwrap();
        let fault = Templates::load(Some(folder.path())).unwrap_err().to_string();
        assert!(fault.ends_with("en/help.sms.txt:2: not UTF-8 text: save the file in that encoding"), "{fault}");
        let fault = Templates::load(Some(&folder.path().join("none"))).unwrap_err().to_string();
        assert!(fault.contains("the folder cannot be read"), "{fault}");
    }

    #[test]
    fn no_value_can_add_a_line_a_header_or_markup() {
        let mut facts = samples::typical().facts;
        facts.region_name = "Flat\r\nBcc: x@example.org\u{2028}<b>\u{E000}stop-link\u{E001}\0</b>".into();
        let templates = Templates::load(None).unwrap();
        for kind in NoticeKind::ALL {
            let email = templates.render_notice(kind, Language::En, Channel::Email, &facts).unwrap();
            let Message::Email { subject, text, html, .. } = email else { panic!("an e-mail was asked for") };
            assert!(!subject.contains(['\r', '\n', '\u{2028}', '\0', '\u{E000}']), "{subject:?}");
            assert!(!text.contains("\nBcc:"), "{text}");
            assert_eq!(text.matches(STOP_LINK_PLACE).count(), 1);
            assert!(!html.contains("<b>") && html.contains("&lt;b&gt;"));
            assert_eq!(html.matches(STOP_LINK_PLACE).count(), 1);
        }
    }

    #[test]
    fn a_text_message_gives_up_accents_before_its_link_and_its_link_before_a_second_part() {
        let templates = Templates::load(None).unwrap();
        let mut facts = samples::typical().facts;
        let mut text = |region: &str, url: &str| {
            facts.region_name = region.into();
            facts.sender.public_url = Some(url.into());
            let sms = templates.render_notice(NoticeKind::InspectNow, Language::En, Channel::Sms, &facts).unwrap();
            let Message::Sms { text } = sms else { panic!("a text was asked for") };
            assert_eq!(sms::count(&text).parts, 1, "{text}");
            text
        };
        let short = text("Río", "https://a.example");
        assert!(short.contains("Rio") && short.contains("https://a.example"), "{short}");
        let long = text("Río", &format!("https://example.org/{}", "x".repeat(60)));
        assert!(long.contains("Rio") && !long.contains("https://"), "{long}");
    }

    #[test]
    fn includes_are_found() {
        assert_eq!(includes("{% include \"a.txt\" %} {%- include 'b.txt' -%} include \"c\""), ["a.txt", "b.txt"]);
    }

    #[test]
    fn the_names_allowed_are_the_names_given() {
        let facts = samples::typical().facts;
        let given = notice_values(&facts, Language::En, Channel::Sms, Names::AsWritten);
        assert_eq!(given.into_keys().collect::<Vec<_>>(), NOTICE_NAMES);
        let letter = LetterFacts::of(facts.sender);
        let given = letter_values(&letter, Channel::Sms, Names::AsWritten);
        assert_eq!(given.into_keys().collect::<Vec<_>>(), LETTER_NAMES);
    }
}
