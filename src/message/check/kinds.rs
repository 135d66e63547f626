//! What each kind of notice has to say, and what none may say before somebody has seen it.

use chrono::NaiveDate;

use super::lacking::{By, Typed};
use super::{DateStyle, Findings, dates};
use crate::message::facts::{Basis, NoticeFacts};
use crate::message::templates::typed;
use crate::people::{Channel, Language};
use crate::season::NoticeKind;
use crate::season::decide::MovedBy;
use crate::season::window::DeadlineRule;

/// A written notice.
pub(super) struct Text<'a> {
    pub file: &'a str,
    /// In one line; of an e-mail with its subject.
    pub text: &'a str,
    pub kind: NoticeKind,
    pub language: Language,
    pub channel: Channel,
    pub facts: &'a NoticeFacts,
    /// The name of the example that the facts are of.
    pub sample: &'a str,
}

/// What somebody saw.
pub(super) struct Seen {
    pub eggs: bool,
    pub hatch: bool,
}

pub(super) fn check(found: &mut Findings<'_>, text: &Text<'_>) {
    let facts = text.facts;
    let best = facts.days.and_then(|days| days.best);
    let seen = Seen { eggs: facts.basis == Basis::Seen, hatch: facts.hatch_was_seen() };
    check_seen(found, text.file, text.text, text.language, seen);
    check_measured(found, text);
    // Whoever is asked to wash is told how to do it safely: also whoever is to wash until no yellow eggs are left.
    if text.channel == Channel::Email && text.kind != NoticeKind::GetReady {
        found.check_washing(text.file, text.text, text.language, true);
    }
    match text.kind {
        NoticeKind::GetReady => check_beans(found, text),
        NoticeKind::InspectNow if best.is_some() => check_not_yet(found, text),
        NoticeKind::InspectNow | NoticeKind::WashNow | NoticeKind::LastDaysToWash => {
            check_deadline(found, text);
            check_least_days(found, text);
            check_raking(found, text);
        }
        NoticeKind::DeadlineMoved => {
            check_deadline(found, text);
            check_least_days(found, text);
            check_move(found, text);
        }
        NoticeKind::TooLateToWash => check_late(found, text),
    }
}

/// Eggs are there, and hatch, only where somebody saw them.
pub(super) fn check_seen(found: &mut Findings<'_>, file: &str, text: &str, language: Language, seen: Seen) {
    let (eggs, hatch): (&[&str], &[&str]) = match language {
        Language::En => (
            &[
                "eggs now",
                "is laying",
                "are laying",
                "has laid",
                "have laid",
                "eggs are here",
                "eggs are there",
                "eggs seen",
            ],
            &["eggs are hatching", "eggs have hatched", "eggs hatched", "has hatched"],
        ),
        Language::Es => (
            &["hay huevos", "hay escama", "está poniendo", "están poniendo", "ya pone", "ya puso", "huevos vistos"],
            &["se están abriendo", "ya se abrieron", "ya nacieron"],
        ),
    };
    let lower = text.to_lowercase();
    // "habrá escama" and "no hay huevos" say no such thing.
    let says = |phrase: &&&str| lower.match_indices(**phrase).any(|(at, _)| !lower[..at].ends_with("no "));
    if let Some(phrase) = eggs.iter().find(says).filter(|_| !seen.eggs) {
        found.fault(file, "seen", format!("says `{phrase}` where nobody has seen eggs: say that it is likely"));
    }
    if let Some(phrase) = hatch.iter().find(says).filter(|_| !seen.hatch) {
        found.fault(
            file,
            "hatch-seen",
            format!("says `{phrase}` where nobody has seen the hatch: say that it is likely"),
        );
    }
}

/// Once a message, while the number is provisional: nobody has measured it, and the bark decides. Of a hatch that was seen a
/// text tells no day that hangs on the number.
fn check_measured(found: &mut Findings<'_>, text: &Text<'_>) {
    let (unmeasured, bark): (&[&str], &[&str]) = match text.language {
        Language::En => (&["guess", "measured"], &["bark decides"]),
        Language::Es => (&["sin medir", "ha medido", "no medid"], &["manda la corteza", "manda su corteza"]),
    };
    let no_number =
        text.channel == Channel::Sms && text.kind == NoticeKind::TooLateToWash && text.facts.hatch_was_seen();
    if text.facts.provisional && !(text.has_one(bark) && (no_number || text.has_one(unmeasured))) {
        let such_as = match text.language {
            Language::En => "a guess; bark decides",
            Language::Es => "sin medir; manda la corteza",
        };
        let what = format!("that nobody has measured the number, and that the bark decides (such as “{such_as}”)");
        found.lacks(text.file, "measured", &what, By::Words);
    }
}

/// By text there is no room for it; the page behind says it.
fn check_least_days(found: &mut Findings<'_>, text: &Text<'_>) {
    let says: &[&str] = match text.language {
        Language::En => &["may hatch before"],
        Language::Es => &["pueden nacer antes", "pueden abrirse antes"],
    };
    let least = text.facts.days.is_some_and(|days| days.rule == DeadlineRule::LeastDays);
    if text.channel == Channel::Email && least && !text.has_one(says) {
        let what = "that the first eggs may hatch before the last day to wash";
        found.lacks(text.file, "least-days", what, By::Part("deadline.part.txt"));
    }
}

/// Whether the tree has the insect at all: beans on the needles.
fn check_beans(found: &mut Findings<'_>, text: &Text<'_>) {
    let (beans, older): (&[&str], &[&str]) = match text.language {
        Language::En => (&["bean"], &["older needles"]),
        Language::Es => (&["frijol"], &["agujas viejas"]),
    };
    if !text.has_one(beans) || !text.has_one(older) {
        let what = "how to see whether a tree has the insect: beans on the older needles";
        found.lacks(text.file, "beans", what, By::Words);
    }
}

/// While the best days lie ahead people are asked to look: who washes now takes few eggs. The deadline is told with the
/// wash, so that what people were told is what is kept.
fn check_not_yet(found: &mut Findings<'_>, text: &Text<'_>) {
    let (unless, twice): (&[&str], &[&str]) = match text.language {
        Language::En => (&["yet unless", "yet, unless", "no wash till"], &["twice a week"]),
        Language::Es => (
            &[
                "lave todavía, salvo",
                "lave aún, salvo",
                "lave todavía, a menos",
                "por ahora no lave salvo",
                "por ahora no lave, salvo",
                "no lave hasta",
            ],
            &["dos veces por semana", "2 veces por semana", "2 veces/semana"],
        ),
    };
    if !text.has_one(unless) {
        let such_as = match text.language {
            Language::En => "yet, unless",
            Language::Es => "no lave todavía, salvo",
        };
        let what = format!("not to wash yet, unless white cotton is everywhere (such as “{such_as}”)");
        found.lacks(text.file, "not-yet", &what, By::Words);
    }
    if !text.has_one(twice) {
        found.lacks(text.file, "twice", "to look twice a week", By::Words);
    }
    let Some(best) = text.facts.days.and_then(|days| days.best) else { return };
    if !text.says_day(best.first) {
        found.lacks(text.file, "best-first", "when the best days begin", By::Names(&["best_first"]));
    }
    let wash_by = text.facts.wash_by;
    if ![best.first, best.last].contains(&wash_by) && text.says_day(wash_by) {
        let what = "says the deadline too early: leave it out where the first of the best days is told";
        found.fault(text.file, "deadline-early", what.to_owned());
    }
}

fn check_deadline(found: &mut Findings<'_>, text: &Text<'_>) {
    if !text.says_day(text.facts.wash_by) {
        found.lacks(text.file, "deadline", "the last day to wash", By::Names(&["wash_by"]));
    }
}

/// What is washed off has to go; by text also where to stand or where the cautions are.
fn check_raking(found: &mut Findings<'_>, text: &Text<'_>) {
    let (rake, bag, ground, same_day): (&[&str], &[&str], &[&str], &[&str]) = match text.language {
        Language::En => (&["rake"], &["bag"], &["from the ground"], &["same day"]),
        Language::Es => {
            (&["rastrill"], &["bolsa", "embols"], &["desde el suelo"], &["mismo día", "sin esperar", "enseguida"])
        }
    };
    if !text.has_one(rake) || !text.has_one(bag) {
        found.lacks(text.file, "rake", "to rake and to bag what was washed off", By::Words);
    }
    let link = text.facts.sender.public_url.as_ref().is_some_and(|url| text.text.contains(url));
    if text.channel == Channel::Sms && !link && !text.has_one(ground) {
        lacks_ground(found, text, ground);
    }
    if text.kind == NoticeKind::LastDaysToWash && !text.has_one(same_day) {
        found.lacks(text.file, "same-day", "to rake on the same day", By::Words);
    }
}

/// A text that has the address may come without it: where there is no public page, and where it has no room.
fn lacks_ground(found: &mut Findings<'_>, text: &Text<'_>, ground: &[&str]) {
    if found.typed == Typed::Words {
        let what = "to wash from the ground, or where the cautions are";
        return found.lacks(text.file, "ground", what, By::Names(&["public_url"]));
    }
    let (say, address) = (ground.first().copied().unwrap_or_default(), typed("public_url"));
    let has_address = found.templates.names_used(text.file).contains("public_url");
    let mend = match (&text.facts.sender.public_url, has_address) {
        (None, _) => {
            format!("Say “{say}” there: {address}, which leads to the cautions, is empty where there is no public page")
        }
        (Some(_), true) => {
            format!("Say “{say}” there, or shorten it: {address}, which leads to the cautions, has no room in it")
        }
        (Some(_), false) => {
            format!("Say “{say}” there, or put {address}, which leads to the cautions, where it belongs")
        }
    };
    let what = format!(
        "does not say to wash from the ground, or where the cautions are, with sample `{}`: “{}”. {mend}",
        text.sample, text.text
    );
    found.fault(text.file, "ground", what);
}

/// Both days, and why.
fn check_move(found: &mut Findings<'_>, text: &Text<'_>) {
    if let Some(was) = text.facts.days.and_then(|days| days.was)
        && !text.says_day(was)
    {
        found.lacks(text.file, "was", "what the last day was before", By::Names(&["wash_by_was"]));
    }
    let why: &[&str] = match (text.language, text.facts.moved_by) {
        (_, None) => return,
        (Language::En, Some(MovedBy::CoolWeather)) => &["cool", "cold"],
        (Language::En, Some(MovedBy::WarmWeather)) => &["warm", "heat"],
        (Language::En, Some(MovedBy::Reports)) => &["people saw", "was seen", "were seen"],
        (Language::Es, Some(MovedBy::CoolWeather)) => &["fresco", "frío"],
        (Language::Es, Some(MovedBy::WarmWeather)) => &["calor"],
        (Language::Es, Some(MovedBy::Reports)) => &["la gente vio", "se vio", "se vieron"],
    };
    if !text.has_one(why) {
        found.lacks(text.file, "why", "why the last day has moved", By::Names(&["moved_by"]));
    }
}

fn check_late(found: &mut Findings<'_>, text: &Text<'_>) {
    let (less, yellow): (&[&str], &[&str]) = match text.language {
        Language::En => (&["helps less"], &["yellow eggs"]),
        Language::Es => (&["sirve menos"], &["huevos amarillos"]),
    };
    if !text.has_one(less) || !text.has_one(yellow) {
        let what = "that washing helps less each day, and to stop when no yellow eggs are left";
        found.lacks(text.file, "less", what, By::Words);
    }
}

impl Text<'_> {
    /// Whether it holds one of these, in capitals or not.
    fn has_one(&self, phrases: &[&str]) -> bool {
        let lower = self.text.to_lowercase();
        phrases.iter().any(|phrase| lower.contains(phrase))
    }

    /// Whether it names the day, with its weekday or without.
    pub fn says_day(&self, date: NaiveDate) -> bool {
        let said = match self.channel {
            Channel::Sms => dates::day(date, self.language, DateStyle::Short),
            Channel::Email => crate::season::phrases::date(self.language, date),
        };
        // "Apr 1" stands in "Apr 12".
        self.text.match_indices(&said).any(|(at, _)| {
            let (before, after) = (&self.text[..at], &self.text[at + said.len()..]);
            !before.ends_with(|c: char| c.is_ascii_digit()) && !after.starts_with(|c: char| c.is_ascii_digit())
        })
    }
}
