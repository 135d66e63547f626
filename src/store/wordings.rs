//! The words that staff give the texts of messages: every version of each.

use chrono::{DateTime, Utc};
use sqlx::any::AnyRow;

use crate::language::Language;
use crate::store::acts::Act;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::Store;

/// One version of a text in every language.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WordingVersion {
    /// Name of the text, such as `wash-now.sms`.
    pub text: String,
    /// 1, 2, … of each text.
    pub version: u32,
    /// In the notation of the templates; `None`: the words that are there without ours.
    pub en: Option<String>,
    pub es: Option<String>,
    pub changed_at: DateTime<Utc>,
    pub changed_by: String,
    /// Empty where no reason was given.
    pub why: String,
}

impl WordingVersion {
    pub fn words(&self, language: Language) -> Option<&str> {
        match language {
            Language::En => self.en.as_deref(),
            Language::Es => self.es.as_deref(),
        }
    }
}

impl Store {
    /// The newest version of each text that was ever changed, in the order in which they were.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn wordings(&self) -> Result<Vec<WordingVersion>, StoreError> {
        let rows = sqlx::query(
            "SELECT w.* FROM wording_versions w
             WHERE w.version = (SELECT MAX(n.version) FROM wording_versions n WHERE n.text = w.text)
             ORDER BY w.changed_at, w.text",
        )
        .fetch_all(&mut *self.read().await?)
        .await?;
        rows.iter().map(version_of).collect()
    }

    /// Every version of a text, the newest first.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn wording_history(&self, text: &str) -> Result<Vec<WordingVersion>, StoreError> {
        let rows = sqlx::query("SELECT * FROM wording_versions WHERE text = $1 ORDER BY version DESC")
            .bind(text)
            .fetch_all(&mut *self.read().await?)
            .await?;
        rows.iter().map(version_of).collect()
    }

    /// A number that grows with every change of any text.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn wordings_mark(&self) -> Result<i64, StoreError> {
        let row = sqlx::query("SELECT COUNT(*) AS n FROM wording_versions").fetch_one(&mut *self.read().await?).await?;
        get(&row, "n")
    }

    /// Keeps a version of a text. `what`: what it is, for the audit.
    ///
    /// # Errors
    /// [`Conflict::Exists`] when somebody kept that version before.
    pub async fn put_wording(&self, new: &WordingVersion, what: &str) -> Result<(), StoreError> {
        let mut tx = self.begin().await?;
        let done = sqlx::query(
            "INSERT INTO wording_versions (text, version, en, es, changed_at, changed_by, why)
             VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT (text, version) DO NOTHING",
        )
        .bind(&new.text)
        .bind(i64::from(new.version))
        .bind(new.en.as_deref())
        .bind(new.es.as_deref())
        .bind(ms(new.changed_at))
        .bind(&new.changed_by)
        .bind(&new.why)
        .execute(tx.conn())
        .await?
        .rows_affected();
        if done == 0 {
            let id = format!("{} {}", new.text, new.version);
            return Err(Conflict::Exists { what: "version of the words", id }.into());
        }
        let why = if new.why.is_empty() { String::new() } else { format!(": {}", new.why) };
        let detail = format!("version {}, {what}, said by {}{why}", new.version, new.changed_by);
        tx.note_act(Act::WordingChanged, &format!("wording/{}", new.text), &detail).await?;
        tx.commit().await
    }
}

fn version_of(row: &AnyRow) -> Result<WordingVersion, StoreError> {
    let version: i64 = get(row, "version")?;
    Ok(WordingVersion {
        text: get(row, "text")?,
        version: u32::try_from(version)
            .map_err(|_| StoreError::corrupt(format!("wording_versions.version holds {version}")))?,
        en: get(row, "en")?,
        es: get(row, "es")?,
        changed_at: get_instant(row, "changed_at")?,
        changed_by: get(row, "changed_by")?,
        why: get(row, "why")?,
    })
}
