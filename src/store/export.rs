//! All that is kept about the owner of an address, for the owner.

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use sqlx::any::AnyRow;

use crate::people::{Address, Channel, Language};
use crate::region::{RegionId, Zip};
use crate::store::acts::Act;
use crate::store::addresses::AddressStatus;
use crate::store::audit::address_subject;
use crate::store::bands::SaidHeight;
use crate::store::consents::ConsentAction;
use crate::store::error::{Conflict, StoreError};
use crate::store::rows::{get, get_day, get_flag_if_any, get_instant};
use crate::store::tx::Store;

/// All that is kept about the owner of an address, for the owner.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Export {
    pub subscriber: String,
    pub language: Language,
    pub since: DateTime<Utc>,
    pub zips: Vec<Zip>,
    pub places: Vec<ExportedPlace>,
    pub addresses: Vec<ExportedAddress>,
}

/// A place of theirs, and what they said of the height of their trees there.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedPlace {
    pub zip: Zip,
    pub region: Option<RegionId>,
    pub height: Option<SaidHeight>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedAddress {
    pub channel: Channel,
    /// In full: this is for its owner.
    pub address: String,
    pub status: AddressStatus,
    pub consents: Vec<ConsentRow>,
    pub deliveries: Vec<ExportedDelivery>,
    /// What they told of their trees.
    pub reports: Vec<ExportedReport>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ConsentRow {
    pub at: DateTime<Utc>,
    pub action: ConsentAction,
    pub evidence: String,
    /// The words that were agreed to, and their language, where there were any.
    pub words: Option<String>,
    pub language: Option<Language>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedReport {
    pub told_at: DateTime<Utc>,
    pub region: RegionId,
    pub looked_on: NaiveDate,
    /// `false`: the day was not told, and `looked_on` is that of the answer.
    pub day_known: bool,
    /// Id of a sight of the insect's profile, or the stage that was seen.
    pub saw: Option<String>,
    pub infested: Option<bool>,
    /// Which tree, in their own words.
    pub tree: Option<String>,
    pub photograph: Option<ExportedPhotograph>,
}

/// A photograph of their tree.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedPhotograph {
    /// Name of its file in the folder of photographs.
    pub file: String,
    pub width: i64,
    pub height: i64,
    pub added_at: DateTime<Utc>,
    /// The file itself, which the service puts in; `None` where it is not there.
    pub jpeg_base64: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ExportedDelivery {
    /// Id of the notice; of a transactional message `letter/` and its kind.
    pub notice: String,
    pub state: String,
    pub queued_at: DateTime<Utc>,
}

impl Store {
    /// What is kept about the owner of an address.
    ///
    /// # Errors
    /// [`Conflict::UnknownAddress`].
    pub async fn export_subscriber(&self, address: &Address) -> Result<Export, StoreError> {
        let subscriber = self
            .subscriber_of(address)
            .await?
            .ok_or_else(|| Conflict::UnknownAddress { masked: address.to_string() })?;
        self.note_act(Act::SubscriberExported, &address_subject(&self.address_id(address).await?), "").await?;
        let mut connection = self.read().await?;
        let mut addresses = Vec::new();
        for known in subscriber.addresses {
            let consents = sqlx::query(
                "SELECT c.at, c.action, c.evidence, w.words, w.language FROM consents c
                     LEFT JOIN consent_words w ON w.id = c.words WHERE c.address_key = $1 ORDER BY c.at, c.id",
            )
            .bind(known.id.as_str())
            .fetch_all(&mut *connection)
            .await?;
            let deliveries = sqlx::query(
                "SELECT COALESCE(d.notice_id, 'letter/' || l.kind) AS notice, d.state, d.created_at \
                 FROM deliveries d LEFT JOIN letters l ON l.id = d.letter_id \
                 WHERE d.address_id = $1 ORDER BY d.created_at, d.id",
            )
            .bind(known.id.as_str())
            .fetch_all(&mut *connection)
            .await?;
            let reports = sqlx::query(
                "SELECT r.region_id, r.observed_on, r.day_known, COALESCE(r.sight, r.stage) AS saw, r.infested, r.owner_tree,
                     r.created_at, p.file, p.width, p.height, p.added_at
                 FROM field_reports r LEFT JOIN field_report_photographs p ON p.report_id = r.id
                 WHERE r.person = $1 AND r.source = 'subscriber' ORDER BY r.created_at, r.id",
            )
            .bind(known.id.as_str())
            .fetch_all(&mut *connection)
            .await?;
            addresses.push(ExportedAddress {
                channel: known.address.channel(),
                address: known.address.expose().to_owned(),
                status: known.status,
                consents: consents
                    .iter()
                    .map(|row| {
                        Ok(ConsentRow {
                            at: get_instant(row, "at")?,
                            action: action_of(row)?,
                            evidence: get(row, "evidence")?,
                            words: get(row, "words")?,
                            language: get::<Option<String>>(row, "language")?.as_deref().and_then(Language::parse),
                        })
                    })
                    .collect::<Result<_, StoreError>>()?,
                deliveries: deliveries
                    .iter()
                    .map(|row| {
                        Ok(ExportedDelivery {
                            notice: get(row, "notice")?,
                            state: get(row, "state")?,
                            queued_at: get_instant(row, "created_at")?,
                        })
                    })
                    .collect::<Result<_, StoreError>>()?,
                reports: reports
                    .iter()
                    .map(|row| {
                        Ok(ExportedReport {
                            told_at: get_instant(row, "created_at")?,
                            region: RegionId(get(row, "region_id")?),
                            looked_on: get_day(row, "observed_on")?,
                            day_known: get::<i64>(row, "day_known")? != 0,
                            saw: get(row, "saw")?,
                            infested: get_flag_if_any(row, "infested")?,
                            tree: get(row, "owner_tree")?,
                            photograph: photograph_of(row)?,
                        })
                    })
                    .collect::<Result<_, StoreError>>()?,
            });
        }
        Ok(Export {
            subscriber: subscriber.id,
            language: subscriber.language,
            since: subscriber.created_at,
            zips: subscriber.zips,
            places: subscriber
                .homes
                .into_iter()
                .map(|home| ExportedPlace { zip: home.zip, region: home.region, height: home.said })
                .collect(),
            addresses,
        })
    }
}

fn photograph_of(row: &AnyRow) -> Result<Option<ExportedPhotograph>, StoreError> {
    let Some(file) = get::<Option<String>>(row, "file")? else { return Ok(None) };
    Ok(Some(ExportedPhotograph {
        file,
        width: get(row, "width")?,
        height: get(row, "height")?,
        added_at: get_instant(row, "added_at")?,
        jpeg_base64: None,
    }))
}

fn action_of(row: &AnyRow) -> Result<ConsentAction, StoreError> {
    let name: &str = get(row, "action")?;
    ConsentAction::parse(name).ok_or_else(|| StoreError::corrupt(format!("consents.action `{name}`")))
}
