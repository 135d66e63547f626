//! What rests on a report from elsewhere is decided anew when that report changes, before it leaves. The demo's weather is
//! invented.

use std::sync::Arc;

use chrono::{Days, TimeDelta};
use treebell::region::{Region, RegionId, Release};
use treebell::season::decide::{Answer, ApprovalNeeded};
use treebell::season::{NoticeId, NoticeKind, NoticeStatus, Outlook, RecordTrust, StageId};
use treebell::service::cycle::{self, CycleReport};
use treebell::store::Store;
use treebell::store::field_reports::{Judgement, NewFieldReport, ReportMend, ReportSource, Seen};
use treebell::store::learning::{Freeze, FreezeWord};
use treebell::store::notices::{DueOutcome, DueRelease, Notice, NoticeRelease, keep_words};

use super::World;
use crate::engines::on_each_engine;
use crate::people::notices::{notice, season, texts};
use crate::people::{at, two_regions};

/// A notice of the high region that came up because of what was seen below and waits an hour for its leave. Twenty minutes after
/// it came up the reports were set aside, and without them it is too early.
struct SetAside {
    world: World,
    reports: Vec<String>,
    notice: Notice,
    asks: ApprovalNeeded,
}

impl SetAside {
    async fn in_world(store: Store) -> Self {
        let mut world = World::build(store).await;
        let mut config = (*world.app.config).clone();
        // By a day is early, and only reports stand between a notice and its leave.
        (config.policy.early_by_days, config.policy.filled_share_limit) = (0, 1.0);
        world.app.config = Arc::new(config);
        let high = Region { release: Release::UnlessHeld { hours: 1 }, ..world.regions[2].clone() };
        world.app.store.put_regions(std::slice::from_ref(&high), world.now()).await.unwrap();
        world.regions[2] = high.clone();
        let (told, reports) = world.early_sightings(true).await;
        for later in 0..120 {
            world.set(told + Days::new(later));
            world.cycle().await;
            let waiting = world.app.store.notices_waiting().await.unwrap();
            let by_itself = |of: &Notice| of.season.region == high.id && of.release_at().is_some();
            let Some(notice) = waiting.into_iter().find(by_itself) else { continue };
            world.clock.advance(TimeDelta::minutes(20));
            judge(&world, &reports, Judgement::Refused).await;
            let decision = world.look(&high).await.decision;
            if let Some(Answer::AskFirst { approval_needed }) = decision.answer(notice.kind) {
                let asks = approval_needed.clone();
                return Self { world, reports, notice, asks };
            }
            // It is due without them, too.
            world.clock.advance(TimeDelta::minutes(1));
            judge(&world, &reports, Judgement::Confirmed).await;
        }
        panic!("no notice of the high region rests on what was seen below");
    }

    async fn now(&self) -> Notice {
        self.world.app.store.notice(&self.notice.id).await.unwrap()
    }

    /// What the service does between two runs of the cycle.
    async fn minute(&self) -> CycleReport {
        let mut report = CycleReport::default();
        cycle::minute(&self.world.app, &mut report, &mut |_| {}).await.unwrap();
        report
    }

    async fn kept_back(&self) -> usize {
        let log = self.world.app.store.staff_log(chrono::DateTime::UNIX_EPOCH).await.unwrap();
        log.iter().filter(|entry| entry.id.starts_with("kept-back/")).count()
    }
}

async fn judge(world: &World, reports: &[String], judgement: Judgement) {
    world.app.store.judge_field_reports(reports, judgement, None, None, world.now()).await.unwrap();
}

// Before, it left at its hour: only the report's own region was decided anew.
#[tokio::test]
async fn a_notice_whose_report_elsewhere_was_set_aside_does_not_leave_at_its_hour() {
    on_each_engine("a report set aside elsewhere", |store| async move {
        let of = SetAside::in_world(store).await;
        let (app, high) = (&of.world.app, &of.world.regions[2]);
        let hour = of.notice.release_at().unwrap();
        of.world.clock.set(hour);

        // A region that cannot be decided keeps its notice, and staff are told once.
        let mut tx = app.store.begin().await.unwrap();
        sqlx::query("DELETE FROM region_stations WHERE region_id = $1")
            .bind(high.id.as_str())
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();
        for _ in 0..2 {
            let report = of.minute().await;
            assert_eq!(report.faults.len(), 1, "{report:?}");
            assert!(!report.released.contains(&of.notice.id) && !report.decided.contains(&of.notice.id), "{report:?}");
            assert_eq!(of.now().await, of.notice, "it is not lost");
        }
        assert_eq!(of.kept_back().await, 1);
        let mut tx = app.store.begin().await.unwrap();
        sqlx::query("INSERT INTO region_stations (region_id, rank, station_id) VALUES ($1, 0, $2)")
            .bind(high.id.as_str())
            .bind(high.stations[0].as_str())
            .execute(tx.conn())
            .await
            .unwrap();
        tx.commit().await.unwrap();

        let report = of.minute().await;
        assert!(report.faults.is_empty() && !report.released.contains(&of.notice.id), "{report:?}");
        let asked = of.now().await;
        assert_eq!((asked.status(), asked.release_at()), (NoticeStatus::Waiting, None), "{asked:?}");
        assert!(matches!(asked.approval_needed(), Some(ApprovalNeeded::NowTooEarly { .. })), "{asked:?}");
    })
    .await;
}

// Before, its page gave its reason of the morning until the next cycle, and Today the days of now.
#[tokio::test]
async fn open_notices_elsewhere_follow_a_report_within_the_minute() {
    let of = SetAside::in_world(Store::in_memory().await.unwrap()).await;
    let (app, high) = (&of.world.app, &of.world.regions[2]);
    of.world.clock.advance(TimeDelta::seconds(20));
    let report = of.minute().await;
    assert!(report.decided.contains(&of.notice.id) && report.faults.is_empty(), "{report:?}");
    assert_eq!(of.now().await.approval_needed(), Some(&of.asks));
    let (kept, seen) = (app.store.newest_outlook(high).await.unwrap().unwrap(), of.world.look(high).await.outlook);
    let opens = StageId::from("egg-laying-begins");
    let dates = |of: &Outlook| of.stage(&opens).map(|stage| (stage.reached, stage.dates.clone()));
    assert_eq!((dates(&kept), kept.learned), (dates(&seen), None));
    assert_eq!(of.minute().await, CycleReport::default(), "it is decided once");

    // What comes up again leaves as staff were told: with the next cycle at the earliest.
    of.world.clock.advance(TimeDelta::minutes(1));
    judge(&of.world, &of.reports, Judgement::Confirmed).await;
    let now = of.world.now();
    assert!(of.minute().await.decided.contains(&of.notice.id));
    let next = app.config.schedule.timetable().unwrap().next_after(now).unwrap().at;
    let again = of.now().await;
    assert!(next > now + TimeDelta::hours(1), "{next}");
    assert_eq!(again.release_at(), Some(next), "{again:?}");
}

#[tokio::test]
async fn what_counts_or_counts_no_more_is_new_ground_until_the_region_is_decided() {
    on_each_engine("new ground", |store| async move {
        two_regions(&store).await;
        let store = &store;
        let id = NoticeId::of(&season(), NoticeKind::InspectNow);
        let decided = async |instant: &str| {
            let today = "2026-04-21".parse().unwrap();
            let outlook =
                Outlook { today, ..crate::desk::today::outlook("north", "2026-04-25", 5, RecordTrust::Sound) };
            store.put_outlook(&outlook, at(instant)).await.unwrap();
        };
        let new_ground = async |instant: &str| -> Vec<RegionId> {
            store.regions_on_new_ground(at(instant)).await.unwrap().into_iter().collect()
        };
        let none: [RegionId; 0] = [];
        let north: [RegionId; 1] = ["north".into()];
        let day = |instant: &str| at(&format!("2026-04-21T{instant}:00Z"));
        let text = |instant: &str| format!("2026-04-21T{instant}:00Z");
        decided(&text("12:00")).await;
        let fate = NoticeRelease::Wait { release_at: day("14:00") };
        store.put_notice(&notice(NoticeKind::InspectNow, fate), &texts()).await.unwrap();

        let report = NewFieldReport {
            region: "south".into(),
            zip: None,
            observed_on: "2026-04-19".parse().unwrap(),
            tree: None,
            seen: Seen::stage(Some("egg-laying-begins".into()), None),
            nothing_on: None,
            confirmed: false,
            source: ReportSource::Staff,
            person: None,
            note: None,
        };
        let report = store.add_field_report(&report, day("12:20")).await.unwrap();
        assert_eq!(new_ground(&text("12:30")).await, none, "nobody has confirmed it");
        let said = async |judgement, why: Option<&str>, instant: &str| {
            let ids = [report.clone()];
            store.judge_field_reports(&ids, judgement, None, why, day(instant)).await.unwrap();
        };
        said(Judgement::Confirmed, None, "13:00").await;
        assert_eq!(new_ground(&text("12:59")).await, none, "it is not known yet");
        assert_eq!(new_ground(&text("13:00")).await, north);
        let kept_back = DueRelease { notice: id.clone(), outcome: DueOutcome::KeptBack };
        assert_eq!(store.release_due(day("14:00")).await.unwrap(), [kept_back]);
        assert_eq!(store.notice(&id).await.unwrap().release_at(), Some(day("14:00")), "it waits on");
        decided(&text("14:10")).await;
        assert_eq!(new_ground(&text("14:10")).await, none);

        let mend = ReportMend { observed_on: "2026-04-18".parse().ok(), ..ReportMend::default() };
        store.mend_field_report(&report, &mend, None, "looked on 2026-04-18", day("14:20")).await.unwrap();
        assert_eq!(new_ground(&text("14:20")).await, north);
        decided(&text("14:30")).await;
        said(Judgement::Refused, Some("last year's cotton"), "14:40").await;
        assert_eq!(new_ground(&text("14:40")).await, north);
        decided(&text("14:50")).await;
        said(Judgement::Refused, Some("old cotton"), "15:00").await;
        assert_eq!(new_ground(&text("15:00")).await, none, "it did not count before either");

        for (is_frozen, instant, changed) in [(true, "15:10", &none[..]), (false, "15:12", &north[..])] {
            let freeze = Freeze { at: day(instant), by: "staff".into(), why: "a check".into() };
            let word = FreezeWord { profile: season().profile, season: 2026, is_frozen, freeze };
            assert!(store.freeze_learning(&word).await.unwrap());
            assert_eq!(new_ground(&text(instant)).await, changed, "frozen: {is_frozen}");
        }
        // Staff have the last word whatever has changed.
        store.send_notice_at(&id, "maria", day("15:15")).await.unwrap();
        let left = DueRelease { notice: id.clone(), outcome: DueOutcome::Left { deliveries: 0 } };
        assert_eq!(store.release_due(day("15:15")).await.unwrap(), [left]);
        assert_eq!(new_ground(&text("15:15")).await, none, "nothing is open there");
    })
    .await;
}

// Before, it left at the end of the hold: nothing is decided of what is held.
#[tokio::test]
async fn what_was_held_is_decided_anew_before_it_leaves() {
    let of = SetAside::in_world(Store::in_memory().await.unwrap()).await;
    let store = &of.world.app.store;
    let until = of.notice.release_at().unwrap() + TimeDelta::hours(2);
    store.hold_notice_until(&of.notice.id, Some(until), Some("the crew looks first")).await.unwrap();
    of.minute().await;
    assert_eq!(of.now().await.status(), NoticeStatus::Held);
    of.world.clock.set(until);
    let report = of.minute().await;
    assert!(report.faults.is_empty() && report.released.is_empty(), "{report:?}");
    let asked = of.now().await;
    assert!(matches!(asked.approval_needed(), Some(ApprovalNeeded::NowTooEarly { .. })), "{asked:?}");
    assert_eq!((asked.status(), asked.release_at()), (NoticeStatus::Waiting, None), "{asked:?}");
}

// Before, a notice in words of staff left by itself though its days had moved, and ended by its old days.
#[tokio::test]
async fn own_words_whose_days_moved_stay_and_do_not_leave_by_themselves() {
    on_each_engine("own words on new ground", |store| async move {
        two_regions(&store).await;
        let id = NoticeId::of(&season(), NoticeKind::InspectNow);
        let fate = NoticeRelease::Wait { release_at: at("2026-04-21T14:00:00Z") };
        let put = notice(NoticeKind::InspectNow, fate);
        store.put_notice(&put, &texts()).await.unwrap();
        let ends = put.expires_at + TimeDelta::days(3);
        for asked in [true, false] {
            let mut tx = store.begin().await.unwrap();
            assert_eq!(keep_words(&mut tx, &id, ends).await.unwrap(), asked, "it is asked once");
            tx.commit().await.unwrap();
        }
        let asked = store.notice(&id).await.unwrap();
        assert_eq!((asked.approval_needed(), asked.expires_at), (Some(&ApprovalNeeded::OldOwnWords), ends));
        assert_eq!(asked.release_at(), None);
    })
    .await;
}
