//! The window: a strip over the best days to wash that thins out towards both ends, since no day of it is certain, and a flag
//! on the last day.

use chrono::NaiveDate;

use super::plot::Plot;
use super::{Drawing, SMALL};
use crate::chart::svg::{Anchor, Canvas, TextStyle, extent, text_width};

/// Height of the strip where it is full, px.
const STRIP: f64 = 10.0;
/// Height of the flag's pole, px.
const POLE: f64 = 26.0;

/// The strip's corners as places on the time axis, in order.
struct Strip {
    begins: f64,
    full_from: f64,
    full_to: f64,
    ends: f64,
}

impl Drawing<'_> {
    /// Days from the left edge, brought inside the chart.
    fn day_at(&self, day: NaiveDate) -> i64 {
        (day - self.season.first).num_days().clamp(0, self.season.days)
    }

    fn strip_on(&self, plot: &Plot) -> Option<Strip> {
        let days = self.chart.days.as_ref()?;
        let edge = |day: NaiveDate| plot.edge(self.day_at(day));
        // The end of a day is the beginning of the next.
        let end = |day: NaiveDate| plot.edge(self.day_at(day.succ_opt().unwrap_or(day)));
        let (from, to) = days.best.map_or((days.look_from, days.deadline), |best| (best.first, best.last));
        let strip = Strip {
            begins: edge(days.look_from).min(edge(from)),
            full_from: edge(from),
            full_to: end(to),
            ends: days.ends.map_or_else(|| end(days.deadline), end).max(end(to)),
        };
        (strip.begins < strip.ends).then_some(strip)
    }

    /// The strip, standing on a line.
    pub(super) fn strip(&mut self, plot: &Plot, base: f64) {
        let Some(Strip { begins, full_from, full_to, ends }) = self.strip_on(plot) else { return };
        let top = base - STRIP;
        // The thin ends reach a little under the full part, so that no paper shows between.
        let (left, right) = ((full_from + 0.5).min(full_to), (full_to - 0.5).max(full_from));
        self.canvas.area(&[(begins, base), (left, top), (left, base)], "window");
        self.canvas.rect(full_from, top, full_to - full_from, STRIP, "window");
        self.canvas.area(&[(right, top), (ends, base), (right, base)], "window");
    }

    /// The strip in a row of its own, with the flag, under the plot.
    pub(super) fn window_row(&mut self, plot: &Plot, base: f64) {
        self.canvas.line((plot.left, base), (plot.right, base), "axis");
        self.strip(plot, base);
        if let Some(x) = self.flag_at(plot) {
            pole(&mut self.canvas, x, base, STRIP + 9.0);
        }
    }

    /// Where the last day to wash lies, if inside the chart.
    fn flag_at(&self, plot: &Plot) -> Option<f64> {
        let day = (self.chart.days.as_ref()?.deadline - self.season.first).num_days();
        (0..self.season.days).contains(&day).then(|| plot.x(day))
    }

    /// The name of the strip, over it, where it covers no line.
    pub(super) fn window_name(&mut self, plot: &Plot) {
        let Some(strip) = self.strip_on(plot) else { return };
        let best = self.chart.days.as_ref().is_some_and(|days| days.best.is_some());
        let name = self.words.window(best);
        let style = TextStyle::plain("ink").size(SMALL).halo();
        // Before the flag, so that its pole stands clear.
        let width = text_width(name, SMALL, false);
        let x = (self.flag_at(plot).unwrap_or(strip.full_to) - 6.0 - width).max(plot.left + 2.0);
        let y = plot.bottom - STRIP - 5.0;
        let room = extent(x, y, name, style);
        if room.right <= plot.right && self.is_free(plot, room.left, room.right, room.top) {
            self.canvas.text(x, y, name, style);
            self.placed.push(room);
        }
    }

    /// The flag on the last day to wash, with its word beside it where it covers no line.
    pub(super) fn flag(&mut self, plot: &Plot) {
        let Some(x) = self.flag_at(plot) else { return };
        pole(&mut self.canvas, x, plot.bottom, POLE);
        let Some(days) = &self.chart.days else { return };
        let word = self.words.deadline(days.deadline);
        let style = TextStyle::plain("ink").size(SMALL).halo();
        let width = text_width(&word, SMALL, false);
        let y = plot.bottom - POLE + 8.0;
        for (left, anchor, at) in [(x + 16.0, Anchor::Start, x + 16.0), (x - 8.0 - width, Anchor::End, x - 8.0)] {
            let style = style.anchor(anchor);
            let room = extent(at, y, &word, style);
            let inside = left >= plot.left && left + width <= plot.right;
            let clear = self.placed.iter().all(|other| !other.overlaps(&room));
            if inside && clear && self.is_free(plot, room.left, room.right, room.top) {
                self.canvas.text(at, y, &word, style);
                self.placed.push(room);
                return;
            }
        }
    }

    /// Whether the season's line stays over a height between two places.
    fn is_free(&self, plot: &Plot, left: f64, right: f64, top: f64) -> bool {
        !self
            .season
            .line
            .iter()
            .any(|(day, sum, _)| (left - 6.0..right + 6.0).contains(&plot.x(*day)) && plot.y(*sum) > top - 6.0)
    }
}

fn pole(to: &mut Canvas, x: f64, base: f64, height: f64) {
    let top = base - height;
    to.line((x, base), (x, top), "pole");
    to.area(&[(x, top), (x + 12.0, top + 4.5), (x, top + 9.0)], "mark");
}
