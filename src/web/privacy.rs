//! What is kept about people, how long, who sees it, how to have it erased.

use axum::Router;
use axum::response::Response;
use axum::routing::get;
use minijinja::context;

use super::{Fault, Site, Visit};
use crate::language::Language;

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/privacy", get(shown))
}

async fn shown(visit: Visit) -> Result<Response, Fault> {
    let times = &visit.site.app().config.retention;
    let words = |days| span(days, visit.language);
    let times = context! {
        unconfirmed => words(times.unconfirmed_days),
        stopped => words(times.stopped_days),
        messages => words(times.messages_days),
        requests => words(times.requests_days),
        consents => words(times.consents_days),
        staff => words(times.staff_log_days),
    };
    let store = &visit.site.app().store;
    // Who copied the store while a key lay in it has that key for good.
    let lay_inside = store.known_keys().await?.iter().any(|key| key.lay_inside);
    visit.page("privacy", context! { times, key_apart => !store.key_lies_inside(), lay_inside })
}

/// Days as they are read: whole years as years, with their leap days.
fn span(days: u32, language: Language) -> String {
    let years = days / 365;
    let whole = years >= 1 && days - years * 365 <= years / 4 + 1;
    match (language, whole, if whole { years } else { days }) {
        (Language::En, true, 1) => "1 year".into(),
        (Language::En, true, years) => format!("{years} years"),
        (Language::En, false, 1) => "1 day".into(),
        (Language::En, false, days) => format!("{days} days"),
        (Language::Es, true, 1) => "1 año".into(),
        (Language::Es, true, years) => format!("{years} años"),
        (Language::Es, false, 1) => "1 día".into(),
        (Language::Es, false, days) => format!("{days} días"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_years_are_told_as_years() {
        for (days, en, es) in [
            (1, "1 day", "1 día"),
            (7, "7 days", "7 días"),
            (366, "1 year", "1 año"),
            (400, "400 days", "400 días"),
            (731, "2 years", "2 años"),
            (1827, "5 years", "5 años"),
        ] {
            assert_eq!((span(days, Language::En).as_str(), span(days, Language::Es).as_str()), (en, es));
        }
    }
}
