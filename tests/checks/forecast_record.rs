//! What stands behind an outlook: the record of past projections, borrowed years, a fitted forecast, the chart in the mail.
//! The weather is invented: it is for plumbing only.

mod kept;

use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, Utc};
use mailparse::{MailHeaderMap, ParsedMail};
use treebell::assessment::verify::{Prepared, Question};
use treebell::clock::ManualClock;
use treebell::config::{Config, EmailConfig};
use treebell::dispatch::channels::Outgoing;
use treebell::dispatch::channels::mail::MailWriter;
use treebell::geo::Point;
use treebell::heat::hindcast::{AssumedForecast, LEADS};
use treebell::message::{CHART_ID, Message, Templates};
use treebell::people::{Address, Channel, Language, Reach, Zip};
use treebell::people::{Consent, NewSubscriber};
use treebell::region::{OwnerReports, Region, Release};
use treebell::season::profile::Profiles;
use treebell::season::{NoticeKind, NoticeStatus, Outlook, Policy, Profile, RecordTrust, phrases};
use treebell::service::app::App;
use treebell::service::assess;
use treebell::service::caches::{RecordCache, SeasonCache};
use treebell::service::cycle;
use treebell::store::Store;
use treebell::store::notices::Notice;
use treebell::store::weather::ForecastValue;
use treebell::weather::{Element, FeedKind, SourceRef, Station, StationId, TenthsC, Version};

use super::projection::invented_to;

fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap()
}

fn morning(day: NaiveDate) -> DateTime<Utc> {
    day.and_hms_opt(13, 15, 0).unwrap().and_utc()
}

/// One region, its station, and perhaps a neighbour.
struct World {
    app: App,
    clock: Arc<ManualClock>,
    region: Region,
}

/// A station with a record from `first` to the summer of 2022, colder than the invented weather by so much.
struct Made {
    id: &'static str,
    latitude: f64,
    elevation_m: f64,
    first: i32,
    colder_c: f64,
}

const OWN: &str = "LOW-1";

fn own(first: i32) -> Made {
    Made { id: OWN, latitude: 35.0, elevation_m: 1700.0, first, colder_c: 0.0 }
}

fn neighbour() -> Made {
    Made { id: "HIGH-2", latitude: 35.2, elevation_m: 1900.0, first: 2000, colder_c: 2.0 }
}

impl World {
    async fn of(stations: &[Made]) -> Self {
        let store = Store::in_memory().await.unwrap();
        for made in stations {
            let station = Station {
                id: StationId::from(made.id),
                name: format!("Station {}", made.id),
                place: Point { latitude: made.latitude, longitude: -135.0 },
                elevation_m: made.elevation_m,
                time_zone: chrono_tz::America::Denver,
                observation_hour: None,
                sources: vec![SourceRef { feed: FeedKind::PlainCsv, id: "invented".into() }],
            };
            store.add_station(&station).await.unwrap();
            let last = |year| if year == 2022 { day(2022, 8, 1) } else { day(year, 12, 31) };
            let versions: Vec<Version> = (made.first..=2022)
                .map(|year| invented_to(last(year)))
                .flat_map(|season| season.first.iter_days().zip(season.days))
                .flat_map(|(day, c)| [(day, Element::Max, c.max_c), (day, Element::Min, c.min_c)])
                .map(|(day, element, celsius)| Version {
                    day,
                    element,
                    value: TenthsC::from_c(celsius - made.colder_c),
                    feed: FeedKind::PlainCsv,
                    day_reported: day,
                    sampled: false,
                    rejected: None,
                    received_at: morning(self::day(2022, 9, 1)),
                    bulk: true,
                })
                .collect();
            store.add_versions(&station.id, &versions).await.unwrap();
        }
        let region = Region {
            id: "dos-vientos".into(),
            name: "Dos Vientos".into(),
            place: Point { latitude: 35.0, longitude: -135.0 },
            elevation_m: 1700.0,
            time_zone: chrono_tz::America::Denver,
            profile: "pinyon-needle-scale".into(),
            zips: vec![Zip::parse("00201").unwrap()],
            stations: vec![OWN.into()],
            release: Release::AtOnce,
            owner_reports: OwnerReports::WhenConfirmed,
            county: None,
            state: None,
            band: None,
            landmarks: Vec::new(),
            retired: false,
        };
        let start = morning(day(2022, 1, 1));
        store.put_regions(std::slice::from_ref(&region), start).await.unwrap();
        let person = NewSubscriber {
            zips: region.zips.clone(),
            heights: Vec::new(),
            addresses: vec![Address::parse("owner@example.org", Reach::NorthAmerica).unwrap()],
            language: Language::En,
            consent: Consent::Given { evidence: "invented for a test".into() },
        };
        store.add_subscriber(&person, start).await.unwrap();
        let clock = Arc::new(ManualClock::at(start));
        let templates = Templates::load(None).unwrap();
        let app = App::with_store(&Config::default(), clock.clone(), store, Profiles::default(), templates);
        Self { app, clock, region }
    }

    async fn outlook(&self, today: NaiveDate) -> Outlook {
        let (mut records, mut seasons) = (RecordCache::new(self.app.store.clone()), SeasonCache::default());
        let now = morning(today);
        assess::look(&self.app, &mut records, &mut seasons, &self.region, now).await.unwrap().outlook
    }

    /// The cycle every other morning from March on, until the first notice is decided.
    async fn first_notice(&self) -> Notice {
        let (mut records, mut seasons) = (RecordCache::new(self.app.store.clone()), SeasonCache::default());
        for at in (0..120).step_by(2) {
            self.clock.set(morning(day(2022, 3, 1) + Days::new(at)));
            let report = cycle::run(&self.app, &mut records, &mut seasons, &mut |_| {}).await.unwrap();
            assert_eq!(report.faults, Vec::<String>::new());
            if let Some(id) = report.decided.first() {
                return self.app.store.notice(id).await.unwrap();
            }
        }
        panic!("nothing was decided in a whole season");
    }
}

#[tokio::test]
async fn a_date_names_its_record_which_is_the_one_that_verify_scored() {
    let world = World::of(&[own(2002)]).await;
    let (mut records, mut seasons) = (RecordCache::new(world.app.store.clone()), SeasonCache::default());
    let now = morning(day(2023, 1, 5));
    let (profile, policy, rules) = (Profile::pinyon_needle_scale(), Policy::default(), &world.app.config.weather);
    let model = seasons.get(&world.app, &mut records, &world.region, &profile, 2023, now).await.unwrap();
    let record = model.skill();
    let book = records.get(&OWN.into()).await.unwrap();
    let question = Question { profile: &profile, policy: &policy, rules, forecast: AssumedForecast::None };
    let report = Prepared::new(&book, question).unwrap().report(&|| {});
    assert_eq!(record.seasons, report.seasons);
    assert!(record.seasons >= 20);
    for (lead, wanted) in LEADS.iter().zip(&report.leads) {
        let row = record.rows(&profile.window.opens).iter().find(|row| row.lead_days == *lead).unwrap();
        assert_eq!(row.n, wanted.projections);
        for (got, wanted) in [
            (row.bias_days, wanted.bias_days),
            (row.mae_days, wanted.mae_days),
            (row.crps_days, wanted.crps_days),
            (row.held, wanted.held),
        ] {
            assert!((got - wanted).abs() < 1e-9, "{lead} days: {row:?}");
        }
    }

    // Beside a date to come stands the nearest row, in JSON and in the sentence.
    let outlook = world.outlook(day(2022, 3, 1)).await;
    let stage = outlook.stage(&profile.window.opens).unwrap();
    let past = stage.past.expect("twenty years are enough to tell");
    let ahead = (stage.spread.median.unwrap() - outlook.last_day.unwrap()).num_days();
    assert!((i64::from(past.lead_days) - ahead).abs() <= 7, "{ahead} days ahead, {past:?}");
    assert!(past.n >= 10 && past.mae_days > 0.0);
    let json = serde_json::to_value(&outlook).unwrap();
    assert_eq!(json["stages"][0]["past"]["lead_days"], past.lead_days);
    let names = &profile.stage(&stage.stage).unwrap().names;
    let said = |language| phrases::sentence(language, names, stage, &outlook.trust, outlook.today);
    assert!(
        said(Language::En).contains("In past years this forecast of our heat number was off by"),
        "{}",
        said(Language::En)
    );
    assert!(
        said(Language::Es).contains("En años anteriores, este pronóstico de nuestra cifra de calor erró por"),
        "{}",
        said(Language::Es)
    );
}

#[tokio::test]
async fn a_station_with_few_years_borrows_a_neighbours_and_says_so() {
    let world = World::of(&[own(2019), neighbour()]).await;
    let outlook = world.outlook(day(2022, 3, 1)).await;
    let borrowed = outlook.borrowed.as_ref().expect("three years are few");
    assert_eq!((borrowed.station.as_str(), borrowed.own_years, borrowed.borrowed_years), ("HIGH-2", 3, 19));
    assert!(!borrowed.low_confidence && borrowed.common_days.unwrap() > 1000, "{borrowed:?}");
    assert_eq!(outlook.trust, RecordTrust::Sound);
    assert_eq!(outlook.trace_years.len(), 22);
    assert!(
        outlook.stages.iter().all(|stage| stage.past.is_none()),
        "nobody knows how good such projections have been"
    );
    let en = phrases::borrowed_years(Language::En, &outlook).unwrap();
    assert!(en.starts_with("19 of the 22 past years are those of Station HIGH-2, fitted by "), "{en}");
    let es = phrases::borrowed_years(Language::Es, &outlook).unwrap();
    assert!(es.starts_with("De los 22 años anteriores, 19 son de Station HIGH-2, ajustados por "), "{es}");

    // Made to fit, they give about the dates that the station's own years would have given.
    let with_own = World::of(&[own(2000)]).await.outlook(day(2022, 3, 1)).await;
    assert_eq!(with_own.borrowed, None);
    let median = |outlook: &Outlook| outlook.stages[0].spread.median.unwrap();
    let apart = (median(&outlook) - median(&with_own)).num_days().abs();
    assert!(apart <= 1, "{} and {}", median(&outlook), median(&with_own));
}

#[tokio::test]
async fn a_station_with_no_past_leans_on_the_nearest_long_one_and_nothing_leaves_unasked() {
    let world = World::of(&[own(2022), neighbour()]).await;
    // In early January the stations have no days in common that could tell how they differ.
    let outlook = world.outlook(day(2022, 1, 6)).await;
    let borrowed = outlook.borrowed.as_ref().expect("no past of its own");
    assert_eq!((borrowed.own_years, borrowed.common_days, borrowed.low_confidence), (0, None, true));
    // In March they have.
    let outlook = world.outlook(day(2022, 3, 10)).await;
    let borrowed = outlook.borrowed.as_ref().expect("no past of its own");
    assert!(borrowed.common_days.is_some_and(|days| days >= 30) && borrowed.low_confidence, "{borrowed:?}");
    let from = "Station HIGH-2".to_owned();
    assert_eq!(outlook.trust, RecordTrust::BorrowedYears { from, own_years: 0 });
    let care = |language| phrases::with_care(language, &outlook.trust).unwrap();
    assert!(care(Language::En).contains("those of Station HIGH-2 may not fit"), "{}", care(Language::En));
    assert!(care(Language::Es).contains("los de Station HIGH-2 pueden no ajustarse"), "{}", care(Language::Es));

    let notice = world.first_notice().await;
    assert_eq!((notice.kind, notice.status()), (NoticeKind::GetReady, NoticeStatus::Waiting));
    assert!(notice.release_at().is_none() && notice.approval_needed().is_some(), "{notice:?}");
}

#[tokio::test]
async fn without_any_long_station_an_outlook_is_not_trusted_and_a_forecast_of_it_is_none() {
    let outlook = World::of(&[own(2022)]).await.outlook(day(2022, 3, 10)).await;
    assert_eq!((outlook.borrowed, outlook.trust), (None, RecordTrust::TooFewYears { years: 0 }));
}

#[tokio::test]
async fn a_forecast_is_fitted_by_what_past_ones_were_off_by() {
    let world = World::of(&[own(2002)]).await;
    let today = day(2022, 3, 20);
    // Each forecast of seven days says 4 °C too much by day and 1 °C too little by night.
    let issue = async |issued: NaiveDate| {
        let came = invented_to(day(2022, 8, 1));
        let values: Vec<ForecastValue> =
            issued
                .iter_days()
                .take(7)
                .flat_map(|day| {
                    let came = came.days[(day - came.first).num_days() as usize];
                    [(Element::Max, came.max_c + 4.0), (Element::Min, came.min_c - 1.0)]
                        .map(|(element, c)| ForecastValue { day, element, value: TenthsC::from_c(c) })
                })
                .collect();
        let station = StationId::from(OWN);
        world.app.store.add_forecast(&station, &values, morning(issued)).await.unwrap();
    };
    issue(today - Days::new(3)).await;
    issue(today).await;
    let outlook = world.outlook(today).await;
    let fit = outlook.forecast_fit.expect("there is a forecast");
    assert_eq!((fit.added_min_c, fit.added_max_c), (0.0, 0.0), "{fit:?}");
    assert!(fit.common_days < 5);
    let en = phrases::forecast_words(Language::En, &outlook).unwrap();
    assert!(en.contains("taken as it came"), "{en}");

    for back in 4..30 {
        issue(today - Days::new(back)).await;
    }
    let outlook = world.outlook(today).await;
    let fit = outlook.forecast_fit.expect("there is a forecast");
    assert!(fit.common_days >= 20, "{fit:?}");
    let share = f64::from(fit.common_days) / (f64::from(fit.common_days) + 5.0);
    assert!((fit.added_max_c + 4.0 * share).abs() < 0.1 && (fit.added_min_c - share).abs() < 0.1, "{fit:?}");
    let es = phrases::forecast_words(Language::Es, &outlook).unwrap();
    assert!(es.contains("ajustado a esta estación"), "{es}");
}

/// All parts of a mail, depth first, by kind.
fn parts_of<'a>(mail: &'a ParsedMail<'a>, into: &mut Vec<&'a ParsedMail<'a>>) {
    into.push(mail);
    mail.subparts.iter().for_each(|part| parts_of(part, into));
}

#[tokio::test]
async fn the_mail_of_a_notice_shows_the_season_and_is_the_same_when_it_is_sent_again() {
    let world = World::of(&[own(2002)]).await;
    let notice = world.first_notice().await;
    assert_eq!((notice.kind, notice.status()), (NoticeKind::GetReady, NoticeStatus::Released));
    let text = |language| world.app.store.notice_text(&notice.id, Channel::Email, language);
    let (en, es) = (text(Language::En).await.unwrap().unwrap(), text(Language::Es).await.unwrap().unwrap());
    let Message::Email { chart_png: Some(png), html, text, .. } = &en else { panic!("no chart: {en:?}") };
    let Message::Email { chart_png: Some(png_es), html: html_es, text: text_es, .. } = &es else { panic!("{es:?}") };
    assert!(png.len() <= 40_000 && png != png_es, "{} bytes", png.len());
    assert!(text.contains("In past years this forecast of our heat number was off by"), "{text}");
    assert!(text_es.contains("este pronóstico de nuestra cifra de calor erró por"), "{text_es}");
    assert!(html.contains("alt=\"Chart of the heat of the 2022 season in Dos Vientos."), "{html}");
    assert!(html_es.contains("alt=\"Gráfica del calor de la temporada 2022 en Dos Vientos."));
    let sms = world.app.store.notice_text(&notice.id, Channel::Sms, Language::En).await.unwrap();
    assert!(matches!(sms, Some(Message::Sms { .. })));

    let writer = MailWriter::new(&EmailConfig::default()).unwrap();
    let outgoing = Outgoing {
        key: "0f3a".into(),
        to: "owner@example.org".into(),
        message: en.clone(),
        stop_url: None,
        dated: morning(day(2022, 4, 1)),
        at: morning(day(2022, 4, 1)),
    };
    let raw = writer.write(&outgoing).unwrap().raw;
    assert_eq!(raw, writer.write(&outgoing).unwrap().raw);
    let mail = mailparse::parse_mail(&raw).unwrap();
    let mut app = Vec::new();
    parts_of(&mail, &mut app);
    let kinds: Vec<_> = app.iter().map(|part| part.ctype.mimetype.as_str()).collect();
    let bodies = ["multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"];
    // Too early to name a last day: no entry for a calendar yet.
    assert_eq!(kinds, bodies);
    let picture = app[4];
    assert_eq!(picture.get_body_raw().unwrap(), *png);
    assert_eq!(picture.headers.get_first_value("Content-ID").unwrap(), format!("<{CHART_ID}>"));
    assert!(picture.headers.get_first_value("Content-Disposition").unwrap().starts_with("inline"));
    assert!(app[3].get_body().unwrap().contains(&format!("cid:{CHART_ID}")));
    let decoded = resvg::tiny_skia::Pixmap::decode_png(png).unwrap();
    assert!(decoded.width() >= 584 && decoded.height() > 300);

    // Without the setting there is none, and nothing points at one.
    let mut config = Config::default();
    config.messages.chart_in_email = false;
    let mut plain = World::of(&[own(2010)]).await;
    plain.app.config = Arc::new(config);
    let notice = plain.first_notice().await;
    let text = plain.app.store.notice_text(&notice.id, Channel::Email, Language::En).await.unwrap();
    let Some(Message::Email { chart_png: None, html, .. }) = text else { panic!("a chart nobody wanted") };
    assert!(!html.contains("cid:"));
}

#[tokio::test]
async fn a_report_changes_an_outlook_only_while_it_is_confirmed() {
    use treebell::store::field_reports::{Judgement, NewFieldReport, ReportSource, Seen};
    let world = World::of(&[own(2002)]).await;
    let store = &world.app.store;
    let profile = Profile::pinyon_needle_scale();
    let today = day(2022, 3, 1);
    let before = world.outlook(today).await;
    assert_eq!(before.stage(&profile.window.opens).unwrap().reached, None, "the day is to be before the model's");
    let new = NewFieldReport {
        region: world.region.id.clone(),
        zip: None,
        observed_on: day(2022, 2, 26),
        tree: None,
        seen: Seen::at(profile.sight("eggs").unwrap(), None),
        nothing_on: None,
        confirmed: false,
        source: ReportSource::Staff,
        person: None,
        note: None,
    };
    let id = store.add_field_report(&new, morning(today)).await.unwrap();
    assert_eq!(world.outlook(today).await, before, "nobody stands behind it");
    let judge = async |judgement| {
        store.judge_field_reports(std::slice::from_ref(&id), judgement, None, None, morning(today)).await.unwrap();
    };
    judge(Judgement::Confirmed).await;
    let seen = world.outlook(today).await;
    let reached = seen.stage(&profile.window.opens).unwrap().reached.expect("somebody saw it");
    assert!(reached.on <= day(2022, 2, 26), "{reached:?}");
    judge(Judgement::Refused).await;
    assert_eq!(world.outlook(today).await, before, "set aside");
}
