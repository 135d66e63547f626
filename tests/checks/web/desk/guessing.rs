//! Who guesses is slowed down, and nobody is kept out of their account by it.

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta};
use treebell::clock::Clock;
use treebell::people::account::{RegionReach, Role};
use treebell::people::sign_in_limits::{STRANGERS_PER_DAY, Slows};
use treebell::store::accounts::tries::{Bucket, Turn};
use treebell::store::acts::Act;
use treebell::store::audit::AuditFilter;

use super::support::{DEVICE, DeskWorld, PASSWORD};
use crate::engines::{every_row, on_each_engine};

#[tokio::test]
async fn wrong_tries_from_one_place_wait_longer_and_longer_and_no_other_place_does() {
    on_each_engine("desk tries", |store| async move {
        let desk = DeskWorld::on(store).await;
        desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
        let mut guesser = desk.browser_at("203.0.113.9");
        for _ in 0..5 {
            assert_eq!(guesser.give_password("olga", "a wrong one").await.status, StatusCode::UNPROCESSABLE_ENTITY);
        }
        let slowed = guesser.give_password("olga", PASSWORD).await;
        assert_eq!((slowed.status, slowed.header("retry-after")), (StatusCode::TOO_MANY_REQUESTS, "30"));
        let neighbour = desk.browser_at("203.0.113.77").give_password("olga", PASSWORD).await;
        assert_eq!(neighbour.status, StatusCode::TOO_MANY_REQUESTS, "one network is one place");
        assert_eq!(desk.browser_at("198.51.100.4").give_password("olga", PASSWORD).await.status, StatusCode::SEE_OTHER);
        desk.pass(TimeDelta::seconds(30));
        assert_eq!(guesser.give_password("olga", "a wrong one").await.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert_eq!(guesser.give_password("olga", "a wrong one").await.header("retry-after"), "60");
        desk.pass(TimeDelta::seconds(60));
        assert_eq!(guesser.give_password("olga", PASSWORD).await.status, StatusCode::SEE_OTHER);
        let told: Vec<_> = desk.acts_on("olga").await.into_iter().filter(|(act, _)| act == "sign-ins-failed").collect();
        assert_eq!(told, [("sign-ins-failed".to_owned(), None)], "one row, done by nobody in particular");
        let about = AuditFilter { act: Some(Act::SignInsFailed), ..AuditFilter::default() };
        let by = desk.store().audit(&about).await.unwrap().remove(0).actor;
        assert!(by.starts_with("a visitor"), "not by whoever runs the service: {by}");
    })
    .await;
}

#[tokio::test]
async fn a_browser_that_signed_in_before_is_not_kept_out_by_strangers() {
    let desk = DeskWorld::new().await;
    let (known, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    // Strangers from everywhere use up the day's tries.
    let strangers = [Bucket { of: "password\nstrangers\nolga".into(), slows: Slows::STRANGERS }];
    for _ in 1..STRANGERS_PER_DAY {
        let mut tx = desk.store().begin().await.unwrap();
        assert!(matches!(tx.take_try(&strangers, desk.world.clock.now()).await.unwrap(), Turn::Taken { .. }));
        tx.commit().await.unwrap();
    }
    assert_eq!(desk.store().staff_log(DateTime::UNIX_EPOCH).await.unwrap(), []);
    let mut last = desk.browser_at("198.51.100.3");
    assert_eq!(last.give_password("olga", "a wrong one").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    let told = desk.store().staff_log(DateTime::UNIX_EPOCH).await.unwrap();
    assert!(matches!(&told[..], [one] if one.text.starts_with("somebody guesses at the account `olga`")), "{told:?}");
    let mut new = desk.browser_at("198.51.100.4");
    assert_eq!(new.give_password("olga", PASSWORD).await.status, StatusCode::TOO_MANY_REQUESTS);
    // … and somebody in the very network of the holder its pauses.
    let mut beside = desk.browser();
    for _ in 0..6 {
        beside.give_password("olga", "a wrong one").await;
    }
    let mut back = desk.browser();
    back.jar.insert(DEVICE.into(), known.jar[DEVICE].clone());
    assert_eq!(back.give_password("olga", PASSWORD).await.status, StatusCode::SEE_OTHER);
    assert!(back.is_in().await);
    // Its number is good for its account alone, and slows down as any other.
    desk.signed_in("otto", Role::Observer, RegionReach::default()).await;
    let mut thief = desk.browser_at("203.0.113.9");
    thief.jar.insert(DEVICE.into(), known.jar[DEVICE].clone());
    for _ in 0..5 {
        thief.give_password("otto", "a wrong one").await;
        thief.jar.insert(DEVICE.into(), known.jar[DEVICE].clone());
    }
    assert_eq!(thief.give_password("otto", PASSWORD).await.status, StatusCode::TOO_MANY_REQUESTS);
    for _ in 0..5 {
        assert_eq!(thief.give_password("olga", "a wrong one").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    }
    assert_eq!(thief.give_password("olga", PASSWORD).await.status, StatusCode::TOO_MANY_REQUESTS);
    desk.pass(TimeDelta::days(1));
    assert_eq!(new.give_password("olga", PASSWORD).await.status, StatusCode::SEE_OTHER, "the next day all may try");
}

#[tokio::test]
async fn nobody_learns_which_accounts_there_are() {
    let desk = DeskWorld::new().await;
    desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    desk.invite("invited", Role::Observer, RegionReach::default()).await;
    let mut answers = Vec::new();
    for who in ["olga", "invited", "nobody", "no name at all!"] {
        let mut browser = desk.browser_at("203.0.113.9");
        browser.get("/desk/sign-in").await;
        let before = desk.store().lent();
        let answer = browser.post("/desk/sign-in", &[("name", who), ("password", "a wrong one"), ("next", "")]).await;
        let after = desk.store().lent();
        let token = browser.token.clone();
        let said = answer.body.replace(&token, "TOKEN").replace(&format!("value=\"{who}\""), "WHO");
        answers.push((answer.status, said, after.0 - before.0));
    }
    assert_eq!(answers[0].0, StatusCode::UNPROCESSABLE_ENTITY);
    for other in &answers[1..] {
        assert_eq!(*other, answers[0]);
    }
    // A name that nobody has is slowed down as well.
    let mut browser = desk.browser_at("203.0.113.9");
    for _ in 0..4 {
        browser.give_password("nobody", "a wrong one").await;
    }
    assert_eq!(browser.give_password("nobody", "a wrong one").await.status, StatusCode::TOO_MANY_REQUESTS);
}

#[tokio::test]
async fn sign_ins_are_counted_by_what_became_of_them() {
    let desk = DeskWorld::new().await;
    desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let mut browser = desk.browser();
    browser.give_password("olga", "a wrong one").await;
    browser.give_password("olga", PASSWORD).await;
    let text = desk.world.app.metrics.text(Default::default()).unwrap();
    for line in [
        "treebell_desk_sign_ins_total{result=\"refused\"} 1",
        "treebell_desk_sign_ins_total{result=\"whole\"} 1",
        "treebell_desk_sign_ins_total{result=\"slowed\"} 0",
    ] {
        assert!(text.contains(line), "{line} in\n{text}");
    }
}

#[tokio::test]
async fn who_has_to_wait_leaves_nothing_in_the_store() {
    on_each_engine("desk tries without rows", |store| async move {
        let desk = DeskWorld::on(store.clone()).await;
        let network = Bucket { of: "password\nnetwork\n203.0.113.0".into(), slows: Slows::NETWORK };
        let try_of = async |name: usize| {
            let named = Bucket { of: format!("password\nplace\nname-{name}\n203.0.113.0"), slows: Slows::Pauses };
            let mut tx = store.begin().await.unwrap();
            let turn = tx.take_try(&[named, network.clone()], desk.world.clock.now()).await.unwrap();
            tx.commit().await.unwrap();
            turn
        };
        let mut name = 0;
        while let Turn::Taken { .. } = try_of(name).await {
            name += 1;
            assert!(name <= 100, "a network has its budget");
        }
        let full = every_row(&store).await["sign_in_tries"].len();
        for other in 1000..1020 {
            assert!(matches!(try_of(other).await, Turn::Wait(_)));
        }
        assert_eq!(every_row(&store).await["sign_in_tries"].len(), full, "names that were not tried leave no row");
    })
    .await;
}
