//! How far a region's dates can be trusted, as its page at the desk says and draws it.

use chrono::NaiveDate;
use minijinja::context;
use minijinja::value::Value;

use crate::chart::ribbon::Axis;
use crate::chart::wash::{WashCurve, draw};
use crate::language::Language;
use crate::season::outlook::WashShare;
use crate::season::phrases::{capitalised, chance, chance_within, date, parts};
use crate::season::{Profile, StageId, WindowDays};
use crate::service::desk::date_doubts::{DateDoubts, OpeningChance};

/// Every so many days of the curve stand in its table.
const TABLE_STEP: usize = 7;

/// For `desk/_doubts`; `days` are those that are told, `today` the region's own, `axis` that of its ribbon.
pub(super) fn shown(
    profile: &Profile,
    of: &DateDoubts,
    days: Option<WindowDays>,
    today: NaiveDate,
    axis: &Axis,
) -> Value {
    let name = |id: &StageId| {
        profile.stage(id).map_or_else(|| id.to_string(), |stage| capitalised(stage.names.get(Language::En)))
    };
    let parts: Vec<Value> = of
        .parts
        .iter()
        .map(|(stage, of)| context! { name => name(stage), words => capitalised(&parts(Language::En, *of)) })
        .collect();
    context! {
        parts,
        chance => of.chance.as_ref().map(|of| context! { name => name(&of.stage), words => chance_words(of) }),
        weather_only => of.weather_only,
        curve => of.wash.as_ref().zip(days).map(|(wash, days)| curve(wash, &days, today, axis)),
    }
}

/// `About 3 in 10 by today, about 5 in 10 within 7 days, about 7 in 10 within 14 days`.
fn chance_words(of: &OpeningChance) -> String {
    let language = Language::En;
    let mut said = vec![format!("{} by today", chance(language, of.by_today))];
    let mut last = chance(language, of.by_today);
    // A chance that grows no more is told once: "almost certain" three times in a row says nothing more.
    for (days, share) in of.within {
        let now = chance(language, share);
        if now != last {
            said.push(chance_within(language, share, days));
            last = now;
        }
    }
    capitalised(&said.join(", "))
}

fn curve(wash: &WashShare, days: &WindowDays, today: NaiveDate, axis: &Axis) -> Value {
    let day = |day| date(Language::En, day);
    let drawn = WashCurve { wash, best: days.best, deadline: Some(days.deadline), today };
    let table = wash.first.iter_days().zip(&wash.one).step_by(TABLE_STEP);
    context! {
        svg => Value::from_safe_string(draw(axis, &drawn)),
        most => wash.peak().map(|(on, share)| context! { on => day(on), takes => hundredth(share) }),
        today => hundredth(wash.on(today)),
        deadline => context! { on => day(days.deadline), takes => hundredth(wash.on(days.deadline)) },
        second => wash.second.zip(wash.both()).map(|(second, both)| {
            // The parts make up the sum as it is shown.
            let (first, both) = (hundredth(wash.on(second.after)), hundredth(both));
            context! { after => day(second.after), on => day(second.on), both, first, adds => both.saturating_sub(first) }
        }),
        table => table.map(|(on, share)| context! { on => day(on), takes => hundredth(*share) }).collect::<Vec<_>>(),
    }
}

/// Eggs of 100.
fn hundredth(share: f64) -> u32 {
    (share * 100.0).round().max(0.0) as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::window::DeadlineRule;
    use crate::web::templates::Pages;

    #[test]
    fn a_chance_that_stays_is_told_once() {
        let of = |by_today, within| OpeningChance { stage: "laying".into(), by_today, within };
        assert_eq!(chance_words(&of(0.99, [(7, 0.99), (14, 1.0)])), "Almost certain by today");
        assert_eq!(
            chance_words(&of(0.3, [(7, 0.5), (14, 0.99)])),
            "About 3 in 10 by today, about 5 in 10 within 7 days, almost certain within 14 days"
        );
    }

    #[test]
    fn a_last_day_that_is_the_best_one_is_told_once() {
        let day = |day| NaiveDate::from_ymd_opt(2025, 3, day).unwrap();
        let wash = WashShare { first: day(1), one: vec![0.5, 0.8, 0.9, 0.96, 0.94], second: None };
        let of = |deadline| WindowDays {
            look_from: day(1),
            best: None,
            deadline,
            rule: DeadlineRule::LeastDays,
            last_from: day(1),
            hatch_early: None,
            hatch_late: None,
            settled: None,
            was: None,
        };
        let pages = Pages::load().unwrap();
        for (deadline, said) in [
            (day(4), "<b>96 on March 4</b>, the most of any day and the last one, and 50 today."),
            (day(5), "<b>96 on March 4</b>, the most of any day, 94 on March 5, the last day, and 50 today."),
        ] {
            let curve = curve(&wash, &of(deadline), day(1), &Axis::of_season(2025));
            let date_doubts = context! { curve, chance => (), parts => Vec::<Value>::new(), weather_only => false };
            let shown = pages.render("desk/_doubts", context! { date_doubts, months => "" }).unwrap();
            assert!(shown.contains(said), "{said}: {shown}");
        }
    }
}
