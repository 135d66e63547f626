//! From an invitation to the desk, and back in by password and code.

use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta};
use treebell::clock::Clock;
use treebell::people::account::{RegionReach, Role};
use treebell::service::desk;
use treebell::store::staff_log::StaffKind;

use super::super::support::World;
use super::support::{DEVICE, DeskWorld, PASSWORD, SESSION, name, of_region, secret_on};
use crate::engines::{every_row, on_each_engine};

#[tokio::test]
async fn the_desk_is_off_unless_it_is_turned_on() {
    let world = World::empty(|_| {}).await;
    for path in ["/desk", "/desk/sign-in", "/desk/account", "/desk/invitation/x"] {
        assert_eq!(world.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    assert_eq!(world.post("/desk/sign-in", &[]).await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn an_invitation_leads_to_a_password_a_second_factor_and_the_desk_and_to_nothing_after_that() {
    on_each_engine("desk invitation", |store| async move {
        let desk = DeskWorld::on(store.clone()).await;
        let invitation = desk.invite("maria", Role::Staff, of_region("north")).await;
        let mut browser = desk.browser();
        // A program that looks at mail opens every link.
        for _ in 0..2 {
            let page = browser.get(&invitation).await;
            assert!(page.status == StatusCode::OK && page.body.contains("value=\"maria\""), "{}", page.body);
        }
        for (password, again, says) in [
            ("short!7", "short!7", "Too short"),
            ("password2026", "password2026", "first passwords that a guesser tries"),
            ("maria2026", "maria2026", "beside a name"),
            (PASSWORD, "tall grass", "do not match"),
        ] {
            let refused = browser.post(&invitation, &[("password", password), ("again", again)]).await;
            assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{password}");
            assert!(refused.body.contains(says) && !refused.body.contains(password), "{password}: {}", refused.body);
        }
        let set = browser.post(&invitation, &[("password", PASSWORD), ("again", PASSWORD)]).await;
        assert_eq!((set.status, set.header("location")), (StatusCode::SEE_OTHER, "/desk/second-factor"));
        assert!(!browser.is_in().await, "a password alone is not enough for staff");
        assert!(!browser.jar.contains_key(DEVICE), "a browser is known after a whole sign-in only");

        // Whoever knows the password has no way to a second factor of their own, and who stopped half-way has the link.
        let mut other = desk.browser();
        let password_alone = other.give_password("maria", PASSWORD).await;
        assert_eq!(password_alone.header("location"), "/desk/sign-in?invited=yes");
        assert!(!other.jar.contains_key(SESSION) && !other.is_in().await);
        assert!(other.get("/desk/sign-in?invited=yes").await.body.contains("the link of your invitation once more"));
        assert_eq!(other.get(&invitation).await.status, StatusCode::OK);

        let page = browser.get("/desk/second-factor").await;
        let secret = secret_on(&page.body);
        assert!(page.body.contains("<svg class=\"qr\"") && page.body.contains("otpauth://totp/"), "{}", page.body);
        let wrong = browser.post("/desk/second-factor", &[("code", "000000")]).await;
        assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
        let half = browser.jar[SESSION].clone();
        let half_token = browser.token.clone();
        let done = browser.post("/desk/second-factor", &[("code", &desk.code(&secret))]).await;
        let codes: Vec<&str> =
            done.body.split("<li><code>").skip(1).map(|rest| rest.split('<').next().unwrap()).collect();
        assert_eq!((done.status, codes.len()), (StatusCode::OK, 10));
        assert_ne!(browser.jar[SESSION], half, "a new token with the second factor");
        assert_ne!(browser.token, half_token, "the page of the codes is sent with the session that began");
        let token = browser.token.clone();
        assert!(browser.is_in().await);
        assert_eq!(browser.token, token, "the page of the codes holds the token of the pages after it");
        assert_eq!(other.get(&invitation).await.status, StatusCode::NOT_FOUND);
        let again = other.post(&invitation, &[("password", PASSWORD), ("again", PASSWORD)]).await;
        assert_ne!(again.header("location"), "/desk/second-factor", "used up with the second factor");

        // What lets in stands nowhere in the store.
        let rows = every_row(&store).await;
        let token = invitation.rsplit('/').next().unwrap().to_owned();
        let plain_codes: Vec<String> = codes.iter().map(|code| code.replace('-', "")).collect();
        let secrets =
            [token, PASSWORD.into(), hex::encode(&secret), browser.jar[SESSION].clone(), browser.jar[DEVICE].clone()];
        for secret in secrets.iter().chain(&plain_codes) {
            let found: Vec<_> =
                rows.iter().filter(|(_, rows)| rows.iter().any(|row| row.contains(secret.as_str()))).collect();
            assert!(found.is_empty(), "{secret} stands in {found:?}");
        }
        let acts: Vec<String> = desk.acts_on("maria").await.into_iter().map(|(act, _)| act).collect();
        assert_eq!(
            acts,
            ["password-set", "second-factor-set", "recovery-codes-made", "signed-in"],
            "what the holder did; the store of this check acts for nobody"
        );
        assert!(desk.acts_on("maria").await.iter().all(|(_, account)| account.as_deref() == Some("maria")));
    })
    .await;
}

#[tokio::test]
async fn an_invitation_ends_after_its_time_with_a_newer_one_and_with_a_lock() {
    let desk = DeskWorld::new().await;
    let mut browser = desk.browser();
    let first = desk.invite("maria", Role::Observer, RegionReach::default()).await;
    let token =
        desk::invite_anew(desk.store(), &name("maria"), TimeDelta::hours(72), desk.world.clock.now()).await.unwrap();
    let second = format!("/desk/invitation/{token}");
    assert_eq!(browser.get(&first).await.status, StatusCode::NOT_FOUND);
    assert_eq!(browser.get(&second).await.status, StatusCode::OK);
    desk::lock(desk.store(), &name("maria"), desk.world.clock.now()).await.unwrap();
    assert_eq!(browser.get(&second).await.status, StatusCode::NOT_FOUND);
    desk::unlock(desk.store(), &name("maria")).await.unwrap();
    desk.pass(TimeDelta::hours(72) - TimeDelta::seconds(1));
    assert_eq!(browser.get(&second).await.status, StatusCode::OK);
    desk.pass(TimeDelta::seconds(1));
    assert_eq!(browser.get(&second).await.status, StatusCode::NOT_FOUND);
    let late = browser.post(&second, &[("password", PASSWORD), ("again", PASSWORD)]).await;
    assert_eq!(late.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn a_code_lets_in_once_and_a_recovery_code_too() {
    on_each_engine("desk codes", |store| async move {
        let desk = DeskWorld::on(store).await;
        let invitation = desk.invite("maria", Role::Administrator, RegionReach::default()).await;
        let mut first = desk.browser();
        first.get(&invitation).await;
        first.post(&invitation, &[("password", PASSWORD), ("again", PASSWORD)]).await;
        let secret = secret_on(&first.get("/desk/second-factor").await.body);
        let setup_code = desk.code(&secret);
        let page = first.post("/desk/second-factor", &[("code", &setup_code)]).await.body;
        let recovery = page.split("<li><code>").nth(1).unwrap().split('<').next().unwrap().to_owned();

        let mut second = desk.browser();
        let asked = second.give_password("maria", PASSWORD).await;
        assert_eq!((asked.status, asked.header("location")), (StatusCode::SEE_OTHER, "/desk/code"));
        let used = second.give_code(&setup_code).await;
        assert_eq!(used.status, StatusCode::UNPROCESSABLE_ENTITY, "the code that set it up is used");
        desk.pass(TimeDelta::seconds(60));
        let code = desk.code(&secret);
        assert_eq!(second.give_code(&code).await.status, StatusCode::SEE_OTHER);
        assert!(second.is_in().await);

        let mut third = desk.browser();
        third.give_password("maria", PASSWORD).await;
        assert_eq!(third.give_code(&code).await.status, StatusCode::UNPROCESSABLE_ENTITY, "a code lets in once");
        assert_eq!(third.give_code(&recovery.to_lowercase()).await.status, StatusCode::SEE_OTHER);
        assert!(third.get("/desk/account").await.body.contains("9 left"));

        let mut fourth = desk.browser();
        fourth.give_password("maria", PASSWORD).await;
        assert_eq!(
            fourth.give_code(&recovery).await.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "a recovery code lets in once"
        );
        assert!(!fourth.is_in().await);
        let acts: Vec<String> = desk.acts_on("maria").await.into_iter().map(|(act, _)| act).collect();
        assert_eq!(acts[4..], ["signed-in", "recovery-code-used", "signed-in"]);
        let told = desk.store().staff_log(DateTime::UNIX_EPOCH).await.unwrap();
        let told: Vec<(StaffKind, &str)> = told.iter().map(|entry| (entry.kind, entry.text.as_str())).collect();
        let said = "the account `maria` signed in with a recovery code instead of its app; browser not known before";
        assert_eq!(
            told,
            [(StaffKind::SignIn, said)],
            "of a recovery code administrators hear, of codes of the app nobody"
        );
    })
    .await;
}

#[tokio::test]
async fn five_wrong_codes_end_a_half_done_sign_in() {
    let desk = DeskWorld::new().await;
    let (_, secret) = desk.signed_in("maria", Role::Staff, of_region("north")).await;
    let mut browser = desk.browser();
    browser.give_password("maria", PASSWORD).await;
    for _ in 0..4 {
        assert_eq!(browser.give_code("000000").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    }
    let over = browser.give_code("000000").await;
    assert_eq!(over.header("location"), "/desk/sign-in?over=yes");
    let late = browser.give_code(&desk.code(&secret)).await;
    assert!(late.header("location").starts_with("/desk/sign-in"), "{}", late.header("location"));
    // More than these wait, with a new sign-in as well.
    browser.give_password("maria", PASSWORD).await;
    assert_eq!(browser.give_code(&desk.code(&secret)).await.status, StatusCode::TOO_MANY_REQUESTS);
}

#[tokio::test]
async fn an_observer_needs_a_long_password_and_may_add_a_second_factor() {
    let desk = DeskWorld::new().await;
    let invitation = desk.invite("olga", Role::Observer, RegionReach::default()).await;
    let mut browser = desk.browser();
    browser.get(&invitation).await;
    let short = browser.post(&invitation, &[("password", "kv9#mmq2"), ("again", "kv9#mmq2")]).await;
    assert!(short.status == StatusCode::UNPROCESSABLE_ENTITY && short.body.contains("15 characters"), "{}", short.body);
    let set = browser.post(&invitation, &[("password", PASSWORD), ("again", PASSWORD)]).await;
    assert_eq!(set.header("location"), "/desk");
    assert!(browser.is_in().await);
    for (password, status) in [("", 422), ("not it at all", 422)] {
        let refused = browser.post("/desk/account/second-factor", &[("password", password)]).await;
        assert_eq!(refused.status.as_u16(), status, "an open browser alone binds the account to no phone");
        assert!(refused.body.contains("not your password"), "{}", refused.body);
        assert_eq!(browser.get("/desk/second-factor").await.header("location"), "/desk");
    }
    browser.get("/desk/account").await;
    let led = browser.post("/desk/account/second-factor", &[("password", PASSWORD)]).await;
    assert_eq!(led.header("location"), "/desk/second-factor");
    let secret = secret_on(&browser.get("/desk/second-factor").await.body);
    assert_eq!(browser.post("/desk/second-factor", &[("code", &desk.code(&secret))]).await.status, StatusCode::OK);
    let mut other = desk.browser();
    assert_eq!(other.give_password("olga", PASSWORD).await.header("location"), "/desk/code");
}

#[tokio::test]
async fn after_the_sign_in_the_page_that_was_asked_for_comes_and_no_other_host() {
    let desk = DeskWorld::new().await;
    desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let mut browser = desk.browser();
    let led = browser.get("/desk/account/password").await;
    assert_eq!(led.header("location"), "/desk/sign-in?next=%2Fdesk%2Faccount%2Fpassword");
    for (next, to) in [
        ("/desk/account/password", "/desk/account/password"),
        ("//example.org/", "/desk"),
        ("https://example.org/desk", "/desk"),
        ("/desk/../..//example.org", "/desk"),
        ("/sign-up", "/desk"),
    ] {
        let mut browser = desk.browser();
        browser.get("/desk/sign-in").await;
        let on = browser.post("/desk/sign-in", &[("name", "olga"), ("password", PASSWORD), ("next", next)]).await;
        assert_eq!((on.status, on.header("location")), (StatusCode::SEE_OTHER, to), "{next}");
        // Somebody who is signed in already.
        let query = url::form_urlencoded::Serializer::new(String::new()).append_pair("next", next).finish();
        assert_eq!(browser.get(&format!("/desk/sign-in?{query}")).await.header("location"), to, "{next}");
    }
}

/// Before, an address that somebody typed with a slash behind was not found.
#[tokio::test]
async fn a_slash_behind_the_path_of_a_page_leads_to_the_page() {
    let desk = DeskWorld::new().await;
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    for (asked, led) in [
        ("/desk/", "/desk"),
        ("/desk/today/", "/desk/today"),
        ("/desk/today/?state=wash&all=yes", "/desk/today?state=wash&all=yes"),
        ("/desk/region/north/", "/desk/region/north"),
    ] {
        let answer = observer.get(asked).await;
        assert_eq!((answer.status, answer.header("location")), (StatusCode::SEE_OTHER, led), "{asked}");
    }
    for path in ["/desk/today//", "/desk/nothing/"] {
        assert_eq!(observer.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    let posted = observer.post("/desk/sign-out/", &[]).await;
    assert_eq!(posted.status, StatusCode::NOT_FOUND, "forms are sent where they belong");
}

#[tokio::test]
async fn a_link_in_a_mail_leads_to_its_page_and_carries_no_session() {
    let public = url::Url::parse("https://pinyon.example.org/scale/").unwrap();
    let id = "pinyon-needle-scale/north/2026/inspect-now";
    let link = treebell::links::desk_notice(&public, id).unwrap();
    assert_eq!(
        link.as_str(),
        "https://pinyon.example.org/scale/desk/notice/pinyon-needle-scale~north~2026~inspect-now"
    );
    assert_eq!(treebell::links::notice_of_part(link.path_segments().unwrap().next_back().unwrap()), id);
}
