//! The share of a tree's eggs that one wash is expected to take, a bar a day. Made to stand inside a page beside the same in words,
//! as the [`ribbon`](super::ribbon) is; the page's style sheet gives the colours of both themes.

use chrono::{Datelike, NaiveDate};

use super::ribbon::{Axis, hundredths, line, open, push, rect};
use crate::language::Language;
use crate::season::outlook::WashShare;
use crate::season::{DaySpan, days_after};

/// What the picture shows.
#[derive(Clone, Copy, Debug)]
pub struct WashCurve<'a> {
    pub wash: &'a WashShare,
    /// Framed, their bars in a colour of their own.
    pub best: Option<DaySpan>,
    /// The last day to wash: the flag.
    pub deadline: Option<NaiveDate>,
    /// Drawn as a line where it falls among the days.
    pub today: NaiveDate,
}

/// Heights, px: above the bars is room for the name of the top line, below them for the months.
const TOP: u32 = 26;
const BARS: u32 = 120;
const BOTTOM: u32 = TOP + BARS;
const HEIGHT: u32 = BOTTOM + 24;

/// Left free on both sides of a bar, as a share of its day.
const GAP: f64 = 0.07;

/// A month that begins so near the right edge has no room for its name; hundredths of the width.
const ROOM: f64 = 9.0;

/// The picture as SVG to stand inside a page; it says nothing to who cannot see it, since the same stands beside it in words.
pub fn draw(curve: &WashCurve<'_>, language: Language) -> String {
    let axis = axis_of(curve);
    let mut out = open("curve", HEIGHT);
    for share in [100, 50] {
        let y = BOTTOM - BARS * share / 100;
        push(&mut out, format_args!(r#"<line x1="0" x2="100%" y1="{y}" y2="{y}" class="rb-month"/>"#));
        push(&mut out, format_args!(r#"<text x="0" y="{}">{share} %</text>"#, y - 6));
    }
    let next = axis.months().next().map_or(100.0, |month| axis.at(month));
    let first = (next > ROOM).then_some((axis.from, 0.0));
    let named = axis.months().map(|month| (month, axis.at(month))).filter(|(_, at)| *at <= 100.0 - ROOM);
    for (month, at) in first.into_iter().chain(named) {
        if at > 0.0 {
            line(&mut out, at, (TOP, HEIGHT), "rb-month");
        }
        let (x, name) = (hundredths(at), language.short_month_name(month.month0()));
        push(&mut out, format_args!(r#"<text x="{x}%" dx="4" y="{}">{name}</text>"#, BOTTOM + 18));
    }
    for (day, share) in curve.wash.first.iter_days().zip(&curve.wash.one) {
        let height = (share.clamp(0.0, 1.0) * f64::from(BARS)).round() as u32;
        if height == 0 {
            continue;
        }
        let is_best = curve.best.is_some_and(|best| (best.first..=best.last).contains(&day));
        let look = if is_best { "class=\"rb-wash\"" } else { "class=\"rb-ready\"" };
        let gap = GAP * (axis.end_of(day) - axis.at(day));
        rect(&mut out, (axis.at(day) + gap, axis.end_of(day) - gap), (BOTTOM - height, height), look);
    }
    push(&mut out, format_args!(r#"<line x1="0" x2="100%" y1="{BOTTOM}" y2="{BOTTOM}" class="base"/>"#));
    if let Some(best) = curve.best {
        rect(&mut out, (axis.at(best.first), axis.end_of(best.last)), (TOP, BARS), "class=\"rb-best\"");
    }
    if let Some(at) = curve.deadline.map(|day| axis.end_of(day)) {
        line(&mut out, at, (6, BOTTOM), "rb-deadline");
        // On the side that has room.
        let x = hundredths(at);
        let left = if at > 50.0 { r#" transform="translate(-9 0)""# } else { "" };
        push(&mut out, format_args!(r#"<rect class="rb-flag" x="{x}%" y="6" width="9" height="7"{left}/>"#));
    }
    if let Some(at) = axis.middle_of(curve.today) {
        line(&mut out, at, (TOP, BOTTOM), "rb-today");
    }
    out + "</svg>"
}

/// The days that are drawn: those on which a wash takes something, and all that is marked of the advice.
fn axis_of(curve: &WashCurve<'_>) -> Axis {
    let first = curve.wash.first;
    let last = days_after(first, (curve.wash.one.len() as u32).saturating_sub(1));
    let marked = [curve.best.map(|best| best.first), curve.best.map(|best| best.last), curve.deadline];
    let marked = || marked.into_iter().flatten();
    Axis { from: marked().fold(first, NaiveDate::min), to: marked().fold(last, NaiveDate::max) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    fn wash() -> WashShare {
        let one = (0..60).map(|nth: i32| 1.0 - f64::from((nth - 30).abs()) / 31.0).collect();
        WashShare { first: day(3, 10), one, second: None }
    }

    #[test]
    fn each_day_has_a_bar_and_the_advice_is_marked() {
        let wash = wash();
        let best = DaySpan { first: day(4, 6), last: day(4, 12) };
        let curve = WashCurve { wash: &wash, best: Some(best), deadline: Some(day(4, 20)), today: day(3, 20) };
        let svg = draw(&curve, Language::En);
        let count = |class: &str| svg.matches(&format!("class=\"{class}\"")).count();
        assert_eq!((count("rb-wash"), count("rb-ready")), (7, 53), "{svg}");
        assert_eq!((count("rb-best"), count("rb-deadline"), count("rb-flag"), count("rb-today")), (1, 1, 1, 1));
        for month in [">Mar<", ">Apr<", ">May<"] {
            assert_eq!(svg.matches(month).count(), 1, "{month}: {svg}");
        }
        assert!(svg.contains("aria-hidden=\"true\"") && !svg.contains("NaN"), "{svg}");
        roxmltree::Document::parse(&svg).unwrap();
    }

    #[test]
    fn higher_shares_have_higher_bars_and_none_leaves_the_picture() {
        let mut wash = wash();
        wash.one = vec![0.25, 2.0, f64::NAN, -1.0];
        let svg = draw(&WashCurve { wash: &wash, best: None, deadline: None, today: day(1, 1) }, Language::En);
        assert_eq!(svg.matches("class=\"rb-ready\"").count(), 2, "what is no share has no bar: {svg}");
        assert!(svg.contains("y=\"116\"") && svg.contains("height=\"30\""), "a quarter: {svg}");
        assert!(svg.contains("y=\"26\"") && svg.contains("height=\"120\""), "all, and no more: {svg}");
        assert!(!svg.contains("rb-today") && !svg.contains("NaN"), "{svg}");
    }

    #[test]
    fn a_last_day_after_the_last_bar_is_drawn_all_the_same() {
        let wash = wash();
        let curve = WashCurve { wash: &wash, best: None, deadline: Some(day(6, 20)), today: day(3, 1) };
        assert_eq!(axis_of(&curve), Axis { from: day(3, 10), to: day(6, 20) });
        assert!(draw(&curve, Language::En).contains("x=\"100%\" y=\"6\""));
    }
}
