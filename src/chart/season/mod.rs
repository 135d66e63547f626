//! The season's heat against past years, the thresholds, and under it a row a stage with its date.

mod legend;
mod names;
mod plot;
mod window;

use chrono::Days;

use self::plot::{Plot, threshold_class};
use super::figures::{DateMarks, Ink, Past, Season};
use super::svg::{BODY, Canvas, Extent, FONTS, TextStyle, dark_style, escape, number, paint, wrap};
use super::words::Words;
use super::{Look, SeasonChart, StageDate};

const MARGIN: f64 = 14.0;
const LEADING: f64 = 20.0;
const SMALL: f64 = 13.0;

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

    /// A row a stage: in words, and as a bar on the plot's own time axis.
    fn stage_rows(&mut self, plot: &Plot) {
        if let Some(said) = self.chart.days.as_ref().map(|days| days.said.clone()) {
            self.canvas.line((MARGIN, self.y), (self.width - MARGIN, self.y), "rule");
            self.y += 3.0;
            self.paragraph(&said, TextStyle::plain("ink").size(BODY).bold(), LEADING);
            self.y += 24.0;
            self.window_row(plot, self.y);
            self.y += 10.0;
        }
        let (mut bars, mut dots, mut seen) = (false, false, false);
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
            let (by_heat, by_eye) = match stage.date {
                StageDate::Reached(_) => (true, false),
                StageDate::Seen(_) => (false, true),
                _ => (false, false),
            };
            dots |= by_heat && marks.reached.is_some();
            seen |= by_eye && marks.reached.is_some();
            self.y += 13.0;
        }
        if let Some(key) = self.words.marks(bars, dots, seen) {
            self.paragraph(&key, TextStyle::plain("soft").size(SMALL), LEADING);
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
        sentences.extend(self.chart.days.iter().map(|days| days.said.clone()));
        sentences.extend(self.chart.stages.iter().map(|stage| format!("{}.", self.words.stage(stage))));
        sentences.push(self.words.source(self.chart));
        sentences.extend(self.chart.note.clone());
        sentences.join(" ")
    }
}
