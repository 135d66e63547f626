//! The season as a ribbon, January to July: waiting, get ready, wash, over, with soft edges where the days are in doubt. Made to
//! stand inside a page beside the same in words, a row a region; the page's style sheet gives the colours of both themes.
//!
//! Places along the axis are shares of the width, so that one picture serves a phone and a wall; heights are px.

use std::fmt::Write as _;

use chrono::{Datelike, NaiveDate};

use crate::language::Language;
use crate::season::{DaySpan, days_between};

/// Height, px.
const HEIGHT: u32 = 44;

/// The days that one axis shows, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Axis {
    pub from: NaiveDate,
    pub to: NaiveDate,
}

/// A stretch whose ends may be in doubt: it grows from `from` to `full_from`, and thins out from `full_to` to `to`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SoftBand {
    pub from: NaiveDate,
    pub full_from: NaiveDate,
    pub full_to: NaiveDate,
    pub to: NaiveDate,
}

/// A sign below the ribbon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeenSign {
    /// Seen, and staff confirmed it.
    Confirmed,
    /// Seen, as somebody says.
    Said,
    /// Looked and saw none.
    Nothing,
}

/// What one region's ribbon shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Ribbon {
    pub today: Option<NaiveDate>,
    pub ready: Option<SoftBand>,
    pub wash: Option<SoftBand>,
    pub best: Option<DaySpan>,
    /// The last day to wash.
    pub deadline: Option<NaiveDate>,
    /// From then on nothing can be done.
    pub over_from: Option<NaiveDate>,
    /// Days on which notices went out.
    pub sent: Vec<NaiveDate>,
    /// Days on which notices were recalled.
    pub recalled: Vec<NaiveDate>,
    pub seen: Vec<(NaiveDate, SeenSign)>,
}

impl Axis {
    /// January to July of a year.
    pub fn of_season(year: i32) -> Self {
        let day = |month, day| NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default();
        Self { from: day(1, 1), to: day(7, 31) }
    }

    fn days(&self) -> f64 {
        days_between(self.from, self.to) as f64 + 1.0
    }

    /// Where a day begins, in hundredths of the width; days outside stand at the edge.
    pub(super) fn at(&self, day: NaiveDate) -> f64 {
        (days_between(self.from, day) as f64 / self.days()).clamp(0.0, 1.0) * 100.0
    }

    pub(super) fn end_of(&self, day: NaiveDate) -> f64 {
        ((days_between(self.from, day) as f64 + 1.0) / self.days()).clamp(0.0, 1.0) * 100.0
    }

    pub(super) fn middle_of(&self, day: NaiveDate) -> Option<f64> {
        (self.from..=self.to).contains(&day).then(|| (self.at(day) + self.end_of(day)) / 2.0)
    }

    pub(super) fn months(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        let (from, to) = (self.from, self.to);
        from.iter_days().take_while(move |day| *day <= to).filter(|day| day.day() == 1)
    }
}

/// The colours that run out, once a page; the ribbons name them.
pub fn gradients() -> &'static str {
    concat!(
        r#"<svg class="rb-defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>"#,
        r#"<linearGradient id="rb-ready-in"><stop offset="0" class="rb-ready-end"/><stop offset="1" class="rb-ready-full"/></linearGradient>"#,
        r#"<linearGradient id="rb-ready-out"><stop offset="0" class="rb-ready-full"/><stop offset="1" class="rb-ready-end"/></linearGradient>"#,
        r#"<linearGradient id="rb-wash-in"><stop offset="0" class="rb-wash-end"/><stop offset="1" class="rb-wash-full"/></linearGradient>"#,
        r#"<linearGradient id="rb-wash-out"><stop offset="0" class="rb-wash-full"/><stop offset="1" class="rb-wash-end"/></linearGradient>"#,
        "</defs></svg>"
    )
}

/// The names of the months over the ribbons; the style sheet gives each the width of its days.
pub fn months(axis: &Axis, language: Language) -> String {
    let mut out = r#"<span class="rb-months" aria-hidden="true">"#.to_owned();
    for month in axis.months() {
        push(&mut out, format_args!("<span>{}</span>", language.short_month_name(month.month0())));
    }
    out + "</span>"
}

/// The ribbon as SVG to stand inside a page; it says nothing to who cannot see it, since the same stands beside it in words.
pub fn ribbon(axis: &Axis, shown: &Ribbon) -> String {
    let mut out = open("ribbon", HEIGHT);
    for month in axis.months().skip(1) {
        line(&mut out, axis.at(month), (0, HEIGHT), "rb-month");
    }
    rect(&mut out, (0.0, 100.0), (21, 2), "class=\"rb-wait\"");
    if let Some(over) = shown.over_from.filter(|day| *day <= axis.to) {
        rect(&mut out, (axis.at(over), 100.0), (18, 8), "class=\"rb-over\"");
    }
    if let Some(ready) = &shown.ready {
        band(&mut out, axis, ready, (16, 12), "ready");
    }
    if let Some(wash) = &shown.wash {
        band(&mut out, axis, wash, (14, 16), "wash");
    }
    if let Some(best) = shown.best {
        rect(&mut out, (axis.at(best.first), axis.end_of(best.last)), (9, 26), "class=\"rb-best\"");
    }
    if let Some(at) = shown.deadline.filter(|day| (axis.from..=axis.to).contains(day)).map(|day| axis.end_of(day)) {
        line(&mut out, at, (3, 40), "rb-deadline");
        push(&mut out, format_args!(r#"<rect class="rb-flag" x="{}%" y="3" width="9" height="7"/>"#, hundredths(at)));
    }
    for (days, class) in [(&shown.sent, "rb-sent"), (&shown.recalled, "rb-recalled")] {
        for at in days.iter().filter_map(|day| axis.middle_of(*day)).map(hundredths) {
            push(
                &mut out,
                format_args!(
                    r#"<rect class="{class}" x="{at}%" y="0" width="7" height="7" transform="translate(-3.5 0)"/>"#
                ),
            );
        }
    }
    for (day, sign) in &shown.seen {
        let Some(at) = axis.middle_of(*day).map(hundredths) else { continue };
        match sign {
            SeenSign::Nothing => push(
                &mut out,
                format_args!(
                    r#"<rect class="rb-none" x="{at}%" y="38" width="10" height="3" transform="translate(-5 0)"/>"#
                ),
            ),
            SeenSign::Confirmed => {
                push(&mut out, format_args!(r#"<circle class="rb-seen" cx="{at}%" cy="39" r="4"/>"#))
            }
            SeenSign::Said => push(&mut out, format_args!(r#"<circle class="rb-said" cx="{at}%" cy="39" r="3.5"/>"#)),
        }
    }
    if let Some(at) = shown.today.and_then(|day| axis.middle_of(day)) {
        line(&mut out, at, (0, HEIGHT), "rb-today");
    }
    out + "</svg>"
}

/// When a stage was seen beside the day that a number gave, on the same axis: a stretch from the one to the other. It says nothing to
/// who cannot see it, since the same stands beside it in words.
pub fn seen_against(
    axis: &Axis,
    by_number: Option<NaiveDate>,
    not_seen: Option<NaiveDate>,
    seen: Option<NaiveDate>,
) -> String {
    let mut out = open("ribbon", 30);
    for month in axis.months().skip(1) {
        line(&mut out, axis.at(month), (0, 30), "rb-month");
    }
    rect(&mut out, (0.0, 100.0), (14, 2), "class=\"rb-wait\"");
    let place = |day: Option<NaiveDate>| day.and_then(|day| axis.middle_of(day));
    let (number, none, seen) = (place(by_number), place(not_seen), place(seen));
    if let Some((number, seen)) = number.zip(seen) {
        rect(&mut out, (number.min(seen), number.max(seen)), (13, 4), "class=\"rb-off\"");
    }
    if let Some(at) = number {
        line(&mut out, at, (2, 28), "rb-number");
    }
    if let Some(at) = none.map(hundredths) {
        push(
            &mut out,
            format_args!(
                r#"<rect class="rb-none" x="{at}%" y="13" width="10" height="4" transform="translate(-5 0)"/>"#
            ),
        );
    }
    if let Some(at) = seen.map(hundredths) {
        push(&mut out, format_args!(r#"<circle class="rb-seen" cx="{at}%" cy="15" r="5"/>"#));
    }
    out + "</svg>"
}

pub(super) fn open(class: &str, height: u32) -> String {
    format!(r#"<svg class="{class}" width="100%" height="{height}" aria-hidden="true" focusable="false">"#)
}

fn band(out: &mut String, axis: &Axis, band: &SoftBand, (y, height): (u32, u32), name: &str) {
    let (from, full_from) = (axis.at(band.from), axis.at(band.full_from.max(band.from)));
    let (full_to, to) = (axis.end_of(band.full_to), axis.end_of(band.to.max(band.full_to)));
    rect(out, (from, full_from.min(full_to)), (y, height), &format!("fill=\"url(#rb-{name}-in)\""));
    rect(out, (full_from, full_to), (y, height), &format!("class=\"rb-{name}\""));
    rect(out, (full_to, to), (y, height), &format!("fill=\"url(#rb-{name}-out)\""));
}

pub(super) fn rect(out: &mut String, (from, to): (f64, f64), (y, height): (u32, u32), look: &str) {
    if to > from {
        let (x, width) = (hundredths(from), hundredths(to - from));
        push(out, format_args!(r#"<rect x="{x}%" y="{y}" width="{width}%" height="{height}" {look}/>"#));
    }
}

pub(super) fn line(out: &mut String, at: f64, (from, to): (u32, u32), class: &str) {
    let x = hundredths(at);
    push(out, format_args!(r#"<line x1="{x}%" x2="{x}%" y1="{from}" y2="{to}" class="{class}"/>"#));
}

pub(super) fn push(out: &mut String, element: std::fmt::Arguments<'_>) {
    // Writing to a string cannot fail.
    let _ = out.write_fmt(element);
}

/// `12.34`, without zeros at the end.
pub(super) fn hundredths(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).unwrap()
    }

    #[test]
    fn days_stand_where_they_belong_and_none_outside() {
        let axis = Axis::of_season(2026);
        assert_eq!((axis.at(day(1, 1)), axis.end_of(day(7, 31))), (0.0, 100.0));
        assert!((axis.at(day(4, 16)) - 105.0 / 212.0 * 100.0).abs() < 1e-9);
        assert_eq!((axis.at(day(12, 1)), axis.middle_of(day(12, 1))), (100.0, None));
        let names = months(&axis, Language::En);
        assert!(names.contains(">Jan<") && names.contains(">Jul<") && !names.contains(">Aug<"), "{names}");
    }

    #[test]
    fn doubt_makes_soft_edges_and_certainty_none() {
        let axis = Axis::of_season(2026);
        let soft = SoftBand { from: day(3, 1), full_from: day(3, 20), full_to: day(4, 12), to: day(5, 10) };
        let drawn = |wash| ribbon(&axis, &Ribbon { wash: Some(wash), ..Ribbon::default() });
        let doubtful = drawn(soft);
        assert!(doubtful.contains("rb-wash-in") && doubtful.contains("rb-wash-out"), "{doubtful}");
        let sure = drawn(SoftBand { from: soft.full_from, to: soft.full_to, ..soft });
        assert!(sure.contains("class=\"rb-wash\"") && !sure.contains("url(#"), "{sure}");
    }

    #[test]
    fn a_sighting_stands_beside_the_day_that_the_number_gave() {
        let axis = Axis::of_season(2026);
        let both = seen_against(&axis, Some(day(3, 10)), Some(day(3, 12)), Some(day(3, 20)));
        for class in ["rb-number", "rb-off", "rb-none", "rb-seen"] {
            assert_eq!(both.matches(&format!("\"{class}\"")).count(), 1, "{class}: {both}");
        }
        let alone = seen_against(&axis, None, None, Some(day(3, 20)));
        assert!(alone.contains("rb-seen") && !alone.contains("rb-number") && !alone.contains("rb-off"), "{alone}");
        roxmltree::Document::parse(&both).unwrap();
    }

    #[test]
    fn every_mark_is_drawn_once_and_the_picture_is_silent() {
        let axis = Axis::of_season(2026);
        let shown = Ribbon {
            today: Some(day(3, 16)),
            deadline: Some(day(4, 12)),
            over_from: Some(day(5, 13)),
            best: Some(DaySpan { first: day(3, 30), last: day(4, 12) }),
            sent: vec![day(3, 2), day(3, 12)],
            recalled: vec![day(2, 20)],
            seen: vec![(day(3, 11), SeenSign::Confirmed), (day(3, 1), SeenSign::Nothing), (day(3, 9), SeenSign::Said)],
            ..Ribbon::default()
        };
        let svg = ribbon(&axis, &shown);
        for (class, times) in [
            ("rb-sent", 2),
            ("rb-recalled", 1),
            ("rb-seen", 1),
            ("rb-said", 1),
            ("rb-none", 1),
            ("rb-today", 1),
            ("rb-flag", 1),
            ("rb-over", 1),
        ] {
            assert_eq!(svg.matches(&format!("\"{class}\"")).count(), times, "{class}: {svg}");
        }
        assert!(svg.contains("aria-hidden=\"true\"") && !svg.contains("NaN"), "{svg}");
        roxmltree::Document::parse(&svg).unwrap();
    }
}
