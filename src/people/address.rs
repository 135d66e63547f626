//! Addresses of people: parsed where they come in, masked wherever they are printed, known by a keyed hash after
//! erasure.

use std::fmt;

use phonenumber::{Mode, country};

use super::Channel;
use crate::id::text_id;

/// An e-mail address or phone number that was checked and normalised. Prints as a mask; [`Address::expose`] is for the
/// one place that writes to it and for staff who asked to see it.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Address {
    Email(EmailAddress),
    Phone(PhoneNumber),
}

/// Which phone numbers are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// The United States with its territories, and Canada.
    NorthAmerica,
    /// Any number in the form of ITU-T E.164. Texts abroad can be dear, and strangers can make money from that.
    World,
}

/// Mailbox at a domain, at most 254 characters; the domain is in lower case.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct EmailAddress(String);

/// `+` and 8 to 15 digits, country code first.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PhoneNumber(String);

/// The address itself is not repeated: these texts end in logs and on screens.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AddressError {
    #[error("an e-mail address is wanted, such as owner@example.org: {0}")]
    Email(String),
    #[error("a phone number is wanted, such as +15055550100: {0}")]
    Phone(String),
}

impl Address {
    /// Takes either kind: what holds an `@` is an e-mail address.
    ///
    /// # Errors
    /// As [`EmailAddress::parse`] and [`PhoneNumber::parse`].
    pub fn parse(text: &str, reach: Reach) -> Result<Self, AddressError> {
        if text.contains('@') {
            EmailAddress::parse(text).map(Self::Email)
        } else {
            PhoneNumber::parse(text, reach).map(Self::Phone)
        }
    }

    /// What the store holds: checked when it was written.
    pub(crate) fn from_stored(channel: Channel, text: String) -> Self {
        match channel {
            Channel::Email => Self::Email(EmailAddress(text)),
            Channel::Sms => Self::Phone(PhoneNumber(text)),
        }
    }

    pub fn channel(&self) -> Channel {
        match self {
            Address::Email(_) => Channel::Email,
            Address::Phone(_) => Channel::Sms,
        }
    }

    /// The address in full.
    pub fn expose(&self) -> &str {
        match self {
            Address::Email(email) => &email.0,
            Address::Phone(phone) => &phone.0,
        }
    }
}

impl EmailAddress {
    /// Surrounding blanks are dropped and the domain is put in lower case. The part before the `@` keeps its case, since
    /// only the receiving server knows whether it matters; two spellings of it are one address to [`AddressHash`](super::AddressHash).
    ///
    /// # Errors
    /// When the text is no address of RFC 5321/5322 with a dotted domain, or could not stand in a header safely.
    pub fn parse(text: &str) -> Result<Self, AddressError> {
        let bad = |what: &str| Err(AddressError::Email(what.to_owned()));
        let text = text.trim();
        if text.is_empty() {
            return bad("nothing was given");
        }
        if text.len() > 254 {
            return bad("it is longer than 254 characters");
        }
        if text.chars().any(|c| c.is_control() || c.is_whitespace()) {
            return bad("it holds a blank or a control character");
        }
        let Some((mailbox, domain)) = text.rsplit_once('@') else {
            return bad("the @ is missing");
        };
        if mailbox.is_empty() {
            return bad("what stands before the @ is missing");
        }
        if domain.is_empty() {
            return bad("what stands behind the @ is missing");
        }
        let options =
            email_address::Options::default().with_required_tld().without_domain_literal().without_display_text();
        if let Err(why) = email_address::EmailAddress::parse_with_options(text, options) {
            return bad(why.to_string().to_lowercase().trim_end_matches('.'));
        }
        if mailbox.starts_with('"') {
            return bad("a mailbox in quotes is not taken");
        }
        if !text.is_ascii() {
            return bad("letters beyond ASCII are not taken, since many servers refuse them");
        }
        Ok(Self(format!("{mailbox}@{}", domain.to_ascii_lowercase())))
    }

    /// The address in full.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl PhoneNumber {
    /// Blanks, dots, hyphens and brackets are dropped. A North American number may be given with or without `+1`.
    ///
    /// Which numbers there are is asked of the `phonenumber` crate, which carries the numbering plans of all countries. The
    /// numbers kept for invention (555-0100 to 555-0199 of every area code) pass, since the plan does have them.
    ///
    /// # Errors
    /// When the digits are no number of a plan, belong to a country that is not taken, or cost the one who writes to them.
    pub fn parse(text: &str, reach: Reach) -> Result<Self, AddressError> {
        let bad = |what: &str| Err(AddressError::Phone(what.to_owned()));
        let text = text.trim();
        if text.is_empty() {
            return bad("nothing was given");
        }
        let (international, rest) = match text.strip_prefix('+') {
            Some(rest) => (true, rest),
            None => (false, text),
        };
        // The crate would also take letters, extensions and any words around a number: here every character must be meant.
        let mut digits = String::new();
        for c in rest.chars() {
            match c {
                '0'..='9' => digits.push(c),
                ' ' | '.' | '-' | '(' | ')' | '\u{a0}' | '\u{2011}' | '\u{2013}' => {}
                _ => return bad("it holds something that is neither digit nor separator"),
            }
        }
        if !international {
            digits = match (digits.len(), digits.starts_with('1')) {
                (10, _) => format!("1{digits}"),
                (11, true) => digits,
                _ => return bad("ten digits are wanted, area code first, or + and the country's code"),
            };
        }
        match digits.strip_prefix('1') {
            Some(national) if national.len() != 10 => bad("ten digits are wanted after +1, area code first"),
            Some(national) => north_american(national, reach),
            None if reach == Reach::NorthAmerica => bad("only numbers of the United States and Canada (+1) are taken"),
            // ITU-T E.164: at most 15 digits, and no country's code begins with 0.
            None if !(8..=15).contains(&digits.len()) || digits.starts_with('0') => {
                bad("8 to 15 digits are wanted after the +, country code first")
            }
            None => abroad(&digits),
        }
    }

    /// The number in full.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

/// Parts of the United States that the numbering plan lists by themselves.
const UNITED_STATES_AND_CANADA: [country::Id; 7] =
    [country::US, country::CA, country::PR, country::VI, country::GU, country::AS, country::MP];

/// Ten digits after +1.
fn north_american(national: &str, reach: Reach) -> Result<PhoneNumber, AddressError> {
    let bad = |what: &str| Err(AddressError::Phone(what.to_owned()));
    // All ASCII digits: the caller kept nothing else.
    let (area, exchange) = (&national[..3], &national[3..6]);
    let number = read(&format!("1{national}"));
    let home = number.as_ref().and_then(|number| number.country().id());
    if reach == Reach::NorthAmerica && home.is_some_and(|id| !UNITED_STATES_AND_CANADA.contains(&id)) {
        return bad("its area code lies outside of the United States and Canada");
    }
    // Islands have few exchanges, and the one for invention is not among those listed.
    let is_invented = home.is_some() && exchange == "555" && national[6..].starts_with("01");
    match number.filter(|number| is_invented || phonenumber::is_valid(number)) {
        // The plan of the whole does not list 976, which local companies charge for.
        Some(number) if is_dear(&number) || exchange == "976" => bad(CHARGES),
        // Kept for services such as 411 and 911 in every area; the crate lets it pass.
        Some(_) if !exchange.ends_with("11") => Ok(PhoneNumber(format!("+1{national}"))),
        None if home.is_none()
            && read(&format!("1{area}5550100")).is_none_or(|number| !phonenumber::is_valid(&number)) =>
        {
            bad("its area code cannot exist")
        }
        _ => bad("its exchange (the three digits after the area code) cannot exist"),
    }
}

/// Country code and number, not of +1.
fn abroad(digits: &str) -> Result<PhoneNumber, AddressError> {
    let bad = |what: &str| Err(AddressError::Phone(what.to_owned()));
    match read(digits).filter(phonenumber::is_valid) {
        None => bad("its country's numbering plan has no such number"),
        Some(number) if is_dear(&number) => bad(CHARGES),
        Some(number) => Ok(PhoneNumber(number.format().mode(Mode::E164).to_string())),
    }
}

fn read(digits: &str) -> Option<phonenumber::PhoneNumber> {
    phonenumber::parse(None, format!("+{digits}")).ok()
}

const CHARGES: &str = "it is a number that charges those who call or write to it";

/// Whether calling or writing to it can make money for its owner, which strangers would use. Personal numbers (500 and its
/// like) are rented for that too.
fn is_dear(number: &phonenumber::PhoneNumber) -> bool {
    use phonenumber::Type;
    matches!(
        number.number_type(&phonenumber::metadata::DATABASE),
        Type::PremiumRate | Type::SharedCost | Type::PersonalNumber
    )
}

/// Enough to recognise one's own address, not enough to learn another's.
fn masked(address: &Address) -> String {
    match address {
        Address::Email(EmailAddress(text)) => match text.rsplit_once('@') {
            Some((mailbox, domain)) => format!("{}***@{domain}", mailbox.chars().next().unwrap_or('*')),
            None => "***".into(),
        },
        Address::Phone(PhoneNumber(text)) => {
            let last: String = text.chars().skip(text.chars().count().saturating_sub(2)).collect();
            format!("+***{last}")
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&masked(self))
    }
}

impl fmt::Debug for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}({self})", self.channel().name())
    }
}

impl fmt::Display for EmailAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&masked(&Address::Email(self.clone())))
    }
}

impl fmt::Debug for EmailAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl fmt::Display for PhoneNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&masked(&Address::Phone(self.clone())))
    }
}

impl fmt::Debug for PhoneNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

text_id! {
    /// By what an address is known everywhere: its keyed hash, which stays when the address is erased. See
    /// [`AddressHash`](super::AddressHash).
    AddressId
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn north_american_numbers_are_taken_in_every_usual_spelling() {
        for text in
            ["+15055550100", "505-555-0100", "(505) 555-0100", "1 505 555 0100", "+1.505.555.0100", " 5055550100 "]
        {
            assert_eq!(PhoneNumber::parse(text, Reach::NorthAmerica).unwrap().expose(), "+15055550100", "{text}");
        }
    }

    #[test]
    fn numbers_outside_of_the_plan_are_refused_with_the_reason() {
        for (text, reason) in [
            ("", "nothing"),
            ("555-0100", "ten digits"),
            ("+1505555010", "ten digits"),
            ("+150555501000", "ten digits"),
            ("+1 105 555 0100", "area code cannot exist"),
            ("+1 911 555 0100", "area code cannot exist"),
            ("+1 295 555 0100", "area code cannot exist"),
            ("+1 375 555 0100", "area code cannot exist"),
            ("+1 505 155 0100", "exchange"),
            ("+1 505 411 0100", "exchange"),
            ("+1 900 555 0100", "charges"),
            ("+1 876 555 0100", "outside"),
            ("+1 242 555 0100", "outside"),
            ("+1 809 555 0100", "outside"),
            ("+1 505 976 0100", "charges"),
            ("+1 500 555 0100", "charges"),
            ("+1 505 555 0100 ext. 7", "neither digit"),
            ("1-800-PINYONS", "neither digit"),
            ("tel:+15055550100", "neither digit"),
            ("+44 7700 900123", "only numbers of the United States"),
            ("505-555-01OO", "neither digit"),
            ("owner", "neither digit"),
        ] {
            let said = PhoneNumber::parse(text, Reach::NorthAmerica).unwrap_err().to_string();
            assert!(said.contains(reason), "{text}: {said}");
        }
    }

    // The numbers abroad are the examples that the crate's tables give for each country.
    #[test]
    fn the_world_is_taken_when_allowed() {
        assert_eq!(PhoneNumber::parse("+44 7400 123456", Reach::World).unwrap().expose(), "+447400123456");
        assert_eq!(PhoneNumber::parse("+1 876 555 0100", Reach::World).unwrap().expose(), "+18765550100");
        assert_eq!(PhoneNumber::parse("+39 02 1234 5678", Reach::World).unwrap().expose(), "+390212345678");
        for (text, reason) in [
            ("+0447400123456", "country code first"),
            ("+1234", "ten digits"),
            ("+4474001234567890", "8 to 15 digits"),
            ("+44 7700 900123", "no such number"),
            ("+999 5550 1001", "no such number"),
            ("+44 70 1234 5678", "charges"),
            ("+1 900 555 0100", "charges"),
        ] {
            let said = PhoneNumber::parse(text, Reach::World).unwrap_err().to_string();
            assert!(said.contains(reason), "{text}: {said}");
        }
    }

    // 555-0100 to 555-0199 are kept free for invention by the plan's administrator (ATIS-0300115). Demo, examples and
    // checks use nothing else, so every area code must take them.
    #[test]
    fn invented_numbers_are_taken_in_every_area() {
        for area in [505, 575, 480, 435, 970, 702, 787, 340, 671, 684, 670, 604, 867] {
            for line in [100, 199] {
                let text = format!("+1{area}5550{line}");
                assert_eq!(PhoneNumber::parse(&text, Reach::NorthAmerica).unwrap().expose(), text);
            }
        }
    }

    proptest::proptest! {
        // What is stored is read again at every start of a season.
        #[test]
        fn any_digits_are_a_number_that_reads_back_or_are_refused(text in "[+]?[0-9]{0,18}", world: bool) {
            let reach = if world { Reach::World } else { Reach::NorthAmerica };
            if let Ok(number) = PhoneNumber::parse(&text, reach) {
                proptest::prop_assert_eq!(PhoneNumber::parse(number.expose(), reach), Ok(number));
            }
        }
    }

    #[test]
    fn mail_addresses_are_checked_and_their_domain_put_in_lower_case() {
        assert_eq!(EmailAddress::parse(" Owner.Of+Trees@Example.ORG ").unwrap().expose(), "Owner.Of+Trees@example.org");
        for text in [
            "",
            "owner",
            "owner@",
            "@example.org",
            "owner@example",
            "a b@example.org",
            "owner@example.org\r\nBcc: all@example.org",
            "Owner <owner@example.org>",
            "\"a b\"@example.org",
            "owner@[127.0.0.1]",
            "owner@@example.org",
            "öwner@example.org",
            "owner@example..org",
        ] {
            let said = EmailAddress::parse(text).unwrap_err().to_string();
            assert!(!said.ends_with('.'), "{text:?}: {said}");
        }
        for (text, side) in [("owner@", "behind"), ("@example.org", "before")] {
            let said = EmailAddress::parse(text).unwrap_err().to_string();
            assert!(said.contains(&format!("what stands {side} the @ is missing")), "{said}");
        }
        assert!(EmailAddress::parse(&format!("{}@example.org", "a".repeat(250))).is_err());
    }

    #[test]
    fn printing_an_address_never_shows_it() {
        let email = Address::parse("owner@example.org", Reach::NorthAmerica).unwrap();
        let phone = Address::parse("+15055550123", Reach::NorthAmerica).unwrap();
        assert_eq!(format!("{email} {email:?}"), "o***@example.org email(o***@example.org)");
        assert_eq!(format!("{phone} {phone:?}"), "+***23 sms(+***23)");
        for text in ["owner", "5055550123"] {
            let all = format!("{:?}", (&email, &phone, AddressError::Email("x".into())));
            assert!(!all.contains(text));
        }
    }
}
