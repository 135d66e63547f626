//! Sign-ins to the desk that are to be asked about. What tells staff of them stands in `web::desk`; here what becomes of it.

use super::*;

#[tokio::test]
async fn a_recovery_code_and_spent_tries_reach_who_runs_the_service_at_night_too() {
    on_each_engine("sign-ins to ask about", |store| async move {
        // Ten in the evening in Denver: quiet hours.
        let house = House::new(store, "2026-04-10T04:00:00Z", "");
        for (key, text) in [
            (
                "recovery-code/maria/1775793600000",
                "the account `maria` signed in with a recovery code instead of its app",
            ),
            ("sign-in/spent/olga/2026-04-10", "somebody guesses at the account `olga`"),
        ] {
            let now = house.clock.now();
            house.app.store.tell_staff(key, None, StaffKind::SignIn, text, now).await.unwrap();
        }
        house.lives(TimeDelta::hours(1)).await;
        let open = house.app.store.alarms(None).await.unwrap();
        let kinds: Vec<AlarmKind> = open.iter().map(|alarm| alarm.kind).collect();
        assert_eq!(kinds, [AlarmKind::SignIns, AlarmKind::SignIns], "{open:?}");
        assert!(open.iter().all(|alarm| alarm.urgent && alarm.times_told == 1), "{open:?}");
        // A mail breaks its lines where it likes.
        let told = house.newest(ADMIN).split_whitespace().collect::<Vec<_>>().join(" ");
        for name in ["maria", "olga"] {
            assert!(told.contains(&format!("treebell account lock {name}")), "{name}: {told}");
        }
        assert!(!house.texts_to_admin().is_empty(), "by text, too");
        assert_eq!(house.mails(AGENT).len(), 0, "no matter of a region");
    })
    .await;
}
