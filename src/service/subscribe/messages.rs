//! Transactional messages that sign-up and texts queue: what only tells something, and the links in it.

use chrono::{DateTime, TimeDelta, Utc};

use super::SignUpError;
use super::places;
use super::preference_link;
use crate::links;
use crate::message::{InForce, Sender, TransactionalFacts, TransactionalKind};
use crate::people::{Address, Channel, Language, Zip};
use crate::region::RegionId;
use crate::service::app::App;
use crate::store::Tx;
use crate::store::notices::{notice_in_force, tell_joined};
use crate::store::transactional;
use crate::store::transactional::NewTransactional;
use crate::store::waiting_zips::take_covered_waits;

/// So long a transactional message that only tells something is of use.
pub(super) const TELLS: TimeDelta = TimeDelta::hours(24);

/// Tells a new subscriber what will come, or that their ZIP code is kept.
pub(crate) async fn welcome(
    tx: &mut Tx,
    app: &App,
    address: &Address,
    language: Language,
    zips: &[Zip],
    fact: &str,
    now: DateTime<Utc>,
) -> Result<(), SignUpError> {
    let region = places::home(tx, address, zips).await?;
    let in_force = match &region {
        Some((region, _)) => in_force(tx, app, region, language, now).await?,
        None => None,
    };
    let facts = TransactionalFacts {
        zips: zips.to_vec(),
        region_name: region.map(|(_, name)| name),
        in_force,
        ..TransactionalFacts::of(Sender::from(&app.config.messages))
    };
    let kind = if facts.region_name.is_some() { TransactionalKind::Welcome } else { TransactionalKind::KeptZip };
    tell(tx, app, kind, address, language, facts, fact, now).await
}

/// What a region was told last, while it holds: who joins is told in the same words that it is time now.
async fn in_force(
    tx: &mut Tx,
    app: &App,
    region: &RegionId,
    language: Language,
    now: DateTime<Utc>,
) -> Result<Option<InForce>, SignUpError> {
    let base = app.config.messages.public_url.url();
    let region_url = base.and_then(|base| links::region(base, language, region)).map(String::from);
    let notice = notice_in_force(tx, region, now).await?;
    Ok(notice.map(|notice| InForce { kind: notice.kind, wash_by: notice.deadline(), region_url }))
}

/// Queues a transactional message that only tells something. Whether it may go is looked at by its kind.
#[expect(clippy::too_many_arguments, reason = "a letter has that many sides")]
pub(crate) async fn tell(
    tx: &mut Tx,
    app: &App,
    kind: TransactionalKind,
    to: &Address,
    language: Language,
    mut facts: TransactionalFacts,
    fact: &str,
    now: DateTime<Utc>,
) -> Result<(), SignUpError> {
    let channel = to.channel();
    if channel == Channel::Email {
        let key = tx.address_id(to).await?;
        let token = preference_link::make(tx.hash(), &key, now);
        let base = app.config.messages.public_url.url();
        facts.preferences_url = base.and_then(|base| links::preferences(base, language, &token)).map(String::from);
    }
    let message = app.templates.in_use().render_transactional(kind, language, channel, &facts)?;
    let letter =
        NewTransactional { kind, to: to.clone(), language, message, fact: fact.to_owned(), expires_at: now + TELLS };
    transactional::put_in(tx, &letter, app.config.schedule.time_zone, now).await?;
    Ok(())
}

/// Writes to those who confirmed for a ZIP code that no region had and one has now. Gives how many messages.
///
/// # Errors
/// When the store fails or a message cannot be worded.
pub async fn tell_newly_covered(app: &App) -> Result<u64, SignUpError> {
    let now = app.clock.now();
    let mut tx = app.store.begin().await?;
    let mut told = 0;
    for one in take_covered_waits(&mut tx).await? {
        tell_joined(&mut tx, &one.subscriber, now).await?;
        let region = places::covered(&mut tx, std::slice::from_ref(&one.zip)).await?;
        for (address, language) in one.addresses {
            let in_force = match &region {
                Some((region, _)) => in_force(&mut tx, app, region, language, now).await?,
                None => None,
            };
            let facts = TransactionalFacts {
                zips: vec![one.zip.clone()],
                region_name: Some(one.region_name.clone()),
                in_force,
                ..TransactionalFacts::of(Sender::from(&app.config.messages))
            };
            let fact = format!("{} {}", one.zip, one.since);
            tell(&mut tx, app, TransactionalKind::CoveredNow, &address, language, facts, &fact, now).await?;
            told += 1;
        }
    }
    tx.commit().await?;
    Ok(told)
}
