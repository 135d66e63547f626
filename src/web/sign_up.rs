//! Sign-up: where the trees are, how to reach their owner, in which language. Nobody is subscribed by it: the owner of the
//! address is asked back.

use axum::Router;
use axum::extract::{Form, Query};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;
use minijinja::value::Value;
use tokio::time::Instant;

use super::forms::{self, FieldFault, FormFault, Typed, field};
use super::{Fault, Site, Visit};
use crate::language::Language;
use crate::people::{Address, Channel, Reach, Zip};
use crate::region::Band;
use crate::season::phrases;
use crate::service::subscribe::places::{Place, places};
use crate::service::subscribe::sign_up::{self, SignUpRequest};

/// More places at once than anybody has gardens.
const MOST_PLACES: usize = 10;

const FORM: &str = "sign-up";

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/sign-up", get(blank).post(sent)).route("/wish", get(blank).post(sent))
}

/// The empty form; the first page may send the ZIP code along.
async fn blank(visit: Visit, Query(typed): Query<Typed>) -> Result<Response, Fault> {
    let known: Typed = typed.into_iter().filter(|(name, _)| name == "zip").collect();
    let place = place(&visit, field(&known, "zip")).await?;
    let mountains = mountains(&visit, &known).await?;
    shown(&visit, &known, place, &mountains, &[], None)
}

async fn sent(visit: Visit, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let since = Instant::now();
    let checked = forms::check(&visit.site, FORM, &typed);
    let mountains = mountains(&visit, &typed).await?;
    let request = read(&visit, &typed, &mountains);
    match (checked, request) {
        (Err(FormFault::Trapped), request) => {
            // Answered like a person, so that a program learns nothing.
            forms::on_the_beat(since).await;
            let channel = request.map_or(Channel::Email, |request| request.address.channel());
            on_its_way(&visit, &typed, channel, true)
        }
        (_, Err(faults)) => Ok(refused(shown(&visit, &typed, Value::from(()), &mountains, &faults, None)?)),
        (Err(fault), Ok(_)) => {
            Ok(refused(shown(&visit, &typed, Value::from(()), &mountains, &[], Some(fault.name()))?))
        }
        (Ok(()), Ok(request)) => {
            sign_up::ask(visit.site.app(), &request).await?;
            let covered = covers_any(&visit, &request.zips).await?;
            forms::on_the_beat(since).await;
            on_its_way(&visit, &typed, request.address.channel(), covered)
        }
    }
}

/// What was typed, when it all makes sense.
fn read(visit: &Visit, typed: &Typed, mountains: &[Place]) -> Result<SignUpRequest, Vec<FieldFault>> {
    let mut faults = Vec::new();
    let zips = zips(field(typed, "zip")).map_err(|why| faults.push(("zip", why))).unwrap_or_default();
    let heights = heights(typed, mountains).map_err(|why| faults.push(("height", why))).unwrap_or_default();
    let address = forms::address(&visit.site, typed).map_err(|whys| faults.extend(whys)).ok();
    let language = match field(typed, "language") {
        "" => Some(visit.language),
        code => Language::parse(code),
    };
    if language.is_none() {
        faults.push(("language", "language_wrong"));
    }
    match (address, language) {
        (Some(address), Some(language)) if faults.is_empty() => Ok(SignUpRequest {
            words: consent_words(visit, &address),
            address,
            zips,
            heights,
            language,
            evidence: "sign-up page".into(),
            network: Some(visit.network()),
        }),
        _ => Err(faults),
    }
}

/// ZIP codes with commas or blanks between, each once.
fn zips(text: &str) -> Result<Vec<Zip>, &'static str> {
    let mut zips: Vec<Zip> = Vec::new();
    for word in text.split([',', ';', ' ']).filter(|word| !word.is_empty()) {
        let zip = Zip::parse(word).map_err(|_| "zip_wrong")?;
        if !zips.contains(&zip) {
            zips.push(zip);
        }
    }
    match zips.len() {
        0 => Err("zip_missing"),
        n if n > MOST_PLACES => Err("zip_many"),
        _ => Ok(zips),
    }
}

/// Those of the typed ZIP codes where the height of the trees makes a difference: the form asks for it there.
async fn mountains(visit: &Visit, typed: &Typed) -> Result<Vec<Place>, Fault> {
    let Ok(zips) = zips(field(typed, "zip")) else { return Ok(Vec::new()) };
    let mut places = places(&visit.site.app().store, &zips).await?;
    places.retain(|place| !place.choices.is_empty());
    Ok(places)
}

/// What stands for "I do not know": the lowest region, until they say.
const UNKNOWN: &str = "unknown";

fn height_field(zip: &Zip) -> String {
    format!("height-{zip}")
}

/// The chosen heights. Every mountain wants an answer, which may be that they do not know.
fn heights(typed: &Typed, mountains: &[Place]) -> Result<Vec<(Zip, Band)>, &'static str> {
    let mut heights = Vec::new();
    for Place { zip, choices, .. } in mountains {
        match field(typed, &height_field(zip)) {
            UNKNOWN => {}
            chosen => match choices.iter().find(|choice| choice.region.as_str() == chosen) {
                Some(choice) => heights.push((zip.clone(), choice.band)),
                None => return Err("height_missing"),
            },
        }
    }
    Ok(heights)
}

/// A question a mountain, for the page. The first that lacks its answer is where the list of faults leads.
fn height_questions(language: Language, typed: &Typed, mountains: &[Place]) -> Vec<Value> {
    let mut led_to = false;
    mountains
        .iter()
        .map(|Place { zip, choices, .. }| {
            let name = height_field(zip);
            let chosen = field(typed, &name);
            let missing = chosen != UNKNOWN && choices.iter().all(|choice| choice.region.as_str() != chosen);
            let id = if missing && !led_to { "height".to_owned() } else { format!("{name}-field") };
            led_to |= missing;
            let choices: Vec<Value> = choices
                .iter()
                .map(|choice| {
                    let value = choice.region.as_str();
                    context! { value, words => phrases::capitalised(&choice.words(language)), checked => value == chosen }
                })
                .collect();
            context! { zip => zip.as_str(), name, id, missing, choices, unknown => chosen == UNKNOWN }
        })
        .collect()
}

/// The words beside the button that concern this address, as they were shown: they are what its owner agrees to.
fn consent_words(visit: &Visit, address: &Address) -> String {
    let sender = &visit.site.app().config.messages.sender_name;
    let line = |name: &str| visit.words("sign_up", name).replace("{sender}", sender);
    let rates = match address.channel() {
        Channel::Sms => line("consent_texts"),
        Channel::Email => line("consent_mails"),
    };
    format!("{} {rates}", line("consent"))
}

async fn covers_any(visit: &Visit, zips: &[Zip]) -> Result<bool, Fault> {
    Ok(places(&visit.site.app().store, zips).await?.iter().any(|place| place.region.is_some()))
}

/// Whether we watch the place that came with the address, for the words above the form; nothing when none came.
async fn place(visit: &Visit, zip: &str) -> Result<Value, Fault> {
    let Ok(zip) = Zip::parse(zip) else { return Ok(Value::from(())) };
    let places = places(&visit.site.app().store, std::slice::from_ref(&zip)).await?;
    let Some(place) = places.into_iter().next() else { return Ok(Value::from(())) };
    let mut shared = Vec::new();
    for choice in &place.choices {
        shared.push(visit.site.app().store.region(&choice.region).await?.name);
    }
    let region = place.region.map(|region| region.name);
    Ok(context! { zip => zip.as_str(), region, shared => shared.join(", ") })
}

fn shown(
    visit: &Visit,
    typed: &Typed,
    place: Value,
    mountains: &[Place],
    faults: &[FieldFault],
    again: Option<&str>,
) -> Result<Response, Fault> {
    let fault_of = |name: &str| faults.iter().find(|(field, _)| *field == name).map(|(_, why)| *why);
    let language = Language::parse(field(typed, "language")).unwrap_or(visit.language);
    visit.page(
        "sign_up",
        context! {
            place,
            abroad => visit.site.app().config.sms.reach == Reach::World,
            again,
            wrong => !faults.is_empty(),
            token => forms::stamp(&visit.site, FORM),
            zip => field(typed, "zip"),
            heights => height_questions(visit.language, typed, mountains),
            phone => field(typed, "phone"),
            email => field(typed, "email"),
            language => language.code(),
            faults => context! {
                zip => fault_of("zip"),
                height => fault_of("height"),
                phone => fault_of("phone"),
                email => fault_of("email"),
                language => fault_of("language"),
            },
        },
    )
}

/// The same page for everybody: known here or not, stopped or not, asked often or not.
fn on_its_way(visit: &Visit, typed: &Typed, channel: Channel, covered: bool) -> Result<Response, Fault> {
    visit.page(
        "sign_up_sent",
        context! {
            sms => channel == Channel::Sms,
            covered,
            phone => field(typed, "phone"),
            email => field(typed, "email"),
            wrong => false,
        },
    )
}

fn refused(mut response: Response) -> Response {
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_taken_as_people_type_them() {
        let read = |text: &str| zips(text).map(|zips| zips.iter().map(Zip::to_string).collect::<Vec<_>>().join(" "));
        assert_eq!(read("00101"), Ok("00101".into()));
        assert_eq!(read(" 00101, 00102;00103  00101-1234 "), Ok("00101 00102 00103".into()));
        assert_eq!(read(""), Err("zip_missing"));
        assert_eq!(read(" , "), Err("zip_missing"));
        assert_eq!(read("0010"), Err("zip_wrong"));
        assert_eq!(read("00101 x"), Err("zip_wrong"));
        let many = (100..111).map(|number| format!("00{number}")).collect::<Vec<_>>().join(" ");
        assert_eq!(read(&many), Err("zip_many"));
    }
}
