//! A list of subscribers as CSV: every line is taken or its fault named, with the mend.

use std::collections::HashMap;

use super::{Address, Consent, EmailAddress, Language, NewSubscriber, PhoneNumber, Reach, Zip};
use crate::region::Band;
use crate::text::{did_you_mean, near_name};

/// One line of the list that can be tried.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Counted from 1, the header included.
    pub number: u64,
    pub subscriber: NewSubscriber,
}

/// What is wrong with one line. Addresses are never repeated in full.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineFault {
    pub number: u64,
    pub what: String,
}

impl std::fmt::Display for LineFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "line {}: {}", self.number, self.what)
    }
}

/// A list, read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct List {
    pub lines: Vec<Line>,
    pub faults: Vec<LineFault>,
}

/// Why the list as a whole is none.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ListError {
    #[error(
        "it is empty: a first line with the names of the columns is wanted, such as zip,email,phone,language,consent"
    )]
    Empty,
    #[error("it is not text in UTF-8: save it as `CSV UTF-8`")]
    NotText,
    #[error("its columns are set apart by {0}: save it with commas")]
    Separator(&'static str),
    #[error("line 1: column `{name}` is unknown{}", did_you_mean(.near.as_deref()))]
    UnknownColumn { name: String, near: Option<String> },
    #[error("line 1: column `{0}` is there twice")]
    ColumnTwice(&'static str),
    #[error("line 1: column `{0}` is missing")]
    ColumnMissing(&'static str),
    #[error("line 1: neither column `email` nor column `phone` is there")]
    NoAddressColumn,
}

const COLUMNS: [&str; 6] = ["zip", "email", "phone", "language", "consent", "height_ft"];

/// Reads the columns zip, email, phone, language, consent and height_ft, in any order, named in the first line. `zip` may hold several
/// codes with blanks between; `language` is en or es, English if blank; `consent` says where its owner's agreement can
/// be seen, and is kept with `source` (the file's name) and the line. `height_ft` is how high above the sea the trees stand, for
/// all ZIP codes of the line; it may be blank.
///
/// # Errors
/// When the list as a whole cannot be read; faults of single lines are in [`List::faults`].
pub fn read(bytes: &[u8], source: &str, reach: Reach) -> Result<List, ListError> {
    let text = std::str::from_utf8(bytes).map_err(|_| ListError::NotText)?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(ListError::Empty);
    }
    let header_line = text.lines().next().unwrap_or_default();
    for (sign, name) in [(';', "semicolons"), ('\t', "tabs")] {
        if header_line.contains(sign) && !header_line.contains(',') {
            return Err(ListError::Separator(name));
        }
    }
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let header = reader.headers().map_err(|_| ListError::Empty)?.clone();
    let places = columns_of(&header)?;

    let mut list = List::default();
    let mut numbers = LineNumbers { text: text.as_bytes(), at: 0, number: 1 };
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(why) => {
                let number = numbers.of(why.position());
                list.faults.push(LineFault { number, what: format!("cannot be read as CSV: {why}") });
                continue;
            }
        };
        let number = numbers.of(record.position());
        if record.iter().all(str::is_empty) {
            continue;
        }
        if record.len() != header.len() {
            let what = format!("{} columns where the first line has {}", record.len(), header.len());
            list.faults.push(LineFault { number, what });
            continue;
        }
        let field = |name: &str| places.get(name).and_then(|at| record.get(*at)).unwrap_or_default();
        match read_line(&field, &format!("{source} line {number}"), reach) {
            Ok(subscriber) => list.lines.push(Line { number, subscriber }),
            Err(faults) => list.faults.extend(faults.into_iter().map(|what| LineFault { number, what })),
        }
    }
    Ok(list)
}

/// Line numbers of records that are asked for in order. The reader's own are those of the end of the record before,
/// which differ by blank lines and by the line feed of a Windows line end.
struct LineNumbers<'a> {
    text: &'a [u8],
    at: usize,
    /// Of the byte `at`.
    number: u64,
}

impl LineNumbers<'_> {
    fn of(&mut self, position: Option<&csv::Position>) -> u64 {
        let start = position.and_then(|position| usize::try_from(position.byte()).ok()).unwrap_or(self.at);
        while let Some(byte) = self.text.get(self.at)
            && (self.at < start || matches!(byte, b'\r' | b'\n'))
        {
            self.number += u64::from(*byte == b'\n');
            self.at += 1;
        }
        self.number
    }
}

const ZEROS_LOST: &str = "a spreadsheet may have dropped its zeros";

/// What may have become of a ZIP code of too few digits.
pub fn zeros_lost(text: &str) -> Option<&'static str> {
    let digits = text.trim();
    ((1..5).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit())).then_some(ZEROS_LOST)
}

fn columns_of(header: &csv::StringRecord) -> Result<HashMap<&'static str, usize>, ListError> {
    let mut places = HashMap::new();
    for (at, name) in header.iter().enumerate() {
        let plain = name.trim().to_lowercase();
        let Some(column) = COLUMNS.into_iter().find(|column| *column == plain) else {
            return Err(ListError::UnknownColumn { name: name.to_owned(), near: near_name(&plain, &COLUMNS) });
        };
        if places.insert(column, at).is_some() {
            return Err(ListError::ColumnTwice(column));
        }
    }
    for column in ["zip", "consent"] {
        if !places.contains_key(column) {
            return Err(ListError::ColumnMissing(column));
        }
    }
    if !places.contains_key("email") && !places.contains_key("phone") {
        return Err(ListError::NoAddressColumn);
    }
    Ok(places)
}

fn read_line<'a>(field: &impl Fn(&str) -> &'a str, place: &str, reach: Reach) -> Result<NewSubscriber, Vec<String>> {
    let mut faults = Vec::new();
    let mut zips = Vec::new();
    for text in field("zip").split_whitespace() {
        match Zip::parse(text) {
            Ok(zip) if zips.contains(&zip) => {}
            Ok(zip) => zips.push(zip),
            Err(why) if text.len() < 5 && text.bytes().all(|b| b.is_ascii_digit()) => {
                faults.push(format!("zip: {why}; {ZEROS_LOST}"));
            }
            Err(why) => faults.push(format!("zip: {why}")),
        }
    }
    if field("zip").is_empty() {
        faults.push("zip: nothing was given".into());
    }
    let mut addresses = Vec::new();
    if !field("email").is_empty() {
        match EmailAddress::parse(field("email")) {
            Ok(email) => addresses.push(Address::Email(email)),
            Err(why) => faults.push(format!("email: {why}")),
        }
    }
    if !field("phone").is_empty() {
        match PhoneNumber::parse(field("phone"), reach) {
            Ok(phone) => addresses.push(Address::Phone(phone)),
            Err(why) => faults.push(format!("phone: {why}")),
        }
    }
    if field("email").is_empty() && field("phone").is_empty() {
        faults.push("neither email nor phone was given".into());
    }
    let language = match field("language").to_lowercase().as_str() {
        "" => Language::En,
        code => Language::parse(code).unwrap_or_else(|| {
            faults.push(format!("language: `{}` is not en or es", field("language")));
            Language::En
        }),
    };
    let evidence = evidence(field("consent"), Some(place)).unwrap_or_else(|why| {
        faults.push(format!("consent: {why}"));
        String::new()
    });
    let height = match field("height_ft").replace(',', "") {
        text if text.is_empty() => None,
        text => {
            let height = text.parse().ok().and_then(Band::at_feet);
            if height.is_none() {
                faults.push(format!(
                    "height_ft: `{}` is no height above the sea in feet, such as 6800",
                    field("height_ft")
                ));
            }
            height
        }
    };
    let heights = height.map(|height| zips.iter().map(|zip| (zip.clone(), height)).collect()).unwrap_or_default();
    if faults.is_empty() {
        Ok(NewSubscriber { zips, heights, addresses, language, consent: Consent::Given { evidence } })
    } else {
        Err(faults)
    }
}

/// What is kept about a person's agreement: the words given and where they were given.
///
/// # Errors
/// When there are none, or they hold an e-mail address or a telephone number: they outlive its erasure.
pub fn evidence(words: &str, place: Option<&str>) -> Result<String, String> {
    let words = words.trim();
    if words.is_empty() {
        return Err("nothing was given: say how its owner agreed, such as `signed form, county fair 2026-02-01`".into());
    }
    outliving(words, |_| "say how the owner agreed, not who it is".to_owned())?;
    Ok(place.map_or_else(|| words.to_owned(), |place| format!("{words} ({place})")))
}

/// Why staff did something, as it is kept.
///
/// # Errors
/// When nothing was given, or it holds an e-mail address or a telephone number: it outlives the erasure of whoever it may be about.
pub fn kept_reason(words: &str) -> Result<String, String> {
    let words = words.trim();
    if words.is_empty() {
        return Err("nothing was given".into());
    }
    outliving(words, |held| format!("write it without the {held}"))?;
    Ok(words.to_owned())
}

/// Words that are kept when an address is erased. `mend`: what to do about one that holds the `number` or the `address`.
fn outliving(words: &str, mend: impl Fn(&str) -> String) -> Result<(), String> {
    if words.chars().any(crate::text::is_hidden) || words.chars().count() > 300 {
        return Err("at most 300 plain characters are wanted".into());
    }
    match address_in(words, mend) {
        Some(why) => Err(why),
        None => Ok(()),
    }
}

/// What is wrong with words that outlive an erasure and hold an e-mail address or a telephone number. `mend`: as there.
fn address_in(words: &str, mend: impl Fn(&str) -> String) -> Option<String> {
    let mut digits = words.split(|c: char| !c.is_ascii_digit() && !" -.()+".contains(c));
    let has_phone = digits.any(|run| run.bytes().filter(u8::is_ascii_digit).count() >= 10);
    let (found, short) = match (words.contains('@'), has_phone) {
        (true, true) => ("an e-mail address and a telephone number", "address and the number"),
        (true, false) => ("an e-mail address", "address"),
        (false, true) => ("a telephone number", "number"),
        (false, false) => return None,
    };
    let mend = mend(short);
    Some(format!("it holds {found}, and this line is kept even after the data of that person are erased: {mend}"))
}

/// The same of a note of any length; `None` when it holds neither.
pub fn fault_of_note(words: &str) -> Option<String> {
    address_in(words, |held| format!("write it without the {held}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEADER: &str = "zip,email,phone,language,consent\n";

    fn faults(lines: &str) -> Vec<String> {
        let list = read(format!("{HEADER}{lines}").as_bytes(), "list.csv", Reach::NorthAmerica).unwrap();
        list.faults.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_good_list_is_read_whole() {
        let text = "\u{feff}Phone, Consent ,ZIP,language,email\r\n\r\n505 555 0100,\"form, fair\",00101 00102,ES,\r\n,web,00101,,a@example.org\r\n\r\n";
        let list = read(text.as_bytes(), "list.csv", Reach::NorthAmerica).unwrap();
        assert_eq!(list.faults, []);
        assert_eq!(list.lines.iter().map(|line| line.number).collect::<Vec<_>>(), [3, 4]);
        let first = &list.lines[0].subscriber;
        assert_eq!((first.zips.len(), first.language, first.addresses[0].expose()), (2, Language::Es, "+15055550100"));
        assert_eq!(first.consent, Consent::Given { evidence: "form, fair (list.csv line 3)".into() });
        assert_eq!(list.lines[1].subscriber.language, Language::En);
    }

    #[test]
    fn a_reason_with_an_address_is_not_asked_how_somebody_agreed() {
        for (words, found, short) in [
            ("ask a@example.org", "an e-mail address", "address"),
            ("call 505-555-0100", "a telephone number", "number"),
            (
                "call 505-555-0100 or ask a@example.org",
                "an e-mail address and a telephone number",
                "address and the number",
            ),
        ] {
            let [why, agreed] = [kept_reason(words), evidence(words, None)].map(Result::unwrap_err);
            assert!(why.starts_with(&format!("it holds {found}, and this line is kept")), "{why}");
            assert!(why.ends_with(&format!("erased: write it without the {short}")), "{why}");
            assert!(agreed.ends_with("erased: say how the owner agreed, not who it is"), "{agreed}");
        }
        assert_eq!(kept_reason(" rain "), Ok("rain".to_owned()));
        assert_eq!(kept_reason(" "), Err("nothing was given".to_owned()));
    }

    #[test]
    fn a_height_in_feet_goes_to_every_zip_code_of_its_line() {
        let text = "zip,email,consent,height_ft\n00101 00102,a@example.org,form,\"6,800\"\n00101,b@example.org,form,\n00101,c@example.org,form,high\n00101,d@example.org,form,68000\n";
        let list = read(text.as_bytes(), "list.csv", Reach::NorthAmerica).unwrap();
        let heights: Vec<usize> = list.lines.iter().map(|line| line.subscriber.heights.len()).collect();
        assert_eq!(heights, [2, 0]);
        assert_eq!(list.lines[0].subscriber.heights[1].1, Band::at_feet(6800.0).unwrap());
        let faults: Vec<String> = list.faults.iter().map(ToString::to_string).collect();
        assert!(faults.len() == 2 && faults[0].contains("line 4: height_ft: `high` is no height"), "{faults:?}");
    }

    #[test]
    fn every_fault_of_every_line_is_named_with_its_mend() {
        for (line, wanted) in [
            (
                "123,a@example.org,,,web",
                "line 2: zip: `123` is not a ZIP code: five digits are wanted, such as 00123; a spreadsheet",
            ),
            (",a@example.org,,,web", "line 2: zip: nothing"),
            ("00101,,,,web", "line 2: neither email nor phone"),
            ("00101,a at example.org,,,web", "line 2: email: an e-mail address is wanted"),
            ("00101,,555-0100,,web", "line 2: phone: a phone number is wanted"),
            ("00101,a@example.org,,fr,web", "line 2: language: `fr` is not en or es"),
            ("00101,a@example.org,,,", "line 2: consent: nothing was given"),
            ("00101,a@example.org,,,mail from a@example.org", "line 2: consent: it holds an e-mail address"),
            ("00101,a@example.org,,,called (505) 555-0100", "line 2: consent: it holds a telephone number"),
            ("00101,a@example.org,web", "line 2: 3 columns where the first line has 5"),
        ] {
            let said = faults(line);
            assert!(said.len() == 1 && said[0].starts_with(wanted), "{line}: {said:?}");
        }
        assert_eq!(faults("1,x,1,fr,\n00101,a@example.org,,,web\n00101,,,,web").len(), 6, "all lines are looked at");
        assert!(faults("00101,\"a@example.org,,,web").len() == 1, "a quote left open");
        assert_eq!(faults("00101,a@example.org,,,signed form 2026-02-01"), Vec::<String>::new(), "a date is no number");
    }

    #[test]
    fn a_wrong_header_is_refused_with_the_mend() {
        let said = |text: &str| read(text.as_bytes(), "list.csv", Reach::NorthAmerica).unwrap_err().to_string();
        assert!(said("zip,e-mail,consent\n").contains("`e-mail` is unknown, did you mean `email`?"));
        assert!(said("zip,email\n").contains("`consent` is missing"));
        assert!(said("zip,consent\n").contains("neither column `email`"));
        assert!(said("zip,zip,email,consent\n").contains("`zip` is there twice"));
        assert!(said("zip;email;consent\n").contains("semicolons"));
        assert!(said("  \n").contains("it is empty"));
        assert!(read(b"zip,email,consent\n\xff", "l", Reach::NorthAmerica).unwrap_err() == ListError::NotText);
    }
}
