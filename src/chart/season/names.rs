//! Names inside and under the plot, each where it covers no line.

use super::plot::Plot;
use super::{Drawing, LEADING, SMALL};
use crate::chart::StageDate;
use crate::chart::figures::{DateMarks, Past, usable};
use crate::chart::svg::{Anchor, TextStyle, extent, text_width};

impl Drawing<'_> {
    /// Each month's name under the middle of its part of the axis, where it has room.
    pub(super) fn month_names(&mut self, plot: &Plot) {
        let months = self.season.months();
        for (at, (day, date)) in months.iter().enumerate() {
            let end = months.get(at + 1).map_or(self.season.days, |(next, _)| *next);
            let (left, right) = (plot.edge((*day).max(0)), plot.edge(end));
            let name = self.words.month(*date);
            let initial: String = name.chars().take(1).collect();
            let fits = |name: &str| text_width(name, SMALL, false) + 4.0 <= right - left;
            let shown = if fits(name) { name } else { &initial };
            if fits(shown) {
                let style = TextStyle::plain("soft").size(SMALL).anchor(Anchor::Middle);
                self.canvas.text((left + right) / 2.0, plot.bottom + 15.0, shown, style);
            }
        }
        self.y = plot.bottom + 24.0;
    }

    /// Each threshold's name stands over its line, on the side where the lines leave it more room.
    pub(super) fn threshold_names(&mut self, plot: &Plot) {
        for stage in &self.chart.stages {
            let Some(threshold) = usable(stage.threshold) else { continue };
            let (left, right) = self.free_ends(plot, threshold, stage.date);
            let full = self.words.threshold(stage, threshold);
            let short = format!("{:.0}", self.words.unit.heat(threshold));
            let y = plot.y(threshold) - 5.0;
            let sides = if left - plot.left >= plot.right - right {
                [(Anchor::Start, plot.left + 5.0), (Anchor::End, plot.right - 4.0)]
            } else {
                [(Anchor::End, plot.right - 4.0), (Anchor::Start, plot.left + 5.0)]
            };
            let places = [&full, &short].into_iter().flat_map(|name| sides.map(|side| (name, side)));
            for (name, (anchor, x)) in places {
                let style = TextStyle::plain("ink").size(SMALL).anchor(anchor).halo();
                let room = extent(x, y, name, style);
                let clear = match anchor {
                    Anchor::Start => room.right + 4.0 <= left,
                    _ => room.left - 4.0 >= right,
                };
                if clear && room.top >= plot.top - 6.0 && self.placed.iter().all(|other| !other.overlaps(&room)) {
                    self.canvas.text(x, y, name, style);
                    self.placed.push(room);
                    break;
                }
            }
            // Where there is room for neither, the row under the plot says it.
        }
    }

    /// x up to which, and from which on, the strip just over a threshold is free of lines and marks.
    fn free_ends(&self, plot: &Plot, threshold: f64, date: StageDate) -> (f64, f64) {
        let over = threshold + plot.heat_of(LEADING + 2.0);
        let (mut first, mut last) = (plot.right, plot.left);
        let mut crosses = |points: &mut dyn Iterator<Item = (i64, f64)>| {
            let mut end = None;
            for (day, sum) in points {
                if sum >= threshold {
                    first = first.min(plot.x(day));
                }
                if sum <= over {
                    end = Some(day + 1);
                }
            }
            if let Some(day) = end {
                last = last.max(plot.x(day));
            }
        };
        crosses(&mut self.season.line.iter().map(|(day, sum, _)| (*day, *sum)));
        match &self.season.past {
            Past::Few(years) => {
                for sums in years {
                    crosses(&mut sums.iter().enumerate().map(|(day, sum)| (day as i64, *sum)));
                }
            }
            Past::Band { points, .. } => {
                for which in [0, 2] {
                    crosses(&mut points.iter().enumerate().map(|(day, point)| (day as i64, point[which])));
                }
            }
        }
        let marks = DateMarks::of(date, &self.season);
        for day in [marks.early, marks.point(), marks.late].into_iter().flatten() {
            first = first.min(plot.x(day) - 7.0);
            last = last.max(plot.x(day) + 7.0);
        }
        (first, last)
    }
}
