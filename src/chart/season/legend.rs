//! The key over the plot: every kind of line that is in the picture, with its name.

use super::plot::{node, pair_of_needles};
use super::{Drawing, LEADING, MARGIN, SMALL};
use crate::chart::figures::{Ink, Past};
use crate::chart::svg::{Canvas, TextStyle, text_width};

impl Drawing<'_> {
    /// Every kind of line that is in the picture, with its name; breaks onto further lines where the width asks for it.
    pub(super) fn legend(&mut self) {
        const SWATCH: f64 = 30.0;
        let has = |ink: Ink| self.season.line.iter().any(|(_, _, of)| *of == ink);
        let mut entries: Vec<(Swatch, String)> = Vec::new();
        if has(Ink::Measured) {
            entries.push((Swatch::Measured, self.words.this_season(self.chart.year)));
        }
        if has(Ink::Filled) {
            entries.push((Swatch::Filled, self.words.filled().to_owned()));
        }
        if has(Ink::Forecast) {
            entries.push((Swatch::Forecast, self.words.forecast().to_owned()));
        }
        match &self.season.past {
            Past::Band { years, .. } => {
                entries.push((Swatch::Needles, self.words.most_years(self.chart, *years)));
                entries.push((Swatch::Node, self.words.middle_year().to_owned()));
            }
            Past::Few(years) if !years.is_empty() => {
                entries.push((Swatch::Few, self.words.one_by_one(self.chart, years.len())))
            }
            Past::Few(_) => {}
        }
        let mut x = MARGIN;
        let mut baseline = self.y + 12.0;
        for (swatch, name) in entries {
            let width = SWATCH + 6.0 + text_width(&name, SMALL, false);
            if x > MARGIN && x + width > self.width - MARGIN {
                x = MARGIN;
                baseline += LEADING;
            }
            swatch.draw(&mut self.canvas, x, baseline - 4.0, SWATCH);
            self.canvas.text(x + SWATCH + 6.0, baseline, &name, TextStyle::plain("ink").size(SMALL));
            x += width + 16.0;
        }
        self.y = baseline + 12.0;
    }
}

/// A sample of a line or an area beside its name.
enum Swatch {
    Measured,
    Filled,
    Forecast,
    Needles,
    Node,
    Few,
}

impl Swatch {
    fn draw(&self, to: &mut Canvas, x: f64, y: f64, width: f64) {
        let mut line = |class| to.run(&[(x, y), (x + width, y)], class);
        match self {
            Swatch::Measured => line("season"),
            Swatch::Filled => {
                line("season");
                line("season-core");
            }
            Swatch::Forecast => line("forecast"),
            Swatch::Few => line("few"),
            Swatch::Needles | Swatch::Node => {
                for at in [0.2, 0.5, 0.8].map(|part| x + part * width) {
                    pair_of_needles(to, at, y + 7.0, y - 7.0);
                    if matches!(self, Swatch::Node) {
                        node(to, at, y);
                    }
                }
            }
        }
    }
}
