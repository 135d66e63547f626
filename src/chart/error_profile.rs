//! The error profile of a fit: how the error in days, and the sum that goes with it, run with the lower threshold.

use std::fmt::Write as _;

use crate::chart::HeatUnit;
use crate::chart::svg::{FONTS, escape, number, wrap};
use crate::units::f_to_c;

/// What the picture shows. Temperatures are °C, sums °C·day, errors days of RMSE.
#[derive(Clone, Debug, PartialEq)]
pub struct ErrorProfile {
    pub title: String,
    /// Under the title: records, method.
    pub subtitle: String,
    /// Lower threshold, RMSE and best sum, ascending in the threshold.
    pub points: Vec<ErrorProfilePoint>,
    pub best: ErrorProfilePoint,
    /// Thresholds that the records cannot tell apart.
    pub alike_c: (f64, f64),
    /// RMSE of the calendar date alone.
    pub calendar_days: f64,
    /// Where records and temperatures come from.
    pub source: String,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorProfilePoint {
    pub lower_c: f64,
    pub rmse_days: f64,
    pub sum: f64,
}

const WIDTH: f64 = 860.0;
const HEIGHT: f64 = 540.0;
const LEFT: f64 = 74.0;
const RIGHT: f64 = 92.0;
const TOP: f64 = 112.0;
const BOTTOM: f64 = 96.0;
/// A curve needs no more points than there are half pixels.
const MOST_POINTS: usize = 1400;

/// Draws the profile as SVG: the error as a full line with its scale on the left, the sum as a dashed one with its scale on
/// the right, both named where they run, so that it can be read in black and white. The other unit stands beside `unit` where
/// there is room.
pub fn draw(profile: &ErrorProfile, unit: HeatUnit) -> String {
    let frame = Frame::of(profile, unit);
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="{FONTS}" role="img" aria-label="{}">
<defs>
<pattern id="valley-hatch" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V8" stroke="{SOFT}" stroke-width="1" opacity="0.5"/></pattern>
<clipPath id="valley-clip"><rect x="{LEFT}" y="{TOP}" width="{}" height="{}"/></clipPath>
</defs>
<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>
"#,
        escape(&format!("{}. {}", profile.title, in_words(profile, unit))),
        frame.width(),
        frame.height(),
    );
    text(&mut svg, 20.0, 30.0, &profile.title, Look { size: 17.0, bold: true, ..BODY });
    for (line, words) in wrap(&profile.subtitle, WIDTH - 40.0, BODY.size, false).iter().take(2).enumerate() {
        text(&mut svg, 20.0, 50.0 + 16.0 * line as f64, words, Look { colour: SOFT, ..BODY });
    }
    frame.axes(&mut svg);
    frame.alike(&mut svg, profile.alike_c);
    frame.calendar(&mut svg, profile.calendar_days);
    frame.curves(&mut svg, &profile.points);
    frame.best(&mut svg, &profile.best);
    for (line, words) in wrap(&profile.source, WIDTH - 40.0, 11.5, false).iter().take(2).enumerate() {
        let y = HEIGHT - 24.0 + 15.0 * line as f64;
        text(&mut svg, 20.0, y, words, Look { size: 11.5, colour: SOFT, ..BODY });
    }
    svg.push_str("</svg>\n");
    svg
}

const PAPER: &str = "#fffdf8";
const INK: &str = "#23211c";
const SOFT: &str = "#5f594d";
const GRID: &str = "#e3dccb";
const ERROR: &str = "#0d4f6b";
const SUM: &str = "#8a3f0d";

fn in_words(profile: &ErrorProfile, unit: HeatUnit) -> String {
    let ErrorProfilePoint { lower_c, rmse_days, sum } = profile.best;
    let degrees = |celsius: f64| plain(hundredth(unit.temperature(celsius)));
    let (degree, heat) = (degree_of(unit), plain(hundredth(unit.heat(sum))));
    format!(
        "The least error is {rmse_days:.2} days at a lower threshold of {} {degree} with {heat} {degree}·day; thresholds from {} to {} {degree} do nearly as well. The calendar date alone is off by {:.2} days.",
        degrees(lower_c),
        degrees(profile.alike_c.0),
        degrees(profile.alike_c.1),
        profile.calendar_days
    )
}

fn degree_of(unit: HeatUnit) -> &'static str {
    match unit {
        HeatUnit::Celsius => "°C",
        HeatUnit::Fahrenheit => "°F",
    }
}

fn other(unit: HeatUnit) -> HeatUnit {
    match unit {
        HeatUnit::Celsius => HeatUnit::Fahrenheit,
        HeatUnit::Fahrenheit => HeatUnit::Celsius,
    }
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn hundredth(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// Scales of the picture.
struct Frame {
    lower: (f64, f64),
    /// Top of the scale of errors, days; it begins at 0.
    error_top: f64,
    sum_top: f64,
    unit: HeatUnit,
}

impl Frame {
    fn of(profile: &ErrorProfile, unit: HeatUnit) -> Self {
        let first = profile.points.first().map_or(profile.best.lower_c, |point| point.lower_c);
        let last = profile.points.last().map_or(profile.best.lower_c, |point| point.lower_c);
        let lower = if last > first { (first, last) } else { (first - 1.0, first + 1.0) };
        // Thresholds at which the sum is never reached err by years: the scale is that of the least errors.
        let most = profile.points.iter().map(|point| point.rmse_days).fold(0.0, f64::max);
        let of_interest = (2.5 * profile.best.rmse_days).max(1.25 * profile.calendar_days).max(1.0);
        let sums = profile.points.iter().filter(|point| point.rmse_days <= of_interest).map(|point| point.sum);
        let sum_top = sums.fold(profile.best.sum, f64::max).max(1e-6) * 1.08;
        Self { lower, error_top: most.min(of_interest).max(1e-6) * 1.05, sum_top, unit }
    }

    fn width(&self) -> f64 {
        WIDTH - LEFT - RIGHT
    }

    fn height(&self) -> f64 {
        HEIGHT - TOP - BOTTOM
    }

    fn x(&self, lower_c: f64) -> f64 {
        LEFT + (lower_c - self.lower.0) / (self.lower.1 - self.lower.0) * self.width()
    }

    fn error_y(&self, days: f64) -> f64 {
        // What lies above is cut off by the clip; far above would only be large numbers.
        TOP + (1.0 - (days / self.error_top).min(1.5)) * self.height()
    }

    fn sum_y(&self, sum: f64) -> f64 {
        TOP + (1.0 - (sum / self.sum_top).min(1.5)) * self.height()
    }

    fn axes(&self, svg: &mut String) {
        let (right, bottom) = (WIDTH - RIGHT, HEIGHT - BOTTOM);
        for days in ticks(0.0, self.error_top, 6.0) {
            let y = self.error_y(days);
            line(svg, (LEFT, y), (right, y), GRID, 1.0, "");
            text(svg, LEFT - 8.0, y + 4.0, &plain(days), Look { anchor: "end", ..BODY });
        }
        let degree = degree_of(self.unit);
        for sum in ticks(0.0, self.unit.heat(self.sum_top), 6.0) {
            let y = self.sum_y(sum / self.unit.heat(1.0));
            line(svg, (right, y), (right + 5.0, y), INK, 1.0, "");
            text(svg, right + 9.0, y + 4.0, &plain(sum), Look { colour: SUM, ..BODY });
        }
        let [first, last] = [self.lower.0, self.lower.1].map(|lower_c| self.unit.temperature(lower_c));
        for lower in ticks(first, last, 10.0) {
            let lower_c = match self.unit {
                HeatUnit::Celsius => lower,
                HeatUnit::Fahrenheit => f_to_c(lower),
            };
            let x = self.x(lower_c);
            line(svg, (x, bottom), (x, bottom + 5.0), INK, 1.0, "");
            text(svg, x, bottom + 19.0, &plain(lower), Look { anchor: "middle", ..BODY });
            let unit = other(self.unit);
            let beside = format!("{} {}", plain(tenth(unit.temperature(lower_c))), degree_of(unit));
            text(svg, x, bottom + 34.0, &beside, Look { size: 10.5, colour: SOFT, anchor: "middle", bold: false });
        }
        line(svg, (LEFT, bottom), (right, bottom), INK, 1.2, "");
        line(svg, (LEFT, TOP), (LEFT, bottom), INK, 1.2, "");
        line(svg, (right, TOP), (right, bottom), INK, 1.2, "");
        text(svg, 20.0, TOP - 12.0, "Error, RMSE in days", Look { colour: ERROR, bold: true, ..BODY });
        text(
            svg,
            WIDTH - 20.0,
            TOP - 12.0,
            &format!("Best heat sum, {degree}·day"),
            Look { colour: SUM, bold: true, anchor: "end", ..BODY },
        );
        let middle = LEFT + self.width() / 2.0;
        let name = format!("Lower threshold, {degree}");
        text(svg, middle, bottom + 53.0, &name, Look { anchor: "middle", bold: true, ..BODY });
    }

    fn alike(&self, svg: &mut String, (from_c, to_c): (f64, f64)) {
        let (from, to) = (self.x(from_c), self.x(to_c));
        let (x, width, height) = (number(from), number((to - from).max(1.0)), number(self.height()));
        let _ = writeln!(
            svg,
            r##"<rect x="{x}" y="{TOP}" width="{width}" height="{height}" fill="url(#valley-hatch)" stroke="{SOFT}" stroke-width="0.8" stroke-dasharray="2 3"/>"##
        );
        let [first, last] = [from_c, to_c].map(|celsius| plain(hundredth(self.unit.temperature(celsius))));
        let words = format!("alike: {first} to {last} {}", degree_of(self.unit));
        let middle = ((from + to) / 2.0).clamp(LEFT + 70.0, WIDTH - RIGHT - 70.0);
        text(svg, middle, TOP - 12.0, &words, Look { size: 12.0, anchor: "middle", ..BODY });
    }

    fn calendar(&self, svg: &mut String, days: f64) {
        let y = self.error_y(days);
        if y < TOP {
            return;
        }
        line(svg, (LEFT, y), (WIDTH - RIGHT, y), INK, 1.2, "1 4");
        let words = format!("calendar date alone: {days:.2} days");
        haloed(svg, LEFT + 8.0, y - 6.0, &words, Look { size: 12.0, ..BODY });
    }

    fn curves(&self, svg: &mut String, points: &[ErrorProfilePoint]) {
        let every = points.len().div_ceil(MOST_POINTS).max(1);
        let path = |y: &dyn Fn(&ErrorProfilePoint) -> f64| {
            let mut path = String::new();
            for (nth, point) in points.iter().step_by(every).enumerate() {
                let _ = write!(
                    path,
                    "{}{} {}",
                    if nth == 0 { 'M' } else { 'L' },
                    number(self.x(point.lower_c)),
                    number(y(point))
                );
            }
            path
        };
        let sums = path(&|point| self.sum_y(point.sum));
        let errors = path(&|point| self.error_y(point.rmse_days));
        let _ = writeln!(
            svg,
            r#"<g clip-path="url(#valley-clip)" fill="none" stroke-linejoin="round">
<path d="{sums}" stroke="{SUM}" stroke-width="2" stroke-dasharray="8 5"/>
<path d="{errors}" stroke="{ERROR}" stroke-width="2.6"/>
</g>"#
        );
        // The names stand where each line has room: the sum falls from the left, the error rises to the right.
        let at = |share: f64| points.get(((points.len().saturating_sub(1)) as f64 * share) as usize);
        if let Some(point) = at(0.12) {
            let y = self.sum_y(point.sum).clamp(TOP + 16.0, HEIGHT - BOTTOM - 8.0);
            haloed(svg, self.x(point.lower_c) + 8.0, y - 8.0, "best sum", Look { colour: SUM, bold: true, ..BODY });
        }
        let shown = |point: &&ErrorProfilePoint| self.error_y(point.rmse_days) >= TOP + 14.0;
        if let Some(point) = points.iter().rev().find(shown) {
            let (x, y) = (self.x(point.lower_c), self.error_y(point.rmse_days));
            let look = Look { colour: ERROR, bold: true, anchor: "end", ..BODY };
            haloed(svg, x - 16.0, y + 2.0, "error", look);
        }
    }

    fn best(&self, svg: &mut String, best: &ErrorProfilePoint) {
        let (x, error_y, sum_y) = (self.x(best.lower_c), self.error_y(best.rmse_days), self.sum_y(best.sum));
        line(svg, (x, TOP), (x, HEIGHT - BOTTOM), INK, 1.0, "5 3");
        for (y, colour) in [(error_y, ERROR), (sum_y, SUM)] {
            let _ = writeln!(
                svg,
                r#"<circle cx="{}" cy="{}" r="5" fill="{PAPER}" stroke="{colour}" stroke-width="2.4"/>"#,
                number(x),
                number(y)
            );
        }
        let unit = other(self.unit);
        let (degree, beside) = (degree_of(self.unit), degree_of(unit));
        let words = [
            format!(
                "{} {degree} ({:.1} {beside})",
                plain(hundredth(self.unit.temperature(best.lower_c))),
                unit.temperature(best.lower_c)
            ),
            format!(
                "{} {degree}·day ({:.0} {beside}·day)",
                plain(hundredth(self.unit.heat(best.sum))),
                unit.heat(best.sum)
            ),
            format!("RMSE {:.2} days", best.rmse_days),
        ];
        // On the side that has room, in the half of the height where neither mark is.
        let to_left = x > LEFT + self.width() * 0.6;
        let (x, anchor) = if to_left { (x - 10.0, "end") } else { (x + 10.0, "start") };
        let top = TOP + 34.0;
        for (nth, words) in words.iter().enumerate() {
            haloed(svg, x, top + 17.0 * nth as f64, words, Look { bold: nth == 0, anchor, ..BODY });
        }
    }
}

/// Round numbers from one to another, about so many of them.
pub(super) fn ticks(from: f64, to: f64, about: f64) -> Vec<f64> {
    let rough = (to - from) / about;
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let scale = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * scale).into_iter().find(|step| *step >= rough).unwrap_or(10.0 * scale);
    let first = (from / step - 1e-9).ceil() as i64;
    let last = (to / step + 1e-9).floor() as i64;
    (first..=last).map(|nth| nth as f64 * step).collect()
}

/// A number without a tail of rounding.
fn plain(value: f64) -> String {
    format!("{}", (value * 1e6).round() / 1e6 + 0.0)
}

#[derive(Clone, Copy)]
struct Look {
    size: f64,
    colour: &'static str,
    anchor: &'static str,
    bold: bool,
}

const BODY: Look = Look { size: 12.5, colour: INK, anchor: "start", bold: false };

fn text(svg: &mut String, x: f64, y: f64, words: &str, look: Look) {
    written(svg, x, y, words, look, "");
}

/// Over lines: with an edge of paper.
fn haloed(svg: &mut String, x: f64, y: f64, words: &str, look: Look) {
    let halo = format!(r#" paint-order="stroke" stroke="{PAPER}" stroke-width="4" stroke-linejoin="round""#);
    written(svg, x, y, words, look, &halo);
}

fn written(svg: &mut String, x: f64, y: f64, words: &str, look: Look, more: &str) {
    let Look { size, colour, anchor, bold } = look;
    let weight = if bold { r#" font-weight="bold""# } else { "" };
    let _ = writeln!(
        svg,
        r#"<text x="{}" y="{}" font-size="{size}" fill="{colour}" text-anchor="{anchor}"{weight}{more}>{}</text>"#,
        number(x),
        number(y),
        escape(words)
    );
}

fn line(svg: &mut String, from: (f64, f64), to: (f64, f64), colour: &str, width: f64, dashes: &str) {
    let dashes = if dashes.is_empty() { String::new() } else { format!(r#" stroke-dasharray="{dashes}""#) };
    let _ = writeln!(
        svg,
        r#"<line x1="{}" y1="{}" x2="{}" y2="{}" stroke="{colour}" stroke-width="{width}"{dashes}/>"#,
        number(from.0),
        number(from.1),
        number(to.0),
        number(to.1)
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    fn profile() -> ErrorProfile {
        let points: Vec<ErrorProfilePoint> = (0..=1900)
            .map(|nth| {
                let lower_c = -5.0 + f64::from(nth) * 0.01;
                let rmse_days = 2.9 + (lower_c - 3.3).powi(2) * 0.08 + if lower_c > 13.0 { 300.0 } else { 0.0 };
                ErrorProfilePoint { lower_c, rmse_days, sum: 900.0 * (-0.2 * (lower_c + 5.0)).exp() }
            })
            .collect();
        ErrorProfile {
            title: "Egg laying begins: <lower> threshold & heat sum".into(),
            subtitle: "48 records of 1 station".into(),
            best: points[830],
            points,
            alike_c: (1.4, 5.1),
            calendar_days: 6.0,
            source: "reports.csv; temperatures of the weather record".into(),
        }
    }

    #[test]
    fn it_says_everything_twice_and_keeps_words_out_of_its_tags() {
        let svg = draw(&profile(), HeatUnit::Celsius);
        for wanted in [
            "&lt;lower&gt; threshold &amp; heat sum",
            "Error, RMSE in days",
            "Best heat sum, °C·day",
            "Lower threshold, °C",
            "3.3 °C (37.9 °F)",
            "alike: 1.4 to 5.1 °C",
            "calendar date alone: 6.00 days",
            "best sum",
            ">error<",
            "weather record",
            "stroke-dasharray=\"8 5\"",
        ] {
            assert!(svg.contains(wanted), "no `{wanted}` in the picture");
        }
        assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
        assert!(!svg.contains("NaN") && !svg.contains("inf") && !svg.contains("<script"));
    }

    #[test]
    fn it_is_drawn_in_the_unit_of_the_house() {
        let svg = draw(&profile(), HeatUnit::Fahrenheit);
        for wanted in [
            "Best heat sum, °F·day",
            "Lower threshold, °F",
            "37.94 °F (3.3 °C)",
            "alike: 34.52 to 41.18 °F",
            ">40<",
            "4.4 °C",
        ] {
            assert!(svg.contains(wanted), "no `{wanted}` in the picture");
        }
        assert!(!svg.contains("alike: 1.4") && !svg.contains("NaN"));
    }

    #[test]
    fn a_never_reached_sum_does_not_flatten_the_profile() {
        let frame = Frame::of(&profile(), HeatUnit::Celsius);
        assert!(frame.error_top < 10.0, "{}", frame.error_top);
    }

    #[test]
    fn one_point_and_none_are_drawn_without_a_fault() {
        let mut one = profile();
        one.points.truncate(1);
        one.best = one.points[0];
        assert!(!draw(&one, HeatUnit::Celsius).contains("NaN"));
        one.points.clear();
        assert!(!draw(&one, HeatUnit::Celsius).contains("NaN"));
    }

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(-5.0, 14.0, 10.0), [-4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0]);
        assert_eq!(ticks(0.0, 7.5, 6.0), [0.0, 2.0, 4.0, 6.0]);
        assert!(ticks(1.0, 1.0, 5.0).is_empty() && ticks(0.0, f64::NAN, 5.0).is_empty());
    }
}
