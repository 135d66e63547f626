//! The season's heat against past years, the thresholds, and under it a row a stage with its date.

use chrono::Days;

use super::figures::{DateMarks, Ink, Past, Season, usable};
use super::svg::{
    Anchor, BODY, Canvas, Extent, FONTS, TextStyle, dark_style, escape, extent, number, paint, text_width, wrap,
};
use super::words::Words;
use super::{HeatUnit, Look, SeasonChart, StageDate};

const MARGIN: f64 = 14.0;
const LEADING: f64 = 20.0;
const SMALL: f64 = 13.0;
/// Half the height of a bar's ends: taller than the diamond, so that the shortest bar still shows its ends.
const CAP: f64 = 8.0;
/// From one pair of needles to the next, at least: so far that paper shows between them.
const NEEDLES_APART: f64 = 8.0;

/// The chart as one SVG document. Figures that are not numbers are left out; nothing panics.
pub fn season_heat(chart: &SeasonChart, look: &Look) -> String {
    Drawing::new(chart, look).draw()
}

struct Drawing<'a> {
    chart: &'a SeasonChart,
    words: Words,
    dark_too: bool,
    id: String,
    width: f64,
    season: Season,
    canvas: Canvas,
    /// The clipping path.
    defs: String,
    /// Texts placed inside the plot, which later ones must keep clear of.
    placed: Vec<Extent>,
    /// Bottom of what is drawn so far.
    y: f64,
}

/// The plot's corner and scale.
#[derive(Clone, Copy)]
struct Plot {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    days: f64,
    most: f64,
}

impl Plot {
    /// The middle of a day.
    fn x(&self, day: i64) -> f64 {
        self.left + (day as f64 + 0.5) / self.days * (self.right - self.left)
    }

    /// The beginning of a day.
    fn edge(&self, day: i64) -> f64 {
        self.left + day as f64 / self.days * (self.right - self.left)
    }

    fn y(&self, degree_days: f64) -> f64 {
        self.bottom - degree_days / self.most * (self.bottom - self.top)
    }

    /// A dot where a stage was reached, or the bar of likely dates with the likeliest day.
    fn draw_marks(&self, y: f64, marks: &DateMarks, to: &mut Canvas) {
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
    fn heat_of(&self, pixels: f64) -> f64 {
        pixels / (self.bottom - self.top) * self.most
    }
}

impl<'a> Drawing<'a> {
    fn new(chart: &'a SeasonChart, look: &Look) -> Self {
        let id: String = look.id.chars().filter(|sign| sign.is_ascii_alphanumeric() || *sign == '-').collect();
        // An id must begin with a letter.
        let id = if id.starts_with(|first: char| first.is_ascii_alphabetic()) { id } else { format!("chart{id}") };
        Self {
            chart,
            words: Words { language: look.language, unit: look.unit },
            dark_too: look.dark_too,
            width: f64::from(look.width.clamp(320, 1600)),
            season: Season::of(chart),
            canvas: Canvas::default(),
            defs: String::new(),
            id,
            placed: Vec::new(),
            y: MARGIN,
        }
    }

    fn draw(mut self) -> String {
        self.heading();
        self.legend();
        let plot = self.plot();
        self.stage_rows(&plot);
        self.footing();
        self.document()
    }

    fn heading(&mut self) {
        let size = if self.width < 500.0 { 17.0 } else { 20.0 };
        self.paragraph(&self.words.title(self.chart), TextStyle::plain("ink").size(size).bold(), size * 1.25);
        self.y += 3.0;
        self.paragraph(&self.standing(), TextStyle::plain("ink"), LEADING);
        self.y += 6.0;
    }

    fn standing(&self) -> String {
        let observed = self.season.line.iter().rev().find(|(_, _, ink)| *ink != Ink::Forecast);
        let day = |day: i64| self.season.first + Days::new(day.unsigned_abs());
        let middle = observed.and_then(|(day, _, _)| match &self.season.past {
            Past::Band { points, .. } => {
                usize::try_from(*day).ok().and_then(|day| points.get(day)).map(|point| point[1])
            }
            Past::Few(_) => None,
        });
        self.words.standing(self.chart, observed.map(|(at, sum, _)| (day(*at), *sum)), middle)
    }

    /// Every kind of line that is in the picture, with its name; breaks onto further lines where the width asks for it.
    fn legend(&mut self) {
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

    fn plot(&mut self) -> Plot {
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
        self.window(&plot);
        self.stage_marks(&plot);
        self.window_name(&plot);
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

    /// Each month's name under the middle of its part of the axis, where it has room.
    fn month_names(&mut self, plot: &Plot) {
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

    /// The time to look and wash, as a strip on the time axis.
    fn window(&mut self, plot: &Plot) {
        if let Some((from, until)) = self.window_span(plot) {
            self.canvas.rect(from, plot.bottom - 8.0, until - from, 8.0, "window");
        }
    }

    fn window_name(&mut self, plot: &Plot) {
        let Some((from, _)) = self.window_span(plot) else { return };
        let name = self.words.window();
        let style = TextStyle::plain("ink").size(SMALL).halo();
        let x = (from + 4.0).min(plot.right - text_width(name, SMALL, false) - 2.0);
        let y = plot.bottom - 13.0;
        let room = extent(x, y, name, style);
        let season_under = self.season.line.iter().any(|(day, sum, _)| {
            (room.left - 6.0..room.right + 6.0).contains(&plot.x(*day)) && plot.y(*sum) > room.top - 6.0
        });
        if !season_under {
            self.canvas.text(x, y, name, style);
            self.placed.push(room);
        }
    }

    fn window_span(&self, plot: &Plot) -> Option<(f64, f64)> {
        let (opens, closes) = self.chart.window?;
        let point = |stage: usize| DateMarks::of(self.chart.stages.get(stage)?.date, &self.season).point();
        let (opens, closes) = (point(opens)?, point(closes)?);
        (opens < closes).then(|| (plot.x(opens), plot.x(closes)))
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

    /// Each threshold's name stands over its line, on the side where the lines leave it more room.
    fn threshold_names(&mut self, plot: &Plot) {
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

    /// A row a stage: in words, and as a bar on the plot's own time axis.
    fn stage_rows(&mut self, plot: &Plot) {
        let (mut bars, mut dots) = (false, false);
        for (at, stage) in self.chart.stages.iter().enumerate() {
            self.canvas.line((MARGIN, self.y), (self.width - MARGIN, self.y), "rule");
            self.y += 3.0;
            let marks = DateMarks::of(stage.date, &self.season);
            self.paragraph(&self.words.stage(stage), TextStyle::plain("ink").size(BODY), LEADING);
            self.y += 11.0;
            let row = self.y;
            self.canvas.line((plot.left, row), (plot.right, row), threshold_class(at));
            plot.draw_marks(row, &marks, &mut self.canvas);
            bars |= marks.early.is_some();
            dots |= marks.reached.is_some();
            self.y += 13.0;
        }
        if let Some(key) = self.words.marks(bars, dots) {
            self.paragraph(key, TextStyle::plain("soft").size(SMALL), LEADING);
        }
        self.y += 4.0;
    }

    fn footing(&mut self) {
        let style = TextStyle::plain("soft").size(SMALL);
        self.canvas.line((MARGIN, self.y), (self.width - MARGIN, self.y), "rule");
        self.y += 2.0;
        self.paragraph(&self.words.source(self.chart), style, LEADING);
        if let Some(note) = &self.chart.note {
            self.paragraph(note, style, LEADING);
        }
        self.y += MARGIN - 4.0;
    }

    /// A text over as many lines as the width asks for.
    fn paragraph(&mut self, text: &str, style: TextStyle, leading: f64) {
        for line in wrap(text, self.width - 2.0 * MARGIN, style.size, style.bold) {
            self.y += leading;
            self.canvas.text(MARGIN, self.y - 0.28 * leading, &line, style);
        }
    }

    fn document(self) -> String {
        let (width, height) = (number(self.width), number(self.y.ceil()));
        let language = self.words.language_code();
        let title = escape(&self.words.title(self.chart));
        let description = escape(&self.description());
        let id = self.id;
        let style = if self.dark_too { format!("<style>{}</style>\n", dark_style(&id)) } else { String::new() };
        let paper = paint("paper");
        let body = self.canvas.into_body();
        let defs = self.defs;
        format!(
            r##"<svg xmlns="http://www.w3.org/2000/svg" id="{id}" width="{width}" height="{height}" viewBox="0 0 {width} {height}" role="img" aria-labelledby="{id}-title {id}-desc" lang="{language}" xml:lang="{language}" font-family="{FONTS}">
<title id="{id}-title">{title}</title>
<desc id="{id}-desc">{description}</desc>
{style}<defs>
{defs}</defs>
<rect width="{width}" height="{height}" {paper}/>
{body}</svg>
"##
        )
    }

    /// The picture in sentences, for those who do not see it.
    fn description(&self) -> String {
        let mut sentences = vec![self.standing()];
        sentences.extend(self.chart.stages.iter().map(|stage| format!("{}.", self.words.stage(stage))));
        sentences.push(self.words.source(self.chart));
        sentences.extend(self.chart.note.clone());
        sentences.join(" ")
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

/// A day's past years: from the height that one in ten stays under to that which nine in ten do, and their middle.
fn needles(to: &mut Canvas, x: f64, [low, middle, high]: [f64; 3]) {
    // Where all years are nearly alike the pair would be a blot.
    if low - high >= 1.0 {
        pair_of_needles(to, x, low, high);
        node(to, x, middle);
    }
}

/// Two needles from one foot, as a pinyon bears them.
fn pair_of_needles(to: &mut Canvas, x: f64, foot: f64, tip: f64) {
    to.run(&[(x - 1.8, tip), (x, foot), (x + 1.8, tip)], "needles");
}

fn node(to: &mut Canvas, x: f64, y: f64) {
    to.line((x - 2.4, y), (x + 2.4, y), "node");
}

/// Line styles by the stage's place, so that they differ without colour; the same in the plot and in the row under it.
fn threshold_class(at: usize) -> &'static str {
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
