//! Stations as the season under way sees them: the past from what the store has kept, where that still holds, and of
//! the record only the days since shortly before the season's start. What is not kept is made of the whole record, and
//! kept.

use std::sync::Arc;

use chrono::Datelike;
use tracing::debug;

use super::app::App;
use super::records::RecordCache;
use super::region_fault::RegionFault;
use crate::assessment::kept_past::{self, KeptPast, KeptSeasons};
use crate::assessment::past::{Asked, StationHistory};
use crate::store::Store;
use crate::text::Chain;
use crate::weather::StationId;
use crate::weather::normals::Normals;
use crate::weather::prepare::season_reads_from;
use crate::weather::record::Known;
use crate::weather::settled::PastUse;

/// A station as a season sees it.
pub(super) struct SeenStation {
    /// With its record from [`season_reads_from`] the season's start on, at least.
    pub history: Arc<StationHistory>,
    /// Around the season, as known.
    pub normals: Arc<Normals>,
    /// Where they were asked for.
    pub own: Option<KeptSeasons>,
}

/// What is kept is found by this.
struct Place<'a> {
    store: &'a Store,
    station: &'a StationId,
    /// The profile's id where past seasons are asked for: of each profile some are kept.
    subject: &'a str,
    digest: String,
}

/// A station as asked; `None` where that must be made of its whole record each time: past seasons are asked for and are
/// few, or what is asked is not what was known at a moment.
///
/// # Errors
/// When the station is unknown or the store fails. What is kept and cannot be read is made anew, and a store that takes
/// no write costs that work once more.
pub(super) async fn seen(
    app: &App,
    records: &mut RecordCache,
    id: &StationId,
    asked: &Asked<'_>,
    used: PastUse,
) -> Result<Option<SeenStation>, RegionFault> {
    let Known::At { instant, bulk_latency_days } = asked.known else { return Ok(None) };
    // The digest has the one of the rules, and a replay has whole records in memory.
    if bulk_latency_days != asked.rules.bulk_latency_days || !records.from.is(&app.store) {
        return Ok(None);
    }
    let store = &app.store;
    let reads_from = season_reads_from(asked.profile.first_day(asked.season));
    // In this order: what is written in between is counted after what is made of it, and then it is made once more.
    let writes = store.writes_up_to(id, reads_from.year()).await?;
    let station = store.station(id).await?;
    let record = store.record_since(id, reads_from).await?.index(station.time_zone);
    let since = StationHistory { station, record };
    let subject = if used == PastUse::Years { asked.profile.id.as_str() } else { "" };
    let digest = hex::encode(kept_past::digest(&since, asked, used, reads_from, writes));
    let place = Place { store, station: id, subject, digest };

    let kept = place.kept().await;
    if let Some(kept) = kept.filter(|kept| kept.settled.holds(instant, since.station.time_zone)) {
        let KeptPast { earlier_live, normals, own, .. } = kept;
        let StationHistory { station, record } = since;
        let history = Arc::new(StationHistory { station, record: record.after(earlier_live) });
        return Ok(Some(SeenStation { history, normals: Arc::new(normals), own }));
    }
    // Read before the writes were counted, it may lack what the digest has.
    let is_older = records.known(id).is_some();
    let history = records.get(id).await?;
    let (profile, rules, whole) = (asked.profile.clone(), asked.rules.clone(), Arc::clone(&history));
    let (season, known) = (asked.season, asked.known);
    let work = tokio::task::spawn_blocking(move || {
        let asked = Asked { profile: &profile, season, rules: &rules, known };
        let made = KeptPast::of(&whole, &asked, instant, used, reads_from)?;
        let content = (!is_older).then(|| kept_past::to_bytes(&made));
        Some((made, content))
    });
    let Some((made, content)) = work.await? else { return Ok(None) };
    app.skills.note_past_made();
    if let Some(content) = content {
        place.keep(&content, app).await;
    }
    Ok(Some(SeenStation { history, normals: Arc::new(made.normals), own: made.own }))
}

impl Place<'_> {
    async fn kept(&self) -> Option<KeptPast> {
        match self.store.kept_past(self.station, self.subject, &self.digest).await {
            Ok(content) => kept_past::from_bytes(&content?),
            Err(why) => {
                debug!(station.id = %self.station, "the kept past cannot be read: {}", Chain(&why));
                None
            }
        }
    }

    async fn keep(&self, content: &[u8], app: &App) {
        let Self { store, station, subject, digest } = self;
        if let Err(why) = store.keep_past(station, subject, digest, content, app.clock.now()).await {
            debug!(station.id = %station, "the past cannot be kept: {}", Chain(&why));
        }
    }
}
