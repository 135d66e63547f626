//! Many people at once, as from a file: whoever is new altogether goes in by few statements, all others one by one.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use sqlx::AssertSqlSafe;

use crate::people::{AddressId, Consent, NewSubscriber};
use crate::region::{RegionId, Zip};
use crate::store::addresses::AddressStatus;
use crate::store::bulk::{Insert, places};
use crate::store::consents::{ConsentAction, consent_id};
use crate::store::enrolment::{Enrolled, enrol, subscriber_id};
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::{notice_in_force, tell_joined};
use crate::store::rows::{get, ms, zip_of};
use crate::store::tx::{Engine, Store, Tx};

/// People of one round: what is known of them is asked together.
const ROUND: usize = 4000;

/// Keys of one question.
const ASKED: usize = 2000;

/// Page cache of a writer that takes in a whole list, KiB: the rows lie by keyed hashes, so everywhere at once, and without room
/// each page would be written many times over.
const CACHE_KIB: u32 = 512 * 1024;

impl Store {
    /// As [`Store::begin`], for a transaction of a command that writes very much.
    ///
    /// # Errors
    /// As [`Store::begin`].
    pub async fn begin_large(&self) -> Result<Tx, StoreError> {
        if self.engine() == Engine::Sqlite {
            let pragma = AssertSqlSafe(format!("PRAGMA cache_size = -{CACHE_KIB}"));
            sqlx::query(pragma).execute(&mut *self.inner.writer.acquire().await?).await?;
        }
        self.begin().await
    }
}

/// A list that is being taken in by one transaction.
pub struct Enrolling {
    now: DateTime<Utc>,
    /// Codes of regions that are under a notice: who comes from there is told at once.
    told: HashSet<Zip>,
}

impl Enrolling {
    /// Looks what is in force; on PostgreSQL nothing is released until the end of the transaction.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn begin(tx: &mut Tx, now: DateTime<Utc>) -> Result<Self, StoreError> {
        let lock = tx.engine().for_share();
        let regions = sqlx::query(AssertSqlSafe(format!("SELECT id FROM regions ORDER BY id {lock}")))
            .fetch_all(tx.conn())
            .await?;
        let mut told = HashSet::new();
        for row in &regions {
            let region = RegionId(get(row, "id")?);
            if notice_in_force(tx, &region, now).await?.is_none() {
                continue;
            }
            let zips = sqlx::query("SELECT zip FROM region_zips WHERE region_id = $1")
                .bind(region.as_str())
                .fetch_all(tx.conn())
                .await?;
            for row in &zips {
                told.insert(zip_of(row)?);
            }
        }
        Ok(Self { now, told })
    }

    /// Takes in some more, with the same outcome as [`enrol`] one after the other.
    ///
    /// # Errors
    /// When the store fails. After a conflict of one of them the transaction holds nothing of that one.
    pub async fn enrol(
        &self,
        tx: &mut Tx,
        people: &[&NewSubscriber],
    ) -> Result<Vec<Result<Enrolled, Conflict>>, StoreError> {
        let mut outcomes = Vec::with_capacity(people.len());
        for round in people.chunks(ROUND) {
            outcomes.extend(self.round(tx, round).await?);
        }
        Ok(outcomes)
    }

    async fn round(
        &self,
        tx: &mut Tx,
        people: &[&NewSubscriber],
    ) -> Result<Vec<Result<Enrolled, Conflict>>, StoreError> {
        let new = self.newcomers(tx, people).await?;
        self.write(tx, &new).await?;
        let mut new = new.into_iter().map(|one| (one.at, one.subscriber)).peekable();
        let mut outcomes = Vec::with_capacity(people.len());
        for (at, person) in people.iter().enumerate() {
            let outcome = match new.next_if(|(of, _)| *of == at) {
                Some((_, subscriber)) => {
                    if person.zips.iter().any(|zip| self.told.contains(zip)) {
                        tell_joined(tx, &subscriber, self.now).await?;
                    }
                    Ok(Enrolled::Added { subscriber })
                }
                None => match enrol(tx, person, self.now).await {
                    Ok(enrolled) => Ok(enrolled),
                    Err(StoreError::Conflict(why)) => Err(why),
                    Err(why) => return Err(why),
                },
            };
            outcomes.push(outcome);
        }
        Ok(outcomes)
    }

    /// Those of whom nothing can be known or refused: no address of theirs is in the store, or given twice.
    async fn newcomers<'a>(&self, tx: &mut Tx, people: &[&'a NewSubscriber]) -> Result<Vec<Newcomer<'a>>, StoreError> {
        let keys: Vec<Vec<AddressId>> =
            people.iter().map(|person| person.addresses.iter().map(|one| tx.hash().of(one)).collect()).collect();
        let mut given: HashMap<&AddressId, u32> = HashMap::new();
        for key in keys.iter().flatten() {
            *given.entry(key).or_default() += 1;
        }
        let mut known: HashSet<String> = HashSet::new();
        let asked: Vec<&AddressId> = given.keys().copied().collect();
        for some in asked.chunks(ASKED) {
            let list = places(tx.engine(), some.len());
            let find = format!(
                "SELECT id FROM addresses WHERE id IN ({list}) UNION ALL SELECT address_key FROM suppressions WHERE address_key IN ({list})"
            );
            let mut query = sqlx::query(AssertSqlSafe(find));
            // PostgreSQL's places are numbered, so both lists are one there.
            let times = if tx.engine() == Engine::Sqlite { 2 } else { 1 };
            for key in std::iter::repeat_n(some, times).flatten() {
                query = query.bind(key.as_str());
            }
            for row in query.fetch_all(tx.conn()).await? {
                known.insert(get(&row, "id")?);
            }
        }
        let given: HashSet<AddressId> =
            given.into_iter().filter(|(_, times)| *times == 1).map(|(key, _)| key.clone()).collect();
        let mut new = Vec::new();
        for (at, (person, keys)) in people.iter().zip(keys).enumerate() {
            let Consent::Given { evidence } = &person.consent else { continue };
            // An address may be known under an older key, too.
            let older = person.addresses.iter().any(|address| !tx.hash().older_of(address).is_empty());
            let alone = keys.iter().all(|key| given.contains(key) && !known.contains(key.as_str()));
            let Some(first) = keys.first().filter(|_| alone && !older) else { continue };
            if person.zips.is_empty() || !person.heights.is_empty() {
                continue;
            }
            let subscriber = subscriber_id(tx, first, self.now);
            new.push(Newcomer { at, person, keys, evidence, subscriber });
        }
        Ok(new)
    }

    async fn write(&self, tx: &mut Tx, new: &[Newcomer<'_>]) -> Result<(), StoreError> {
        const SUBSCRIBERS: Insert = Insert {
            head: "INSERT INTO subscribers (id, language, created_at) VALUES",
            tail: "ON CONFLICT (id) DO UPDATE SET language = excluded.language, removed_at = NULL",
            columns: 3,
        };
        const ZIPS: Insert = Insert {
            head: "INSERT INTO subscriber_zips (subscriber_id, zip) VALUES",
            tail: "ON CONFLICT (subscriber_id, zip) DO NOTHING",
            columns: 2,
        };
        const ADDRESSES: Insert = Insert {
            head: "INSERT INTO addresses (id, subscriber_id, channel, address, status, status_at) VALUES",
            tail: "ON CONFLICT (id) DO NOTHING",
            columns: 6,
        };
        const CONSENTS: Insert = Insert {
            head: "INSERT INTO consents (id, address_key, at, action, evidence) VALUES",
            tail: "ON CONFLICT (id) DO NOTHING",
            columns: 5,
        };
        let now = ms(self.now);
        let mut people: Vec<&Newcomer<'_>> = new.iter().collect();
        people.sort_by(|a, b| a.subscriber.cmp(&b.subscriber));
        SUBSCRIBERS
            .run(tx, &people, |one, to| {
                to.add(one.subscriber.clone())?;
                to.add(one.person.language.code())?;
                to.add(now)
            })
            .await?;
        let zips: Vec<(&Newcomer<'_>, &Zip)> =
            people.iter().flat_map(|one| one.person.zips.iter().map(|zip| (*one, zip))).collect();
        ZIPS.run(tx, &zips, |(one, zip), to| {
            to.add(one.subscriber.clone())?;
            to.add(zip.to_string())
        })
        .await?;
        let mut addresses: Vec<_> = people
            .iter()
            .flat_map(|one| one.person.addresses.iter().zip(&one.keys).map(|(of, key)| (*one, of, key)))
            .collect();
        addresses.sort_by(|a, b| a.2.cmp(b.2));
        ADDRESSES
            .run(tx, &addresses, |(one, address, key), to| {
                to.add(key.to_string())?;
                to.add(one.subscriber.clone())?;
                to.add(address.channel().name())?;
                to.add(address.expose().to_owned())?;
                to.add(AddressStatus::Confirmed.name())?;
                to.add(now)
            })
            .await?;
        CONSENTS
            .run(tx, &addresses, |(one, _, key), to| {
                to.add(consent_id(key, ConsentAction::Confirmed, one.evidence, self.now))?;
                to.add(key.to_string())?;
                to.add(now)?;
                to.add(ConsentAction::Confirmed.as_str())?;
                to.add(one.evidence.to_owned())
            })
            .await?;
        Ok(())
    }
}

/// Somebody who can be written down without a look.
struct Newcomer<'a> {
    /// Place in the round.
    at: usize,
    person: &'a NewSubscriber,
    keys: Vec<AddressId>,
    evidence: &'a str,
    subscriber: String,
}
