//! A view as bytes: the length of a packed head, the head, and the charts one after the other, packed as they are.

use bytes::Bytes;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::{Known, Packed, Seen};
use crate::language::Language;
use crate::season::lapse::HeightEffect;
use crate::season::{Outlook, PastScore, WindowDays};
use crate::store::StoreError;
use crate::store::region_views::StoredView;
use crate::weather::feeds::acis_grid::Grid;

#[derive(Serialize, Deserialize)]
struct Head {
    today: NaiveDate,
    known: Option<KnownHead>,
}

#[derive(Serialize, Deserialize)]
struct KnownHead {
    outlook: Outlook,
    station: String,
    grid: Option<String>,
    days: WindowDays,
    skill: Vec<PastScore>,
    height_effect: Option<HeightEffect>,
    is_hatch_to_come: bool,
    /// Language, width, length.
    charts: Vec<(Language, u32, usize)>,
}

pub(super) fn stored(seen: &Seen) -> Result<StoredView, StoreError> {
    let charts = |known: &Known| {
        known.charts.iter().map(|((language, width), chart)| (*language, *width, chart.gzip().len())).collect()
    };
    let known = seen.known.as_ref().map(|known| KnownHead {
        outlook: known.outlook.clone(),
        station: known.station.clone(),
        grid: known.grid.map(|grid| grid.name().to_owned()),
        days: known.days,
        skill: known.skill.clone(),
        height_effect: known.height_effect,
        is_hatch_to_come: known.is_hatch_to_come,
        charts: charts(known),
    });
    let head = serde_json::to_vec(&Head { today: seen.today, known })
        .map_err(|why| StoreError::corrupt(format!("a view: {why}")))?;
    let head = Packed::of(&head);
    let mut body = u32::try_from(head.gzip().len()).unwrap_or(u32::MAX).to_be_bytes().to_vec();
    body.extend_from_slice(head.gzip());
    for chart in seen.known.iter().flat_map(|known| known.charts.values()) {
        body.extend_from_slice(chart.gzip());
    }
    Ok(StoredView { made_at: seen.made_at, made_from: seen.made_from.clone(), body })
}

/// `None` when it is not whole, or of another make.
pub(super) fn read(stored: &StoredView) -> Option<Seen> {
    let (length, rest) = stored.body.split_first_chunk::<4>()?;
    let (head, mut rest) = rest.split_at_checked(usize::try_from(u32::from_be_bytes(*length)).ok()?)?;
    let head: Head = serde_json::from_slice(&Packed::from_gzip(Bytes::copy_from_slice(head)).open()?).ok()?;
    let known = match head.known {
        None => None,
        Some(known) => {
            let grid = match &known.grid {
                None => None,
                Some(name) => Some(Grid::ALL.into_iter().find(|grid| grid.name() == name)?),
            };
            let mut charts = std::collections::BTreeMap::new();
            for (language, width, length) in known.charts {
                let (chart, others) = rest.split_at_checked(length)?;
                charts.insert((language, width), Packed::from_gzip(Bytes::copy_from_slice(chart)));
                rest = others;
            }
            Some(Known {
                outlook: known.outlook,
                station: known.station,
                grid,
                days: known.days,
                skill: known.skill,
                height_effect: known.height_effect,
                is_hatch_to_come: known.is_hatch_to_come,
                charts,
            })
        }
    };
    rest.is_empty().then(|| Seen {
        made_at: stored.made_at,
        today: head.today,
        known,
        made_from: stored.made_from.clone(),
    })
}
