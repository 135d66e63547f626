//! Real seasons, with an insect and with reports that are drawn from the profile's own belief: what was seen at two low
//! stations narrows what is said of a high one. The temperatures are records of GHCN-Daily; the insect is not, since nobody
//! has recorded one, so that this shows what reports are worth *if the profile's spreads are right*.
//!
//! `TREEBELL_EVIDENCE=FOLDER cargo test --test checks real_season -- --nocapture` prints the table that stands in
//! `tests/evidence/belief.md` and draws the picture beside it.

use std::f64::consts::TAU;
use std::fmt::Write;
use std::path::Path;
use std::sync::Arc;

use chrono::{DateTime, Datelike, Days, NaiveDate, TimeDelta, Utc};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use treebell::clock::ManualClock;
use treebell::config::Config;
use treebell::demo::state::State;
use treebell::message::Templates;
use treebell::region::{Region, RegionId, Release, Zip};
use treebell::season::learning::Detection;
use treebell::season::profile::{Need, Profile, Profiles};
use treebell::season::{DateSpread, Outlook};
use treebell::service::app::App;
use treebell::store::Store;

use super::World;
use crate::records::{Real, real_records};
use crate::support;

/// Two low stations and a high one, with reading hours as found from the records themselves (`records`).
const LOW: [(&str, Option<u8>); 2] = [("USC00298535", Some(7)), ("USW00023009", None)];
const HIGH: (&str, Option<u8>) = ("USC00294369", Some(7));

/// The season of the picture, and those before it that are counted too when a full measurement is asked for.
const LAST_SEASON: i32 = 2012;

/// °C·day at which the first egg is laid, by place.
struct Truth {
    low: [f64; 2],
    high: f64,
}

/// From the profile's belief: one error of the mean, one of the season, one of each place.
fn draw(profile: &Profile, dice: &mut ChaCha8Rng) -> Truth {
    let opens = profile.stage(&profile.window.opens).unwrap();
    let (Need::DegreeDays(mean), Some(spread)) = (opens.need, &opens.spread) else { panic!("a sum with its spreads") };
    // Box and Muller.
    let mut bell = |sd: f64| {
        let (one, other): (f64, f64) = (dice.random_range(0.0..1.0), dice.random_range(0.0..1.0));
        sd * (-2.0 * (1.0 - one).ln()).sqrt() * (TAU * other).cos()
    };
    let middle = mean + bell(spread.belief_c) + bell(spread.years_c);
    let mut place = || (middle + bell(spread.places_c)).max(mean / 4.0);
    Truth { low: [place(), place()], high: place() }
}

async fn world(folder: &Path, season: i32) -> World {
    let store = Store::in_memory().await.unwrap();
    let pattern = State::built_in().unwrap().regions.remove(0).region;
    let mut regions = Vec::new();
    for (name, (id, hour)) in ["low-one", "low-two", "high"].into_iter().zip([LOW[0], LOW[1], HIGH]) {
        let (station, versions) = Real::versions_since(folder, id, hour, season - 20, |_| {});
        let region = Region {
            id: RegionId::from(name),
            name: name.into(),
            place: station.place,
            elevation_m: station.elevation_m,
            time_zone: station.time_zone,
            zips: vec![Zip::parse(&format!("0030{}", regions.len())).unwrap()],
            stations: vec![station.id.clone()],
            release: Release::AtOnce,
            ..pattern.clone()
        };
        store.add_missing_stations(std::slice::from_ref(&station)).await.unwrap();
        store.add_versions(&station.id, &versions).await.unwrap();
        regions.push(region);
    }
    let start = morning(NaiveDate::from_ymd_opt(season, 1, 1).unwrap());
    store.put_regions(&regions, start).await.unwrap();
    let clock = Arc::new(ManualClock::at(start));
    let app =
        App::with_store(&Config::default(), clock.clone(), store, Profiles::default(), Templates::load(None).unwrap());
    World { app, clock, regions }
}

fn morning(day: NaiveDate) -> DateTime<Utc> {
    day.and_hms_opt(13, 15, 0).unwrap().and_utc()
}

/// One week of the season as it stood then.
struct Week {
    day: NaiveDate,
    zeros: usize,
    sightings: usize,
    without: DateSpread,
    with: DateSpread,
}

struct Played {
    season: i32,
    weeks: Vec<Week>,
    /// The days on which eggs are there: at both low places and at the high one.
    low: [NaiveDate; 2],
    high: NaiveDate,
}

/// Staff look at one infested tree of each low place every Saturday from the second half of January until they have seen
/// eggs; they miss eggs that are there as often as the settings assume. What they saw is confirmed the same day.
async fn play(folder: &Path, season: i32, dice: &mut ChaCha8Rng) -> Played {
    let with = world(folder, season).await;
    let without = world(folder, season).await;
    let truth = draw(&Profile::pinyon_needle_scale(), dice);
    let low = [with.day_of(&with.regions[0], truth.low[0]).await, with.day_of(&with.regions[1], truth.low[1]).await];
    let high = with.day_of(&with.regions[2], truth.high).await;

    let mut weeks = Vec::new();
    let (mut zeros, mut sightings) = (0, 0);
    let mut looked: [Option<NaiveDate>; 2] = [None; 2];
    let mut done = [false; 2];
    let first = NaiveDate::from_ymd_opt(season, 1, 14).unwrap();
    for day in first.iter_days().take_while(|day| *day <= high).filter(|day| day.weekday().num_days_from_monday() == 5)
    {
        for place in 0..2 {
            if done[place] {
                continue;
            }
            with.set(day);
            let region = &with.regions[place].id;
            let seen = day >= low[place] && dice.random_range(0.0..1.0) < Detection::default().staff;
            let sight = if seen { "eggs" } else { "nothing" };
            with.report(region, day, sight, looked[place], true).await;
            (looked[place], done[place]) = (Some(day), seen);
            if seen {
                sightings += 1;
            } else {
                zeros += 1;
            }
        }
        // By the middle of the week the heat of the day of the look is known.
        let at = day + Days::new(4);
        let mut said = Vec::new();
        for world in [&without, &with] {
            world.set(at);
            said.push(opens(&world.high().await));
        }
        weeks.push(Week { day: at, zeros, sightings, without: said[0], with: said[1] });
    }
    Played { season, weeks, low, high }
}

fn opens(outlook: &Outlook) -> DateSpread {
    outlook.stage(&"egg-laying-begins".into()).unwrap().spread
}

/// Days from the early to the late date.
fn width(spread: &DateSpread) -> Option<i64> {
    Some((spread.late? - spread.early?).num_days())
}

#[tokio::test]
async fn what_is_seen_at_low_stations_narrows_what_is_said_of_a_high_one_in_real_seasons() {
    let Some(folder) = real_records("learning in real seasons") else { return };
    let count = support::size("TREEBELL_LEARNING_SEASONS", 2) as i32;
    let (mut narrower, mut inside, mut nearer, mut by) = (0, 0, 0, 0);
    for season in LAST_SEASON + 1 - count..=LAST_SEASON {
        let mut dice = ChaCha8Rng::seed_from_u64(season.unsigned_abs().into());
        let played = play(&folder, season, &mut dice).await;
        // The last week in which the high region's eggs were still to come, a week at least.
        let ahead = |week: &&Week| played.high - week.day >= TimeDelta::days(7) && week.sightings == 2;
        let Some(last) = played.weeks.iter().rev().find(ahead).or(played.weeks.last()) else { continue };
        let (Some(wide), Some(narrow)) = (width(&last.without), width(&last.with)) else { panic!("dates in season") };
        let off = |spread: &DateSpread| (spread.median.unwrap() - played.high).num_days().abs();
        let holds = |spread: &DateSpread| spread.early <= Some(played.high) && Some(played.high) <= spread.late;
        narrower += i32::from(narrow < wide);
        inside += i32::from(holds(&last.with));
        nearer += i32::from(off(&last.with) <= off(&last.without));
        by += wide - narrow;
        println!(
            "{season}  {}  without reports {} to {}, {wide} days; with {} zeros and {} sightings {} to {}, {narrow} days; eggs on {}",
            last.day,
            short(last.without.early),
            short(last.without.late),
            last.zeros,
            last.sightings,
            short(last.with.early),
            short(last.with.late),
            short(Some(played.high)),
        );
        if season == LAST_SEASON {
            tell(&played);
            if let Some(to) = std::env::var_os("TREEBELL_EVIDENCE") {
                std::fs::write(Path::new(&to).join("belief-season.svg"), picture(&played)).unwrap();
            }
        }
    }
    println!(
        "of {count} seasons: narrower in {narrower}, by {:.1} days on average; the middle as near or nearer in {nearer}; \
         eggs within the range in {inside}",
        by as f64 / f64::from(count)
    );
    assert_eq!(narrower, count, "reports from low places narrow the range of the high one");
}

fn short(day: Option<NaiveDate>) -> String {
    day.map_or_else(|| "open".into(), |day| day.format("%b %-d").to_string())
}

fn tell(played: &Played) {
    println!(
        "\nseason {}: eggs at the low places on {} and {}",
        played.season,
        short(Some(played.low[0])),
        short(Some(played.low[1]))
    );
    println!("outlook of  zeros  sightings  without reports          with reports");
    let range = |spread: &DateSpread| {
        let days = width(spread).map_or_else(String::new, |days| format!(" {days:>2} d"));
        format!("{:>6} {:>6} {:>6}{days}", short(spread.early), short(spread.median), short(spread.late))
    };
    for week in &played.weeks {
        let [without, with] = [&week.without, &week.with].map(range);
        println!("{:<10}  {:>5}  {:>9}  {without}  {with}", short(Some(week.day)), week.zeros, week.sightings);
    }
    println!();
}

/// The range of the high region week by week, without reports (light) and with (dark), and the day on which it was.
fn picture(played: &Played) -> String {
    const LEFT: f64 = 70.0;
    const TOP: f64 = 60.0;
    const WIDTH: f64 = 640.0;
    const HEIGHT: f64 = 360.0;
    let first = played.weeks.first().unwrap().day;
    let last = played.weeks.last().unwrap().day.max(played.high);
    let days = |spread: &DateSpread| [spread.early, spread.late];
    let all: Vec<NaiveDate> =
        played.weeks.iter().flat_map(|week| [days(&week.without), days(&week.with)].concat()).flatten().collect();
    let (low, high) = (*all.iter().min().unwrap() - Days::new(5), *all.iter().max().unwrap() + Days::new(5));
    let part = |day: NaiveDate, from: NaiveDate, to: NaiveDate| {
        (day - from).num_days() as f64 / (to - from).num_days().max(1) as f64
    };
    let x = |day: NaiveDate| LEFT + WIDTH * part(day, first, last);
    let y = |day: NaiveDate| TOP + HEIGHT * (1.0 - part(day, low, high));
    let band = |of: &dyn Fn(&Week) -> DateSpread| {
        let ends = played.weeks.iter().filter_map(|week| Some((week.day, of(week).early?, of(week).late?)));
        let ends: Vec<_> = ends.collect();
        let upper = ends.iter().map(|(at, _, late)| format!("{:.1},{:.1}", x(*at), y(*late)));
        let lower = ends.iter().rev().map(|(at, early, _)| format!("{:.1},{:.1}", x(*at), y(*early)));
        upper.chain(lower).collect::<Vec<_>>().join(" ")
    };
    let middle = |of: &dyn Fn(&Week) -> DateSpread| {
        let points =
            played.weeks.iter().filter_map(|week| Some(format!("{:.1},{:.1}", x(week.day), y(of(week).median?))));
        points.collect::<Vec<_>>().join(" ")
    };
    let mut svg = String::new();
    let bottom = TOP + HEIGHT;
    writeln!(
        svg,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 500" font-family="sans-serif" font-size="13" fill="#222">
<title>What is said of a high region, week by week, without and with reports from two low ones</title>
<rect width="760" height="500" fill="#fff"/>
<text x="{LEFT}" y="24" font-size="16">Season {}: first eggs at the high station, as said on each day</text>
<text x="{LEFT}" y="44">range that is to hold 8 of 10: light without reports, dark with those of two low stations</text>
<polygon points="{}" fill="#9db7c9" fill-opacity="0.55"/>
<polygon points="{}" fill="#2b5f7e" fill-opacity="0.65"/>
<polyline points="{}" fill="none" stroke="#6f8fa5" stroke-width="2" stroke-dasharray="5 4"/>
<polyline points="{}" fill="none" stroke="#fff" stroke-width="2"/>"##,
        played.season,
        band(&|week| week.without),
        band(&|week| week.with),
        middle(&|week| week.without),
        middle(&|week| week.with),
    )
    .unwrap();
    let line = y(played.high);
    writeln!(
        svg,
        r##"<line x1="{LEFT}" x2="{}" y1="{line:.1}" y2="{line:.1}" stroke="#8a3b12" stroke-width="1.5"/><text x="{LEFT}" y="{:.1}" dx="6" fill="#8a3b12">drawn truth: {}</text>"##,
        LEFT + WIDTH,
        line - 5.0,
        short(Some(played.high))
    )
    .unwrap();
    let starts = |from: NaiveDate, to: NaiveDate| from.iter_days().take_while(move |day| *day <= to);
    for day in starts(low, high).filter(|day| [1, 15].contains(&day.day())) {
        let at = y(day);
        writeln!(
            svg,
            r##"<line x1="{}" x2="{LEFT}" y1="{at:.1}" y2="{at:.1}" stroke="#555"/><text x="{}" y="{:.1}" text-anchor="end">{}</text>"##,
            LEFT - 5.0,
            LEFT - 8.0,
            at + 4.0,
            short(Some(day))
        )
        .unwrap();
    }
    let mut before = (0, 0);
    for week in &played.weeks {
        let at = x(week.day);
        writeln!(svg, r##"<line x1="{at:.1}" x2="{at:.1}" y1="{bottom}" y2="{}" stroke="#555"/>"##, bottom + 5.0)
            .unwrap();
        let new = (week.zeros - before.0, week.sightings - before.1);
        before = (week.zeros, week.sightings);
        for mark in 0..new.0 + new.1 {
            // Open: looked for and not there; filled: seen.
            let fill = if mark < new.0 { "none" } else { "#8a3b12" };
            let down = bottom + 16.0 + 14.0 * mark as f64;
            writeln!(
                svg,
                r##"<circle cx="{at:.1}" cy="{down}" r="5" fill="{fill}" stroke="#8a3b12" stroke-width="1.5"/>"##
            )
            .unwrap();
        }
    }
    let every = played.weeks.len().div_ceil(7).max(1);
    for week in played.weeks.iter().step_by(every) {
        let at = x(week.day);
        writeln!(
            svg,
            r##"<text x="{at:.1}" y="{}" text-anchor="middle">{}</text>"##,
            bottom + 60.0,
            short(Some(week.day))
        )
        .unwrap();
    }
    writeln!(
        svg,
        r##"<text x="{LEFT}" y="{}">reports from the low stations: ring, no eggs yet; dot, eggs seen</text>
</svg>"##,
        bottom + 78.0
    )
    .unwrap();
    svg
}
