//! Lists of people that staff have tried and not taken in yet, in the memory alone.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use bytes::Bytes;
use chrono::{DateTime, TimeDelta, Utc};

/// So long a list is kept.
pub(super) const KEPT: TimeDelta = TimeDelta::minutes(30);

/// So many in all; each account has one.
const MOST: usize = 12;

/// By account.
#[derive(Default)]
pub(super) struct TriedLists(Mutex<BTreeMap<String, Kept>>);

struct Kept {
    id: String,
    at: DateTime<Utc>,
    bytes: Bytes,
}

impl TriedLists {
    /// Keeps a list in the place of the account's last; gives whether there was room.
    pub fn put(&self, owner: &str, id: &str, bytes: Bytes, now: DateTime<Utc>) -> bool {
        let mut lists = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        lists.retain(|_, kept| now - kept.at < KEPT);
        lists.remove(owner);
        let has_room = lists.len() < MOST;
        if has_room {
            lists.insert(owner.to_owned(), Kept { id: id.to_owned(), at: now, bytes });
        }
        has_room
    }

    /// The account's list, if it is the one meant; it is not kept any longer.
    pub fn take(&self, owner: &str, id: &str, now: DateTime<Utc>) -> Option<Bytes> {
        let mut lists = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        lists.retain(|_, kept| now - kept.at < KEPT);
        if lists.get(owner).is_some_and(|kept| kept.id == id) {
            lists.remove(owner).map(|kept| kept.bytes)
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_account_has_one_list_for_a_time_and_all_together_few() {
        let (lists, now) = (TriedLists::default(), DateTime::<Utc>::UNIX_EPOCH);
        for nth in 0..MOST {
            assert!(lists.put(&format!("account-{nth}"), "a", Bytes::from_static(b"list"), now));
        }
        assert!(!lists.put("one-more", "a", Bytes::from_static(b"list"), now));
        assert!(lists.put("account-0", "b", Bytes::from_static(b"another"), now));
        assert_eq!(lists.take("account-0", "a", now), None, "the last one alone is kept");
        assert_eq!(lists.take("account-1", "b", now), None);
        assert_eq!(lists.take("account-0", "b", now), Some(Bytes::from_static(b"another")));
        assert_eq!(lists.take("account-0", "b", now), None, "once");
        assert_eq!(lists.take("account-1", "a", now + KEPT), None);
        assert!(lists.put("one-more", "a", Bytes::from_static(b"list"), now + KEPT));
    }
}
