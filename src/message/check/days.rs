//! Days that the words of one notice tell and the notice does not have.

use std::collections::BTreeSet;

use chrono::{Datelike, NaiveDate};

use super::{DateStyle, Findings, dates, flat};
use crate::message::facts::NoticeFacts;
use crate::message::{Message, sms};
use crate::people::Language;
use crate::season::phrases;

/// A month and a day of it.
type MonthDay = (u32, u32);

/// A date as it stands in a text.
#[derive(Debug)]
struct Said {
    piece: String,
    /// How it can be read: in Spanish `4/5` both ways.
    readings: Vec<MonthDay>,
}

impl Findings<'_> {
    /// `today` is a day of the notice too: it may be told when it is sent.
    pub(super) fn check_days(
        &mut self,
        file: &str,
        language: Language,
        message: &Message,
        (facts, today): (&NoticeFacts, NaiveDate),
    ) {
        let days = days_of(facts);
        let known: BTreeSet<MonthDay> = days.iter().chain([&today]).map(|day| (day.month(), day.day())).collect();
        let foreign = |text: &str| -> Option<String> {
            let said = said_in(&without_names(&flat(text), facts), language).into_iter();
            let mut pieces: Vec<String> = said
                .filter(|said| !said.readings.iter().any(|day| known.contains(day)))
                .map(|said| format!("`{}`", said.piece))
                .collect();
            pieces.dedup();
            (!pieces.is_empty()).then(|| pieces.join(", "))
        };
        let (subject, text) = match message {
            Message::Sms { text } => (None, text),
            Message::Email { subject, text, .. } => (Some(subject), text),
        };
        let told = days.iter().map(|day| match message {
            Message::Sms { .. } => dates::day(*day, language, DateStyle::Short),
            Message::Email { .. } => phrases::date(language, *day),
        });
        let told = told.collect::<Vec<_>>().join(", ");
        let mend =
            format!("which is none of the days of this notice ({told}): write the day that is meant, or leave it out");
        if let Some(pieces) = foreign(text) {
            self.fault(file, "days", format!("says {pieces}, {mend}"));
        }
        if let Some(pieces) = subject.and_then(|subject| foreign(subject)) {
            self.fault(file, "subject-days", format!("has a subject that says {pieces}, {mend}"));
        }
    }
}

/// Every day that its facts hold.
fn days_of(facts: &NoticeFacts) -> BTreeSet<NaiveDate> {
    let mut days = BTreeSet::from([facts.decided_on, facts.wash_by]);
    for stage in [facts.laying, facts.hatch] {
        days.insert(stage.likely);
        days.extend([stage.reached, stage.early, stage.late].into_iter().flatten());
    }
    if let Some(window) = facts.days {
        days.extend([window.look_from, window.deadline, window.last_from]);
        days.extend(window.best.into_iter().flat_map(|best| [best.first, best.last]));
        days.extend([window.hatch_early, window.hatch_late, window.settled, window.was].into_iter().flatten());
    }
    days
}

/// Without links, and without the names and the addresses of the house, which may look like a date: `12 March Lane`.
fn without_names(text: &str, facts: &NoticeFacts) -> String {
    let sender = &facts.sender;
    let names = [&sender.name, &sender.short, &sender.postal_address, &sender.help_contact]
        .into_iter()
        .chain([&facts.region_name, &facts.station_name])
        .chain(facts.grid.as_ref())
        .chain(facts.borrowed.as_ref().map(|from| &from.name));
    let names = names.map(|name| flat(name)).flat_map(|name| [sms::fold_accents(&name), name]);
    let text = names.filter(|name| !name.is_empty()).fold(text.to_owned(), |text, name| text.replace(&name, " | "));
    let words = text.split_whitespace().map(|word| if word.contains("://") { "|" } else { word });
    words.collect::<Vec<_>>().join(" ")
}

/// A word, a number or a single sign.
#[derive(Clone, Copy)]
struct Token<'a> {
    text: &'a str,
    at: usize,
}

impl Token<'_> {
    fn end(&self) -> usize {
        self.at + self.text.len()
    }

    fn is(&self, words: &[&str]) -> bool {
        let lower = self.text.to_lowercase();
        words.contains(&lower.as_str())
    }

    /// With as many digits at most.
    fn number(&self, digits: usize) -> Option<u32> {
        self.text.parse().ok().filter(|_| self.text.len() <= digits)
    }

    /// From 1 on. `may` and `march` are months with a capital only: in English they are verbs too.
    fn month(&self, language: Language) -> Option<u32> {
        let lower = self.text.to_lowercase();
        if language == Language::En && matches!(self.text, "may" | "march") {
            return None;
        }
        let is_of = |month0: &u32| {
            let is_sept = *month0 == 8 && matches!(lower.as_str(), "sept" | "setiembre");
            let name = language.month_name(*month0).to_lowercase();
            lower == name || lower == language.short_month_name(*month0).to_lowercase() || is_sept
        };
        (0..12).find(is_of).map(|month0| month0 + 1)
    }
}

fn tokens(text: &str) -> Vec<Token<'_>> {
    let kind = |c: char| match c {
        c if c.is_ascii_digit() => 0,
        c if c.is_alphabetic() => 1,
        _ => 2,
    };
    let mut found = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let of = kind(first);
        let length = match of {
            2 => first.len_utf8(),
            _ => rest.find(|c: char| kind(c) != of).unwrap_or(rest.len()),
        };
        let (token, after) = rest.split_at_checked(length).unwrap_or((rest, ""));
        if !first.is_whitespace() {
            found.push(Token { text: token, at: text.len() - rest.len() });
        }
        rest = after;
    }
    found
}

/// The tokens of a text, looked at from one of them.
struct Reader<'a> {
    text: &'a str,
    tokens: Vec<Token<'a>>,
    language: Language,
}

impl<'a> Reader<'a> {
    fn token(&self, at: usize) -> Option<Token<'a>> {
        self.tokens.get(at).copied()
    }

    fn before(&self, at: usize, steps: usize) -> Option<Token<'a>> {
        self.token(at.checked_sub(steps)?)
    }

    fn is(&self, token: Option<Token<'_>>, words: &[&str]) -> bool {
        token.is_some_and(|token| token.is(words))
    }

    /// The next token, if no blank parts them.
    fn joined(&self, at: usize) -> Option<Token<'a>> {
        let (token, next) = (self.token(at)?, self.token(at + 1)?);
        (token.end() == next.at).then_some(next)
    }

    fn day(&self, at: usize) -> Option<u32> {
        self.token(at)?.number(2).filter(|day| (1..=31).contains(day))
    }

    /// Behind a number and what makes an ordinal of it: `12`, `12th`, `1.º`.
    fn behind_number(&self, at: usize) -> usize {
        let dot = self.joined(at).is_some_and(|next| next.text == ".") && self.is(self.joined(at + 1), ORDINALS);
        let last = if dot { at + 1 } else { at };
        if self.is(self.joined(last), ORDINALS) { last + 2 } else { at + 1 }
    }

    fn said(&self, (from, to): (usize, usize), readings: Vec<MonthDay>) -> Option<Said> {
        let (from, to) = (self.token(from)?, self.token(to)?);
        Some(Said { piece: self.text.get(from.at..to.end())?.to_owned(), readings })
    }

    /// `March 12`, `Mar. 12-24`, `between March 12 and 24`, as many dates as that tells; and behind them.
    fn month_first(&self, at: usize) -> Option<(Vec<Said>, usize)> {
        let month = self.token(at)?.month(self.language)?;
        let number = if self.is(self.joined(at), &["."]) { at + 2 } else { at + 1 };
        let first = self.day(number)?;
        let behind = self.behind_number(number);
        let mut said: Vec<Said> = self.said((at, number), vec![(month, first)]).into_iter().collect();
        let (sign, before) = (self.token(behind), self.before(at, 1));
        let goes_on = self.is(sign, DASHES)
            || self.is(sign, &["and"]) && self.is(before, &["between"])
            || self.is(sign, &["to", "through"]) && self.is(before, &["from"]);
        let second = self.day(behind + 1).filter(|_| goes_on);
        let Some(second) = second else { return Some((said, behind)) };
        said.extend(self.said((at, behind + 1), vec![(month, second)]));
        Some((said, self.behind_number(behind + 1)))
    }

    /// `12 de abril`, `12 abr`, `12 April`, `entre el 12 y el 24 de abril`, `12-24 abr`.
    fn day_first(&self, at: usize) -> Option<(Vec<Said>, usize)> {
        let second = self.day(at)?;
        let behind = self.behind_number(at);
        let month_at = if self.is(self.token(behind), &["de", "of"]) { behind + 1 } else { behind };
        let month = self.token(month_at)?.month(self.language)?;
        // `24 April 3` is no date of its own: the month has its day behind it.
        if self.language == Language::En && self.day(month_at + 1).is_some() {
            return None;
        }
        let back = |steps: usize| self.before(at, steps);
        let from = if self.is(back(1), DASHES) || self.is(back(1), &["al"]) && self.is(back(3), &["del", "el"]) {
            at.checked_sub(2)
        } else if self.is(back(1), &["el"]) && self.is(back(2), &["y"]) && self.is(back(4), &["el"]) {
            at.checked_sub(3).filter(|_| self.is(back(5), &["entre"]))
        } else {
            None
        };
        let first = from.and_then(|from| Some((from, self.day(from)?)));
        let mut said = Vec::new();
        if let Some((from, first)) = first {
            said.extend(self.said((from, month_at), vec![(month, first)]));
        }
        said.extend(self.said((at, month_at), vec![(month, second)]));
        Some((said, month_at + 1))
    }

    /// `5/20`, `5/20/2026`, `2026-05-20`.
    fn numeric(&self, at: usize) -> Option<(Vec<Said>, usize)> {
        let is_joined_before = at.checked_sub(1).is_some_and(|last| {
            self.joined(last).is_some() && self.token(last).is_some_and(|last| !matches!(last.text, "(" | "," | ":"))
        });
        let sign = self.joined(at).filter(|_| !is_joined_before)?;
        self.joined(at + 1)?;
        let second = self.token(at + 2)?;
        let third = self.joined(at + 2).filter(|next| next.text == sign.text && self.joined(at + 3).is_some());
        let third = third.and_then(|_| self.token(at + 4));
        if let ("-", Some(day)) = (sign.text, third) {
            let is_year = self.token(at).is_some_and(|year| year.text.len() == 4 && year.number(4).is_some());
            let day = (second.number(2)?, day.number(2)?);
            let readings: Vec<MonthDay> = Some(day).filter(|day| is_year && is_day(*day)).into_iter().collect();
            return (!readings.is_empty()).then(|| (self.said((at, at + 4), readings).into_iter().collect(), at + 5));
        }
        let (a, b) = (self.token(at)?.number(2)?, second.number(2).filter(|_| sign.text == "/")?);
        let has_year = third.is_some_and(|year| matches!(year.text.len(), 2 | 4) && year.number(4).is_some());
        if !has_year && (third.is_some() || (a, b) == (24, 7) || self.is_fraction(at, (a, b))) {
            return None;
        }
        let mut readings = vec![(a, b)];
        if self.language == Language::Es || a > 12 {
            readings.push((b, a));
        }
        readings.retain(|day| is_day(*day));
        let last = if has_year { at + 4 } else { at + 2 };
        (!readings.is_empty()).then(|| (self.said((at, last), readings).into_iter().collect(), last + 1))
    }

    /// `a 3/4 inch hose`, `1/16 inch`; behind a word that wants a day it is one.
    fn is_fraction(&self, at: usize, (a, b): (u32, u32)) -> bool {
        let measured = &["inch", "inches", "of", "pulgada", "pulgadas", "de"];
        let wants_day = &["on", "by", "until", "from", "before", "after", "since", "el", "al", "del", "hasta", "desde"];
        let is_measured = self.is(self.token(at + 3), measured);
        let wants_day = self.is(self.before(at, 1), wants_day);
        a < b && (is_measured && matches!(b, 2 | 3 | 4 | 8 | 16 | 32) || !wants_day && matches!(b, 2 | 3 | 4 | 8))
    }
}

const ORDINALS: &[&str] = &["st", "nd", "rd", "th", "º", "o", "°"];
const DASHES: &[&str] = &["-", "–", "—"];

fn is_day((month, day): MonthDay) -> bool {
    (1..=12).contains(&month) && (1..=31).contains(&day)
}

/// Every date of a text in one line.
fn said_in(text: &str, language: Language) -> Vec<Said> {
    let reader = Reader { text, tokens: tokens(text), language };
    let (mut found, mut at) = (Vec::new(), 0);
    while at < reader.tokens.len() {
        match reader.month_first(at).or_else(|| reader.day_first(at)).or_else(|| reader.numeric(at)) {
            Some((said, behind)) => {
                found.extend(said);
                at = behind;
            }
            None => at += 1,
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::samples;

    #[track_caller]
    fn check(language: Language, text: &str, wanted: &[(&str, &[MonthDay])]) {
        let found = said_in(text, language);
        let found: Vec<(&str, &[MonthDay])> =
            found.iter().map(|said| (said.piece.as_str(), said.readings.as_slice())).collect();
        assert_eq!(found, wanted, "{text}");
    }

    #[test]
    fn dates_are_found_as_people_write_them_in_english() {
        let en = |text: &str, wanted: &[(&str, &[MonthDay])]| check(Language::En, text, wanted);
        en("Wash May 20. Sunday, April 12: rest.", &[("May 20", &[(5, 20)]), ("April 12", &[(4, 12)])]);
        en("between March 12 and 24, then", &[("March 12", &[(3, 12)]), ("March 12 and 24", &[(3, 24)])]);
        en(
            "Mar 12-24; Mar 30-Apr 2",
            &[("Mar 12", &[(3, 12)]), ("Mar 12-24", &[(3, 24)]), ("Mar 30", &[(3, 30)]), ("Apr 2", &[(4, 2)])],
        );
        en("by Apr. 3rd or the 4th of June", &[("Apr. 3", &[(4, 3)]), ("4th of June", &[(6, 4)])]);
        en(
            "by 5/20, 5/21/26 or 2026-05-22",
            &[("5/20", &[(5, 20)]), ("5/21/26", &[(5, 21)]), ("2026-05-22", &[(5, 22)])],
        );
        en("by 3/4", &[("3/4", &[(3, 4)])]);
    }

    #[test]
    fn dates_are_found_as_people_write_them_in_spanish() {
        let es = |text: &str, wanted: &[(&str, &[MonthDay])]| check(Language::Es, text, wanted);
        es("domingo 12 de abril; 20 may.", &[("12 de abril", &[(4, 12)]), ("20 may", &[(5, 20)])]);
        es("entre el 12 y el 24 de marzo", &[("12 y el 24 de marzo", &[(3, 12)]), ("24 de marzo", &[(3, 24)])]);
        es("entre el 12 de marzo y el 2 de abril", &[("12 de marzo", &[(3, 12)]), ("2 de abril", &[(4, 2)])]);
        es(
            "12-24 mar, 30 mar-2 abr",
            &[("12-24 mar", &[(3, 12)]), ("24 mar", &[(3, 24)]), ("30 mar", &[(3, 30)]), ("2 abr", &[(4, 2)])],
        );
        es(
            "el 1.º de mayo, el 4/5 y el 20/5",
            &[("1.º de mayo", &[(5, 1)]), ("4/5", &[(4, 5), (5, 4)]), ("20/5", &[(5, 20)])],
        );
    }

    #[test]
    fn what_is_no_date_is_none() {
        let none = "You may 2 times march 3 miles with a 3/4 inch hose, 1/16 inch long, 24/7, 505-555-0100, 1/2 day, season 2026, \
                    214 degree-days, from June until the rains, 12.5 ft, Apr 12,000";
        let found = said_in(none, Language::En);
        let found: Vec<&str> = found.iter().map(|said| said.piece.as_str()).collect();
        assert_eq!(found, ["Apr 12"], "a number that goes on behind its comma is read as a day");
        check(Language::Es, "Lave 2 veces a la semana, 1/2 hora; temporada 2026", &[]);
    }

    #[test]
    fn names_and_links_of_the_house_are_no_dates() {
        let mut facts = samples::typical().facts;
        facts.sender.postal_address = "12 March Lane,\nCedar Flat".into();
        facts.region_name = "Cañón 5 de Mayo".into();
        let text = "Cañon 5 de Mayo, Cañón 5 de Mayo: https://example.org/a/5/20 12 March Lane, Cedar Flat. May 20";
        let left = without_names(text, &facts);
        for language in Language::ALL {
            let found: Vec<String> = said_in(&left, language).into_iter().map(|said| said.piece).collect();
            assert_eq!(found, ["May 20"], "{left}");
        }
    }
}
