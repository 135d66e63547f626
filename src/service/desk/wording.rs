//! The words of one notice: as they stand, as somebody would change them, and what speaks against that.

use super::acts::of_hand;
use super::{DeskError, Hand};
use crate::message::check::{OwnFault, own};
use crate::message::{Message, NoticeFacts};
use crate::people::{Channel, Language};
use crate::season::NoticeId;
use crate::service::app::App;
use crate::store::notices::{Notice, NoticeText, OwnText, Wording};

/// Longest text that is read at all, characters: ours have three thousand.
const LONGEST: usize = 20_000;

/// One message as somebody writes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Draft {
    pub language: Language,
    pub channel: Channel,
    /// Of e-mails.
    pub subject: String,
    /// Of an e-mail in the notation of the templates, with [`STOP_LINK`](crate::message::templates::STOP_LINK) where the reader's
    /// own link belongs.
    pub body: String,
}

/// How a notice's messages read now, to begin with: those of staff as they wrote them, else as the templates write them.
///
/// # Errors
/// [`DeskError::NoFacts`]; when the store fails.
pub async fn drafts(app: &App, notice: &Notice) -> Result<Vec<Draft>, DeskError> {
    let (facts, templates) = (facts_of(notice)?, app.templates.in_use());
    let mut drafts = Vec::new();
    for OwnText { text, source } in app.store.notice_words(&notice.id).await? {
        let (language, channel) = (text.language, text.channel());
        let (subject, body) = match (text.message, source) {
            (Message::Sms { text }, _) => (String::new(), text),
            (Message::Email { subject, .. }, Some(source)) => (subject, source),
            (Message::Email { subject, text, .. }, None) => templates
                .email_source_of(notice.kind, language, &facts, (&subject, &text))
                .map_err(|why| DeskError::Unreadable(why.to_string()))?,
        };
        drafts.push(Draft { language, channel, subject, body });
    }
    Ok(drafts)
}

/// The messages as these drafts would make them, and what is wrong with them. Messages without a draft stay as they are and are
/// looked at with the others, since both languages are to say the same.
///
/// # Errors
/// [`DeskError::NoFacts`]; when the store fails.
pub async fn tried(app: &App, notice: &Notice, drafts: &[Draft]) -> Result<(Vec<OwnText>, Vec<OwnFault>), DeskError> {
    let (facts, templates) = (facts_of(notice)?, app.templates.in_use());
    let mut written = app.store.notice_words(&notice.id).await?;
    for OwnText { text, source } in &mut written {
        let (language, channel) = (text.language, text.channel());
        let Some(draft) = drafts.iter().find(|draft| (draft.language, draft.channel) == (language, channel)) else {
            continue;
        };
        if draft.body.chars().count() > LONGEST || draft.subject.chars().count() > LONGEST {
            return Err(DeskError::Unreadable(format!("a text of more than {LONGEST} characters is not read")));
        }
        text.message = match channel {
            Channel::Sms => templates.own_sms(&draft.body),
            Channel::Email => templates
                .own_email(language, &facts, (&draft.subject, &draft.body), &text.message)
                .map_err(|why| DeskError::Unreadable(why.to_string()))?,
        };
        *source = (channel == Channel::Email).then(|| draft.body.replace("\r\n", "\n").replace('\0', ""));
    }
    let messages: Vec<(Language, &Message)> =
        written.iter().map(|one| (one.text.language, &one.text.message)).collect();
    let today = app.clock.now().with_timezone(&app.config.schedule.time_zone).date_naive();
    let faults = own(&templates, notice.kind, (&facts, today), &messages);
    Ok((written, faults))
}

/// Gives a notice these words, if nothing is wrong with them.
///
/// # Errors
/// [`DeskError::Words`] with everything that is wrong; [`DeskError::NotYours`]; what stands against it in the store.
pub async fn reword(app: &App, hand: Hand<'_>, id: &NoticeId, drafts: &[Draft]) -> Result<(), DeskError> {
    let (notice, _) = of_hand(app, hand, id).await?;
    let (written, faults) = tried(app, &notice, drafts).await?;
    if !faults.is_empty() {
        return Err(DeskError::Words(faults));
    }
    let whose = (Wording::Own, hand.by);
    Ok(app.store.reword_notice(id, &written, whose, app.clock.now()).await?)
}

/// Gives a notice the words of the templates again.
///
/// # Errors
/// As [`reword`].
pub async fn words_of_templates(app: &App, hand: Hand<'_>, id: &NoticeId) -> Result<(), DeskError> {
    let (notice, _) = of_hand(app, hand, id).await?;
    let (facts, templates) = (facts_of(&notice)?, app.templates.in_use());
    let mut written = Vec::new();
    for OwnText { text, .. } in app.store.notice_words(id).await? {
        let language = text.language;
        let message = templates
            .rendered_again(notice.kind, language, &facts, &text.message)
            .map_err(|why| DeskError::Unreadable(why.to_string()))?;
        written.push(OwnText { text: NoticeText { language, message }, source: None });
    }
    let whose = (Wording::Templates, hand.by);
    Ok(app.store.reword_notice(id, &written, whose, app.clock.now()).await?)
}

pub(super) fn facts_of(notice: &Notice) -> Result<NoticeFacts, DeskError> {
    serde_json::from_value(notice.facts.clone()).map_err(|_| DeskError::NoFacts { id: notice.id.clone() })
}
