//! The staff's desk: acts on notices and what is shown of them, on both engines, with a clock that is moved by hand.

mod acts;
mod command;
mod reports;
pub mod today;
mod wordings;
mod words;

use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::message::{NoticeFacts, Templates, samples};
use treebell::people::{Channel, Language};
use treebell::region::Release;
use treebell::season::decide::{ApprovalNeeded, Reason, Terms};
use treebell::season::profile::Profiles;
use treebell::season::{NoticeId, NoticeKind, SeasonKey};
use treebell::service::app::App;
use treebell::service::desk::Hand;
use treebell::store::Store;
use treebell::store::acts::Actor;
use treebell::store::audit::AuditFilter;
use treebell::store::notices::{DueOutcome, NewNotice, NoticeRelease, NoticeText};

use crate::people::{subscribe, two_regions};

/// So long a word can be taken back.
const UNDO: TimeDelta = TimeDelta::minutes(2);

/// Ten in the morning where the regions lie.
pub const MORNING: &str = "2026-03-16T16:00:00Z";
/// From then on the notice is of no use: the local midnight after March 19.
const END: &str = "2026-03-20T06:00:00Z";

const NONE: [NoticeId; 0] = [];

struct House {
    app: App,
    clock: Arc<ManualClock>,
    id: NoticeId,
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// Somebody who may act for every region.
fn everywhere() -> Hand<'static> {
    Hand { by: "M. Reyes", reach: &|_| true }
}

impl House {
    /// Region north with three addresses and a notice "inspect now" that leaves as it is given.
    async fn new(store: Store, fate: NoticeRelease) -> Self {
        two_regions(&store).await;
        subscribe(&store, &["00101"], &["a@example.org", "+15055550101"]).await;
        subscribe(&store, &["00102"], &["b@example.org"]).await;
        let clock = Arc::new(ManualClock::at(at(MORNING)));
        let actor = Actor { user: "maria".into(), account: None, why: None, clock: clock.clone() };
        let templates = Templates::load(None).unwrap();
        let app =
            App::with_store(&Config::default(), clock.clone(), store.acting(actor), Profiles::default(), templates);
        let id = put(&app, "north", NoticeKind::InspectNow, fate).await;
        Self { app, clock, id }
    }

    async fn word(&self) -> &'static str {
        self.app.store.notice(&self.id).await.unwrap().standing_word()
    }

    /// The clock goes on, and what is due is done.
    async fn go_to(&self, instant: &str) -> Vec<NoticeId> {
        self.clock.set(at(instant));
        let due = self.app.store.release_due(at(instant)).await.unwrap();
        due.into_iter().filter(|due| matches!(due.outcome, DueOutcome::Left { .. })).map(|due| due.notice).collect()
    }

    async fn queued(&self) -> u64 {
        self.app.store.delivery_counts(&self.id).await.unwrap().get("queued").copied().unwrap_or(0)
    }

    /// Acts on notices that were written down, the oldest first.
    async fn audit(&self) -> Vec<String> {
        let filter = AuditFilter { about: Some("notice/".into()), ..AuditFilter::default() };
        let rows = self.app.store.audit(&filter).await.unwrap();
        rows.into_iter().rev().map(|row| row.act).collect()
    }
}

pub fn facts(region: &str) -> NoticeFacts {
    NoticeFacts { region_id: region.into(), region_name: format!("Region {region}"), ..samples::typical().facts }
}

pub fn texts_of(templates: &Templates, kind: NoticeKind, facts: &NoticeFacts) -> Vec<NoticeText> {
    let pairs = Language::ALL.into_iter().flat_map(|language| Channel::ALL.map(|channel| (language, channel)));
    let text = |(language, channel)| {
        let message = templates.render_notice(kind, language, channel, facts).unwrap();
        NoticeText { language, message }
    };
    pairs.map(text).collect()
}

/// A notice with the words of the templates, of a region of [`two_regions`].
async fn put(app: &App, region: &str, kind: NoticeKind, fate: NoticeRelease) -> NoticeId {
    put_until(app, region, kind, fate, END).await
}

/// As [`put`], of use until an instant.
async fn put_until(app: &App, region: &str, kind: NoticeKind, fate: NoticeRelease, end: &str) -> NoticeId {
    let facts = facts(region);
    let season = SeasonKey { profile: "pinyon-needle-scale".into(), region: region.into(), year: 2026 };
    let approval_needed = match &fate {
        NoticeRelease::WaitForApproval { approval_needed } => Some(approval_needed.clone()),
        _ => None,
    };
    let terms = Terms {
        reason: Reason::BegunLikely { chance: 0.84 },
        release: Release::WhenConfirmed,
        approval_needed,
        expires_on: "2026-03-19".parse().unwrap(),
        deadline: Some(facts.wash_by),
    };
    let texts = texts_of(&app.templates.in_use(), kind, &facts);
    let new = NewNotice {
        season: season.clone(),
        kind,
        fate,
        reason: serde_json::to_value(terms).unwrap(),
        facts: serde_json::to_value(&facts).unwrap(),
        decided_on: "2026-03-16".parse().unwrap(),
        decided_at: at("2026-03-16T12:00:00Z"),
        expires_at: at(end),
        priority: 1,
    };
    app.store.put_notice(&new, &texts).await.unwrap();
    NoticeId::of(&season, kind)
}

fn asks() -> NoticeRelease {
    NoticeRelease::WaitForApproval { approval_needed: ApprovalNeeded::NotOnRealDays }
}

fn leaves(at_instant: &str) -> NoticeRelease {
    NoticeRelease::Wait { release_at: at(at_instant) }
}
