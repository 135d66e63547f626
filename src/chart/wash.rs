//! The share of a tree's eggs that one wash is expected to take, a bar a day. Made to stand inside a page beside the same in words,
//! as the [`ribbon`](super::ribbon) is; the page's style sheet gives the colours of both themes.

use chrono::NaiveDate;

use super::ribbon::{Axis, hundredths, line, open, push, rect};
use crate::season::DaySpan;
use crate::season::outlook::WashShare;

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

/// Heights, px: above the bars is room for the flag.
const TOP: u32 = 26;
const BARS: u32 = 120;
const BOTTOM: u32 = TOP + BARS;
const HEIGHT: u32 = BOTTOM + 2;

/// Left free on both sides of a bar, as a share of its day.
const GAP: f64 = 0.07;

/// The picture over a season's axis as SVG to stand inside a page, without letters: over bars their contrast cannot be measured.
/// It says nothing to who cannot see it, since the same stands beside it in words.
pub fn draw(axis: &Axis, curve: &WashCurve<'_>) -> String {
    let mut out = open("curve", HEIGHT);
    for share in [100, 50] {
        let y = BOTTOM - BARS * share / 100;
        push(&mut out, format_args!(r#"<line x1="0" x2="100%" y1="{y}" y2="{y}" class="rb-month"/>"#));
    }
    for month in axis.months().skip(1) {
        line(&mut out, axis.at(month), (TOP, BOTTOM), "rb-month");
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
    let deadline = curve.deadline.filter(|day| (axis.from..=axis.to).contains(day));
    if let Some(at) = deadline.map(|day| axis.end_of(day)) {
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
        let svg = draw(&Axis::of_season(2026), &curve);
        let count = |class: &str| svg.matches(&format!("class=\"{class}\"")).count();
        assert_eq!((count("rb-wash"), count("rb-ready")), (7, 53), "{svg}");
        assert_eq!((count("rb-best"), count("rb-deadline"), count("rb-flag"), count("rb-today")), (1, 1, 1, 1));
        assert!(svg.contains("aria-hidden=\"true\"") && !svg.contains("NaN"), "{svg}");
        roxmltree::Document::parse(&svg).unwrap();
    }

    #[test]
    fn higher_shares_have_higher_bars_and_none_leaves_the_picture() {
        let mut wash = wash();
        wash.one = vec![0.25, 2.0, f64::NAN, -1.0];
        let curve = WashCurve { wash: &wash, best: None, deadline: None, today: day(12, 1) };
        let svg = draw(&Axis::of_season(2026), &curve);
        assert_eq!(svg.matches("class=\"rb-ready\"").count(), 2, "what is no share has no bar: {svg}");
        assert!(svg.contains("y=\"116\"") && svg.contains("height=\"30\""), "a quarter: {svg}");
        assert!(svg.contains("y=\"26\"") && svg.contains("height=\"120\""), "all, and no more: {svg}");
        assert!(!svg.contains("rb-today") && !svg.contains("NaN"), "{svg}");
    }

    #[test]
    fn days_outside_of_the_axis_are_left_out() {
        let mut wash = wash();
        wash.first = day(7, 20);
        let curve = WashCurve { wash: &wash, best: None, deadline: Some(day(8, 20)), today: day(12, 1) };
        let svg = draw(&Axis::of_season(2026), &curve);
        assert_eq!(svg.matches("class=\"rb-ready\"").count(), 12, "July 20 to 31: {svg}");
        assert!(!svg.contains("rb-flag") && !svg.contains("rb-today"), "{svg}");
    }
}
