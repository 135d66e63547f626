//! What was learned, at the desk: the same belief as the command's, frozen as by the command, adopted as it was looked at.

use axum::http::StatusCode;
use chrono::{Days, NaiveDate};
use treebell::language::Language;
use treebell::people::account::{RegionReach, Role};
use treebell::season::learning::Untaught;
use treebell::season::phrases::date;
use treebell::service::belief::again::again;
use treebell::service::belief::choose;
use treebell::service::belief::dates::RegionDates;
use treebell::service::past_cache::unwatched;
use treebell::store::Store;
use treebell::store::audit::AuditFilter;

use super::support::{Browser, DeskWorld};
use crate::engines::on_each_engine;
use crate::learning::World;

const PAGE: &str = "/desk/learned";
const ASKED: [(&str, &str); 2] = [("profile", "pinyon-needle-scale"), ("season", "2025")];

/// A page that may be worked out still: asked for until it is.
async fn ready(browser: &mut Browser<'_>, path: &str) -> String {
    loop {
        let answer = browser.get(path).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.body);
        if answer.header("refresh").is_empty() {
            return answer.body;
        }
        assert!(answer.body.contains("It is being worked out"), "{}", answer.body);
    }
}

async fn said(browser: &mut Browser<'_>, to: &str, more: &[(&str, &str)]) -> super::super::support::Answer {
    let form: Vec<(&str, &str)> = ASKED.iter().chain(more).copied().collect();
    browser.post(&format!("{PAGE}/{to}"), &form).await
}

async fn acts(desk: &DeskWorld) -> Vec<(String, Option<String>)> {
    let about = AuditFilter { about: Some("profile/".into()), ..AuditFilter::default() };
    let rows = desk.store().audit(&about).await.unwrap();
    rows.into_iter().rev().map(|row| (row.act, row.account)).collect()
}

#[tokio::test]
async fn learning_frozen_at_the_desk_is_frozen_and_goes_on_when_thawed() {
    on_each_engine("frozen at the desk", |store| async move {
        let world = World::build(store).await;
        let (_, ids) = world.early_sightings(false).await;
        world.confirm(&ids[0]).await;
        let desk = DeskWorld::over(&world.app, world.clock.clone());
        let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
        let page = ready(&mut observer, PAGE).await;
        assert!(page.contains("Administrators freeze learning") && !page.contains("learned/freeze\""), "{page}");
        assert!(page.contains("<h2>Who decides on it</h2>") && !page.contains("Your word on it"), "{page}");
        let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
        let page = ready(&mut admin, PAGE).await;
        assert!(page.contains("With 1 report") && page.contains("What each report pulls"), "{page}");
        assert!(page.contains("nobody has confirmed it") || page.contains("Nobody has confirmed it"), "{page}");
        assert!(page.contains("earlier"), "a date moves: {page}");
        // Folded, so that the belief is not below a long list.
        assert!(page.contains(" regions move: look ") || page.contains("1 region moves: look "), "{page}");
        let picture = admin
            .get(&format!("{PAGE}/belief.svg?profile=pinyon-needle-scale&season=2025&stage=egg-laying-begins&w=340"))
            .await;
        assert_eq!((picture.status, picture.header("content-type")), (StatusCode::OK, "image/svg+xml; charset=utf-8"));
        assert!(picture.body.starts_with("<svg"), "{}", picture.body);

        let silent = said(&mut admin, "freeze", &[("why", " ")]).await;
        assert_eq!(silent.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(silent.body.contains("<a href=\"#why\">Say why"), "{}", silent.body);
        let frozen = said(&mut admin, "freeze", &[("why", "the crew reads bark wrongly")]).await;
        assert_eq!(frozen.status, StatusCode::SEE_OTHER, "{}", frozen.body);
        // What is confirmed from now on teaches nothing.
        desk.pass(chrono::TimeDelta::minutes(5));
        world.confirm(&ids[1]).await;
        let lessons = world.lessons().await;
        assert_eq!((lessons.taught.len(), lessons.untaught.len()), (1, 1));
        assert_eq!(lessons.untaught[0].1, Untaught::Frozen);
        let page = ready(&mut admin, frozen.header("location")).await;
        assert!(page.contains("is frozen since") && page.contains("the crew reads bark wrongly"), "{page}");
        let again = said(&mut admin, "freeze", &[("why", "once more")]).await;
        assert!(again.header("location").ends_with("done=already"), "{}", again.header("location"));
        desk.pass(chrono::TimeDelta::minutes(5));
        let thawed = said(&mut admin, "thaw", &[("why", "they have learned it")]).await;
        assert_eq!(thawed.status, StatusCode::SEE_OTHER);
        assert_eq!(world.lessons().await.taught.len(), 2);
        let by = Some("maria".to_owned());
        assert_eq!(acts(&desk).await, [("learning-frozen".to_owned(), by.clone()), ("learning-thawed".to_owned(), by)]);
    })
    .await;
}

/// Before, an empty page that looked like any other, and a list of all years since.
#[tokio::test]
async fn a_season_from_before_all_reports_is_not_found_and_others_are_offered() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    world.early_sightings(true).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let answer = observer.get(&format!("{PAGE}?season=1850")).await;
    assert_eq!(answer.status, StatusCode::NOT_FOUND, "{}", answer.body);
    assert!(answer.body.contains("There is no report of season 1850."), "{}", answer.body);
    assert!(answer.body.contains(">2025</option>") && !answer.body.contains(">1850</option>"), "{}", answer.body);
}

/// On a clock that stands still the word of the thaw takes the place of that of the freeze.
#[tokio::test]
async fn a_thaw_at_the_instant_of_its_freeze_is_seen() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (_, ids) = world.early_sightings(false).await;
    world.confirm(&ids[0]).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    ready(&mut admin, PAGE).await;
    for (word, is_frozen) in [("freeze", true), ("thaw", false)] {
        let answer = said(&mut admin, word, &[("why", "the crew reads bark wrongly")]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{word}: {}", answer.body);
        let page = ready(&mut admin, answer.header("location")).await;
        assert_eq!(page.contains("is frozen since"), is_frozen, "{word}: {page}");
    }
}

// Before, it said only that no report teaches anything.
#[tokio::test]
async fn where_only_frozen_reports_are_new_the_adoption_says_so_and_how_they_are_thawed() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (_, ids) = world.early_sightings(false).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let path = format!("{PAGE}/adoption?profile=pinyon-needle-scale&season=2025");
    let frozen = said(&mut admin, "freeze", &[("why", "the crew reads bark wrongly")]).await;
    assert_eq!(frozen.status, StatusCode::SEE_OTHER, "{}", frozen.body);
    let page = ready(&mut admin, &path).await;
    assert!(page.contains("is not in the numbers.") && !page.contains("is frozen"), "nothing was confirmed: {page}");
    desk.pass(chrono::TimeDelta::minutes(5));
    world.confirm(&ids[1]).await;
    let page = ready(&mut admin, &path).await;
    assert!(page.contains("learning from season 2025 is frozen, and 1 report was confirmed after that"), "{page}");
    assert!(page.contains("an administrator can let its reports teach again"), "{page}");
    desk.pass(chrono::TimeDelta::minutes(5));
    said(&mut admin, "thaw", &[("why", "they have learned it")]).await;
    let page = ready(&mut admin, &path).await;
    assert!(page.contains("would follow version"), "{page}");
}

// Before, it was folded away with the stage of which it speaks.
#[tokio::test]
async fn a_report_that_speaks_against_others_is_shown_before_anything_that_is_folded() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    world.early_sightings(true).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    // Nothing at more heat than there was at a sighting in the same region.
    let region = &world.regions[0];
    let later = world.day_of(region, 240.0).await;
    world.set(later + Days::new(2));
    let against = world.report(&region.id, later, "nothing", None, true).await;
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let page = ready(&mut observer, &format!("{PAGE}?profile=pinyon-needle-scale&season=2025")).await;
    let (_, main) = page.split_once("<h1>").unwrap();
    let (before, shown) = main.split_once("Reports that do not go with the others").unwrap_or_else(|| panic!("{main}"));
    assert!(!before.contains("<details"), "{before}");
    let (shown, _) = shown.split_once("</ul>").unwrap();
    let row = format!("/desk/report/{against}\">{}, season 2025</a>", region.name);
    assert!(shown.contains(&row) && shown.contains("Egg laying begins: it saw nothing at"), "{shown}");
}

// Before, the report that came after the freeze was passed over in silence, and a thaw was said to let it teach again.
#[tokio::test]
async fn adopted_while_frozen_it_is_said_which_reports_go_in_and_after_it_that_a_thaw_lets_none_teach() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (_, ids) = world.early_sightings(false).await;
    world.confirm(&ids[0]).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let (path, learned) = (
        format!("{PAGE}/adoption?profile=pinyon-needle-scale&season=2025"),
        format!("{PAGE}?profile=pinyon-needle-scale&season=2025"),
    );
    let page = ready(&mut admin, &path).await;
    assert!(!page.contains("ot adopted: confirmed after the freeze"), "nothing is left out: {page}");
    desk.pass(chrono::TimeDelta::minutes(5));
    said(&mut admin, "freeze", &[("why", "the crew reads bark wrongly")]).await;
    desk.pass(chrono::TimeDelta::minutes(5));
    world.confirm(&ids[1]).await;
    let page = ready(&mut admin, &path).await;
    for (id, fate) in [(&ids[0], "<p>Adopted.</p>"), (&ids[1], "<p>Not adopted: confirmed after the freeze.</p>")] {
        let (_, row) = page.split_once(&format!("/desk/report/{id}\"")).unwrap_or_else(|| panic!("{id}: {page}"));
        assert!(row.split("</li>").next().unwrap().contains(fate), "{id}: {fate}: {page}");
    }
    let seen = page.split("name=\"seen\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    let done = said(&mut admin, "adopt", &[("seen", seen), ("why", "after the season")]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{}", done.body);
    let page = ready(&mut admin, &learned).await;
    assert!(page.contains("End the freeze of season 2025") && !page.contains("teach again"), "{page}");
    desk.pass(chrono::TimeDelta::minutes(5));
    let thawed = said(&mut admin, "thaw", &[("why", "they have learned it")]).await;
    let page = ready(&mut admin, thawed.header("location")).await;
    assert!(page.contains("is not frozen any more, but its reports still teach nothing"), "{page}");
    assert!(!page.contains("teach again") && !page.contains("Freeze learning"), "{page}");
    assert!(world.lessons().await.taught.is_empty());
}

#[tokio::test]
async fn what_was_looked_at_is_adopted_and_nothing_else() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let (_, ids) = world.early_sightings(true).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let path = format!("{PAGE}/adoption?profile=pinyon-needle-scale&season=2025");
    let before = world.app.profiles.get("pinyon-needle-scale").unwrap().version;
    let page = ready(&mut admin, &path).await;
    assert!(page.contains(&format!("version {} would follow version {before}", before + 1)), "{page}");
    let (offered, _) = page.split_once("Adopt it as version").unwrap();
    assert!(offered.contains("the next cycle may bring up notices"), "{page}");
    let seen = |page: &str| page.split("name=\"seen\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    for region in &world.regions {
        assert!(page.contains(&region.name), "the dates of {} stand there", region.name);
    }
    let first = seen(&page);
    // A report is set aside meanwhile: what was looked at is no more.
    let set_aside = treebell::store::field_reports::Judgement::Refused;
    let now = world.app.clock.now();
    world.app.store.judge_field_reports(&ids[1..], set_aside, None, None, now).await.unwrap();
    let late = said(&mut admin, "adopt", &[("seen", &first), ("why", "after the season")]).await;
    assert!(late.header("location").ends_with("done=changed"), "{} {}", late.status, late.body);
    assert!(world.app.store.adopted_profiles().await.unwrap().is_empty());
    let page = ready(&mut admin, &path).await;
    assert_ne!(seen(&page), first);
    let done = said(&mut admin, "adopt", &[("seen", &seen(&page)), ("why", "after the season")]).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{}", done.body);
    let adopted = world.app.store.adopted_profiles().await.unwrap();
    let told: Vec<_> = adopted.iter().map(|of| (of.version, of.adopted_by.as_str(), of.why.as_str())).collect();
    assert_eq!(told, [(before + 1, "maria", "after the season")]);
    assert_eq!(world.app.profiles.get("pinyon-needle-scale").unwrap().version, before + 1);
    assert_eq!(acts(&desk).await, [("profile-adopted".to_owned(), Some("maria".to_owned()))]);
    // Those reports are in the numbers now: there is nothing more to adopt.
    let page = ready(&mut admin, &path).await;
    assert!(page.contains("no report teaches anything that is not in the numbers"), "{page}");
    let page = ready(&mut admin, &format!("{PAGE}?profile=pinyon-needle-scale&season=2025")).await;
    assert!(page.contains("since it was adopted nothing that teaches has been reported"), "{page}");
    assert!(!page.contains("it was seen at 0") && !page.contains("No confirmed report teaches"), "{page}");
}

#[tokio::test]
async fn sightings_of_years_stand_beside_the_numbers_dates_and_a_fit_to_them_is_adopted_as_it_was_looked_at() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let profile = world.app.profiles.get("pinyon-needle-scale").unwrap();
    // Seen at three quarters of the sum, in every year the day after a look in vain.
    for year in [2021, 2022, 2023, 2024] {
        world.set(NaiveDate::from_ymd_opt(year, 1, 1).unwrap());
        for region in &world.regions[..2] {
            let seen = world.day_of(region, 160.0).await;
            world.set(seen + Days::new(1));
            world.report(&region.id, seen, "eggs", Some(seen - Days::new(1)), true).await;
        }
    }
    world.set(NaiveDate::from_ymd_opt(2025, 2, 1).unwrap());
    let chosen = choose(&world.app, None, None).await.unwrap();
    let found = again(&world.app, &chosen, &unwatched()).await.unwrap();
    assert_eq!(found.sightings.len(), 8, "{:?}", found.unusable);
    assert!(found.sightings.is_sorted_by(|a, b| a.season >= b.season));
    for sighting in &found.sightings {
        assert!(sighting.off(sighting.by_number).unwrap() < 0, "the number is late: {sighting:?}");
        assert!(sighting.off(sighting.by_fit).unwrap().abs() <= 2, "the fit is not: {sighting:?}");
    }
    let fitted = found.fitted.as_ref().unwrap_or_else(|why| panic!("{why}"));
    assert!(fitted.fit.best.scores.rmse_days < 1.5 && fitted.profile.version == profile.version + 1);
    assert_eq!(fitted.dates.len(), 3);

    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut admin, _) = desk.signed_in("maria", Role::Administrator, RegionReach::default()).await;
    let path = format!("{PAGE}/years?profile=pinyon-needle-scale&season=2025");
    let page = ready(&mut admin, &path).await;
    assert!(page.contains("earlier") && page.contains("Adopt it as version") && page.contains("rb-number"), "{page}");
    dates_stand_above_adopt(&page, &fitted.dates);
    let picture = admin.get(&format!("{PAGE}/fit.svg?profile=pinyon-needle-scale&season=2025")).await;
    assert!(picture.status == StatusCode::OK && picture.body.starts_with("<svg"), "{}", picture.body);
    // In the unit of the settings, page and picture.
    for (fahrenheit, unit, other) in [(false, "°C", "°F"), (true, "°F", "°C")] {
        let mut config = (*world.app.config).clone();
        config.units.fahrenheit = fahrenheit;
        let app = treebell::service::app::App { config: config.into(), ..world.app.clone() };
        let desk = DeskWorld::over(&app, world.clock.clone());
        let who = if fahrenheit { "olga" } else { "otto" };
        let (mut observer, _) = desk.signed_in(who, Role::Observer, RegionReach::default()).await;
        let page = ready(&mut observer, &path).await;
        // The other unit stands behind sums of heat alone.
        let sum = format!(" {unit}·day (");
        assert!(page.contains(&sum) && page.contains(&format!(" {other}·day)</b>, now ")), "{page}");
        assert!(page.contains(&format!(" {unit}</b>, now ")) && !page.contains(&format!(" {other}</b>")), "{page}");
        let picture = observer.get(&format!("{PAGE}/fit.svg?profile=pinyon-needle-scale&season=2025")).await.body;
        assert!(picture.contains(&format!("Lower threshold, {unit}")), "{picture}");
    }
    let silent = said(&mut admin, "adopt-fit", &[("seen", &fitted.fingerprint), ("why", "")]).await;
    assert_eq!(silent.status, StatusCode::UNPROCESSABLE_ENTITY);
    let other = said(&mut admin, "adopt-fit", &[("seen", "0011223344556677"), ("why", "five years")]).await;
    assert!(other.header("location").ends_with("done=changed"));
    assert!(world.app.store.adopted_profiles().await.unwrap().is_empty());
    let seen = page.split("name=\"seen\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    let done = said(&mut admin, "adopt-fit", &[("seen", seen), ("why", "four years of reports")]).await;
    assert!(done.header("location").ends_with("done=adopted"), "{} {}", done.status, done.body);
    let adopted = world.app.store.adopted_profiles().await.unwrap();
    assert_eq!((adopted[0].version, adopted[0].adopted_by.as_str()), (profile.version + 1, "maria"));
    assert!(adopted[0].text.contains("fitted from 8 confirmed field reports"), "{}", adopted[0].text);
    let again = said(&mut admin, "adopt-fit", &[("seen", seen), ("why", "once more")]).await;
    assert!(again.header("location").ends_with("done=changed"), "that version is in use: {}", again.header("location"));
}

/// Each region with its dates as they are and as the number fitted again would have them, before one is asked to adopt it.
fn dates_stand_above_adopt(page: &str, of: &[RegionDates]) {
    let (_, change) = page.split_once("What it would change now").unwrap();
    let (dates, _) = change.split_once("Adopt it as version").unwrap();
    assert!(dates.contains("the next cycle may bring up notices"), "{dates}");
    for RegionDates { region, before, after, .. } in of {
        let (_, row) =
            dates.split_once(&format!("/desk/region/{region}\"")).unwrap_or_else(|| panic!("{region}: {dates}"));
        let (row, _) = row.split_once("</li>").unwrap();
        for (name, days) in [("Now", before.days), ("Fitted", after.days)] {
            let said = format!("<dt>{name}</dt><dd>Look from {}", date(Language::En, days.look_from));
            assert!(row.contains(&said), "{region}: {said}: {row}");
        }
    }
}

#[tokio::test]
async fn a_look_of_today_stands_beside_the_number_as_one_whose_heat_is_not_known_yet() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    let region = &world.regions[0];
    let extents = world.app.store.record_extents(&region.stations[0]).await.unwrap();
    let today = extents.into_iter().map(|of| of.last_day).max().unwrap() + Days::new(1);
    world.set(today);
    world.report(&region.id, today, "eggs", None, true).await;
    let desk = DeskWorld::over(&world.app, world.clock.clone());
    let (mut observer, _) = desk.signed_in("olga", Role::Observer, RegionReach::default()).await;
    let page = ready(&mut observer, &format!("{PAGE}/years")).await;
    assert!(page.contains("The heat of that day is not known yet."), "{page}");
    assert!(!page.contains("cannot be used") && !page.contains("without usable temperatures"), "{page}");
    // A record that ended long ago is another matter.
    for (days, waits) in [(0, true), (9, false)] {
        world.set(today + Days::new(days));
        let chosen = choose(&world.app, None, None).await.unwrap();
        let found = again(&world.app, &chosen, &unwatched()).await.unwrap();
        let [sighting] = found.sightings.as_slice() else { panic!("{:?}", found.sightings) };
        assert_eq!((sighting.waits, sighting.left_out, found.unusable.is_empty()), (waits, !waits, waits), "{days}");
    }
}

#[tokio::test]
async fn without_reports_one_sentence_and_one_range_stand_there_in_the_unit_of_the_settings() {
    let world = World::build(Store::in_memory().await.unwrap()).await;
    world.set(NaiveDate::from_ymd_opt(2025, 2, 1).unwrap());
    world.cycle().await;
    for (fahrenheit, own, other) in [(false, "°C·day", "°F·day"), (true, "°F·day", "°C·day")] {
        let mut config = (*world.app.config).clone();
        config.units.fahrenheit = fahrenheit;
        let app = treebell::service::app::App { config: config.into(), ..world.app.clone() };
        let desk = DeskWorld::over(&app, world.clock.clone());
        let who = if fahrenheit { "olga" } else { "otto" };
        let (mut observer, _) = desk.signed_in(who, Role::Observer, RegionReach::default()).await;
        let page = ready(&mut observer, PAGE).await;
        assert!(page.contains("No confirmed report teaches anything yet"), "{page}");
        assert!(page.contains(own) && !page.contains("With 0 reports"), "{page}");
        // The other unit stands behind it, and on the page of a region as here.
        let told = |page: &str| page.contains(&format!(" {own} (")) && page.contains(&format!(" {other})"));
        assert!(told(&page) && !page.contains(&format!(" {other} (")), "{page}");
        let of_region = observer.get(&format!("/desk/region/{}", world.regions[0].id)).await.body;
        assert!(told(&of_region) && !of_region.contains(&format!(" {other} (")), "{of_region}");
        let (dates, heat) = (page.find("Dates of 3 regions"), page.find("How much heat each stage takes"));
        assert!(dates.is_some() && dates < heat, "days come first: {page}");
        let picture =
            format!("{PAGE}/belief.svg?profile=pinyon-needle-scale&season=2025&stage=egg-laying-begins&w=340");
        let picture = observer.get(&picture).await.body;
        assert!(!picture.contains("with 0 reports") && picture.contains(own), "{picture}");
    }
}
