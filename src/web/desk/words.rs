//! Other words for one notice, both languages side by side, looked at as they would be sent before they are kept.

use axum::extract::{Form, Path};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{app_of, by, fault_of, id_of, path_of, reach};
use super::reading::shown_reading;
use super::said::{Told, changed_alone, told_once};
use super::sign_in::with_status;
use crate::message::check::OwnFault;
use crate::people::{Channel, Language};
use crate::season::phrases;
use crate::service::desk::notice::{May, reading};
use crate::service::desk::region_words::quoted;
use crate::service::desk::wording::{Draft, drafts, reword, tried};
use crate::service::desk::{DeskError, Hand, kind_words};
use crate::store::notices::{Notice, OwnText};
use crate::web::Fault;
use crate::web::forms::{Typed, field};

pub(super) async fn page(desk: Desk, Path(path): Path<String>) -> Result<Response, Fault> {
    let app = desk.site().app();
    let notice = app.store.notice(&id_of(&path)).await?;
    let now = drafts(app, &notice).await.map_err(fault_of)?;
    let (written, faults) = tried(app, &notice, &[]).await.map_err(fault_of)?;
    shown(&desk, &notice, &now, written, &faults, None)
}

pub(super) async fn sent(desk: Desk, Path(path): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let (app, id) = (app_of(&desk, None)?, id_of(&path));
    let notice = app.store.notice(&id).await?;
    let own = typed_drafts(&typed);
    let keeps = field(&typed, "do") == "keep";
    let mut why = None;
    if keeps {
        let before = drafts(&app, &notice).await.map_err(fault_of)?;
        let alone = changed_alone(|language| words_in(&own, language) != words_in(&before, language));
        let of_language = alone.map_or_else(String::new, |language| format!("-{}", language.code()));
        match reword(&app, Hand { by: by(&desk), reach: &reach(&desk) }, &id, &own).await {
            Ok(()) => return Ok(desk.to(&format!("/desk/notice/{}?done=reworded{of_language}", path_of(&id)))),
            Err(DeskError::Words(_)) => {}
            Err(DeskError::Store(crate::store::StoreError::Conflict(conflict))) => why = Some(conflict.to_string()),
            Err(DeskError::Unreadable(what)) => why = Some(what),
            Err(other) => return Err(fault_of(other)),
        }
    }
    let (written, faults) = match tried(&app, &notice, &own).await {
        Ok(tried) => tried,
        Err(DeskError::Unreadable(what)) => {
            why = Some(what);
            tried(&app, &notice, &[]).await.map_err(fault_of)?
        }
        Err(other) => return Err(fault_of(other)),
    };
    let response = shown(&desk, &notice, &own, written, &faults, Some(why.map(|why| phrases::capitalised(&why))));
    if keeps { with_status(response, StatusCode::UNPROCESSABLE_ENTITY) } else { response }
}

/// As a form would send them, whatever its line ends.
fn words_in(drafts: &[Draft], language: Language) -> Vec<(Channel, String, String)> {
    let plain = |text: &str| text.replace("\r\n", "\n").trim().to_owned();
    // A form has fields for messages too that the notice does not have.
    let of_language = drafts.iter().filter(|draft| draft.language == language && !draft.body.trim().is_empty());
    let mut words: Vec<_> =
        of_language.map(|draft| (draft.channel, plain(&draft.subject), plain(&draft.body))).collect();
    words.sort();
    words
}

fn name_of(what: &str, language: Language) -> String {
    format!("{what}_{}", language.code())
}

fn typed_drafts(typed: &Typed) -> Vec<Draft> {
    let whole = |name: String| typed.get(&name).cloned().unwrap_or_default();
    Language::ALL
        .into_iter()
        .flat_map(|language| {
            [
                Draft {
                    language,
                    channel: Channel::Sms,
                    subject: String::new(),
                    body: whole(name_of("sms", language)),
                },
                Draft {
                    language,
                    channel: Channel::Email,
                    subject: whole(name_of("subject", language)),
                    body: whole(name_of("email", language)),
                },
            ]
        })
        .collect()
}

/// `looked`: they have asked how it would read, or to keep it; with what stands against that beside the rules of wording.
fn shown(
    desk: &Desk,
    notice: &Notice,
    drafts: &[Draft],
    written: Vec<OwnText>,
    faults: &[OwnFault],
    looked: Option<Option<String>>,
) -> Result<Response, Fault> {
    let of = |language: Language, channel: Channel| {
        drafts.iter().find(|draft| (draft.language, draft.channel) == (language, channel))
    };
    let faults_of = |language: Language, channel: Channel| -> Vec<String> {
        let own = faults.iter().filter(|fault| (fault.language, fault.channel) == (language, channel));
        own.map(|fault| quoted(&format!("The text {}.", fault.what))).collect()
    };
    // What is wrong with a subject alone stands at the subject.
    let of_subject = |what: &String| what.starts_with("The text has a subject");
    let base = desk.site().app().config.messages.public_url.url();
    let reads = written.into_iter().map(|own| reading(own, base)).collect::<Result<Vec<_>, _>>().map_err(fault_of)?;
    let of_email = |language: Language| -> (Vec<String>, Vec<String>) {
        faults_of(language, Channel::Email).into_iter().partition(of_subject)
    };
    let summary = Language::ALL.into_iter().flat_map(|language| {
        let (of_subject, of_text) = of_email(language);
        let fields = [
            ("sms", "Text message", faults_of(language, Channel::Sms)),
            ("subject", "Subject", of_subject),
            ("email", "E-mail", of_text),
        ];
        fields.into_iter().flat_map(move |(field, label, faults)| {
            let place = (name_of(field, language), format!("{label} in {}", language.english_name()));
            faults.into_iter().map(move |what| Told { place: Some(place.clone()), what })
        })
    });
    let summary = told_once(summary);
    let languages: Vec<Value> = Language::ALL
        .into_iter()
        .map(|language| {
            let (sms, email) = (of(language, Channel::Sms), of(language, Channel::Email));
            let read = |channel: Channel| {
                reads.iter().find(|one| one.language == language && one.channel() == channel).map(shown_reading)
            };
            let (subject_faults, email_faults) = of_email(language);
            context! {
                code => language.code(),
                name => language.english_name(),
                sms => sms.map(|draft| draft.body.as_str()),
                subject => email.map(|draft| draft.subject.as_str()),
                email => email.map(|draft| draft.body.as_str()),
                sms_faults => faults_of(language, Channel::Sms),
                subject_faults,
                email_faults,
                sms_reads => read(Channel::Sms),
                email_reads => read(Channel::Email),
            }
        })
        .collect();
    let region = desk.region()?;
    desk.page(
        "words",
        context! {
            path_of_notice => path_of(&notice.id),
            kind => kind_words(notice.kind),
            region => &region.name,
            languages,
            summary,
            faults => faults.len(),
            looked => looked.is_some(),
            against => looked.flatten(),
            own => notice.own_words.is_some(),
            open => May::of(notice, desk.site().now()).reword,
        },
    )
}
