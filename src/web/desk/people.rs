//! People: found by a whole address or by a ZIP code, and added with the evidence of their consent.

use std::collections::BTreeMap;

use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::Response;
use chrono::NaiveDate;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{app_of, by, fault_of};
use super::sign_in::with_status;
use super::upload::FieldFault;
use crate::language::Language;
use crate::people::account::Deed;
use crate::people::csv::{evidence, zeros_lost};
use crate::people::{Address, Channel, Consent, EmailAddress, NewSubscriber, PhoneNumber, Reach};
use crate::region::{Band, Region, Zip};
use crate::season::phrases::{capitalised, date};
use crate::service::desk::DeskError;
use crate::service::desk::people::{self, PeopleReach};
use crate::service::new_region::read_zips;
use crate::store::addresses::AddressStatus;
use crate::store::enrolment::Enrolled;
use crate::store::subscriptions::Subscriber;
use crate::store::{Conflict, StoreError};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// What may stand behind `?done=`.
const DONE: [&str; 2] = ["erased", "imported"];

/// How somebody may have agreed.
const WAYS: [(&str, &str); 5] = [
    ("signed form", "on a signed paper form"),
    ("by telephone", "by telephone"),
    ("in person", "in person"),
    ("by e-mail", "by e-mail"),
    ("web form of ours", "by a web form of our office"),
];

/// Whose people this account sees: those of the regions within its reach, whatever its role; an administrator all.
pub(super) async fn reach_of(desk: &Desk) -> Result<PeopleReach, Fault> {
    let account = desk.account();
    let sees = |region: &Region| account.reach.holds(region);
    let everywhere = account.may(Deed::Administer);
    PeopleReach::of(desk.site().app(), everywhere, sees).await.map_err(people_fault)
}

/// What cannot be told on a page of people.
pub(super) fn people_fault(why: DeskError) -> Fault {
    match why {
        DeskError::NoSuchPerson => Fault::NotFound,
        DeskError::Store(StoreError::Conflict(Conflict::UnknownAddress { .. })) => Fault::NotFound,
        other => fault_of(other),
    }
}

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let text = field(&query, "zip");
    let done = DONE.into_iter().find(|done| *done == field(&query, "done"));
    let shown = |zip: &str, found: Option<people::Found>, wrong: Option<String>| {
        let count = |name: &str| field(&query, name).parse::<u64>().unwrap_or(0);
        context! {
            zip, wrong, done,
            added => count("added"), extended => count("extended"), unchanged => count("unchanged"),
            bad => count("bad"),
            looked => found.is_some(),
            next => found.as_ref().and_then(|found| found.next.clone()),
            people => found.iter().flat_map(|found| &found.people).map(|one| line(&reach, one)).collect::<Vec<_>>(),
        }
    };
    if text.is_empty() {
        return listed(&desk, &reach, shown("", None, None));
    }
    let zip = match Zip::parse(text) {
        Ok(zip) => zip,
        Err(why) => {
            let hint = zeros_lost(text).map_or_else(String::new, |hint| format!("; {hint}"));
            let wrong = capitalised(&format!("{why}{hint}.")).replace('`', "");
            return with_status(
                listed(&desk, &reach, shown(text, None, Some(wrong))),
                StatusCode::UNPROCESSABLE_ENTITY,
            );
        }
    };
    match people::at_zip(desk.site().app(), &reach, &zip, field(&query, "after")).await {
        Ok(found) => listed(&desk, &reach, shown(zip.as_str(), Some(found), None)),
        Err(why @ DeskError::ZipNotYours { .. }) => {
            let wrong = Some(capitalised(&why.to_string()) + ".");
            with_status(listed(&desk, &reach, shown(zip.as_str(), None, wrong)), StatusCode::UNPROCESSABLE_ENTITY)
        }
        Err(why) => Err(people_fault(why)),
    }
}

fn listed(desk: &Desk, reach: &PeopleReach, shown: Value) -> Result<Response, Fault> {
    desk.page(
        "people",
        context! {
            may_act => desk.account().may(Deed::Act),
            nobody => reach.is_empty(),
            everywhere => reach.is_everywhere(),
            address_wrong => Value::from(()),
            ..shown
        },
    )
}

/// Told of what is no whole address of any kind, such as the beginning of one.
const WHAT_FINDS: &str = "Somebody is found by a whole e-mail address or a whole telephone number, by their id, or below by a \
    ZIP code; a part of a name or an address finds nobody.";

/// Fewer digits are no try at a telephone number.
const DIGITS_OF_A_PHONE: usize = 7;

/// Whether somebody meant an address, so that what is wrong with it tells them more.
fn means_address(text: &str) -> bool {
    let is_phone = text.chars().filter(char::is_ascii_digit).count() >= DIGITS_OF_A_PHONE
        && !text.chars().any(char::is_alphabetic);
    text.contains('@') || is_phone
}

/// By POST: an address in a path or a query would stand in logs on the way.
pub(super) async fn by_address(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let (app, reach, asked) = (desk.site().app(), reach_of(&desk).await?, field(&typed, "address"));
    if let Some(person) = people::by_id(app, &reach, asked).await.map_err(people_fault)? {
        return Ok(desk.to(&format!("/desk/person/{}", person.id)));
    }
    // An address that is only looked for may come from anywhere.
    let wrong = match Address::parse(asked, Reach::World) {
        Ok(address) => match people::by_address(app, &reach, &address).await.map_err(people_fault)? {
            Some(person) => return Ok(desk.to(&format!("/desk/person/{}", person.id))),
            None if reach.is_everywhere() => "Nobody on the list has this address.".to_owned(),
            None => "Nobody of your regions has this address.".to_owned(),
        },
        Err(why) if means_address(asked) => capitalised(&why.to_string()) + ".",
        Err(_) => WHAT_FINDS.to_owned(),
    };
    let around = context! {
        may_act => true, nobody => reach.is_empty(), everywhere => reach.is_everywhere(),
        zip => "", wrong => Value::from(()), done => Value::from(()), looked => false, next => Value::from(()),
        people => Vec::<Value>::new(), added => 0, extended => 0, unchanged => 0, bad => 0,
        address_wrong => wrong,
    };
    with_status(desk.page("people", around), StatusCode::UNPROCESSABLE_ENTITY)
}

/// One person in a list, masked.
fn line(reach: &PeopleReach, person: &Subscriber) -> Value {
    let (here, elsewhere) = reach.places(person);
    context! {
        id => &person.id,
        addresses => person.addresses.iter().map(|known| known.address.to_string()).collect::<Vec<_>>(),
        standing => person.addresses.iter().map(|known| status_words(known.status)).collect::<Vec<_>>(),
        zips => here.iter().map(|home| home.zip.to_string()).collect::<Vec<_>>(),
        elsewhere,
        language => person.language.english_name(),
        since => super::report::long(person.created_at.date_naive()),
    }
}

pub(super) fn status_words(status: AddressStatus) -> &'static str {
    match status {
        AddressStatus::Unconfirmed => "not confirmed",
        AddressStatus::Confirmed => "told",
        AddressStatus::Stopped => "said stop",
        AddressStatus::Undeliverable => "does not exist any more",
    }
}

pub(super) fn channel_words(channel: Channel) -> &'static str {
    match channel {
        Channel::Sms => "text messages",
        Channel::Email => "e-mail",
    }
}

pub(super) async fn new_page(desk: Desk) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let today = today(&desk).to_string();
    let usual = [("way", WAYS[0].0), ("agreed_on", today.as_str()), ("taken_by", by(&desk)), ("language", "en")];
    let typed = usual.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect();
    form(&desk, &reach, &typed, &[], false)
}

fn today(desk: &Desk) -> NaiveDate {
    let app = desk.site().app();
    app.clock.now().with_timezone(&app.config.schedule.time_zone).date_naive()
}

pub(super) async fn new_sent(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let reach = reach_of(&desk).await?;
    let refused = |faults: &[FieldFault], asks: bool| {
        with_status(form(&desk, &reach, &typed, faults, asks), StatusCode::UNPROCESSABLE_ENTITY)
    };
    let new = match read(&desk, &typed) {
        Ok(new) => new,
        Err(faults) => return refused(&faults, false),
    };
    let app = app_of(&desk, None)?;
    match people::add(&app, &reach, &new).await {
        Ok(enrolled) => {
            let done = match &enrolled {
                Enrolled::Added { .. } => "added",
                Enrolled::Extended { .. } => "extended",
                Enrolled::Unchanged { .. } => "unchanged",
            };
            Ok(desk.to(&format!("/desk/person/{}?done={done}", enrolled.subscriber())))
        }
        Err(why @ DeskError::ZipNotYours { .. }) => refused(&[("zips", capitalised(&why.to_string()) + ".")], false),
        Err(DeskError::Store(StoreError::Conflict(why))) => {
            let asks = matches!(why, Conflict::Suppressed { .. });
            let field = match &why {
                Conflict::NoSuchHeight { .. } => "height_ft",
                Conflict::Suppressed { .. } => "after_stop",
                _ => "email",
            };
            refused(&[(field, capitalised(&why.to_string()) + ".")], asks)
        }
        Err(why) => Err(people_fault(why)),
    }
}

/// What the form says, with the evidence in the words that are kept.
fn read(desk: &Desk, typed: &Typed) -> Result<NewSubscriber, Vec<FieldFault>> {
    let mut faults: Vec<FieldFault> = Vec::new();
    let app = desk.site().app();
    let texts: Vec<String> = field(typed, "zips")
        .split(|c: char| c.is_whitespace() || c == ',' || c == ';')
        .filter(|text| !text.is_empty())
        .map(str::to_owned)
        .collect();
    let zips = read_zips(&texts).unwrap_or_else(|wrong| {
        let words: Vec<String> = wrong.iter().map(|one| capitalised(&one.replace('`', "")) + ".").collect();
        faults.push(("zips", words.join(" ")));
        Vec::new()
    });
    let mut addresses = Vec::new();
    if !field(typed, "email").is_empty() {
        match EmailAddress::parse(field(typed, "email")) {
            Ok(email) => addresses.push(Address::Email(email)),
            Err(why) => faults.push(("email", capitalised(&why.to_string()) + ".")),
        }
    }
    if !field(typed, "phone").is_empty() {
        match PhoneNumber::parse(field(typed, "phone"), app.config.sms.reach) {
            Ok(phone) => addresses.push(Address::Phone(phone)),
            Err(why) => faults.push(("phone", capitalised(&why.to_string()) + ".")),
        }
    }
    if field(typed, "email").is_empty() && field(typed, "phone").is_empty() {
        faults.push(("email", "Give an e-mail address, a telephone number for texts, or both.".to_owned()));
    }
    let height = match field(typed, "height_ft").replace(',', "").as_str() {
        "" => None,
        text => {
            let height = text.parse().ok().and_then(Band::at_feet);
            if height.is_none() {
                faults.push((
                    "height_ft",
                    "Give the height of the trees above the sea in feet, such as 6800.".to_owned(),
                ));
            }
            height
        }
    };
    let way = WAYS.iter().find(|(way, _)| *way == field(typed, "way"));
    if way.is_none() {
        faults.push(("way", "Choose how they agreed.".to_owned()));
    }
    let day = field(typed, "agreed_on").parse::<NaiveDate>().ok().filter(|day| *day <= today(desk));
    if day.is_none() {
        faults
            .push(("agreed_on", "Give the day on which they agreed: today or before, such as 2026-02-01.".to_owned()));
    }
    let taken_by = field(typed, "taken_by");
    if taken_by.is_empty() {
        faults.push(("taken_by", "Say who took it: a short name or initials.".to_owned()));
    }
    let mut words = String::new();
    if let (Some((way, _)), Some(day)) = (way, day) {
        let note = Some(field(typed, "note")).filter(|note| !note.is_empty());
        let note = note.map_or_else(String::new, |note| format!(": {note}"));
        match evidence(&format!("{way}, {day}, taken by {taken_by}{note}"), None) {
            Ok(sound) => words = sound,
            Err(why) => faults.push(("note", capitalised(&why) + ".")),
        }
    }
    let consent = match field(typed, "after_stop") {
        "yes" => Consent::GivenAgain { evidence: words },
        _ => Consent::Given { evidence: words },
    };
    let language = Language::parse(field(typed, "language")).unwrap_or(Language::En);
    let heights = height.map(|height| zips.iter().map(|zip| (zip.clone(), height)).collect()).unwrap_or_default();
    if faults.is_empty() { Ok(NewSubscriber { zips, heights, addresses, language, consent }) } else { Err(faults) }
}

/// `asks`: somebody had said stop.
fn form(desk: &Desk, reach: &PeopleReach, typed: &Typed, faults: &[FieldFault], asks: bool) -> Result<Response, Fault> {
    const FIELDS: [&str; 11] = [
        "zips",
        "email",
        "phone",
        "language",
        "height_ft",
        "way",
        "agreed_on",
        "taken_by",
        "note",
        "after_stop",
        "said",
    ];
    let value: BTreeMap<&str, String> = FIELDS.iter().map(|name| (*name, field(typed, name).to_owned())).collect();
    let wrong: BTreeMap<&str, Option<String>> = FIELDS
        .iter()
        .map(|name| (*name, faults.iter().find(|(field, _)| field == name).map(|(_, what)| what.clone())))
        .collect();
    desk.page(
        "new_person",
        context! {
            value,
            wrong,
            asks => asks || field(typed, "after_stop") == "yes",
            faults => faults.iter().map(|(field, what)| context! { field => *field, what }).collect::<Vec<_>>(),
            ways => WAYS.iter().map(|(way, words)| context! { way => *way, words => *words }).collect::<Vec<_>>(),
            today => today(desk).to_string(),
            everywhere => reach.is_everywhere(),
            nobody => reach.is_empty(),
        },
    )
}

/// `March 14`, of an instant.
pub(super) fn day_of(at: chrono::DateTime<chrono::Utc>, zone: chrono_tz::Tz) -> String {
    let day = at.with_timezone(&zone).date_naive();
    format!("{}, {}", date(Language::En, day), chrono::Datelike::year(&day))
}
