//! From what somebody types to a notice: its whole id, the beginning of one, or the name of its region.

use std::collections::{BTreeMap, BTreeSet};

use super::DeskError;
use crate::region::RegionId;
use crate::season::{NoticeId, NoticeStatus};
use crate::store::notices::Notice;
use crate::store::{Conflict, Store, StoreError};
use crate::text::near_spelling;

/// The notice that is meant, looked for among those of a year.
///
/// # Errors
/// [`DeskError::NoSuchNotice`]; [`DeskError::Ambiguous`] with those that may be meant.
pub async fn find(store: &Store, asked: &str, year: i32) -> Result<Notice, DeskError> {
    let asked = asked.trim();
    match store.notice(&asked.into()).await {
        Err(StoreError::Conflict(Conflict::UnknownNotice { .. })) => {}
        found => return Ok(found?),
    }
    let regions = store.all_regions().await?;
    let profiles: BTreeSet<&str> = regions.iter().map(|region| region.profile.as_str()).collect();
    let mut notices = Vec::new();
    for profile in profiles {
        notices.extend(store.notices_of_season(profile, year).await?);
    }
    let names: BTreeMap<RegionId, String> = regions.into_iter().map(|region| (region.id, region.name)).collect();
    let meant = meant(asked, &notices, &names);
    match meant.as_slice() {
        [] => {
            let known = notices.iter().map(|notice| notice.id.as_str());
            let near = near_spelling(asked, known.chain(names.iter().flat_map(|(id, name)| [id.as_str(), name])));
            Err(DeskError::NoSuchNotice { asked: asked.to_owned(), year, near: near.map(str::to_owned) })
        }
        [one] => Ok((*one).clone()),
        several => {
            let candidates: Vec<NoticeId> = several.iter().map(|notice| notice.id.clone()).collect();
            Err(DeskError::Ambiguous { asked: asked.to_owned(), candidates })
        }
    }
}

/// As [`find`], in one year, and where that has none, in others.
///
/// # Errors
/// As [`find`], of the first year, when no other has one.
pub async fn find_in(store: &Store, asked: &str, first: i32, others: &[i32]) -> Result<Notice, DeskError> {
    let none_there = match find(store, asked, first).await {
        Err(why @ DeskError::NoSuchNotice { .. }) => why,
        found => return found,
    };
    for year in others {
        match find(store, asked, *year).await {
            Err(DeskError::NoSuchNotice { .. }) => {}
            found => return found,
        }
    }
    Err(none_there)
}

/// Those that a text may mean. An id may be shortened at its end, and its profile left out; a region's name alone means the one
/// of its notices that has not left, if there is one.
fn meant<'a>(asked: &str, notices: &'a [Notice], names: &BTreeMap<RegionId, String>) -> Vec<&'a Notice> {
    let asked = asked.to_lowercase();
    if asked.is_empty() {
        return Vec::new();
    }
    let of_region: Vec<&Notice> = notices
        .iter()
        .filter(|notice| {
            let region = &notice.season.region;
            region.as_str() == asked || names.get(region).is_some_and(|name| name.to_lowercase() == asked)
        })
        .collect();
    if !of_region.is_empty() {
        let open = |notice: &&&Notice| matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held);
        let open: Vec<&Notice> = of_region.iter().filter(open).copied().collect();
        return if open.is_empty() { of_region } else { open };
    }
    let begins = |notice: &&Notice| {
        let whole = notice.id.as_str();
        let without_profile = whole.split_once('/').map_or(whole, |(_, rest)| rest);
        let (region, kind) = (notice.season.region.as_str(), notice.kind.name());
        let without_year = format!("{region}/{kind}");
        whole.starts_with(&asked) || without_profile.starts_with(&asked) || without_year.starts_with(&asked)
    };
    notices.iter().filter(begins).collect()
}
