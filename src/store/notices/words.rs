//! The words that staff give one notice in the place of the templates'.

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;

use crate::message::Message;
use crate::people::{Channel, Language};
use crate::season::{NoticeId, NoticeStatus};
use crate::store::acts::Act;
use crate::store::error::StoreError;
use crate::store::notices::decisions::put_text;
use crate::store::notices::notice::{NoticeText, find_for_change, find_notice, message_of, status_conflict};
use crate::store::notices::staff::subject;
use crate::store::rows::{channel_of, get, language_of, ms};
use crate::store::tx::{Store, Tx};

/// One text of a notice, and how its e-mail was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnText {
    pub text: NoticeText,
    /// The body of an e-mail in the notation of the templates.
    pub source: Option<String>,
}

/// Whose words a notice gets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wording {
    /// Those of staff.
    Own,
    /// Those of the templates.
    Templates,
}

impl Store {
    /// All words of a notice: text messages first, of each channel English first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn notice_words(&self, id: &NoticeId) -> Result<Vec<OwnText>, StoreError> {
        let rows = sqlx::query("SELECT * FROM notice_texts WHERE notice_id = $1 ORDER BY channel DESC, language")
            .bind(id.as_str())
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(own_text_of).collect()
    }

    /// Puts these words in the place of all words of a notice that has not left.
    ///
    /// # Errors
    /// `Conflict::UnknownNotice`, `Conflict::NoticeStatus` unless it waits or is held.
    pub async fn reword_notice(
        &self,
        id: &NoticeId,
        texts: &[OwnText],
        (whose, by): (Wording, &str),
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let notice = find_for_change(&mut tx, id).await?;
        if !matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) {
            return Err(status_conflict(&notice, "given other words"));
        }
        sqlx::query("DELETE FROM notice_texts WHERE notice_id = $1").bind(id.as_str()).execute(tx.conn()).await?;
        for OwnText { text, source } in texts {
            put_text(&mut tx, id, text).await?;
            if let Some(source) = source {
                sqlx::query(
                    "UPDATE notice_texts SET source = $4 WHERE notice_id = $1 AND language = $2 AND channel = $3",
                )
                .bind(id.as_str())
                .bind(text.language.code())
                .bind(text.channel().name())
                .bind(source)
                .execute(tx.conn())
                .await?;
            }
        }
        let (worded_by, worded_at) = match whose {
            Wording::Own => (Some(by), Some(ms(now))),
            Wording::Templates => (None, None),
        };
        sqlx::query("UPDATE notices SET worded_by = $2, worded_at = $3 WHERE id = $1")
            .bind(id.as_str())
            .bind(worded_by)
            .bind(worded_at)
            .execute(tx.conn())
            .await?;
        let what = match whose {
            Wording::Own => "words of its own",
            Wording::Templates => "the words of the templates",
        };
        tx.note_act(Act::NoticeReworded, &subject(id), &format!("said by {by}; it has {what}")).await?;
        tx.commit().await
    }
}

/// Whether staff gave a notice words of its own: new terms would bring those of the templates.
///
/// # Errors
/// `Conflict::UnknownNotice`.
pub async fn has_own_words(tx: &mut Tx, id: &NoticeId) -> Result<bool, StoreError> {
    Ok(find_notice(tx, id).await?.own_words.is_some())
}

fn own_text_of(row: &AnyRow) -> Result<OwnText, StoreError> {
    let (channel, language): (Channel, Language) = (channel_of(row)?, language_of(row)?);
    let message: Message = message_of(row, channel)?;
    Ok(OwnText { text: NoticeText { language, message }, source: get(row, "source")? })
}
