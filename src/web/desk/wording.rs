//! The words of all messages: whose they are, both languages side by side, tried before they are kept, and their history.

use axum::extract::{Form, Path, Query};
use axum::http::StatusCode;
use axum::response::Response;
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::notice::{app_of, by, fault_of};
use super::reading::shown_reading;
use super::said::{Told, alone_words, changed_alone, told_once};
use super::sign_in::with_status;
use super::wording_names::{group_of, groups, purpose, sample_words, title, told, whose, whose_of_all};
use crate::language::Language;
use crate::message::difference::{Piece, difference};
use crate::message::samples;
use crate::message::templates::{Origin, Placeholder, TextKind, TextName, in_sentences};
use crate::people::account::Deed;
use crate::season::phrases::capitalised;
use crate::service::desk::messages::{
    Draft, TextFault, TextInDepth, TextRow, Tried, Unsaid, placeholders, read_with, restore_words, set_words, text,
    texts, tried, usual_sample,
};
use crate::service::desk::region_words::quoted;
use crate::service::desk::{DeskError, Word, local};
use crate::store::wordings::WordingVersion;
use crate::web::Fault;
use crate::web::forms::{Typed, field};

/// What may stand behind `?done=`.
const DONE: [&str; 2] = ["kept", "restored"];

/// What a form led to.
struct Looked<'a> {
    typed: &'a Typed,
    draft: Draft,
    tried: Option<Tried>,
    /// What stands against it beside the rules of wording.
    against: Option<String>,
}

pub(super) async fn list(desk: Desk) -> Result<Response, Fault> {
    let app = desk.site().app();
    let rows = texts(app).await.map_err(fault_of)?;
    let shown_of = |id: &str| -> Vec<Value> {
        let rows: Vec<&TextRow> = rows.iter().filter(|row| group_of(&row.name) == id).collect();
        let before = std::iter::once(None).chain(rows.iter().map(|row| Some(purpose(&row.name))));
        let shown = rows.iter().zip(before).map(|(row, before)| {
            // Text message and e-mail of a kind say the same.
            let says_more = before != Some(purpose(&row.name));
            context! { says_more, ..shown_row(&desk, row) }
        });
        shown.collect()
    };
    desk.page(
        "wording",
        context! {
            groups => groups()
                .into_iter()
                .map(|(id, title)| context! { id, title, rows => shown_of(id) })
                .collect::<Vec<_>>(),
            ours => rows.iter().filter(|row| is_ours(row)).count(),
            unused => rows.iter().filter(|row| !row.set_aside.is_empty()).map(|row| shown_row(&desk, row)).collect::<Vec<_>>(),
            folder => app.config.messages.folder.as_ref().map(|folder| folder.display().to_string()),
        },
    )
}

pub(super) async fn page(desk: Desk, Path(name): Path<String>, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let name = named(&name)?;
    let done = DONE.into_iter().find(|done| *done == field(&query, "done"));
    let sample = sample_of(&query, &name);
    shown(&desk, &name, sample, done, None).await
}

pub(super) async fn preview(desk: Desk, Path(name): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let name = named(&name)?;
    let looked = looked_at(&desk, &name, &typed, None).await?;
    shown(&desk, &name, sample_of(&typed, &name), None, Some(looked)).await
}

pub(super) async fn keep(desk: Desk, Path(name): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let name = named(&name)?;
    let app = app_of(&desk, Some(field(&typed, "why")))?;
    let word = Word { by: by(&desk), why: Some(field(&typed, "why")) };
    let why = match set_words(&app, &name, &drafted(&typed), seen(&typed), word).await {
        Ok(_) => return Ok(desk.to(&format!("/desk/wording/{name}?done=kept"))),
        Err(why) => against(why)?,
    };
    let looked = looked_at(&desk, &name, &typed, why).await?;
    with_status(
        shown(&desk, &name, sample_of(&typed, &name), None, Some(looked)).await,
        StatusCode::UNPROCESSABLE_ENTITY,
    )
}

pub(super) async fn restore(desk: Desk, Path(name): Path<String>, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let name = named(&name)?;
    let app = app_of(&desk, Some(field(&typed, "why")))?;
    let word = Word { by: by(&desk), why: Some(field(&typed, "why")) };
    let Ok(version) = field(&typed, "version").parse() else { return Err(Fault::NotFound) };
    let why = match restore_words(&app, &name, version, seen(&typed), word).await {
        Ok(_) => return Ok(desk.to(&format!("/desk/wording/{name}?done=restored"))),
        Err(DeskError::NoSuchVersion { .. }) => return Err(Fault::NotFound),
        Err(why) => against(why)?,
    };
    // The words that were asked for stand in the form with what is wrong with them, to be mended there.
    let old = text(&app, &name).await.map_err(fault_of)?.of_version(version).unwrap_or_default();
    let looked = of_draft(&desk, &name, &typed, (old, why)).await?;
    with_status(
        shown(&desk, &name, sample_of(&typed, &name), None, Some(looked)).await,
        StatusCode::UNPROCESSABLE_ENTITY,
    )
}

/// One version: what it changed.
pub(super) async fn version(desk: Desk, Path((name, version)): Path<(String, u32)>) -> Result<Response, Fault> {
    let name = named(&name)?;
    let seen = text(desk.site().app(), &name).await.map_err(fault_of)?;
    let kept = seen.history.iter().find(|kept| kept.version == version).ok_or(Fault::NotFound)?;
    let (former, latter) = (seen.of_version(version.saturating_sub(1)), seen.of_version(version));
    let (former, latter) = former.zip(latter).ok_or(Fault::NotFound)?;
    let languages: Vec<Value> = Language::ALL
        .into_iter()
        .map(|language| {
            let [former, latter] = as_read(former.words(language), latter.words(language));
            let pieces = difference(&former, &latter);
            let changed = pieces.iter().any(|piece| !matches!(piece, Piece::Same(_)));
            let pieces: Vec<Value> = pieces
                .into_iter()
                .map(|piece| {
                    let kind = match piece {
                        Piece::Same(_) => "same",
                        Piece::Gone(_) => "gone",
                        Piece::New(_) => "new",
                    };
                    context! { kind, text => piece.text() }
                })
                .collect();
            context! {
                code => language.code(),
                name => language.english_name(),
                ours => kept.words(language).is_some(),
                changed, pieces,
            }
        })
        .collect();
    desk.page(
        "wording_version",
        context! {
            text => name.as_str(),
            title => title(&name),
            version,
            newest => seen.version(),
            kept => shown_version(&desk, kept),
            languages,
            keeps => desk.account().may(Deed::Administer),
        },
    )
}

/// Two versions as they are read; as they are written where only that differs.
fn as_read(former: &str, latter: &str) -> [String; 2] {
    let read = [former, latter].map(in_sentences);
    if read[0] == read[1] { [former, latter].map(str::to_owned) } else { read }
}

fn named(name: &str) -> Result<TextName, Fault> {
    TextName::parse(name).ok_or(Fault::NotFound)
}

fn drafted(typed: &Typed) -> Draft {
    let whole = |name: &str| typed.get(name).cloned().unwrap_or_default();
    Draft { en: whole("en"), es: whole("es") }
}

/// The version that somebody looked at. What cannot be read is none that there is.
fn seen(typed: &Typed) -> Option<u32> {
    Some(field(typed, "seen").parse().unwrap_or(u32::MAX))
}

/// What is told on the page; `None`: the rules of wording, which stand at each text.
fn against(why: DeskError) -> Result<Option<String>, Fault> {
    match why {
        DeskError::Texts { .. } => Ok(None),
        DeskError::Reason(why) => {
            Ok(Some(format!("Say why in a few words without e-mail addresses or telephone numbers: {why}.")))
        }
        DeskError::SameWords { .. } | DeskError::ChangedMeanwhile { .. } | DeskError::Unreadable(_) => {
            Ok(Some(capitalised(&why.to_string().replace('`', "")) + "."))
        }
        other => Err(fault_of(other)),
    }
}

async fn looked_at<'a>(
    desk: &Desk,
    name: &TextName,
    typed: &'a Typed,
    against: Option<String>,
) -> Result<Looked<'a>, Fault> {
    of_draft(desk, name, typed, (drafted(typed), against)).await
}

async fn of_draft<'a>(
    desk: &Desk,
    name: &TextName,
    typed: &'a Typed,
    (draft, stands): (Draft, Option<String>),
) -> Result<Looked<'a>, Fault> {
    let (tried, why) = match tried(desk.site().app(), name, &draft, sample_of(typed, name)).await {
        Ok(tried) => (Some(tried), None),
        Err(why) => (None, against(why)?),
    };
    Ok(Looked { typed, draft, tried, against: stands.or(why) })
}

/// The sample that is asked for: by the button at words that another one does not show, or by the choice in the form.
fn sample_of(typed: &Typed, name: &TextName) -> &'static str {
    let asked = [field(typed, "show"), field(typed, "sample")].into_iter().find(|asked| !asked.is_empty());
    let found = samples::all().into_iter().map(|of| of.name).find(|of| Some(*of) == asked);
    found.unwrap_or_else(|| usual_sample(name))
}

async fn shown(
    desk: &Desk,
    name: &TextName,
    sample: &'static str,
    done: Option<&str>,
    looked: Option<Looked<'_>>,
) -> Result<Response, Fault> {
    let app = desk.site().app();
    let seen = text(app, name).await.map_err(fault_of)?;
    let TextInDepth { row, words, history, part_of, .. } = &seen;
    let looks = looked.is_some();
    let (draft, typed, tried_now, stands) = match looked {
        Some(Looked { typed, draft, tried, against }) => (draft, Some(typed), tried, against),
        // To begin with, as they are.
        None => {
            let now = read_with(app, name, words, sample).await.map_err(fault_of)?;
            (words.clone(), None, Some(now), None)
        }
    };
    let typed_or =
        |name: &str, usual: &str| typed.map_or_else(|| usual.to_owned(), |typed| field(typed, name).to_owned());
    let faults = tried_now.as_ref().map_or(&[][..], |tried| tried.faults.as_slice());
    let languages: Vec<Value> = Language::ALL
        .into_iter()
        .map(|language| {
            let own = faults.iter().filter(|fault| fault.language == Some(language));
            let reads = tried_now.iter().flat_map(|tried| &tried.reads).find(|read| read.language == language);
            let unsaid = tried_now.iter().flat_map(|tried| &tried.unsaid).filter(|one| one.language == language);
            let origin =
                row.origins.iter().find(|(of, _)| *of == language).map(|(_, origin)| capitalised(&whose(origin)));
            context! {
                code => language.code(),
                name => language.english_name(),
                origin,
                text => draft.words(language).trim_end(),
                sentences => in_sentences(draft.words(language).trim_end()),
                rows => rows_of(draft.words(language).trim_end()),
                faults => own.map(told).collect::<Vec<_>>(),
                reads => reads.map(shown_reading),
                unsaid => unsaid.map(shown_unsaid).collect::<Vec<_>>(),
            }
        })
        .collect();
    let (used, unused): (Vec<Placeholder>, Vec<Placeholder>) = placeholders(app, name, sample)
        .into_iter()
        .partition(|one| Language::ALL.iter().any(|language| one.stands_in(draft.words(*language))));
    let [fills, spare] = [used, unused].map(|all| all.iter().map(shown_placeholder).collect::<Vec<_>>());
    let account = desk.account();
    desk.page(
        "wording_text",
        context! {
            text => name.as_str(),
            title => title(name),
            row => shown_row(desk, row),
            is_part => name.kind() == TextKind::Part,
            is_short => is_short(name),
            part_of => part_of.iter().map(|text| context! { id => text.as_str(), title => title(text) }).collect::<Vec<_>>(),
            languages,
            shown_in => tried_now.as_ref().and_then(|tried| tried.shown_in.as_ref()).map(title),
            summary => told_once(Language::ALL.into_iter().map(Some).chain([None]).flat_map(|language| {
                faults.iter().filter(move |fault| fault.language == language).map(placed)
            })),
            faults => faults.len(),
            looks,
            against => stands,
            set_aside => row.set_aside.iter().map(|fault| quoted(&capitalised(fault))).collect::<Vec<_>>(),
            seen => typed_or("seen", &seen.version().to_string()),
            is_changed => seen.history.first().is_some_and(|newest| newest.en.is_some() || newest.es.is_some()),
            folder_words => app.config.messages.folder.is_some(),
            sample,
            is_letter => matches!(name.kind(), TextKind::Letter(..)),
            samples => samples::all().iter().map(|of| context! { name => of.name, label => sample_words(of.name) }).collect::<Vec<_>>(),
            fills => fills,
            spare => spare,
            why => typed_or("why", ""),
            history => history.iter().map(|kept| shown_version(desk, kept)).collect::<Vec<_>>(),
            tries => account.may(Deed::Act),
            keeps => account.may(Deed::Administer),
            done,
            changed_alone => done.and_then(|_| newest_alone(&seen)).map(alone_words),
        },
    )
}

/// Characters of a line of the field on a phone, as far as lines that end at a blank fill it.
const LINE: usize = 30;

/// As many lines as a text takes on a phone, so that its end is seen; of long ones as many as a screen has.
fn rows_of(text: &str) -> usize {
    let lines = text.lines().map(|line| line.chars().count().div_ceil(LINE).max(1));
    (lines.sum::<usize>() + 1).clamp(6, 40)
}

/// The language whose words alone the newest version changed.
fn newest_alone(text: &TextInDepth) -> Option<Language> {
    let newest = text.version();
    let (former, latter) = text.of_version(newest.checked_sub(1)?).zip(text.of_version(newest))?;
    changed_alone(|language| former.words(language).trim_end() != latter.words(language).trim_end())
}

/// With the field in which it shows.
fn placed(fault: &TextFault) -> Told {
    let place = fault.language.map(|of| (of.code().to_owned(), format!("Words in {}", of.english_name())));
    Told { place, what: told(fault) }
}

fn shown_placeholder(one: &Placeholder) -> Value {
    context! { typed => one.typed(), words => one.words, example => &one.example, asked => one.asked }
}

/// Longer words are shown by their beginning, characters.
const UNSAID_SHOWN: usize = 160;

fn shown_unsaid(one: &Unsaid) -> Value {
    let words = in_sentences(&one.words);
    let short: String = words.chars().take(UNSAID_SHOWN).collect();
    let is_whole = short.len() == words.len();
    context! {
        when => &one.when,
        words => if is_whole { short } else { format!("{}…", short.trim_end()) },
        said_in => one.said_in.first().map(|&name| context! { name, label => sample_words(name) }),
    }
}

fn shown_row(desk: &Desk, row: &TextRow) -> Value {
    let zone = desk.site().app().config.schedule.time_zone;
    context! {
        id => row.name.as_str(),
        title => title(&row.name),
        purpose => purpose(&row.name),
        whose => capitalised(&whose_of_all(&row.origins)),
        ours => is_ours(row),
        shipped => row.origins.iter().all(|(_, origin)| *origin == Origin::Shipped),
        unused => !row.set_aside.is_empty(),
        changed => row.changed.as_ref().map(|(by, at)| context! { by, at => local(*at, zone) }),
    }
}

fn shown_version(desk: &Desk, kept: &WordingVersion) -> Value {
    let zone = desk.site().app().config.schedule.time_zone;
    let ours: Vec<&str> = Language::ALL
        .into_iter()
        .filter(|language| kept.words(*language).is_some())
        .map(Language::english_name)
        .collect();
    context! {
        version => kept.version,
        by => &kept.changed_by,
        at => kept.changed_at.with_timezone(&zone).format("%B %-d, %Y, %-I:%M %p").to_string(),
        why => &kept.why,
        ours => ours.join(" and "),
    }
}

fn is_ours(row: &TextRow) -> bool {
    row.origins.iter().any(|(_, origin)| *origin == Origin::Staff)
}

fn is_short(name: &TextName) -> bool {
    name.as_str().ends_with(".sms")
}
