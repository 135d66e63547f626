//! The days of a region's window as the page says them.

use chrono::NaiveDate;
use minijinja::context;
use minijinja::value::Value;

use super::Visit;
use super::views::{Known, RegionView};
use crate::language::Language;
use crate::message::{NoticeFacts, facts};
use crate::season::decide::MovedBy;
use crate::season::status::SeasonStanding;
use crate::season::{NoticeKind, WindowDays, phrases};

/// The days of the window in words; none where nothing can be said of them.
pub(super) fn days(visit: &Visit, view: &RegionView) -> Option<Value> {
    let (language, days, known) = (visit.language, view.days()?, view.known.as_ref()?);
    let (outlook, window) = (&known.outlook, &view.profile.window);
    let date = |day| phrases::date(language, day);
    let begun = outlook.stage(&window.opens).map_or("maybe", |opens| match opens.chance_by(view.today) {
        _ if opens.seen() => "seen",
        chance if chance >= facts::PROBABLY => "probably",
        _ => "maybe",
    });
    let (was, moved_by) = moved(view, &days);
    Some(context! {
        look_from => date(days.look_from),
        best => days.best.map(|best| phrases::span(language, best)),
        wash_by => date(days.deadline),
        rule => days.rule.name(),
        was => was.map(date),
        moved_by => moved_by.map(MovedBy::name),
        hatch => hatch_words(language, &days),
        settled => days.settled.map(date),
        begun,
        eggs => eggs(language, view, known, &days),
    })
}

/// The last day to wash that people were told before the one of `days`; and what moved it, once a notice has told them so.
pub(super) fn moved(view: &RegionView, days: &WindowDays) -> (Option<NaiveDate>, Option<MovedBy>) {
    let notice = view.notices.iter().rev().find(|notice| notice.kind == NoticeKind::DeadlineMoved);
    let told = notice.and_then(|notice| serde_json::from_value::<NoticeFacts>(notice.facts.clone()).ok());
    let told = told.filter(|facts| facts.wash_by == days.deadline);
    let was = days.was.or(told.as_ref().and_then(|facts| facts.days).and_then(|days| days.was));
    (was, told.and_then(|facts| facts.moved_by))
}

/// `between April 6 and May 3`: the 10 and 90 % points of the hatch.
pub(super) fn hatch_words(language: Language, days: &WindowDays) -> Option<String> {
    match (days.hatch_early?, days.hatch_late) {
        (early, Some(late)) if early < late => Some(phrases::between(language, early, late)),
        (early, Some(_)) => Some(match language {
            Language::En => format!("on {}", phrases::date(language, early)),
            Language::Es => format!("el {}", phrases::date(language, early)),
        }),
        (early, None) => Some(match language {
            Language::En => format!("from {} on", phrases::date(language, early)),
            Language::Es => format!("a partir del {}", phrases::date(language, early)),
        }),
    }
}

/// What a wash takes, of 100 eggs; none once the best time has passed. The curve itself is for staff.
fn eggs(language: Language, view: &RegionView, known: &Known, days: &WindowDays) -> Option<Value> {
    use SeasonStanding::{Last, Look, Quiet, Ready, Wash};
    if !matches!(view.shown.standing, Quiet | Ready | Look | Wash | Last) {
        return None;
    }
    let figures = known.outlook.wash.as_ref()?.figures(days.best?, days.deadline)?;
    let loss = phrases::eggs_lost(language, figures.daily_loss);
    Some(context! { take => figures.takes, second => figures.second, loss })
}
