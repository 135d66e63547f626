//! Dates that field reports moved since the last outlook, told to staff once.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use tracing::{error, info};

use super::app::App;
use super::learning::Lessons;
use crate::region::Region;
use crate::season::learning::Places;
use crate::season::{LearnedNote, Outlook, Profile, learning_words};
use crate::store::outlooks::LastOutlook;
use crate::store::staff_log::StaffKind;
use crate::store::{Store, StoreError};
use crate::text::Chain;

/// What moves by less is not worth a word.
const TOLD_FROM_DAYS: u64 = 2;

/// Which regions a look is at. Each tells of its own, since what the one has written the other finds moved no more.
#[derive(Clone, Copy)]
pub(super) enum LookedAt {
    All,
    /// Those with open notices, between two cycles.
    OpenNotices,
}

/// What one cycle finds, or the look between two.
#[derive(Default)]
pub(super) struct Moves(BTreeMap<(String, i32), Season>);

struct Season {
    profile: Arc<Profile>,
    lessons: Arc<Lessons>,
    /// By region, days by which its most likely date moved; above 0 is later.
    days: Vec<i64>,
}

/// What the last outlook said had been learned.
#[derive(Clone, Copy)]
pub(super) struct Before(Option<LearnedNote>);

impl Moves {
    /// Asked before anything is written; `None` when no reports of the season teach.
    ///
    /// # Errors
    /// When the store fails.
    pub(super) async fn before(
        &mut self,
        store: &Store,
        lessons: &Arc<Lessons>,
        profile: &Arc<Profile>,
        region: &Region,
        last: Option<LastOutlook>,
    ) -> Result<Option<Before>, StoreError> {
        // Most days there is nothing to compare.
        if !lessons.has_news() && last.is_none_or(|last| !last.has_learned) {
            return Ok(None);
        }
        let season = lessons.learned.season();
        // Who saw no outlook yet saw no dates that could have moved.
        let before = match last {
            Some(last) => store.outlook(&profile.id, &region.id, last.day).await?,
            None => None,
        };
        let same = |outlook: &Outlook| outlook.season.year == season && outlook.profile_version == profile.version;
        let before = before.filter(same).map(|outlook| Before(outlook.learned));
        // Reports that are set aside move dates too, back to where they were.
        if !lessons.has_news() && before.is_none_or(|before| before.0.is_none()) {
            return Ok(None);
        }
        self.0.entry((profile.id.clone(), season)).or_insert_with(|| Season {
            profile: Arc::clone(profile),
            lessons: Arc::clone(lessons),
            days: Vec::new(),
        });
        Ok(before)
    }

    pub(super) fn note(&mut self, before: Option<Before>, outlook: &Outlook) {
        let Some(Before(before)) = before else { return };
        let moved = |note: Option<LearnedNote>| note.map_or(0, |note| note.moved_days);
        let days = moved(outlook.learned) - moved(before);
        if let Some(season) = self.0.get_mut(&(outlook.season.profile.clone(), outlook.season.year)) {
            season.days.push(days);
        }
    }

    /// Tells staff of each season whose dates moved. A fault is logged: the cycle's work is done.
    pub(super) async fn tell_staff(self, app: &App, now: DateTime<Utc>, looked_at: LookedAt) {
        for ((profile, year), Season { profile: of, lessons, days }) in self.0 {
            let moved: Vec<i64> = days.into_iter().filter(|days| days.unsigned_abs() >= TOLD_FROM_DAYS).collect();
            if moved.is_empty() {
                continue;
            }
            let Places { sightings, zeros } = lessons.learned.places();
            let text = learning_words::told_staff(&of, year, sightings, zeros, &moved);
            // The same reports are told once, however often weather moves what they say.
            let teachers: Vec<&str> = lessons.learned.teachers(|season| season == year).into_iter().collect();
            let digest = hex::encode(&Sha256::digest(teachers.join("\n"))[..6]);
            let end = match looked_at {
                LookedAt::All => "",
                LookedAt::OpenNotices => "/open",
            };
            let key = format!("learned/{profile}/{year}/{digest}{end}");
            match app.store.tell_staff(&key, None, StaffKind::Learned, &text, now).await {
                Ok(true) => info!(profile, season = year, "{text}"),
                Ok(false) => {}
                Err(why) => error!("staff could not be told that reports moved dates: {}", Chain(&why)),
            }
        }
    }
}
