//! The plot: past years, thresholds, the season's own line, today and the window, on one scale.

use super::{Drawing, LEADING, MARGIN, SMALL};
use crate::chart::HeatUnit;
use crate::chart::figures::{DateMarks, Ink, Past, usable};
use crate::chart::svg::{Anchor, Canvas, TextStyle, number, text_width};

/// From one pair of needles to the next, at least: so far that paper shows between them.
const NEEDLES_APART: f64 = 8.0;

/// Half the height of a bar's ends: taller than the diamond, so that the shortest bar still shows its ends.
const CAP: f64 = 8.0;

/// The plot's corner and scale.
#[derive(Clone, Copy)]
pub(super) struct Plot {
    pub(super) left: f64,
    pub(super) right: f64,
    pub(super) top: f64,
    pub(super) bottom: f64,
    days: f64,
    most: f64,
}

impl Plot {
    /// The middle of a day.
    pub(super) fn x(&self, day: i64) -> f64 {
        self.left + (day as f64 + 0.5) / self.days * (self.right - self.left)
    }

    /// The beginning of a day.
    pub(super) fn edge(&self, day: i64) -> f64 {
        self.left + day as f64 / self.days * (self.right - self.left)
    }

    pub(super) fn y(&self, degree_days: f64) -> f64 {
        self.bottom - degree_days / self.most * (self.bottom - self.top)
    }

    /// A dot where a stage was reached, or the bar of likely dates with the likeliest day.
    pub(super) fn draw_marks(&self, y: f64, marks: &DateMarks, to: &mut Canvas) {
        if let (Some(early), Some(late)) = (marks.early, marks.late) {
            let (from, until) = (self.x(early), self.x(late));
            to.line((from, y), (until, y), "bar");
            to.line((from, y - CAP), (from, y + CAP), "cap");
            if marks.open {
                to.run(&[(until - 6.0, y - CAP), (until, y), (until - 6.0, y + CAP)], "cap");
            } else {
                to.line((until, y - CAP), (until, y + CAP), "cap");
            }
        }
        if let Some(day) = marks.median {
            to.diamond(self.x(day), y, 5.5, "mark mark-edge");
        }
        if let Some(day) = marks.reached {
            to.dot(self.x(day), y, 5.5, "mark mark-edge");
        }
    }

    /// °C·day that take so many pixels.
    pub(super) fn heat_of(&self, pixels: f64) -> f64 {
        pixels / (self.bottom - self.top) * self.most
    }
}

impl Drawing<'_> {
    pub(super) fn plot(&mut self) -> Plot {
        self.paragraph(&self.words.axis(self.chart), TextStyle::plain("soft").size(SMALL), LEADING);
        // A line of room over the plot is kept for the word at today's line.
        let top = self.y + 21.0;
        let step = tick_step(self.words.unit, self.season.top);
        let unit = self.words.unit;
        let label = |tick: f64| format!("{:.0}", unit.heat(tick));
        let room = text_width(&label(self.season.top), SMALL, false).max(18.0);
        let height = (self.width * 0.42).clamp(230.0, 430.0);
        let plot = Plot {
            left: MARGIN + room + 6.0,
            right: self.width - MARGIN,
            top,
            bottom: top + height,
            days: self.season.days as f64,
            most: self.season.top,
        };

        self.month_lines(&plot);
        let mut tick = 0.0;
        while tick <= self.season.top {
            let y = plot.y(tick);
            self.canvas.line((plot.left, y), (plot.right, y), if tick == 0.0 { "axis" } else { "grid" });
            let style = TextStyle::plain("soft").size(SMALL).anchor(Anchor::End);
            self.canvas.text(plot.left - 6.0, y + 4.0, &label(tick), style);
            tick += step;
        }

        let clip = format!("{}-plot", self.id);
        let (left, top) = (number(plot.left), number(plot.top));
        let (wide, high) = (number(plot.right - plot.left), number(plot.bottom - plot.top));
        self.defs.push_str(&format!(
            r#"<clipPath id="{clip}"><rect x="{left}" y="{top}" width="{wide}" height="{high}"/></clipPath>"#
        ));
        self.defs.push('\n');
        let mut inside = Canvas::default();
        self.past_years(&plot, &mut inside);
        self.threshold_lines(&plot, &mut inside);
        self.season_line(&plot, &mut inside);
        self.canvas.clipped(&clip, inside);
        self.today_line(&plot);
        self.strip(&plot, plot.bottom);
        self.stage_marks(&plot);
        self.window_name(&plot);
        self.flag(&plot);
        self.threshold_names(&plot);
        self.month_names(&plot);
        plot
    }

    fn month_lines(&mut self, plot: &Plot) {
        for (day, _) in self.season.months() {
            if day > 0 {
                self.canvas.line((plot.edge(day), plot.top), (plot.edge(day), plot.bottom), "grid");
            }
        }
    }

    fn past_years(&self, plot: &Plot, to: &mut Canvas) {
        match &self.season.past {
            Past::Few(years) => {
                for sums in years {
                    let points: Vec<_> =
                        sums.iter().enumerate().map(|(day, sum)| (plot.x(day as i64), plot.y(*sum))).collect();
                    to.run(&points, "few");
                }
            }
            Past::Band { points, .. } => {
                let every = (NEEDLES_APART / (plot.x(1) - plot.x(0))).ceil().max(1.0) as usize;
                for (day, point) in points.iter().enumerate().step_by(every) {
                    needles(to, plot.x(day as i64), point.map(|sum| plot.y(sum)));
                }
            }
        }
    }

    fn threshold_lines(&self, plot: &Plot, to: &mut Canvas) {
        for (at, stage) in self.chart.stages.iter().enumerate() {
            if let Some(threshold) = usable(stage.threshold) {
                let y = plot.y(threshold);
                to.line((plot.left, y), (plot.right, y), threshold_class(at));
            }
        }
    }

    /// The season in stretches of one ink each; a stretch begins where the one before it ended.
    fn season_line(&self, plot: &Plot, to: &mut Canvas) {
        let mut before: Option<(f64, f64)> = None;
        let mut rest = &self.season.line[..];
        while let Some((_, _, ink)) = rest.first().copied() {
            let length = rest.iter().take_while(|(_, _, of)| *of == ink).count();
            let (stretch, after) = rest.split_at(length);
            let points: Vec<_> =
                before.into_iter().chain(stretch.iter().map(|(day, sum, _)| (plot.x(*day), plot.y(*sum)))).collect();
            before = points.last().copied();
            match ink {
                Ink::Measured => to.run(&points, "season"),
                Ink::Forecast => to.run(&points, "forecast"),
                Ink::Filled => {
                    to.run(&points, "season");
                    to.run(&points, "season-core");
                }
            }
            // A lone first day is a line of no length.
            if let [only] = points[..] {
                to.dot(only.0, only.1, 1.6, "season-dot");
            }
            rest = after;
        }
    }

    fn today_line(&mut self, plot: &Plot) {
        let at = (self.chart.today - self.season.first).num_days();
        if !(0..self.season.days).contains(&at) {
            return;
        }
        let x = plot.x(at);
        self.canvas.line((x, plot.top - 4.0), (x, plot.bottom), "today");
        let word = self.words.today(self.chart.today);
        let half = text_width(&word, SMALL, false) / 2.0;
        let x = x.clamp(plot.left + half, (plot.right - half).max(plot.left + half));
        self.canvas.text(x, plot.top - 8.0, &word, TextStyle::plain("ink").size(SMALL).anchor(Anchor::Middle));
    }

    /// On each threshold: a dot where it was reached, or the bar of likely dates with the likeliest day.
    fn stage_marks(&mut self, plot: &Plot) {
        for stage in &self.chart.stages {
            let Some(threshold) = usable(stage.threshold) else { continue };
            let y = plot.y(threshold);
            let marks = DateMarks::of(stage.date, &self.season);
            if let Some(day) = marks.point() {
                self.canvas.line((plot.x(day), y), (plot.x(day), plot.bottom), "drop");
            }
            plot.draw_marks(y, &marks, &mut self.canvas);
        }
    }
}

/// A day's past years: from the height that one in ten stays under to that which nine in ten do, and their middle.
fn needles(to: &mut Canvas, x: f64, [low, middle, high]: [f64; 3]) {
    // Where all years are nearly alike the pair would be a blot.
    if low - high >= 1.0 {
        pair_of_needles(to, x, low, high);
        node(to, x, middle);
    }
}

/// Two needles from one foot, as a pinyon bears them.
pub(super) fn pair_of_needles(to: &mut Canvas, x: f64, foot: f64, tip: f64) {
    to.run(&[(x - 1.8, tip), (x, foot), (x + 1.8, tip)], "needles");
}

pub(super) fn node(to: &mut Canvas, x: f64, y: f64) {
    to.line((x - 2.4, y), (x + 2.4, y), "node");
}

/// Line styles by the stage's place, so that they differ without colour; the same in the plot and in the row under it.
pub(super) fn threshold_class(at: usize) -> &'static str {
    ["threshold-a", "threshold-b", "threshold-c", "threshold-d"][at % 4]
}

/// °C·day between two ticks: a round number of the shown unit, so that there are at most seven.
fn tick_step(unit: HeatUnit, top: f64) -> f64 {
    let one = unit.heat(1.0);
    let mut round = [10.0, 20.0, 50.0].into_iter().cycle();
    let mut scale = 1.0;
    loop {
        for _ in 0..3 {
            let step = round.next().unwrap_or(10.0) * scale / one;
            if top / step <= 6.0 {
                return step;
            }
        }
        scale *= 10.0;
    }
}
