//! What every form of ours shares: a token that shows we made it and when, a field that only programs fill, addresses as
//! people type them, and answers that take the same time whatever they found.

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, TimeDelta};
use tokio::time::Instant;

use super::Site;
use crate::people::{Address, EmailAddress, PhoneNumber, Reach};
use crate::service::subscribe::tokens;
use crate::service::subscribe::tokens::Purpose;

/// What was typed, by field.
pub(super) type Typed = BTreeMap<String, String>;

/// A person reads and types at least this long.
const SHORTEST_FILL: TimeDelta = TimeDelta::seconds(2);

/// A form left open for longer is shown again before it is taken.
const LONGEST_FILL: TimeDelta = TimeDelta::hours(24);

/// Name of the field that no person sees. Programs that fill every field fill it.
pub(super) const TRAP: &str = "website";

/// Longest text of one field, characters: the longest address fits.
const LONGEST_FIELD: usize = 300;

/// An answer that depends on who is subscribed leaves on the next whole beat after it was asked, so that its time tells
/// nothing. The work takes a small part of one beat.
const BEAT: Duration = Duration::from_millis(200);

/// Why a form is not taken as it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum FormFault {
    /// The token is missing or not ours. Shown like a form that is too old.
    Forged,
    TooFast,
    TooOld,
    /// The trap was filled: answered as if all were well, with no effect.
    Trapped,
}

impl FormFault {
    /// Name of its words.
    pub fn name(self) -> &'static str {
        match self {
            FormFault::TooFast => "too_fast",
            FormFault::Forged | FormFault::TooOld | FormFault::Trapped => "too_old",
        }
    }
}

/// The token of a form that is shown now.
pub(super) fn stamp(site: &Site, form: &str) -> String {
    let made = format!("{:010x}", site.now().timestamp());
    let sealed = tokens::make(site.app().store.address_hash(), Purpose::Form, &format!("{form}.{made}"));
    sealed.strip_prefix(form).map_or_else(String::new, |rest| rest.trim_start_matches('.').to_owned())
}

/// Whether a form is one that we showed a person.
pub(super) fn check(site: &Site, form: &str, typed: &Typed) -> Result<(), FormFault> {
    if !field(typed, TRAP).is_empty() {
        return Err(FormFault::Trapped);
    }
    let whole = format!("{form}.{}", field(typed, "token"));
    let subject = tokens::open(site.app().store.address_hash(), Purpose::Form, &whole).ok_or(FormFault::Forged)?;
    let made = subject.strip_prefix(form).and_then(|rest| i64::from_str_radix(rest.trim_start_matches('.'), 16).ok());
    let made = made.and_then(|seconds| DateTime::from_timestamp(seconds, 0)).ok_or(FormFault::Forged)?;
    match site.now() - made {
        // The stamp is cut to whole seconds, so that two of them may be less than two that passed.
        age if age < SHORTEST_FILL => Err(FormFault::TooFast),
        age if age > LONGEST_FILL => Err(FormFault::TooOld),
        _ => Ok(()),
    }
}

/// What stands in a field, trimmed and cut to what an address may need.
pub(super) fn field<'a>(typed: &'a Typed, name: &str) -> &'a str {
    let text = typed.get(name).map_or("", |text| text.trim());
    text.char_indices().nth(LONGEST_FIELD).map_or(text, |(at, _)| &text[..at])
}

/// The field at fault and the name of the words for it.
pub(super) type FieldFault = (&'static str, &'static str);

/// The one address of a form with a field for each kind.
pub(super) fn address(site: &Site, typed: &Typed) -> Result<Address, Vec<FieldFault>> {
    match (field(typed, "phone"), field(typed, "email")) {
        ("", "") => Err(vec![("phone", "address_missing")]),
        (phone, "") => phone_number(site, phone).map(Address::Phone).map_err(|why| vec![why]),
        ("", email) => EmailAddress::parse(email).map(Address::Email).map_err(|_| vec![("email", "email_wrong")]),
        _ => Err(vec![("email", "address_twice")]),
    }
}

pub(super) fn phone_number(site: &Site, text: &str) -> Result<PhoneNumber, FieldFault> {
    let reach = site.app().config.sms.reach;
    let fault = match reach {
        Reach::World => "phone_wrong_world",
        Reach::NorthAmerica => "phone_wrong",
    };
    PhoneNumber::parse(text, reach).map_err(|_| ("phone", fault))
}

/// Waits for the beat: see [`BEAT`].
pub(super) async fn on_the_beat(since: Instant) {
    let beats = since.elapsed().as_millis() / BEAT.as_millis() + 1;
    tokio::time::sleep_until(since + BEAT * u32::try_from(beats).unwrap_or(u32::MAX)).await;
}
