//! The texts of all messages: whose words are in use, how others would read, what speaks against them, and their history.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use url::Url;

use super::notice::{Reading, reading};
pub use super::text_faults::{FaultAt, TextFault};
use super::text_faults::{is_asked_for, of_part};
use super::{DeskError, Word};
use crate::language::Language;
use crate::message::templates::{Branches, Origin, Placeholder, TextKind, TextName};
use crate::message::{Message, NoticeFacts, RenderError, Sender, Templates, TransactionalFacts, check, samples};
use crate::people::Channel;
use crate::people::csv::kept_reason;
use crate::season::NoticeKind;
use crate::service::app::App;
use crate::service::wording_shelf::words_of;
use crate::store::notices::{NoticeText, OwnText};
use crate::store::wordings::WordingVersion;

/// Longest text of one language that is read at all, characters: ours have four thousand.
const LONGEST: usize = 12_000;

/// A text and whose words it has.
#[derive(Clone, Debug)]
pub struct TextRow {
    pub name: TextName,
    /// By language.
    pub origins: Vec<(Language, Origin)>,
    /// Who changed it last, and when.
    pub changed: Option<(String, DateTime<Utc>)>,
    /// Why the words of staff are not used.
    pub set_aside: Vec<String>,
}

/// A text in depth.
#[derive(Clone, Debug)]
pub struct TextInDepth {
    pub row: TextRow,
    /// The words of staff, used or set aside, or else those in use.
    pub words: Draft,
    /// The words that are there without those of staff.
    pub given: Draft,
    pub history: Vec<WordingVersion>,
    /// The texts that it is part of.
    pub part_of: Vec<TextName>,
}

impl TextInDepth {
    /// The newest version; 0: it was never changed.
    pub fn version(&self) -> u32 {
        self.history.first().map_or(0, |newest| newest.version)
    }

    /// What a version says, with the words that are there without ours where it has none.
    pub fn of_version(&self, version: u32) -> Option<Draft> {
        if version == 0 {
            return Some(self.given.clone());
        }
        let kept = self.history.iter().find(|kept| kept.version == version)?;
        let of = |own: &Option<String>, given: &str| own.clone().unwrap_or_else(|| given.to_owned());
        Some(Draft { en: of(&kept.en, &self.given.en), es: of(&kept.es, &self.given.es) })
    }
}

/// A text as somebody writes it, in the notation of the templates.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Draft {
    pub en: String,
    pub es: String,
}

impl Draft {
    pub fn words(&self, language: Language) -> &str {
        match language {
            Language::En => &self.en,
            Language::Es => &self.es,
        }
    }

    /// Line ends and the last one as files have them.
    fn plain(&self) -> Self {
        let plain = |text: &str| {
            let text = text.replace("\r\n", "\n").replace(['\u{FEFF}', '\u{E000}', '\u{E001}', '\0'], "");
            format!("{}\n", text.trim_end())
        };
        Self { en: plain(&self.en), es: plain(&self.es) }
    }

    fn files(&self, name: &TextName) -> BTreeMap<String, String> {
        Language::ALL.into_iter().map(|language| (name.file(language), self.words(language).to_owned())).collect()
    }
}

/// How a draft would read, and what is wrong with it.
#[derive(Clone, Debug)]
pub struct Tried {
    /// In every language; missing where it cannot be put together.
    pub reads: Vec<Reading>,
    /// Of a part: the text that it is shown in.
    pub shown_in: Option<TextName>,
    pub faults: Vec<TextFault>,
    /// What the sample leaves unsaid, in the order of the texts.
    pub unsaid: Vec<Unsaid>,
}

/// Words of a draft that are said only where something holds that does not hold in the sample.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unsaid {
    pub language: Language,
    /// Where they are said.
    pub when: String,
    /// As they are written, in one line.
    pub words: String,
    /// The samples in which they are said.
    pub said_in: Vec<&'static str>,
}

/// Every text.
///
/// # Errors
/// When the store fails.
pub async fn texts(app: &App) -> Result<Vec<TextRow>, DeskError> {
    app.renew_words().await?;
    let kept = app.store.wordings().await?;
    Ok(TextName::all().into_iter().map(|name| row(app, &kept, name)).collect())
}

/// # Errors
/// When the store fails.
pub async fn text(app: &App, name: &TextName) -> Result<TextInDepth, DeskError> {
    app.renew_words().await?;
    let history = app.store.wording_history(name.as_str()).await?;
    let (templates, given) = (app.templates.in_use(), app.templates.given());
    let of = |templates: &Templates, language| templates.source(&name.file(language)).to_owned();
    let given = Draft { en: of(&given, Language::En), es: of(&given, Language::Es) };
    let newest: Vec<WordingVersion> = history.first().cloned().into_iter().collect();
    let row = row(app, &newest, name.clone());
    let names = Language::ALL.map(|language| name.file(language)).into_iter().collect();
    let all: BTreeSet<String> = templates.touched_by(&names);
    let part_of = TextName::all().into_iter().filter(|text| text != name && all.contains(&text.file(Language::En)));
    let mut seen = TextInDepth { row, words: given.clone(), given, part_of: part_of.collect(), history };
    seen.words = seen.of_version(seen.version()).unwrap_or_default();
    Ok(seen)
}

fn row(app: &App, kept: &[WordingVersion], name: TextName) -> TextRow {
    let templates = app.templates.in_use();
    let origins = Language::ALL.map(|language| (language, templates.origin(&name.file(language)))).to_vec();
    let newest = kept.iter().find(|kept| kept.text == name.as_str());
    let changed = newest.map(|newest| (newest.changed_by.clone(), newest.changed_at));
    let set_aside = app.templates.set_aside().into_iter().find(|aside| aside.text == name.as_str());
    TextRow { name, origins, changed, set_aside: set_aside.map_or_else(Vec::new, |aside| aside.faults) }
}

/// The sample that shows most of a text, unless another is asked for.
pub fn usual_sample(name: &TextName) -> &'static str {
    match name.kind() {
        TextKind::Notice(NoticeKind::DeadlineMoved, _) => "cooler",
        // In a usual year as of March it would tell of a hatch that is weeks off.
        TextKind::Notice(NoticeKind::TooLateToWash, _) => "hatching",
        _ => "typical",
    }
}

/// How a draft would read with the facts of a sample, and what speaks against keeping it.
///
/// # Errors
/// [`DeskError::Unreadable`] when it is far too long.
pub async fn tried(app: &App, name: &TextName, draft: &Draft, sample: &str) -> Result<Tried, DeskError> {
    check_length(draft)?;
    let (name, draft, sample) = (name.clone(), draft.plain(), sample.to_owned());
    let in_use = app.templates.in_use();
    let sender = Sender::from(&app.config.messages);
    // Every rule is asked with every sample: tenths of a second.
    let work = move || {
        let (with, faults) = looked_at(&in_use, &name, &draft, &sender);
        let (reads, shown_in) = with.map_or_else(Default::default, |with| read(&with, &name, &sample, &sender));
        let unsaid = unsaid(shown_in.as_ref().unwrap_or(&name), &draft, &sample, &sender);
        Tried { reads, shown_in, faults, unsaid }
    };
    tokio::task::spawn_blocking(work).await.map_err(|why| DeskError::Unreadable(why.to_string()))
}

/// How a draft would read with the facts of a sample, no rule asked.
///
/// # Errors
/// When the work breaks off.
pub async fn read_with(app: &App, name: &TextName, draft: &Draft, sample: &str) -> Result<Tried, DeskError> {
    let (name, draft, sample) = (name.clone(), draft.plain(), sample.to_owned());
    let (in_use, sender) = (app.templates.in_use(), Sender::from(&app.config.messages));
    let work = move || {
        let with = in_use.with(&draft.files(&name)).ok();
        let (reads, shown_in) = with.map_or_else(Default::default, |with| read(&with, &name, &sample, &sender));
        let unsaid = unsaid(shown_in.as_ref().unwrap_or(&name), &draft, &sample, &sender);
        Tried { reads, shown_in, faults: Vec::new(), unsaid }
    };
    tokio::task::spawn_blocking(work).await.map_err(|why| DeskError::Unreadable(why.to_string()))
}

/// What may stand in a text, each with what it is in a sample.
pub fn placeholders(app: &App, name: &TextName, sample: &str) -> Vec<Placeholder> {
    let facts = facts_of(sample, &Sender::from(&app.config.messages));
    facts.map_or_else(Vec::new, |facts| name.placeholders(&facts))
}

/// The facts of a sample with this sender; of the first one where there is none of this name.
fn facts_of(sample: &str, sender: &Sender) -> Option<NoticeFacts> {
    let mut all = samples::all();
    let at = all.iter().position(|of| of.name == sample).unwrap_or(0);
    let found = (at < all.len()).then(|| all.swap_remove(at))?;
    Some(found.sent_by(sender).facts)
}

fn check_length(draft: &Draft) -> Result<(), DeskError> {
    if Language::ALL.iter().any(|language| draft.words(*language).chars().count() > LONGEST) {
        return Err(DeskError::Unreadable(format!("a text of more than {LONGEST} characters is not read")));
    }
    Ok(())
}

/// The words in use with these, if they can be put together; and every rule that they break.
fn looked_at(
    in_use: &Templates,
    name: &TextName,
    draft: &Draft,
    sender: &Sender,
) -> (Option<Templates>, Vec<TextFault>) {
    let own = Language::ALL.map(|language| name.file(language));
    let language_of = |file: &str| Language::ALL.into_iter().find(|language| *file == name.file(*language));
    let folder_of = |file: &str| Language::ALL.into_iter().find(|of| file.starts_with(&format!("{}/", of.code())));
    let with = match in_use.with(&draft.files(name)) {
        Ok(with) => with,
        Err(faults) => {
            let fault = |fault: &crate::message::TemplateFault| {
                let language = own.iter().position(|file| fault.file.ends_with(file.as_str()));
                let language = language.and_then(|at| Language::ALL.get(at).copied());
                TextFault { language, at: FaultAt::Notation(fault.line), what: fault.what.clone() }
            };
            return (None, faults.0.iter().map(fault).collect());
        }
    };
    let touched = with.touched_by(&own.iter().cloned().collect());
    let found = check::check_some(&with, sender, &|file| touched.contains(file)).by_rule;
    if found.is_empty() {
        return (Some(with), Vec::new());
    }
    // What was wrong before in another text is not to be mended here.
    let before = check::check_some(in_use, sender, &|file| touched.contains(file)).by_rule;
    let news = found.into_iter().filter(|(key, _)| own.contains(&key.0) || !before.contains_key(key));
    let mut news: Vec<_> = news.collect();
    // What a text must say itself comes before what the other language says.
    news.sort_by_key(|((_, rule), _)| *rule == "languages");
    let mut faults: Vec<(&'static str, TextFault)> = Vec::new();
    for ((file, rule), fault) in news {
        let at = match TextName::of_file(&file).filter(|_| language_of(&file).is_none()) {
            Some(other) => FaultAt::Within(other),
            // A sample's value that another may lack, and the sender's name in the settings.
            None if rule == "render" || file.is_empty() => FaultAt::Notation(fault.line),
            None => FaultAt::Text,
        };
        let language = language_of(&file).or_else(|| folder_of(&file));
        let new = TextFault { language, at, what: fault.what };
        if rule == "render" || !is_asked_for(&faults, &new, rule) {
            faults.push((rule, new));
        }
    }
    if name.kind() == TextKind::Part {
        faults = of_part(name, faults);
    }
    (Some(with), faults.into_iter().map(|(_, fault)| fault).collect())
}

/// What people would read.
fn read(templates: &Templates, name: &TextName, sample: &str, sender: &Sender) -> (Vec<Reading>, Option<TextName>) {
    let Some(facts) = facts_of(sample, sender) else { return Default::default() };
    let shown_in = match name.kind() {
        TextKind::Part => whole_of(templates, name),
        _ => None,
    };
    let shown = shown_in.as_ref().unwrap_or(name);
    let letter = |kind| TransactionalFacts::sample_for(kind, &facts.sender, &facts.region_name);
    let written = |language: Language| -> Result<Message, RenderError> {
        match shown.kind() {
            TextKind::Notice(kind, channel) => templates.render_notice(kind, language, channel, &facts),
            TextKind::Letter(kind, channel) => templates.render_transactional(kind, language, channel, &letter(kind)),
            TextKind::Calendar | TextKind::Part => {
                let (subject, text) = templates.calendar_words(NoticeKind::WashNow, language, &facts)?;
                Ok(Message::Email { subject, text, html: String::new(), calendar: None, chart_png: None })
            }
        }
    };
    let base = sender.public_url.as_deref().and_then(|url| Url::parse(url).ok());
    let reads = Language::ALL.into_iter().filter_map(|language| {
        let message = written(language).ok()?;
        reading(OwnText { text: NoticeText { language, message }, source: None }, base.as_ref()).ok()
    });
    (reads.collect(), shown_in)
}

/// What a sample leaves unsaid of a draft that is read in `whole`: of branches within each other the outer one.
fn unsaid(whole: &TextName, draft: &Draft, sample: &str, sender: &Sender) -> Vec<Unsaid> {
    let Some(facts) = facts_of(sample, sender) else { return Vec::new() };
    let mut found = Vec::new();
    for language in Language::ALL {
        let branches = Branches::of(draft.words(language));
        let Some(said) = branches.said(whole, language, &facts) else { continue };
        let others: Vec<(&'static str, BTreeSet<usize>)> = samples::all()
            .into_iter()
            .filter_map(|of| {
                let of = of.sent_by(sender);
                Some((of.name, branches.said(whole, language, &of.facts)?))
            })
            .collect();
        for (at, branch) in branches.all().iter().enumerate() {
            let is_hidden = !said.contains(&at) && branch.within.is_none_or(|outer| said.contains(&outer));
            if is_hidden && !branch.words.is_empty() {
                let said_in = others.iter().filter(|(_, said)| said.contains(&at)).map(|(name, _)| *name).collect();
                found.push(Unsaid { language, when: branch.when.clone(), words: branch.words.clone(), said_in });
            }
        }
    }
    found
}

/// The text in which a part is best seen: "wash now" if it is in there.
fn whole_of(templates: &Templates, part: &TextName) -> Option<TextName> {
    let touched = templates.touched_by(&BTreeSet::from([part.file(Language::En)]));
    let wholes: Vec<TextName> = TextName::all()
        .into_iter()
        .filter(|text| text.kind() != TextKind::Part && touched.contains(&text.file(Language::En)))
        .collect();
    let best = wholes.iter().find(|text| text.kind() == TextKind::Notice(NoticeKind::WashNow, Channel::Email));
    best.or(wholes.first()).cloned()
}

/// Gives a text these words, if nothing is wrong with them. `seen`: the version that they were written from; `None` where nobody
/// has looked. Gives the new version.
///
/// # Errors
/// [`DeskError::Texts`] with everything that is wrong; [`DeskError::SameWords`]; [`DeskError::ChangedMeanwhile`];
/// [`DeskError::Reason`]; when the store fails.
pub async fn set_words(
    app: &App,
    name: &TextName,
    draft: &Draft,
    seen: Option<u32>,
    word: Word<'_>,
) -> Result<u32, DeskError> {
    let draft = draft.plain();
    let Tried { faults, .. } = tried(app, name, &draft, usual_sample(name)).await?;
    if !faults.is_empty() {
        return Err(DeskError::Texts { text: name.to_string(), faults });
    }
    keep(app, name, &draft, seen, word, "words of its own").await
}

/// Gives a text the words of an older version again; 0: those that are there without ours. Gives the new version.
///
/// # Errors
/// As [`set_words`]: what was right once may break a rule by now; [`DeskError::NoSuchVersion`].
pub async fn restore_words(
    app: &App,
    name: &TextName,
    version: u32,
    seen: Option<u32>,
    word: Word<'_>,
) -> Result<u32, DeskError> {
    let now = text(app, name).await?;
    let missing = || DeskError::NoSuchVersion { text: name.to_string(), version };
    let draft = now.of_version(version).ok_or_else(missing)?;
    if version > 0 {
        let Tried { faults, .. } = tried(app, name, &draft, usual_sample(name)).await?;
        if !faults.is_empty() {
            return Err(DeskError::Texts { text: name.to_string(), faults });
        }
    }
    let what = match version {
        0 => "the words without ours again".to_owned(),
        version => format!("the words of version {version} again"),
    };
    keep(app, name, &draft, seen, word, &what).await
}

async fn keep(
    app: &App,
    name: &TextName,
    draft: &Draft,
    seen: Option<u32>,
    Word { by, why }: Word<'_>,
    what: &str,
) -> Result<u32, DeskError> {
    let why = why.map(str::trim).filter(|why| !why.is_empty());
    let why = why.map(kept_reason).transpose().map_err(DeskError::Reason)?.unwrap_or_default();
    let now = text(app, name).await?;
    let newest = now.version();
    if seen.is_some_and(|seen| seen != newest) {
        return Err(DeskError::ChangedMeanwhile { text: name.to_string() });
    }
    // What is as the program or the folder has it follows them: a later one may bring better words.
    let own = |words: &str, given: &str| (words.trim_end() != given.trim_end()).then(|| words.to_owned());
    let new = WordingVersion {
        text: name.to_string(),
        version: newest.saturating_add(1),
        en: own(&draft.en, &now.given.en),
        es: own(&draft.es, &now.given.es),
        changed_at: app.clock.now(),
        changed_by: by.to_owned(),
        why,
    };
    let before = now.history.first().map(|kept| words_of(name, kept)).unwrap_or_default();
    if words_of(name, &new) == before {
        return Err(DeskError::SameWords { text: name.to_string() });
    }
    app.store.put_wording(&new, what).await.map_err(|why| match why {
        crate::store::StoreError::Conflict(_) => DeskError::ChangedMeanwhile { text: name.to_string() },
        why => DeskError::Store(why),
    })?;
    app.renew_words().await?;
    Ok(new.version)
}

/// `shipped`, `ours`, or the file of the settings' folder.
pub fn origin_words(origin: &Origin) -> String {
    match origin {
        Origin::Shipped => "shipped".to_owned(),
        Origin::Folder(path) => format!("file {}", path.display()),
        Origin::Staff => "ours".to_owned(),
    }
}
