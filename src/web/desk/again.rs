//! Confirmed reports beside the dates that the heat number gave, over the years, and the number fitted again to them.

use axum::extract::{Form, Query};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{Datelike, NaiveDate};
use minijinja::context;
use minijinja::value::Value;

use super::caller::Desk;
use super::learned::{Heat, chosen, dates_of, is_of_why, key_of, later, waiting};
use super::notice::{app_of, by, fault_of};
use super::sign_in::with_status;
use crate::chart::error_profile::draw;
use crate::chart::ribbon::{Axis, months, seen_against};
use crate::heat::fit::Scores;
use crate::language::Language;
use crate::people::account::Deed;
use crate::season::Profile;
use crate::season::phrases::{capitalised, date};
use crate::season::profile::Need;
use crate::season::refit::CANNOT_CARRY;
use crate::service::belief::Chosen;
use crate::service::belief::again::{Again, FitAgain, Sighting, again};
use crate::service::desk::learning::adopt_fit;
use crate::service::desk::{DeskError, Word};
use crate::text::Chain;
use crate::web::Fault;
use crate::web::cache::SVG;
use crate::web::forms::{Typed, field};
use crate::web::jobs::{PATIENCE, Stand};

/// So many sightings are shown; more are counted.
const MOST: usize = 200;

pub(super) async fn page(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    shown(&desk, &query, None).await
}

/// The whole error profile of the fit.
pub(super) async fn picture(desk: Desk, Query(query): Query<Typed>) -> Result<Response, Fault> {
    let chosen = chosen(&desk, &query).await?.map_err(|_| Fault::NotFound)?;
    let Stand::Done(found) = known(&desk, &chosen).await? else { return Err(Fault::NotFound) };
    let Ok(fitted) = &found.fitted else { return Err(Fault::NotFound) };
    Ok(([(header::CONTENT_TYPE, SVG)], draw(&fitted.picture, Heat::of(&desk).unit())).into_response())
}

pub(super) async fn adopt_sent(desk: Desk, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let chosen = match chosen(&desk, &typed).await? {
        Ok(chosen) => chosen,
        Err(why) => return refused(&desk, &typed, why).await,
    };
    let changed = || Ok(desk.to(&format!("{}&done=changed", path_of(&chosen))));
    let Stand::Done(found) = known(&desk, &chosen).await? else { return changed() };
    let Ok(fitted) = &found.fitted else { return changed() };
    let why = field(&typed, "why");
    let app = app_of(&desk, Some(why))?;
    match adopt_fit(&app, fitted, field(&typed, "seen"), Word { by: by(&desk), why: Some(why) }).await {
        Ok(_) => {
            // Other processes take it up at their next cycle.
            if let Err(why) = app.profiles.renew(&app.store).await {
                tracing::error!("the profiles in use stay as they were: {}", Chain(&why));
            }
            let (profile, season) = (&chosen.profile.id, chosen.season);
            Ok(desk.to(&format!("/desk/learned?profile={profile}&season={season}&done=adopted")))
        }
        Err(DeskError::OtherBelief) => changed(),
        Err(DeskError::Reason(why)) => {
            refused(
                &desk,
                &typed,
                format!("Say why, in a few words without e-mail addresses or telephone numbers: {why}."),
            )
            .await
        }
        Err(why) => Err(fault_of(why)),
    }
}

async fn refused(desk: &Desk, typed: &Typed, why: String) -> Result<Response, Fault> {
    with_status(shown(desk, typed, Some(why)).await, StatusCode::UNPROCESSABLE_ENTITY)
}

fn path_of(chosen: &Chosen) -> String {
    format!("/desk/learned/years?profile={}&season={}", chosen.profile.id, chosen.season)
}

async fn known(desk: &Desk, chosen: &Chosen) -> Result<Stand<Again>, Fault> {
    let key = key_of(desk, chosen).await?;
    let (app, chosen) = (desk.site().app().clone(), chosen.clone());
    let work = |watch| async move { again(&app, &chosen, &watch).await.map_err(|why| Chain(&why).to_string()) };
    Ok(desk.site().fits().ask(&key, PATIENCE, work).await)
}

async fn shown(desk: &Desk, asked: &Typed, against: Option<String>) -> Result<Response, Fault> {
    let chosen = match chosen(desk, asked).await? {
        Ok(chosen) => chosen,
        Err(why) => {
            let page = desk
                .page("years", context! { against => why, of_why => false, found => (), asked => "", failed => () });
            return with_status(page, StatusCode::UNPROCESSABLE_ENTITY);
        }
    };
    let profile = &*chosen.profile;
    let head = context! {
        of_why => is_of_why(against.as_deref()),
        against,
        changed => field(asked, "done") == "changed",
        asked => format!("profile={}&season={}", profile.id, chosen.season),
        profile => &profile.id,
        season => chosen.season,
        name => capitalised(&profile.names.en),
        version => profile.version,
        stage => profile.stage(&profile.window.opens).map(|stage| capitalised(&stage.names.en)),
        keeps => desk.account().may(Deed::Administer),
        typed_why => field(asked, "why"),
    };
    let running = profile.season_of(chosen.now.date_naive());
    match known(desk, &chosen).await? {
        Stand::UnderWay(done, of) => waiting(desk, "Reports against the model", &path_of(&chosen), (done, of)),
        Stand::Failed(why) => desk.page("years", context! { found => (), failed => capitalised(&why) + ".", ..head }),
        Stand::Done(found) => desk
            .page("years", context! { found => told(Heat::of(desk), profile, &found, running), failed => (), ..head }),
    }
}

/// `running`: the season that runs.
fn told(heat: Heat, profile: &Profile, found: &Again, running: i32) -> Value {
    let Again { sightings, unusable, fitted, .. } = found;
    let axis = Axis::of_season(2025);
    let mut seasons: Vec<i32> = sightings.iter().map(|sighting| sighting.season).collect();
    seasons.dedup();
    context! {
        months => Value::from_safe_string(months(&axis, Language::En)),
        sightings => sightings.iter().take(MOST).map(|one| row_of(one, sightings, running)).collect::<Vec<_>>(),
        more => sightings.len().saturating_sub(MOST),
        seasons => seasons.iter().map(|season| season_of(*season, sightings)).collect::<Vec<_>>(),
        unusable => unusable.iter().map(|line| with_long_dates(line)).collect::<Vec<_>>(),
        fit => fitted.as_ref().ok().map(|fit| fit_of(heat, profile, fit)),
        no_fit => fitted.as_ref().err().map(|why| no_fit(profile, why)),
    }
}

/// Why there is no fit, with what helps: the words of the command name stages by their ids and speak of its options.
fn no_fit(profile: &Profile, why: &str) -> String {
    let Some((what, _)) = why.split_once(CANNOT_CARRY) else { return capitalised(why) + "." };
    let id = what.strip_prefix("stage ").unwrap_or_default();
    let stage = profile.stages.iter().find(|stage| stage.id.0 == id);
    let what =
        stage.map_or_else(|| "the time that eggs take".to_owned(), |of| format!("“{}”", capitalised(&of.names.en)));
    format!(
        "The number cannot be fitted again yet: the fit takes another lower threshold, and in none of its seasons do the \
         temperatures reach far enough to carry {what} over to it. The number in use stays. Look again when the season is over, \
         or ask an administrator to bring in temperatures of whole seasons."
    )
}

/// `of the days from 2025-01-01 on` as `of the days from January 1, 2025 on`: the words are the command's too.
fn with_long_dates(line: &str) -> String {
    let word = |word: &str| {
        let bare = word.trim_end_matches([',', '.', ':', ';', ')']);
        let tail = word.strip_prefix(bare).unwrap_or_default();
        let day = (bare.len() == 10).then(|| bare.parse::<NaiveDate>().ok()).flatten();
        day.map_or_else(|| word.to_owned(), |day| format!("{}, {}{tail}", date(Language::En, day), day.year()))
    };
    line.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

/// Which tree of a region and season it is, where several are: its name, or the day of its report.
fn which(sighting: &Sighting, all: &[Sighting]) -> Option<String> {
    let beside = all.iter().filter(|one| (&one.region, one.season) == (&sighting.region, sighting.season));
    let told = || format!("report of {}", date(Language::En, sighting.told_on));
    (beside.count() > 1).then(|| sighting.tree.clone().unwrap_or_else(told))
}

fn row_of(sighting: &Sighting, all: &[Sighting], running: i32) -> Value {
    let axis = Axis::of_season(sighting.season);
    let day = |of: Option<NaiveDate>| of.map(|day| date(Language::En, day));
    context! {
        report => &sighting.report,
        region => &sighting.name,
        region_id => sighting.region.as_str(),
        season => sighting.season,
        picture => Value::from_safe_string(seen_against(&axis, sighting.by_number, sighting.not_seen, sighting.seen)),
        seen => day(sighting.seen),
        not_seen => day(sighting.not_seen),
        by_number => day(sighting.by_number),
        off => sighting.off(sighting.by_number).map(off_words),
        by_fit => day(sighting.by_fit),
        fit_off => sighting.off(sighting.by_fit).map(off_words),
        which => which(sighting, all),
        runs => sighting.season == running,
        left_out => sighting.left_out,
        waits => sighting.waits,
    }
}

/// Of a sighting against a date.
fn off_words(days: i64) -> String {
    match days {
        0 => "as the number said".to_owned(),
        days => format!("seen {}", later(days)),
    }
}

/// How far sightings of a season lay from the number's dates.
fn season_of(season: i32, sightings: &[Sighting]) -> Value {
    let of_season = || sightings.iter().filter(|sighting| sighting.season == season);
    let offs: Vec<i64> = of_season().filter_map(|sighting| sighting.off(sighting.by_number)).collect();
    let mean = (!offs.is_empty()).then(|| offs.iter().sum::<i64>() as f64 / offs.len() as f64);
    let (least, most) = (offs.iter().min().copied(), offs.iter().max().copied());
    context! {
        season,
        looks => of_season().count(),
        compared => offs.len(),
        mean => mean.map(|mean| later(mean.round() as i64)),
        range => least.zip(most).map(|(least, most)| {
            if least == most { later(least) } else { format!("{} to {}", later(least), later(most)) }
        }),
    }
}

fn fit_of(heat: Heat, profile: &Profile, fit: &FitAgain) -> Value {
    let best = &fit.fit.best;
    let opens = profile.stage(&profile.window.opens);
    let sum_before = opens.and_then(|stage| match stage.need {
        Need::DegreeDays(sum) => Some(heat.told(sum)),
        Need::Days(_) => None,
    });
    let error = |name: &str, scores: &Scores| {
        context! {
            name,
            rmse => format!("{:.1}", scores.rmse_days),
            mean => format!("{:.1}", scores.mae_days),
            // Without the minus of a rounded zero.
            bias => format!("{:+.1}", (scores.bias_days * 10.0).round() / 10.0 + 0.0),
        }
    };
    let mut errors = vec![error("the sum, on the reports it was fitted to", &best.scores)];
    if let Some(out) = &fit.fit.without_year {
        errors.push(error("the sum, each year predicted without it", &out.scores));
        errors.push(error("calendar date, each year predicted without it", &out.calendar));
    }
    errors.push(error("calendar date alone", &fit.fit.calendar.scores));
    let carried = fit.carried.iter().map(|carried| {
        let stage = carried.stage.as_ref().and_then(|id| profile.stage(id));
        let name = stage.map_or_else(|| carried.what.clone(), |of| of.names.en.clone());
        context! { name => capitalised(&name), from => heat.whole(carried.from), to => heat.whole(carried.to) }
    });
    context! {
        unit => heat.symbol(),
        lower => heat.temperature(best.lower_c),
        lower_before => heat.temperature(profile.heat.lower_c()),
        sum => heat.told(best.sum.plain()),
        sum_before,
        records => best.scores.records,
        flat_from => heat.temperature(fit.flat.from_c),
        flat_to => heat.temperature(fit.flat.to_c),
        is_flat => fit.flat.to_c - fit.flat.from_c >= 1.0,
        one_year => fit.fit.without_year.is_none(),
        no_better => fit.fit.without_year.as_ref().is_some_and(|out| out.skill().is_some_and(|skill| skill <= 0.0)),
        errors,
        carried => carried.collect::<Vec<_>>(),
        next => fit.profile.version,
        fingerprint => &fit.fingerprint,
        dates => fit.dates.iter().map(dates_of).collect::<Vec<_>>(),
        faults => &fit.faults,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::refit::RefitError;

    #[test]
    fn what_cannot_be_carried_over_is_told_by_the_stages_name_and_what_helps() {
        let profile = Profile::pinyon_needle_scale();
        let what = "stage egg-laying-ends".to_owned();
        let why = RefitError::CannotCarry { profile: profile.id.clone(), what }.to_string();
        let said = no_fit(&profile, &why);
        assert!(said.contains("carry “Most eggs are laid” over"), "{said}");
        assert!(!said.contains('`') && !said.contains("egg-laying-ends") && said.contains("Look again"), "{said}");
        assert_eq!(no_fit(&profile, "too few"), "Too few.");
    }

    #[test]
    fn trees_of_one_region_and_season_are_told_apart() {
        let day = |day| NaiveDate::from_ymd_opt(2025, 3, day).unwrap();
        let one = |tree: Option<&str>, on: u32| Sighting {
            region: "north".into(),
            name: "Region north".to_owned(),
            season: 2025,
            report: "r".to_owned(),
            tree: tree.map(str::to_owned),
            told_on: day(on),
            seen: Some(day(on)),
            not_seen: None,
            by_number: None,
            by_fit: None,
            left_out: false,
            waits: false,
        };
        let all = [one(Some("by the gate"), 8), one(None, 9)];
        assert_eq!(which(&all[0], &all).as_deref(), Some("by the gate"));
        assert_eq!(which(&all[1], &all).as_deref(), Some("report of March 9"));
        assert_eq!(which(&all[1], &all[1..]), None);
        let runs = |running| row_of(&all[1], &all, running).get_attr("runs").unwrap().is_true();
        assert_eq!((runs(2025), runs(2026)), (true, false));
    }

    /// Before: dates as the command writes them.
    #[test]
    fn what_cannot_be_used_is_told_with_the_dates_of_the_desk() {
        assert_eq!(
            with_long_dates(
                "line 3: the temperatures of A for season 2025 end on 2025-03-02, before 2025-04-18: bring in more"
            ),
            "line 3: the temperatures of A for season 2025 end on March 2, 2025, before April 18, 2025: bring in more"
        );
        assert_eq!(
            with_long_dates("of A in 2025 (1999-12-31) at 0123456789"),
            "of A in 2025 (1999-12-31) at 0123456789"
        );
    }
}
