//! Words of staff that break a rule by now: those who keep the season are told, and told when it is over.

use treebell::store::wordings::WordingVersion;

use super::*;

#[tokio::test]
async fn words_that_are_not_used_raise_an_alarm_until_they_are_mended() {
    on_each_engine("an alarm of words", |store| async move {
        let house = House::new(store, "2026-03-10T16:00:00Z", "");
        let put = |version, en: Option<&str>| WordingVersion {
            text: "wash-now.sms".into(),
            version,
            en: en.map(str::to_owned),
            es: None,
            changed_at: house.clock.now(),
            changed_by: "maria".into(),
            why: String::new(),
        };
        house.lives(TimeDelta::minutes(20)).await;
        assert!(house.app.store.alarms(None).await.unwrap().is_empty());
        house
            .app
            .store
            .put_wording(&put(1, Some("{{ sender_short }}: wash your pinyons. STOP to end\n")), "own")
            .await
            .unwrap();
        house.lives(TimeDelta::minutes(20)).await;
        let open = house.app.store.alarms(None).await.unwrap();
        assert_eq!(open.len(), 1, "{open:?}");
        assert_eq!((open[0].kind, open[0].subject.as_str()), (AlarmKind::Wording, "wash-now.sms"));
        // Who keeps the season is told, and not who runs the machine.
        assert!(house.mails(ADMIN).is_empty());
        let told = house.newest(AGENT).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(
            told.contains("does not say where the trees are: put {{ region_name }} where it belongs")
                && told.contains("message restore"),
            "{told}"
        );
        house.app.store.put_wording(&put(2, None), "the words without ours again").await.unwrap();
        house.lives(TimeDelta::hours(2)).await;
        assert!(house.app.store.alarms(None).await.unwrap().is_empty());
    })
    .await;
}
