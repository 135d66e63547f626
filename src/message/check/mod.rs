//! What must hold of every message, whoever edits the wording: short enough, easy enough, the five things said, the
//! cautions beside what can hurt, the same in both languages.

// The cautions beside what can hurt.
mod cautions;
// Days that the words of one notice tell and it does not have.
mod days;
// What each kind of notice has to say.
mod kinds;
// What a text has to say and does not, in words for who writes it.
mod lacking;
// Braces and tags that people would read.
mod marks;
// The words that staff give one notice.
mod own;

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use super::Message;
use super::dates::{self, DateStyle};
use super::document::Document;
use super::facts::{NoticeFacts, Sender};
use super::personal::STOP_LINK_PLACE;
use super::readability::{self, Ease};
use super::samples::{self, Sample};
use super::settings::LONGEST_SENDER_SHORT;
use super::sms::{self, Encoding, Segments};
use crate::message::templates::{
    TemplateFault, Templates, calendar_file, most_segments, notice_file, transactional_file, transactional_messages,
};
use crate::message::transactional::{TransactionalFacts, TransactionalKind};
use crate::people::{Channel, Language};
use crate::season::{DateSpread, NoticeKind, phrases};

use lacking::{By, Typed, told};
pub use own::{OwnFault, own};

/// Longest subject line, in characters; phones show less, and RFC 5322 asks for lines of at most 78.
pub const LONGEST_SUBJECT: usize = 70;

/// What was found, file by file.
#[derive(Debug)]
pub struct Report {
    pub rows: Vec<Row>,
    pub faults: Vec<TemplateFault>,
    /// Those of the faults that can hurt somebody: a caution is missing.
    pub cautions: Vec<TemplateFault>,
    /// The faults by the name of the file in which each shows (empty: the settings) and the rule that it breaks.
    pub by_rule: BTreeMap<(String, &'static str), TemplateFault>,
}

/// One file at its worst over all samples.
#[derive(Clone, Debug)]
pub struct Row {
    pub file: String,
    /// Of the sample that takes most room; text messages only.
    pub segments: Option<Segments>,
    /// Of the sample that reads hardest, long invented names left out.
    pub ease: Option<Ease>,
}

/// Renders every file with every sample, and with this sender beside the invented ones, and looks at the outcome.
pub fn check(templates: &Templates, sender: &Sender) -> Report {
    let mut found = Findings::of(templates, Typed::Placeholders);
    found.check_all(sender, &|_| true);
    found.report()
}

/// As [`check`], of the files that `wanted` says alone. Text messages are measured as this sender would send them, so that the
/// length that is told is the one of the preview.
pub fn check_some(templates: &Templates, sender: &Sender, wanted: &dyn Fn(&str) -> bool) -> Report {
    let mut found = Findings::of(templates, Typed::Placeholders);
    found.measures = false;
    found.check_all(sender, wanted);
    found.measure_all(sender, wanted);
    found.report()
}

/// Cautions that are missing from notices, in any branch of their files, from the invented senders and from this one: quick enough
/// for every start.
pub fn missing_cautions(templates: &Templates, sender: &Sender) -> Vec<TemplateFault> {
    let mut found = Findings::of(templates, Typed::Placeholders);
    let samples = samples::all().into_iter().flat_map(|sample| {
        let mut own = sample.clone();
        own.facts.sender = sender.clone();
        [sample, own]
    });
    for sample in samples {
        for language in Language::ALL {
            for kind in NoticeKind::ALL {
                for channel in Channel::ALL {
                    found.check_notice(kind, language, channel, &sample);
                }
            }
        }
    }
    found.cautions()
}

struct Findings<'a> {
    templates: &'a Templates,
    rows: BTreeMap<String, Row>,
    /// By file and rule, so that a rule broken in many samples is told once.
    faults: BTreeMap<(String, &'static str), TemplateFault>,
    typed: Typed,
    /// What a fault of [`Typed::Words`] is about.
    lacking: BTreeMap<(String, &'static str), By>,
    /// Whether text messages are measured along with the other rules.
    measures: bool,
}

impl Findings<'_> {
    fn check_all(&mut self, sender: &Sender, wanted: &dyn Fn(&str) -> bool) {
        self.check_sender(sender);
        let mut own = samples::longest();
        own.name = "your sender, longest names";
        own.facts.sender = sender.clone();
        let samples: Vec<Sample> = samples::all().into_iter().chain([own]).collect();
        for language in Language::ALL {
            for sample in &samples {
                for kind in NoticeKind::ALL {
                    for channel in Channel::ALL {
                        // An e-mail has a calendar entry with it.
                        let calendar = channel == Channel::Email && wanted(&calendar_file(language));
                        if calendar || wanted(&notice_file(kind, language, channel)) {
                            self.check_notice(kind, language, channel, sample);
                        }
                    }
                }
            }
            for_letters(&samples, language, wanted, |kind, channel, facts, sample| {
                self.check_transactional(kind, language, channel, facts, sample);
            });
        }
        self.check_languages_agree();
    }

    /// Text messages alone, as this sender would send them.
    fn measure_all(&mut self, sender: &Sender, wanted: &dyn Fn(&str) -> bool) {
        let samples: Vec<Sample> = samples::all().into_iter().map(|sample| sample.sent_by(sender)).collect();
        for language in Language::ALL {
            for sample in &samples {
                for kind in NoticeKind::ALL {
                    let file = notice_file(kind, language, Channel::Sms);
                    if wanted(&file) {
                        let message = self.templates.render_notice(kind, language, Channel::Sms, &sample.facts);
                        self.measure(&file, message.ok(), language, sample);
                    }
                }
            }
            for_letters(&samples, language, wanted, |kind, channel, facts, sample| {
                if channel == Channel::Sms {
                    let message = self.templates.render_transactional(kind, language, channel, facts);
                    self.measure(&transactional_file(kind, language, channel), message.ok(), language, sample);
                }
            });
        }
    }

    /// What cannot be rendered is told where every rule is asked.
    fn measure(&mut self, file: &str, message: Option<Message>, language: Language, sample: &Sample) {
        if let Some(Message::Sms { text }) = message {
            self.check_parts(file, &text, &sms::count(&text), language, sample);
        }
    }

    fn report(self) -> Report {
        let cautions = self.cautions();
        let (rows, faults) = (self.rows.into_values().collect(), self.faults.values().cloned().collect());
        Report { rows, faults, cautions, by_rule: self.faults }
    }

    fn cautions(&self) -> Vec<TemplateFault> {
        let of_cautions = self.faults.iter().filter(|((_, rule), _)| cautions::RULES.contains(rule));
        of_cautions.map(|(_, fault)| fault.clone()).collect()
    }

    fn fault(&mut self, file: &str, rule: &'static str, what: String) {
        let place = self.templates.place(file);
        let fault = TemplateFault { file: place, line: None, what };
        self.faults.entry((file.to_owned(), rule)).or_insert(fault);
    }

    fn check_sender(&mut self, sender: &Sender) {
        let length = sender.short.chars().count();
        if length > LONGEST_SENDER_SHORT {
            let what = format!("`{}` has {length} characters, at most {LONGEST_SENDER_SHORT} fit", sender.short);
            let fault = TemplateFault { file: "messages.sender_short".into(), line: None, what };
            self.faults.insert((String::new(), "sender"), fault);
        }
    }

    fn check_notice(&mut self, kind: NoticeKind, language: Language, channel: Channel, sample: &Sample) {
        match self.templates.render_notice(kind, language, channel, &sample.facts) {
            Ok(message) => self.check_written(kind, language, &message, sample),
            Err(why) => {
                self.faults.insert((notice_file(kind, language, channel), "render"), why.0);
            }
        }
    }

    /// A notice as people will read it, whoever wrote it.
    fn check_written(&mut self, kind: NoticeKind, language: Language, message: &Message, sample: &Sample) {
        match message {
            Message::Sms { text } => {
                let (channel, file) = (Channel::Sms, notice_file(kind, language, Channel::Sms));
                self.check_short(&file, text, language, sample);
                self.check_five_things(&file, text, language, DateStyle::Short, sample);
                self.check_insecticides(&file, text, language);
                self.check_kind(&file, text, kind, language, channel, sample);
                let stop = stop_words(language);
                if !stop.iter().any(|word| text.contains(word)) {
                    self.fault(&file, "stop", format!("does not say how to stop; wanted is {}", stop.join(" or ")));
                }
            }
            Message::Email { subject, text, html, calendar, .. } => {
                let (channel, file) = (Channel::Email, notice_file(kind, language, Channel::Email));
                self.check_email(&file, subject, text, html, language, sample);
                let flat = format!("{subject} {}", flat(text));
                self.check_kind(&file, &flat, kind, language, channel, sample);
                if let Some(calendar) = calendar {
                    self.check_calendar(calendar, language);
                }
            }
        }
    }

    fn check_transactional(
        &mut self,
        kind: TransactionalKind,
        language: Language,
        channel: Channel,
        facts: &TransactionalFacts,
        sample: &Sample,
    ) {
        let file = transactional_file(kind, language, channel);
        let text = match self.templates.render_transactional(kind, language, channel, facts) {
            Ok(Message::Sms { text }) => {
                self.check_short(&file, &text, language, sample);
                // Who has just said stop need not be told how.
                let stop = stop_words(language);
                if kind != TransactionalKind::Stopped && !stop.iter().any(|word| text.contains(word)) {
                    self.fault(&file, "stop", format!("does not say how to stop; wanted is {}", stop.join(" or ")));
                }
                text
            }
            Ok(Message::Email { subject, text, html, .. }) => {
                self.check_frame(&file, &subject, &text, &html, language, sample);
                flat(&text)
            }
            Err(why) => {
                self.faults.insert((file, "render"), why.0);
                return;
            }
        };
        if !says(&text, &facts.sender.short) && !says(&text, &facts.sender.name) {
            self.lacks(&file, "who", "who speaks", SENDER);
        }
        // Nobody is said to have seen anything.
        kinds::check_seen(self, &file, &text, language, kinds::Seen { eggs: false, hatch: false });
        if let Some(wash_by) =
            facts.in_force.as_ref().filter(|_| kind == TransactionalKind::Welcome).and_then(|now| now.wash_by)
        {
            let style = if channel == Channel::Sms { DateStyle::Short } else { DateStyle::Full };
            if !text.contains(&dates::day(wash_by, language, style)) {
                self.lacks(&file, "now", "the deadline of the notice in force", By::Names(&["now_wash_by"]));
            }
        }
        let asks = matches!(kind, TransactionalKind::Confirm | TransactionalKind::NotCovered);
        let key = facts.code.as_ref().or(facts.confirm_url.as_ref().filter(|_| channel == Channel::Email));
        if asks && key.is_some_and(|key| !says(&text, key)) {
            self.lacks(&file, "confirm", "what confirms it", By::Names(&["code", "confirm_url"]));
        }
    }

    /// Parts, encoding and ease of a text message.
    fn check_short(&mut self, file: &str, text: &str, language: Language, sample: &Sample) {
        let segments = sms::count(text);
        if self.measures {
            self.check_parts(file, text, &segments, language, sample);
        }
        if language == Language::En && segments.encoding != Encoding::Gsm7 {
            let strange: BTreeSet<char> = text.chars().filter(|c| sms::gsm7_septets(*c).is_none()).collect();
            let strange = strange.into_iter().map(|c| format!("`{c}`")).collect::<Vec<_>>().join(", ");
            self.fault(file, "alphabet", format!("is to stay in the texting alphabet, which does not have {strange}"));
        }
        self.check_marks(file, None, text);
        self.note(file, Some(segments), Ease::of([text], language), sample);
    }

    fn check_parts(&mut self, file: &str, text: &str, segments: &Segments, language: Language, sample: &Sample) {
        let most = most_segments(language);
        if segments.parts > most {
            let (parts, room) = (segments.parts, segments.words());
            let with = sample.name;
            let what =
                format!("takes {parts} parts, at most {most} may be used; with sample `{with}` it {room}: {text}");
            self.fault(file, "parts", what);
        }
    }

    /// What every e-mail needs, notice or transactional message.
    fn check_frame(&mut self, file: &str, subject: &str, text: &str, html: &str, language: Language, sample: &Sample) {
        let length = subject.chars().count();
        if length > LONGEST_SUBJECT {
            let what = format!("has a subject of {length} characters, at most {LONGEST_SUBJECT} are read: {subject}");
            self.fault(file, "subject", what);
        }
        if subject.trim().is_empty() {
            self.fault(file, "subject", "has a subject without a word, which is the first that people see".to_owned());
        }
        let facts = &sample.facts;
        let flat = flat(text);
        if !says(&flat, &facts.sender.postal_address) {
            self.lacks(file, "postal", "your postal address", By::Names(&["postal_address"]));
        }
        if !says(&flat, &facts.sender.help_contact) {
            self.lacks(file, "help", "where people can ask", By::Names(&["help_contact"]));
        }
        let has_stop_link = text.contains(STOP_LINK_PLACE) && html.contains(STOP_LINK_PLACE);
        if facts.sender.public_url.is_some() && !has_stop_link {
            self.lacks(file, "stop", "how to stop", By::Names(&["stop_url"]));
        }
        self.check_marks(file, Some(subject), &flat);
        let pieces = Document::parse(text).pieces();
        let ease = Ease::of(pieces.iter().map(String::as_str).chain([subject]), language);
        self.note(file, None, ease, sample);
    }

    fn check_email(&mut self, file: &str, subject: &str, text: &str, html: &str, language: Language, sample: &Sample) {
        self.check_frame(file, subject, text, html, language, sample);
        let facts = &sample.facts;
        let flat = flat(text);
        self.check_five_things(file, &flat, language, DateStyle::Full, sample);
        if facts.provisional && !flat.to_lowercase().contains("provisional") {
            self.lacks(file, "provisional", "that the thresholds are provisional", By::Words);
        }
        self.check_washing(file, &flat, language, false);
        self.check_insecticides(file, &flat, language);
    }

    fn check_kind(
        &mut self,
        file: &str,
        text: &str,
        kind: NoticeKind,
        language: Language,
        channel: Channel,
        sample: &Sample,
    ) {
        kinds::check(
            self,
            &kinds::Text { file, text, kind, language, channel, facts: &sample.facts, sample: sample.name },
        );
    }

    fn check_calendar(&mut self, calendar: &str, language: Language) {
        let file = calendar_file(language);
        let text = calendar.replace("\r\n ", "").replace("\\,", ",").replace("\\;", ";").replace("\\n", " ");
        self.check_washing(&file, &text, language, false);
        self.check_insecticides(&file, &text, language);
        self.check_marks(&file, None, &text);
    }

    /// Who speaks, what is happening, where, when, what to do (Mileti & Sorensen 1990).
    fn check_five_things(&mut self, file: &str, text: &str, language: Language, style: DateStyle, sample: &Sample) {
        let facts = &sample.facts;
        let lower = text.to_lowercase();
        let has_one = |words: &[&str]| words.iter().any(|word| lower.contains(word));
        let (happening, action): (&[&str], &[&str]) = match language {
            Language::En => (&["scale", "egg", "hatch"], &["look", "wash", "hose", "rake", "check", "water"]),
            Language::Es => (&["escama", "huevo"], &["revis", "lav", "manguera", "rastrillo", "rieg", "busque"]),
        };
        let dates = By::Names(&["wash_by", "laying_spread"]);
        let checks = [
            ("who", says(text, &facts.sender.short) || says(text, &facts.sender.name), "who speaks", SENDER),
            ("where", says(text, &facts.region_name), "where the trees are", By::Names(&["region_name"])),
            ("when", says_a_date(text, facts, language, style), "when it is time", dates),
            ("what", has_one(happening), "what is happening (the scale, its eggs)", By::Words),
            ("do", has_one(action), "what to do (look, wash, hose, rake, water)", By::Words),
        ];
        for (rule, said, what, by) in checks {
            if !said {
                self.lacks(file, rule, what, by);
            }
        }
    }

    /// Keeps the longest and the hardest of a file; names of samples made to be long do not count against its ease.
    fn note(&mut self, file: &str, segments: Option<Segments>, ease: Ease, sample: &Sample) {
        let ease = sample.natural.then_some(ease);
        if let Some(ease) = ease.filter(|ease| !ease.is_easy_enough()) {
            let limit = match ease.language {
                Language::En => format!("at most {} is wanted", readability::HARDEST_GRADE),
                Language::Es => format!("at least {} is wanted", readability::LEAST_SCORE),
            };
            self.fault(file, "ease", format!("reads too hard: {ease}, {limit} (sample `{}`)", sample.name));
        }
        let row = self.rows.entry(file.to_owned()).or_insert_with(|| Row {
            file: file.to_owned(),
            segments: None,
            ease: None,
        });
        let size = |segments: &Option<Segments>| segments.as_ref().map(|segments| (segments.parts, segments.units));
        if size(&segments) > size(&row.segments) {
            row.segments = segments;
        }
        let harder = match (ease, row.ease) {
            (Some(new), Some(old)) => match new.language {
                Language::En => new.value > old.value,
                Language::Es => new.value < old.value,
            },
            (Some(_), None) => true,
            (None, _) => false,
        };
        if harder {
            row.ease = ease;
        }
    }

    /// A name that one language's file uses and the other's does not is something one half of the people is not told.
    fn check_languages_agree(&mut self) {
        let notices = NoticeKind::ALL.into_iter().flat_map(|kind| {
            Channel::ALL.map(|channel| Language::ALL.map(|language| notice_file(kind, language, channel)))
        });
        let transactional = transactional_messages()
            .map(|(kind, channel)| Language::ALL.map(|language| transactional_file(kind, language, channel)));
        let calendars = [Language::ALL.map(calendar_file)];
        for [english, spanish] in notices.chain(transactional).chain(calendars).collect::<Vec<_>>() {
            let of_english = self.templates.names_used(&english);
            let of_spanish = self.templates.names_used(&spanish);
            let (of_other, of_own) = (&of_spanish - &of_english, &of_english - &of_spanish);
            for (file, other, lacking) in [(&english, Language::Es, of_other), (&spanish, Language::En, of_own)] {
                if !lacking.is_empty() {
                    let other = other.english_name();
                    self.fault(
                        file,
                        "languages",
                        format!("leaves out what the {other} words tell: {}", told(&lacking)),
                    );
                }
            }
        }
    }
}

/// Every letter in a language with every sample that it fits and that differs from those before.
fn for_letters(
    samples: &[Sample],
    language: Language,
    wanted: &dyn Fn(&str) -> bool,
    mut look: impl FnMut(TransactionalKind, Channel, &TransactionalFacts, &Sample),
) {
    for sample in samples::with_other_names(samples) {
        for facts in TransactionalFacts::samples(&sample.facts.sender, &sample.facts.region_name) {
            let fitting = transactional_messages().filter(|(kind, _)| facts.fits(*kind));
            for (kind, channel) in fitting.filter(|(kind, on)| wanted(&transactional_file(*kind, language, *on))) {
                look(kind, channel, &facts, sample);
            }
        }
    }
}

/// In one line, since wrapping may part a name at a blank.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Either will do.
const SENDER: By = By::Names(&["sender_short", "sender_name"]);

/// Whether a value stands in a text, with its accents or without.
fn says(text: &str, value: &str) -> bool {
    let value = value.split_whitespace().collect::<Vec<_>>().join(" ");
    text.contains(&value) || text.contains(&sms::fold_accents(&value))
}

fn says_a_date(text: &str, facts: &NoticeFacts, language: Language, style: DateStyle) -> bool {
    let stages = [facts.laying, facts.hatch];
    let best = facts.days.and_then(|days| days.best);
    let days: Vec<NaiveDate> =
        stages.iter().map(|stage| stage.likely).chain([facts.wash_by]).chain(best.map(|best| best.first)).collect();
    let mut said = days.iter().map(|date| dates::day(*date, language, style));
    let mut about = days.iter().map(|date| phrases::date(language, *date));
    let mut spreads = stages.iter().map(|stage| dates::spread(stage.early, stage.likely, stage.late, language, style));
    let mut words = stages.iter().map(|stage| {
        let (early, late) = (stage.early, stage.late);
        phrases::wide_range(language, DateSpread { early, median: Some(stage.likely), late })
    });
    said.any(|date| text.contains(&date))
        || about.any(|date| text.contains(&date))
        || spreads.any(|spread| text.contains(&spread))
        || words.any(|range| text.contains(&range))
}

fn stop_words(language: Language) -> &'static [&'static str] {
    match language {
        Language::En => &["STOP"],
        Language::Es => &["ALTO", "STOP"],
    }
}
