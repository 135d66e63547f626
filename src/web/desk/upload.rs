//! A form that may carry a photograph or a list of people, read part by part: the token of the form first, then no more than each may
//! hold.

use axum::body::{Body, Bytes};
use axum::extract::FromRequestParts;
use axum::http::{HeaderMap, header, request};
use multer::{Constraints, Multipart, SizeLimit};
use tokio::sync::Semaphore;

use super::caller::Desk;
use crate::season::phrases::capitalised;
use crate::service::photographs::{LARGEST_BYTES, PhotographFault, Photographs};
use crate::service::subscribe::tokens::same;
use crate::store::field_reports::NewPhotograph;
use crate::web::forms::Typed;
use crate::web::{Fault, LARGEST_FORM, Site};

/// Field of every form of the desk that holds its token.
pub(super) const TOKEN_FIELD: &str = "form_token";

/// Field of the photograph.
pub(super) const PHOTOGRAPH: &str = "photograph";

/// Field of a list of people as CSV, and the most that one may hold, bytes.
pub(super) const LIST: &str = "list";
pub(super) const LARGEST_LIST: usize = 2 << 20;

/// Bytes of a whole request. What lies between a photograph's most and this is read past and not kept, so that whoever sends too
/// large a one gets their form back as they filled it in.
const LARGEST_UPLOAD: u64 = 24 << 20;

/// Fields of one form.
const MOST_PARTS: usize = 40;

/// So many are read at once: each is kept in the memory.
static TURNS: Semaphore = Semaphore::const_new(8);

/// A field, and what is wrong with what stands in it.
pub(super) type FieldFault = (&'static str, String);

/// What came with a form.
#[derive(Clone, Debug)]
pub struct Upload {
    pub(in crate::web) typed: Typed,
    pub(super) photograph: Option<Sent>,
    pub(super) list: Option<Sent>,
}

/// A file that somebody chose.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Sent {
    Whole(Bytes),
    TooLarge,
}

/// Whether a request says that it is one.
pub(in crate::web) fn is_one(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).map(|kind| kind.as_bytes());
    kind.is_some_and(|kind| kind.starts_with(b"multipart/form-data"))
}

/// Reads a form whose first field is the right token. Nothing behind a wrong one is read.
pub(super) async fn read(body: Body, headers: &HeaderMap, right: &str) -> Result<Upload, Fault> {
    let unread = Fault::BadRequest("a form of the desk cannot be read");
    let length = headers.get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse::<u64>().ok());
    if length.is_some_and(|length| length > LARGEST_UPLOAD) {
        return Err(Fault::TooLarge);
    }
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    let Ok(boundary) = multer::parse_boundary(kind) else { return Err(unread) };
    let _turn = TURNS.acquire().await;
    let limits = Constraints::new().size_limit(SizeLimit::new().whole_stream(LARGEST_UPLOAD));
    let mut parts = Multipart::with_constraints(body.into_data_stream(), boundary, limits);
    let mut upload = Upload { typed: Typed::new(), photograph: None, list: None };
    let (mut is_ours, mut words) = (false, 0);
    for _ in 0..MOST_PARTS {
        let Some(mut part) = parts.next_field().await.map_err(fault_of)? else {
            return if is_ours { Ok(upload) } else { Err(Fault::StaleForm) };
        };
        let name = part.name().unwrap_or_default().to_owned();
        if !is_ours && name != TOKEN_FIELD {
            return Err(Fault::StaleForm);
        }
        let most_of_file = match name.as_str() {
            PHOTOGRAPH => Some(LARGEST_BYTES),
            LIST => Some(LARGEST_LIST),
            _ => None,
        };
        let most = most_of_file.unwrap_or(LARGEST_FORM - words);
        let is_named_list = name == LIST && part.file_name().is_some_and(|name| !name.is_empty());
        let (mut bytes, mut is_too_large) = (Vec::new(), false);
        while let Some(chunk) = part.chunk().await.map_err(fault_of)? {
            is_too_large |= bytes.len() + chunk.len() > most;
            match is_too_large {
                false => bytes.extend_from_slice(&chunk),
                true if most_of_file.is_some() => bytes = Vec::new(),
                true => return Err(Fault::TooLarge),
            }
        }
        if most_of_file.is_some() {
            // A field in which nothing was chosen comes empty and without a name.
            let sent = match (is_too_large, bytes.is_empty()) {
                (true, _) => Some(Sent::TooLarge),
                (false, true) if !is_named_list => None,
                (false, _) => Some(Sent::Whole(bytes.into())),
            };
            match name.as_str() {
                PHOTOGRAPH => upload.photograph = sent,
                _ => upload.list = sent,
            }
            continue;
        }
        words += bytes.len();
        let text = String::from_utf8(bytes).map_err(|_| Fault::BadRequest("a form of the desk is no text"))?;
        if name == TOKEN_FIELD {
            is_ours = same(right, &text);
            if !is_ours {
                return Err(Fault::StaleForm);
            }
        } else {
            upload.typed.insert(name, text);
        }
    }
    Err(unread)
}

fn fault_of(why: multer::Error) -> Fault {
    match why {
        multer::Error::StreamSizeExceeded { .. } | multer::Error::FieldSizeExceeded { .. } => Fault::TooLarge,
        _ => Fault::BadRequest("a form of the desk cannot be read"),
    }
}

/// A photograph in the folder, or what is wrong with it.
pub(super) async fn taken(desk: &Desk, sent: Sent) -> Result<NewPhotograph, FieldFault> {
    let app = desk.site().app();
    let fault = |why: String| (PHOTOGRAPH, capitalised(&why) + ".");
    let photographs = Photographs::of(&app.config).ok_or_else(|| fault("no photographs are taken here".to_owned()))?;
    let done = match sent {
        Sent::Whole(bytes) => photographs.take(bytes, app.store.randomness()).await,
        Sent::TooLarge => Err(PhotographFault::TooLarge),
    };
    done.map_err(|why| fault(why.to_string()))
}

impl FromRequestParts<Site> for Upload {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut request::Parts, _: &Site) -> Result<Self, Fault> {
        parts.extensions.remove().ok_or_else(|| Fault::Inside("a route of the desk takes no file".into()))
    }
}
