//! What a notice tells, on every surface on which it stands.

use chrono::{Days, NaiveDate};
use serde::Deserialize;
use treebell::language::Language;
use treebell::message::dates::{self, DateStyle};
use treebell::message::{Message, NoticeFacts, StageDates};
use treebell::people::Channel;
use treebell::season::decide::Terms;
use treebell::season::window::DeadlineRule;
use treebell::season::{DateSpread, DaySpan, NoticeKind, WashFigures, WindowDays, phrases};
use treebell::store::notices::Notice;

use super::{hatch, part, told};
use crate::web::support::World;

/// A text without its wrapping.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A notice: its messages tell the days on which it was decided, and so do its feed entry and its alert once it has gone out.
/// On its own day these are the days of the page, and what it tells of washing and of chances is the page's too.
pub async fn notice_agrees(world: &World, notice: &Notice, today: NaiveDate) {
    let (region, kind) = (&notice.season.region, notice.kind);
    let at = format!("{region}, {today}, {}", kind.name());
    let facts: NoticeFacts = serde_json::from_value(notice.facts.clone()).unwrap();
    let tells: Terms = serde_json::from_value(notice.reason.clone()).unwrap();
    let days = facts.days.expect("the days of a notice");
    assert_eq!(facts.wash_by, days.deadline, "{at}");
    assert!(tells.deadline.is_none_or(|told| told == days.deadline), "{at}");
    if notice.decided_on == today {
        of_the_page(world, notice, &facts, &at).await;
    }
    let best = days.best.filter(|best| best.first <= days.deadline);
    for language in Language::ALL {
        messages_tell(world, notice, &facts, best, language, &at).await;
    }
    let name = format!("{}-{}", notice.season.year, kind.name());
    for (language, root) in [(Language::En, ""), (Language::Es, "/es")] {
        let news = world.get(&format!("{root}/region/{region}/news.atom")).await.body;
        let entry = news.split("<entry>").find(|entry| entry.contains(&format!("#{name}</id>")));
        let alert = world.get(&format!("/region/{region}/alert/{name}.cap")).await;
        if notice.released_at().is_none() {
            assert!(entry.is_none() && alert.status == 404, "{at}: shown before it went out");
            continue;
        }
        let entry = entry.unwrap_or_else(|| panic!("{at}: not in the feed: {news}"));
        let (deadline, look_from) = (phrases::date(language, days.deadline), phrases::date(language, days.look_from));
        let mut wanted = match kind {
            NoticeKind::GetReady => vec![look_from],
            NoticeKind::InspectNow => vec![],
            _ => vec![deadline],
        };
        if matches!(kind, NoticeKind::GetReady | NoticeKind::InspectNow | NoticeKind::WashNow) {
            wanted.extend(best.map(|best| phrases::span(language, best)));
        }
        if matches!(kind, NoticeKind::WashNow | NoticeKind::LastDaysToWash | NoticeKind::TooLateToWash) {
            wanted.extend(hatch(language, &days));
        }
        let info = alert.body.split("<info>").nth(if language == Language::En { 1 } else { 2 }).unwrap();
        for said in &wanted {
            assert!(entry.contains(said.as_str()), "{at}: the feed does not say {said}: {entry}");
            assert!(info.contains(said.as_str()), "{at}: the alert does not say {said}: {info}");
        }
        let day_of = |name: &str| part(info, &format!("<{name}>"), "T").parse::<NaiveDate>().unwrap();
        let begins = match kind {
            NoticeKind::GetReady | NoticeKind::InspectNow => days.look_from,
            NoticeKind::WashNow | NoticeKind::DeadlineMoved => best.map_or(days.look_from, |best| best.first),
            NoticeKind::LastDaysToWash => days.last_from.min(notice.decided_on),
            NoticeKind::TooLateToWash => days.deadline + Days::new(1),
        };
        assert_eq!(day_of("onset"), begins, "{at}");
        if tells.deadline.is_some() {
            assert_eq!(day_of("expires"), days.deadline + Days::new(1), "{at}");
        }
        // Nobody saw anything; CAP 1.2: "Likely" is above one half.
        let certainty = if facts.chance.unwrap() > 0.5 { "Likely" } else { "Possible" };
        assert!(info.contains(&format!("<certainty>{certainty}</certainty>")), "{at}: {certainty}");
    }
}

/// What a notice of today has of the window, of washing and of chances is what JSON and page have.
async fn of_the_page(world: &World, notice: &Notice, facts: &NoticeFacts, at: &str) {
    let region = &notice.season.region;
    let json = world.get(&format!("/region/{region}/outlook.json")).await.body;
    let (page, days) = (told(&json), facts.days.unwrap());
    let Some(shown) = page.days else {
        // Where nothing was measured the page says nothing, and a notice waits for a word of staff.
        assert!(notice.released_at().is_none() && page.standing == "none", "{at}: {json}");
        return;
    };
    // That it moved is news on the page no more.
    let best = days.best.filter(|best| best.first <= days.deadline);
    assert_eq!(WindowDays { was: shown.was, best, ..days }, shown, "{at}");

    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let stages = json["season"]["stages"].as_array().unwrap();
    for (id, of_notice) in [("egg-laying-begins", facts.laying), ("eggs-hatch", facts.hatch)] {
        let stage = stages.iter().find(|stage| stage["id"] == id).unwrap();
        let projected = &stage["projected"];
        let day = |day: Option<NaiveDate>| serde_json::to_value(day).unwrap();
        // Where there is no likely day, a notice has to name one.
        if !projected["median"].is_null() {
            let of_notice = [of_notice.early, Some(of_notice.likely), of_notice.late].map(day);
            assert_eq!(of_notice, ["early", "median", "late"].map(|key| projected[key].clone()), "{at}: {id}");
        }
        let tells = if notice.kind == NoticeKind::TooLateToWash { "eggs-hatch" } else { "egg-laying-begins" };
        if tells == id && notice.kind != NoticeKind::GetReady {
            let today = stage["chance_today"].as_f64().unwrap();
            assert!((facts.chance.unwrap() - today).abs() <= 0.0051, "{at}: {:?}, {today}", facts.chance);
        }
    }
    if let Some(wash) = facts.wash.filter(|_| ["look", "wash", "last"].contains(&page.standing.as_str())) {
        for (language, root) in [(Language::En, ""), (Language::Es, "/es")] {
            let page = world.get(&format!("{root}/region/{region}")).await.body;
            for figure in figures(language, wash) {
                assert!(page.contains(&figure), "{at}: the page does not say {figure}");
            }
        }
    }
}

/// What a wash takes, as page and mails word the numbers; their words for a second wash differ.
fn figures(language: Language, wash: WashFigures) -> Vec<String> {
    let lost = phrases::eggs_lost(language, wash.daily_loss);
    match language {
        Language::En => vec![format!("about {} of 100 eggs", wash.takes), format!("costs {lost} of those 100")],
        Language::Es => {
            vec![format!("unos {} de cada 100", wash.takes), format!("cada d\u{ed}a cuesta {lost} de esos 100")]
        }
    }
}

/// Its text, its mail and the entry for the reader's own calendar.
async fn messages_tell(
    world: &World,
    notice: &Notice,
    facts: &NoticeFacts,
    best: Option<DaySpan>,
    language: Language,
    at: &str,
) {
    let days = facts.days.unwrap();
    let at = format!("{at}, {language:?}");
    let of = |channel| world.app.store.notice_text(&notice.id, channel, language);
    let Some(Message::Sms { text }) = of(Channel::Sms).await.unwrap() else { panic!("{at}: no text") };
    let Some(Message::Email { subject, text: body, calendar, .. }) = of(Channel::Email).await.unwrap() else {
        panic!("{at}: no mail")
    };
    let mail = flat(&format!("{subject} {body}"));
    let short = |day| dates::day(day, language, DateStyle::Short);
    let full = |day| dates::day(day, language, DateStyle::Full);
    let about = |day| phrases::date(language, day);
    let (in_text, in_mail) = match (notice.kind, best) {
        (NoticeKind::GetReady, _) => {
            let StageDates { early, likely, late, .. } = facts.laying;
            let spread = phrases::wide_range(language, DateSpread { early, median: Some(likely), late });
            (vec![dates::spread(early, likely, late, language, DateStyle::Short)], vec![spread])
        }
        (NoticeKind::InspectNow, Some(best)) => (vec![short(best.first)], vec![about(best.first)]),
        (NoticeKind::TooLateToWash, _) => (vec![short(facts.hatch.likely)], vec![about(facts.hatch.likely)]),
        (NoticeKind::WashNow, Some(best)) => {
            let early_end = (best.last < days.deadline).then(|| short(best.last));
            let in_text = [Some(short(days.deadline)), early_end].into_iter().flatten().collect();
            (in_text, vec![full(days.deadline), phrases::span(language, best)])
        }
        (NoticeKind::DeadlineMoved, Some(best)) => {
            (vec![short(days.deadline)], vec![full(days.deadline), phrases::span(language, best)])
        }
        _ => (vec![short(days.deadline)], vec![full(days.deadline)]),
    };
    for said in in_text {
        assert!(text.contains(&said), "{at}: the text does not say {said}: {text}");
    }
    let tells_wash = !matches!(notice.kind, NoticeKind::GetReady | NoticeKind::TooLateToWash);
    let figures = facts.wash.filter(|_| tells_wash).map(|wash| figures(language, wash)).unwrap_or_default();
    for said in in_mail.into_iter().chain(figures) {
        assert!(mail.contains(&said), "{at}: the mail does not say {said}: {mail}");
    }
    let hatch_before = match language {
        Language::En => "The first eggs may hatch before",
        Language::Es => "Las primeras crías pueden nacer antes",
    };
    let tells_deadline = Terms::deserialize(&notice.reason).unwrap().deadline.is_some();
    let least = tells_deadline && days.rule == DeadlineRule::LeastDays;
    assert_eq!(mail.contains(hatch_before), least, "{at}: {:?}: {mail}", days.rule);
    if let Some(calendar) = calendar {
        let ends = (days.deadline.max(notice.decided_on) + Days::new(1)).format("%Y%m%d");
        assert!(calendar.contains(&format!("DTEND;VALUE=DATE:{ends}")), "{at}: the entry ends otherwise: {calendar}");
    }
    assert_eq!(text.contains("decides") || text.contains("manda la corteza"), facts.provisional, "{at}: {text}");
}
