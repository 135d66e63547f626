//! Wrong tries at signing in, counted by where they come from and whom they name. Both only as keyed hashes, and of names that no
//! account has as well, so that nothing tells which there are.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::any::AnyRow;

use crate::people::sign_in_limits::{Counted, STRANGERS_PER_DAY, Slows};
use crate::store::error::StoreError;
use crate::store::rows::{get, get_instant, ms};
use crate::store::tx::Tx;

/// One count that a try goes to.
#[derive(Clone, Debug)]
pub struct Bucket {
    /// What is counted; only its keyed hash is kept.
    pub of: String,
    pub slows: Slows,
}

/// What came of [`Tx::take_try`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// The try may be made, and counts as a wrong one until [`Tx::was_right`]. `wrong`: so many the fullest bucket of pauses holds
    /// with it; `spent`: with it a name's budget is used up.
    Taken {
        wrong: u32,
        spent: bool,
    },
    Wait(TimeDelta),
}

impl Tx {
    /// Takes a try out of each bucket, if every one has one left: counted before the password is looked at, so that many at the
    /// same time are no more than many in a row. Who has to wait leaves no row behind: else one address could fill the store with
    /// names.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn take_try(&mut self, buckets: &[Bucket], now: DateTime<Utc>) -> Result<Turn, StoreError> {
        let keyed = self.keyed(buckets);
        let mut longest = None;
        for (key, slows) in &keyed {
            let counted = self.looked_at(key, now).await?;
            longest = longest.max(counted.and_then(|counted| slows.wait(&counted)));
        }
        if let Some(wait) = longest {
            return Ok(Turn::Wait(wait));
        }
        let (mut held, mut most, mut spent) = (Vec::with_capacity(keyed.len()), 0, false);
        for (key, slows) in &keyed {
            // What others counted since the look holds too.
            let counted = self.held(key, now).await?;
            longest = longest.max(slows.wait(&counted));
            let wrong = if slows.forgets(&counted) { 0 } else { counted.wrong };
            let with_this = wrong.saturating_add(1);
            match slows {
                Slows::Pauses => most = most.max(with_this),
                budget => spent |= *budget == Slows::STRANGERS && with_this == STRANGERS_PER_DAY,
            }
            held.push((key, counted.wrong == 0 || slows.forgets(&counted)));
        }
        if let Some(wait) = longest {
            return Ok(Turn::Wait(wait));
        }
        for (key, anew) in held {
            let count = if anew {
                "UPDATE sign_in_tries SET wrong = 1, first_at = $2, last_at = $2 WHERE bucket = $1"
            } else {
                "UPDATE sign_in_tries SET wrong = wrong + 1, last_at = $2 WHERE bucket = $1"
            };
            sqlx::query(count).bind(key).bind(ms(now)).execute(self.conn()).await?;
        }
        Ok(Turn::Taken { wrong: most, spent })
    }

    /// Takes the try back: it was right. Pauses begin anew; of a budget one is given back.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn was_right(&mut self, buckets: &[Bucket]) -> Result<(), StoreError> {
        for (key, slows) in self.keyed(buckets) {
            let back = match slows {
                Slows::Pauses => "DELETE FROM sign_in_tries WHERE bucket = $1",
                Slows::Budget { .. } => "UPDATE sign_in_tries SET wrong = wrong - 1 WHERE bucket = $1 AND wrong > 0",
            };
            sqlx::query(back).bind(key).execute(self.conn()).await?;
        }
        Ok(())
    }

    /// Takes the try back: nobody looked at it.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn give_back(&mut self, buckets: &[Bucket]) -> Result<(), StoreError> {
        for (key, _) in self.keyed(buckets) {
            let back = "UPDATE sign_in_tries SET wrong = wrong - 1 WHERE bucket = $1 AND wrong > 0";
            sqlx::query(back).bind(key).execute(self.conn()).await?;
        }
        Ok(())
    }

    /// In one order, so that two never wait for each other.
    fn keyed(&self, buckets: &[Bucket]) -> Vec<(String, Slows)> {
        let key = |bucket: &Bucket| (self.hash().of_text("sign-in try", &bucket.of), bucket.slows);
        let mut keyed: Vec<(String, Slows)> = buckets.iter().map(key).collect();
        keyed.sort_by(|a, b| a.0.cmp(&b.0));
        keyed
    }

    async fn looked_at(&mut self, key: &str, now: DateTime<Utc>) -> Result<Option<Counted>, StoreError> {
        let find = "SELECT * FROM sign_in_tries WHERE bucket = $1";
        let row = sqlx::query(find).bind(key).fetch_optional(self.conn()).await?;
        row.map(|row| counted(&row, now)).transpose()
    }

    /// What a bucket holds, kept for the rest of the transaction. One statement: between two, another could take the row away.
    async fn held(&mut self, key: &str, now: DateTime<Utc>) -> Result<Counted, StoreError> {
        let hold = "INSERT INTO sign_in_tries (bucket, wrong, first_at, last_at) VALUES ($1, 0, $2, $2) \
                    ON CONFLICT (bucket) DO UPDATE SET bucket = excluded.bucket RETURNING wrong, first_at, last_at";
        counted(&sqlx::query(hold).bind(key).bind(ms(now)).fetch_one(self.conn()).await?, now)
    }
}

fn counted(row: &AnyRow, now: DateTime<Utc>) -> Result<Counted, StoreError> {
    Ok(Counted {
        wrong: u32::try_from(get::<i64>(row, "wrong")?).unwrap_or(u32::MAX),
        first_ago: now - get_instant(row, "first_at")?,
        last_ago: now - get_instant(row, "last_at")?,
    })
}
