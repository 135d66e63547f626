//! What invented people do while a season is practised: colleagues in other regions look at trees, owners write what they saw
//! and answer when they are asked. All of it comes in the evening.

use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use sha2::{Digest, Sha256};

use crate::demo::dice::{self, Dice};
use crate::demo::reports::{self, DemoReport};
use crate::demo::state::State;
use crate::demo::truth::{self, RegionTruth};
use crate::demo::weather::StateWeather;
use crate::people::keywords::ScaleAnswer;
use crate::region::RegionId;
use crate::season::Profile;
use crate::season::learning::Detection;
use crate::service::app::App;
use crate::service::follow_up::{self, Reply};
use crate::service::subscribe::tokens::{self, Purpose};
use crate::store::StoreError;
use crate::store::field_reports::{NewFieldReport, ReportSource};
use crate::store::follow_ups::Question;
use crate::timetable::place;

/// Of those who are asked, so many answer.
const ANSWERING: f64 = 0.45;
/// Of those who answer, so many have not looked.
const NOT_LOOKED: f64 = 0.2;
/// Days after they were asked, at most.
const SLOWEST_DAYS: u32 = 4;

/// Trees in the words of their owners.
const TREES: [&str; 4] = ["the big one by the gate", "behind the house", "along the drive", "near the well"];

/// The invented people of one season.
pub(super) struct Owners {
    truths: Vec<RegionTruth>,
    reports: Vec<DemoReport>,
    seed: u64,
    zone: Tz,
    /// All that was to be written by then is in the store.
    written_to: Mutex<DateTime<Utc>>,
}

impl Owners {
    pub fn of(
        state: &State,
        weather: &StateWeather,
        profile: &Profile,
        (season, seed): (i32, u64),
        written_to: DateTime<Utc>,
    ) -> Self {
        let truths = truth::draw(state, weather, profile, season, seed);
        let reports = reports::make(&truths, profile, state.time_zone, season, seed);
        Self { truths, reports, seed, zone: state.time_zone, written_to: Mutex::new(written_to) }
    }

    /// The next evening after an instant.
    pub fn next_after(&self, after: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let evening = NaiveTime::from_hms_opt(18, 30, 0)?;
        let today = after.with_timezone(&self.zone).date_naive();
        let evenings = [Some(today), today.succ_opt()].into_iter().flatten();
        evenings.map(|day| place(day.and_time(evening), self.zone)).find(|at| *at > after)
    }

    /// Puts into the store what has been written by now. Gives how many reports and answers came.
    ///
    /// # Errors
    /// When the store fails; then the rest comes with the next call.
    pub async fn write(&self, app: &App) -> Result<u64, StoreError> {
        let (now, mut came) = (app.clock.now(), 0);
        let from = *self.written_to.lock().unwrap_or_else(PoisonError::into_inner);
        if self.next_after(from).is_none_or(|evening| evening > now) {
            return Ok(0);
        }
        let due = self.reports.iter().filter(|report| report.written_at > from && report.written_at <= now);
        for DemoReport { report, written_at, .. } in due {
            // Colleagues stand behind what they saw; of what owners write the trainee says something.
            let confirmed = report.source == ReportSource::Staff;
            app.store.add_field_report(&NewFieldReport { confirmed, ..report.clone() }, *written_at).await?;
            self.written(*written_at);
            came += 1;
        }
        let today = now.with_timezone(&self.zone).date_naive();
        for question in app.store.unanswered(now).await? {
            let Some(reply) = self.reply(&question, today) else { continue };
            let token = tokens::make(app.store.address_hash(), Purpose::Seen, &question.id);
            came += u64::from(follow_up::answer(app, &token, &reply).await?);
        }
        self.written(now);
        app.store.set_practice_clock(now).await?;
        Ok(came)
    }

    fn written(&self, to: DateTime<Utc>) {
        *self.written_to.lock().unwrap_or_else(PoisonError::into_inner) = to;
    }

    /// What somebody answers today or has answered on a day before; `None`: not yet, or never.
    fn reply(&self, question: &Question, today: NaiveDate) -> Option<Reply> {
        let mut dice = Dice::new(self.seed, stream_of(&question.id));
        if !dice.happens(ANSWERING) {
            return None;
        }
        let asked_on = question.asked_at.with_timezone(&self.zone).date_naive();
        if asked_on + Days::new(u64::from(1 + dice.below(SLOWEST_DAYS))) > today {
            return None;
        }
        let days_ago = u8::try_from(dice.below(2)).unwrap_or(0);
        let tree = TREES.get(dice.below(TREES.len() as u32) as usize).map(|tree| (*tree).to_owned());
        if dice.happens(NOT_LOOKED) {
            return Some(Reply { saw: ScaleAnswer::NotLooked, days_ago: None, infested: None, tree: None });
        }
        let looked_on = today - Days::new(u64::from(days_ago));
        let saw = self.seen(&question.region, looked_on, dice.happens(Detection::default().owner))?;
        Some(Reply { saw, days_ago: Some(days_ago), infested: Some(true), tree })
    }

    fn seen(&self, region: &RegionId, day: NaiveDate, finds: bool) -> Option<ScaleAnswer> {
        let truth = self.truths.iter().find(|truth| truth.region == *region)?;
        Some(match reports::sight(truth, day, finds) {
            "crawlers" => ScaleAnswer::Crawlers,
            "eyespots" => ScaleAnswer::Eyespots,
            "eggs" => ScaleAnswer::Eggs,
            "females" => ScaleAnswer::Females,
            _ => ScaleAnswer::None,
        })
    }
}

/// One stream a question.
fn stream_of(id: &str) -> u64 {
    let digest = Sha256::digest(id.as_bytes());
    let first = digest.iter().take(8).fold(0, |number: u64, byte| (number << 8) | u64::from(*byte));
    first | dice::ANSWERS
}
