//! What is believed of the heat that a stage takes, before and after field reports: two hills over °C·day, and the reports
//! under them.
//!
//! One file, since every mark of the picture is placed by the same two scales.

use super::error_profile::ticks;
use super::svg::{
    Anchor, BODY, Canvas, Extent, FONTS, TextStyle, dark_style, escape, extent, number, paint, text_width, wrap,
};
use super::{HeatUnit, Look};
use crate::heat::belief::Sums;
use crate::language::Language;

/// What the picture shows. Heat is °C·day from where the stage counts, whatever unit is drawn.
#[derive(Clone, Debug)]
pub struct BeliefChart {
    /// The stage's name in the chart's language.
    pub stage: String,
    /// The insect's.
    pub insect: String,
    pub season: i32,
    /// From when the heat is counted, as it follows `from`: `January 1`, `when egg laying begins`; `el 1 de enero`, `que
    /// empieza la puesta de huevos`.
    pub from: String,
    /// The heat counts from a stage, whose own sum is in doubt: reports stand where they would if it came at its likely sum.
    pub from_stage: bool,
    pub before: Sums,
    pub after: Sums,
    /// First those that are drawn, at most [`MOST_REPORTS`], in the order in which they are to stand. Without one, what is believed
    /// before and after is the same, and is drawn once.
    pub reports: Vec<BeliefMark>,
    /// °C·day: how far places and years differ beside it, one standard deviation each.
    pub places_c: f64,
    pub years_c: f64,
    /// What has to stand under it.
    pub note: Option<String>,
}

impl BeliefChart {
    /// How many beliefs differ: the one before reports, and the one after any.
    fn beliefs(&self) -> usize {
        if self.reports.is_empty() { 1 } else { 2 }
    }
}

/// One report: between which sums the stage came there.
#[derive(Clone, Debug, PartialEq)]
pub struct BeliefMark {
    /// Day and place.
    pub label: String,
    /// The last heat at which nothing was there.
    pub zero: Option<f64>,
    /// The heat at which it was seen.
    pub seen: Option<f64>,
}

const MARGIN: f64 = 14.0;
const LEADING: f64 = 20.0;
const SMALL: f64 = 13.0;
/// Reports drawn; more are counted in a line.
pub const MOST_REPORTS: usize = 12;
/// Points of a hill.
const POINTS: usize = 200;
/// Shares beyond which a hill is not drawn.
const TAIL: f64 = 0.001;

/// The picture as one SVG document. Figures that are not numbers are left out; nothing panics.
pub fn draw(chart: &BeliefChart, look: &Look) -> String {
    let id: String = look.id.chars().filter(|sign| sign.is_ascii_alphanumeric() || *sign == '-').collect();
    // An id must begin with a letter.
    let id = if id.starts_with(|first: char| first.is_ascii_alphabetic()) { id } else { format!("chart{id}") };
    let width = f64::from(look.width.clamp(320, 1600));
    let words = Words { language: look.language, unit: look.unit };
    let scale = Scale::of(chart, width);
    let mut drawing = Drawing { chart, words, width, scale, canvas: Canvas::default(), y: MARGIN };
    drawing.heading();
    drawing.legend();
    drawing.hills();
    drawing.ranges();
    drawing.reports();
    drawing.footing();
    drawing.document(&id, look.dark_too)
}

/// °C·day to px.
struct Scale {
    low: f64,
    high: f64,
    left: f64,
    right: f64,
}

impl Scale {
    fn of(chart: &BeliefChart, width: f64) -> Self {
        let ends = [&chart.before, &chart.after].into_iter().flat_map(|sums| {
            // A belief that is certain has no width, and the picture still needs some.
            let least = 0.05 * sums.mean().abs();
            [sums.quantile(TAIL) - least, sums.quantile(1.0 - TAIL) + least]
        });
        let marks = chart.reports.iter().take(MOST_REPORTS).flat_map(|mark| [mark.zero, mark.seen]).flatten();
        let heats: Vec<f64> = ends.chain(marks).filter(|heat| heat.is_finite()).collect();
        let low = heats.iter().copied().fold(f64::INFINITY, f64::min).max(0.0);
        let high = heats.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let (low, high) = if high > low { (low, high) } else { (0.0, 1.0) };
        let pad = 0.04 * (high - low);
        Self { low: (low - pad).max(0.0), high: high + pad, left: MARGIN + 6.0, right: width - MARGIN - 6.0 }
    }

    fn x(&self, heat: f64) -> f64 {
        let part = (heat.clamp(self.low, self.high) - self.low) / (self.high - self.low);
        self.left + part * (self.right - self.left)
    }
}

struct Drawing<'a> {
    chart: &'a BeliefChart,
    words: Words,
    width: f64,
    scale: Scale,
    canvas: Canvas,
    /// Bottom of what is drawn so far.
    y: f64,
}

impl Drawing<'_> {
    fn heading(&mut self) {
        let size = if self.width < 500.0 { 17.0 } else { 20.0 };
        let (title, standing) = (self.words.title(self.chart), self.words.standing(self.chart));
        self.paragraph(&title, TextStyle::plain("ink").size(size).bold(), size * 1.25);
        self.y += 3.0;
        self.paragraph(&standing, TextStyle::plain("ink"), LEADING);
        self.y += 6.0;
    }

    fn legend(&mut self) {
        const SWATCH: f64 = 30.0;
        let mut x = MARGIN;
        let mut baseline = self.y + 12.0;
        let after = self.words.after(self.chart.reports.len());
        let hills = [
            (self.words.before(), "hill-before", "hill-before-edge"),
            (after.as_str(), "hill-after", "hill-after-edge"),
        ];
        for (name, area, edge) in hills.into_iter().take(self.chart.beliefs()) {
            let width = SWATCH + 6.0 + text_width(name, SMALL, false);
            if x > MARGIN && x + width > self.width - MARGIN {
                x = MARGIN;
                baseline += LEADING;
            }
            let top = baseline - 11.0;
            self.canvas.rect(x, top, SWATCH, 13.0, area);
            self.canvas.run(&[(x, top), (x + SWATCH, top)], edge);
            self.canvas.text(x + SWATCH + 6.0, baseline, name, TextStyle::plain("ink").size(SMALL));
            x += width + 16.0;
        }
        self.y = baseline + 10.0;
    }

    fn hills(&mut self) {
        let height = (self.width * 0.28).clamp(120.0, 240.0);
        let (top, bottom) = (self.y + 6.0, self.y + 6.0 + height);
        let (before, after) = (density(&self.chart.before, &self.scale), density(&self.chart.after, &self.scale));
        let most = before.iter().chain(&after).map(|(_, density)| *density).fold(0.0, f64::max);
        let heats = ticks(
            self.words.unit.heat(self.scale.low),
            self.words.unit.heat(self.scale.high),
            (self.width / 90.0).clamp(3.0, 10.0),
        );
        for heat in &heats {
            let x = self.scale.x(self.words.celsius(*heat));
            self.canvas.line((x, top), (x, bottom), "grid");
        }
        let hills = [(before, "hill-before", "hill-before-edge"), (after, "hill-after", "hill-after-edge")];
        for (hill, area, edge) in hills.into_iter().take(self.chart.beliefs()) {
            let y = |density: f64| bottom - if most > 0.0 { density / most * height } else { 0.0 };
            let line: Vec<(f64, f64)> = hill.iter().map(|(heat, density)| (self.scale.x(*heat), y(*density))).collect();
            let (Some(first), Some(last)) = (line.first(), line.last()) else { continue };
            let ends = [(last.0, bottom), (first.0, bottom)];
            let closed: Vec<(f64, f64)> = line.iter().copied().chain(ends).collect();
            self.canvas.area(&closed, area);
            self.canvas.run(&line, edge);
        }
        // What is certain has no hill.
        let certain = [(&self.chart.before, "hill-before-edge"), (&self.chart.after, "hill-after-edge")];
        for (sums, edge) in certain.into_iter().take(self.chart.beliefs()) {
            if sums.sd() <= 0.0 {
                let x = self.scale.x(sums.median());
                self.canvas.run(&[(x, top), (x, bottom)], edge);
            }
        }
        self.canvas.line((self.scale.left, bottom), (self.scale.right, bottom), "axis");
        self.axis(&heats, bottom);
    }

    /// Numbers under the hills in the picture's unit, and under them the same in the other one.
    fn axis(&mut self, heats: &[f64], bottom: f64) {
        let (own, other) = (TextStyle::plain("ink").size(SMALL), TextStyle::plain("soft").size(SMALL - 1.5));
        let mut taken: Vec<Extent> = Vec::new();
        for heat in heats {
            let x = self.scale.x(self.words.celsius(*heat));
            let other_heat = format!("{:.0}", self.words.other().heat(self.words.celsius(*heat)));
            let name = format!("{heat:.0}");
            let room = extent(x, bottom + 17.0, &name, own.anchor(Anchor::Middle));
            if room.left < MARGIN - 8.0
                || room.right > self.width - MARGIN + 8.0
                || taken.iter().any(|of| of.overlaps(&room))
            {
                continue;
            }
            self.canvas.line((x, bottom), (x, bottom + 4.0), "axis");
            self.canvas.text(x, bottom + 17.0, &name, own.anchor(Anchor::Middle));
            self.canvas.text(x, bottom + 31.0, &other_heat, other.anchor(Anchor::Middle));
            taken.push(room);
        }
        self.y = bottom + 36.0;
        let name = self.words.axis(self.chart);
        self.paragraph(&name, TextStyle::plain("soft").size(SMALL), LEADING - 2.0);
        self.y += 6.0;
    }

    /// The 80 % ranges, in words and as bars.
    fn ranges(&mut self) {
        let rows = [
            (self.words.range(self.words.before(), &self.chart.before), &self.chart.before),
            (self.words.range(&self.words.after(self.chart.reports.len()), &self.chart.after), &self.chart.after),
        ];
        for (words, sums) in rows.into_iter().take(self.chart.beliefs()) {
            self.rule();
            self.paragraph(&words, TextStyle::plain("ink").size(BODY), LEADING);
            let y = self.y + 11.0;
            let [early, middle, late] = [0.1, 0.5, 0.9].map(|share| self.scale.x(sums.quantile(share)));
            self.canvas.line((early, y), (late, y), "bar");
            for end in [early, late] {
                self.canvas.line((end, y - 6.0), (end, y + 6.0), "cap");
            }
            self.canvas.diamond(middle, y, 7.0, "mark");
            self.y = y + 12.0;
        }
    }

    fn reports(&mut self) {
        if self.chart.reports.is_empty() {
            return;
        }
        self.rule();
        self.paragraph(self.words.reports(), TextStyle::plain("ink").size(BODY).bold(), LEADING);
        for mark in self.chart.reports.iter().take(MOST_REPORTS) {
            self.paragraph(&mark.label, TextStyle::plain("soft").size(SMALL), LEADING - 2.0);
            let y = self.y + 9.0;
            let at = |heat: Option<f64>| heat.filter(|heat| heat.is_finite()).map(|heat| self.scale.x(heat));
            let (zero, seen) = (at(mark.zero), at(mark.seen));
            self.canvas.line((self.scale.left, y), (self.scale.right, y), "grid");
            // A sighting alone says only "by then", an empty look alone "not yet, or missed".
            match (zero, seen) {
                (Some(zero), Some(seen)) => self.canvas.line((zero, y), (seen, y), "bar"),
                (None, Some(seen)) => self.canvas.run(&[(self.scale.left, y), (seen, y)], "open-bar"),
                (Some(zero), None) => self.canvas.run(&[(zero, y), (self.scale.right, y)], "open-bar"),
                (None, None) => {}
            }
            if let Some(x) = zero {
                self.canvas.dot(x, y, 5.5, "paper");
                self.canvas.dot(x, y, 5.5, "hollow");
            }
            if let Some(x) = seen {
                self.canvas.diamond(x, y, 7.0, "mark");
            }
            self.y = y + 9.0;
        }
        let more = self.chart.reports.len().saturating_sub(MOST_REPORTS);
        if more > 0 {
            let more = self.words.more(more);
            self.paragraph(&more, TextStyle::plain("soft").size(SMALL), LEADING);
        }
        let key = self.words.key(self.chart);
        self.y += 2.0;
        self.paragraph(&key, TextStyle::plain("soft").size(SMALL), LEADING);
        self.y += 4.0;
    }

    fn footing(&mut self) {
        let style = TextStyle::plain("soft").size(SMALL);
        self.rule();
        let differ = self.words.differ(self.chart);
        self.paragraph(&differ, style, LEADING);
        if let Some(note) = self.chart.note.clone() {
            self.paragraph(&note, style, LEADING);
        }
        self.y += MARGIN - 4.0;
    }

    fn rule(&mut self) {
        self.canvas.line((MARGIN, self.y), (self.width - MARGIN, self.y), "rule");
        self.y += 3.0;
    }

    /// A text over as many lines as the width asks for.
    fn paragraph(&mut self, text: &str, style: TextStyle, leading: f64) {
        for line in wrap(text, self.width - 2.0 * MARGIN, style.size, style.bold) {
            self.y += leading;
            self.canvas.text(MARGIN, self.y - 0.28 * leading, &line, style);
        }
    }

    fn document(self, id: &str, dark_too: bool) -> String {
        let (width, height) = (number(self.width), number(self.y.ceil()));
        let language = self.words.language.code();
        let title = escape(&self.words.title(self.chart));
        let description = escape(&in_words(self.chart, self.words.language, self.words.unit));
        let style = if dark_too { format!("<style>{}</style>\n", dark_style(id)) } else { String::new() };
        let paper = paint("paper");
        let body = self.canvas.into_body();
        format!(
            r##"<svg xmlns="http://www.w3.org/2000/svg" id="{id}" width="{width}" height="{height}" viewBox="0 0 {width} {height}" role="img" aria-labelledby="{id}-title {id}-desc" lang="{language}" xml:lang="{language}" font-family="{FONTS}">
<title id="{id}-title">{title}</title>
<desc id="{id}-desc">{description}</desc>
{style}<rect width="{width}" height="{height}" {paper}/>
{body}</svg>
"##
        )
    }
}

/// The picture in sentences, for those who do not see it.
pub fn in_words(chart: &BeliefChart, language: Language, unit: HeatUnit) -> String {
    let words = Words { language, unit };
    let ranges = [
        format!("{}.", words.range(words.before(), &chart.before)),
        format!("{}.", words.range(&words.after(chart.reports.len()), &chart.after)),
    ];
    let mut sentences = vec![words.standing(chart)];
    sentences.extend(ranges.into_iter().take(chart.beliefs()));
    sentences.extend(chart.reports.iter().map(|mark| words.mark(mark)));
    sentences.push(words.differ(chart));
    sentences.extend(chart.note.clone());
    sentences.join(" ")
}

/// Heat and density, from one end of the picture to the other; nothing of what is certain.
fn density(sums: &Sums, scale: &Scale) -> Vec<(f64, f64)> {
    if sums.sd() <= 0.0 {
        return Vec::new();
    }
    let (low, high) = (sums.quantile(TAIL).max(scale.low), sums.quantile(1.0 - TAIL).min(scale.high));
    let step = (high - low) / POINTS as f64;
    if !(step > 0.0 && step.is_finite()) {
        return Vec::new();
    }
    let at = |nth: usize| {
        let heat = low + nth as f64 * step;
        // Over four steps, so that a cut that a sighting makes stays a cut and rounding makes no comb.
        (heat, (sums.share_below(heat + 2.0 * step) - sums.share_below(heat - 2.0 * step)) / (4.0 * step))
    };
    (0..=POINTS).map(at).collect()
}

struct Words {
    language: Language,
    unit: HeatUnit,
}

impl Words {
    fn other(&self) -> HeatUnit {
        match self.unit {
            HeatUnit::Celsius => HeatUnit::Fahrenheit,
            HeatUnit::Fahrenheit => HeatUnit::Celsius,
        }
    }

    /// A heat of the picture's unit in °C·day.
    fn celsius(&self, heat: f64) -> f64 {
        heat / self.unit.heat(1.0)
    }

    fn symbol(&self, unit: HeatUnit) -> &'static str {
        match (unit, self.language) {
            (HeatUnit::Celsius, Language::En) => "°C·day",
            (HeatUnit::Fahrenheit, Language::En) => "°F·day",
            (HeatUnit::Celsius, Language::Es) => "°C·día",
            (HeatUnit::Fahrenheit, Language::Es) => "°F·día",
        }
    }

    fn heat(&self, celsius: f64) -> String {
        format!("{:.0}", self.unit.heat(celsius))
    }

    fn title(&self, chart: &BeliefChart) -> String {
        let BeliefChart { stage, season, .. } = chart;
        let insect = crate::season::phrases::capitalised(&chart.insect);
        match self.language {
            Language::En => format!("{insect}: how much heat until {stage}, season {season}"),
            Language::Es => format!("{insect}: cuánto calor hasta que {stage}, temporada {season}"),
        }
    }

    fn standing(&self, chart: &BeliefChart) -> String {
        let moved = self.unit.heat(chart.after.median()) - self.unit.heat(chart.before.median());
        let (by, symbol) = (format!("{:.0}", moved.abs()), self.symbol(self.unit));
        let narrower = chart.after.sd() < 0.995 * chart.before.sd();
        match (self.language, chart.reports.len()) {
            (Language::En, 0) => "Nobody has measured this number, and no field report says anything of it yet.".into(),
            (Language::Es, 0) => {
                "Nadie ha medido este número, y todavía ninguna observación de campo dice algo de él.".into()
            }
            (Language::En, _) => {
                let moved = match () {
                    () if by == "0" => "Field reports leave our number where it was".to_owned(),
                    () if moved < 0.0 => format!("Field reports move our number {by}\u{a0}{symbol} lower (earlier)"),
                    () => format!("Field reports move our number {by}\u{a0}{symbol} higher (later)"),
                };
                format!("{moved}{}.", if narrower { " and make us surer of it" } else { "" })
            }
            (Language::Es, _) => {
                let moved = match () {
                    () if by == "0" => "Las observaciones de campo dejan nuestro número donde estaba".to_owned(),
                    () if moved < 0.0 => {
                        format!("Las observaciones de campo bajan nuestro número {by}\u{a0}{symbol} (más temprano)")
                    }
                    () => format!("Las observaciones de campo suben nuestro número {by}\u{a0}{symbol} (más tarde)"),
                };
                format!("{moved}{}.", if narrower { " y nos dan más certeza" } else { "" })
            }
        }
    }

    fn before(&self) -> &'static str {
        match self.language {
            Language::En => "before any report",
            Language::Es => "antes de toda observación",
        }
    }

    fn after(&self, reports: usize) -> String {
        match (self.language, reports) {
            (Language::En, 1) => "with 1 report".into(),
            (Language::En, _) => format!("with {reports} reports"),
            (Language::Es, 1) => "con 1 observación".into(),
            (Language::Es, _) => format!("con {reports} observaciones"),
        }
    }

    fn axis(&self, chart: &BeliefChart) -> String {
        let (own, other) = (self.symbol(self.unit), self.symbol(self.other()));
        match self.language {
            Language::En => format!("Heat counted from {}, in {own}; below it in {other}", chart.from),
            Language::Es => format!("Calor contado desde {}, en {own}; debajo en {other}", chart.from),
        }
    }

    fn range(&self, which: &str, sums: &Sums) -> String {
        let [early, middle, late] = [0.1, 0.5, 0.9].map(|share| self.heat(sums.quantile(share)));
        let symbol = self.symbol(self.unit);
        let mut which = which.to_owned();
        if let Some(first) = which.get_mut(0..1) {
            first.make_ascii_uppercase();
        }
        match self.language {
            Language::En => format!("{which}: most likely {middle}, 8 in 10 between {early} and {late}\u{a0}{symbol}"),
            Language::Es => format!("{which}: lo más probable {middle}, 8 de 10 entre {early} y {late}\u{a0}{symbol}"),
        }
    }

    fn reports(&self) -> &'static str {
        match self.language {
            Language::En => "What was seen",
            Language::Es => "Lo que se vio",
        }
    }

    fn key(&self, chart: &BeliefChart) -> String {
        let (marks, placed) = match self.language {
            Language::En => (
                "Diamond: seen by then. Ring: looked for and not there yet, or missed. Dashes: open on that side.",
                " They stand where they would if the stage before had come at its likely sum.",
            ),
            Language::Es => (
                "Rombo: visto a más tardar entonces. Anillo: se buscó y todavía no estaba, o no se vio. Rayas: abierto de \
                 ese lado.",
                " Están donde estarían si la etapa anterior hubiera llegado con su suma probable.",
            ),
        };
        format!("{marks}{}", if chart.from_stage { placed } else { "" })
    }

    fn mark(&self, mark: &BeliefMark) -> String {
        let label = &mark.label;
        let (zero, seen) = (mark.zero.map(|heat| self.heat(heat)), mark.seen.map(|heat| self.heat(heat)));
        match (self.language, zero, seen) {
            (Language::En, Some(zero), Some(seen)) => format!("{label}: not yet at {zero}, seen at {seen}."),
            (Language::En, None, Some(seen)) => format!("{label}: seen at {seen}."),
            (Language::En, Some(zero), None) => format!("{label}: not yet at {zero}."),
            (Language::Es, Some(zero), Some(seen)) => format!("{label}: todavía no con {zero}, visto con {seen}."),
            (Language::Es, None, Some(seen)) => format!("{label}: visto con {seen}."),
            (Language::Es, Some(zero), None) => format!("{label}: todavía no con {zero}."),
            (_, None, None) => format!("{label}."),
        }
    }

    fn more(&self, count: usize) -> String {
        match (self.language, count) {
            (Language::En, 1) => "The reports that move our number most are drawn; 1 more is not.".into(),
            (Language::En, _) => format!("The reports that move our number most are drawn; {count} more are not."),
            (Language::Es, 1) => "Están dibujadas las observaciones que más mueven nuestro número; falta 1.".into(),
            (Language::Es, _) => {
                format!("Están dibujadas las observaciones que más mueven nuestro número; faltan {count}.")
            }
        }
    }

    fn differ(&self, chart: &BeliefChart) -> String {
        let (places, years) = (self.heat(chart.places_c), self.heat(chart.years_c));
        let symbol = self.symbol(self.unit);
        match self.language {
            Language::En => format!(
                "The hills are of the number itself; a single place differs from it by about {places}\u{a0}{symbol} and a single \
                 year by about {years}."
            ),
            Language::Es => format!(
                "Las curvas son del número mismo; un solo lugar se aparta de él unos {places}\u{a0}{symbol} y un solo año unos \
                 {years}."
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::belief::{Look as Seen, PlaceLooks, SeasonLooks, StagePrior, posterior};

    fn chart(reports: &[(Option<f64>, Option<f64>)]) -> BeliefChart {
        let prior = StagePrior::new(214.0, 43.0, 25.0, 25.0).unwrap();
        let looks = reports.iter().enumerate().flat_map(|(at, (zero, seen))| {
            let look = |heat: &f64, seen| Seen::new(format!("r{at}"), *heat, seen, 0.9).unwrap();
            zero.iter()
                .map(|heat| look(heat, false))
                .chain(seen.iter().map(|heat| look(heat, true)))
                .collect::<Vec<_>>()
        });
        let place = PlaceLooks { place: "low".into(), parent: None, looks: looks.collect() };
        let after = posterior(&prior, &[SeasonLooks { season: 2025, places: vec![place] }]);
        let label = |at: usize| format!("Feb {}, <low> & dry", at + 1);
        let marks = reports.iter().enumerate();
        BeliefChart {
            stage: "egg laying begins".into(),
            insect: "pinyon needle scale".into(),
            season: 2025,
            from: "January 1".into(),
            from_stage: false,
            before: posterior(&prior, &[]).belief().clone(),
            after: after.belief().clone(),
            reports: marks
                .map(|(at, (zero, seen))| BeliefMark { label: label(at), zero: *zero, seen: *seen })
                .collect(),
            places_c: 25.0,
            years_c: 25.0,
            note: Some("Provisional.".into()),
        }
    }

    #[test]
    fn it_says_in_words_what_it_draws_in_both_languages_and_units() {
        let chart = chart(&[(Some(130.0), Some(160.0)), (None, Some(190.0)), (Some(150.0), None)]);
        for (language, unit, wanted) in [
            (
                Language::En,
                HeatUnit::Celsius,
                ["most likely 214, 8 in 10 between 159 and 269\u{a0}°C·day", "seen at 160"],
            ),
            (
                Language::Es,
                HeatUnit::Fahrenheit,
                ["lo más probable 385, 8 de 10 entre 286 y 484\u{a0}°F·día", "visto con 288"],
            ),
        ] {
            let svg = draw(&chart, &Look { language, unit, ..Look::default() });
            for wanted in wanted.into_iter().chain(["&lt;low&gt; &amp; dry", "hill-before", "hill-after", "hollow"]) {
                assert!(svg.contains(wanted), "no `{wanted}` in {svg}");
            }
            assert!(!svg.contains("NaN") && !svg.contains("inf") && !svg.contains("<script"));
        }
    }

    #[test]
    fn every_text_stands_inside_the_picture_at_every_width() {
        let chart = chart(&[(Some(130.0), Some(160.0)); 14]);
        for width in [320, 360, 620, 900, 1600] {
            for language in Language::ALL {
                let svg = draw(&chart, &Look { width, language, ..Look::default() });
                let tree = crate::chart::png::parse(&svg).expect("a picture");
                let bounds = tree.root().abs_bounding_box();
                assert!(bounds.left() >= 0.0 && bounds.right() <= width as f32, "{width} {language:?}: {bounds:?}");
                assert!(bounds.bottom() <= tree.size().height(), "{width} {language:?}: {bounds:?}");
            }
        }
    }

    #[test]
    fn without_reports_and_without_doubt_it_is_drawn_all_the_same() {
        let with_one = in_words(&chart(&[(None, Some(190.0))]), Language::En, HeatUnit::Celsius);
        assert_eq!(with_one.matches("8 in 10").count(), 2, "{with_one}");
        let mut chart = chart(&[]);
        let (svg, words) = (draw(&chart, &Look::default()), in_words(&chart, Language::En, HeatUnit::Celsius));
        assert!(svg.contains("no field report says anything of it yet"));
        assert!(!svg.contains("with 0 reports"), "what is the same is drawn once");
        assert_eq!(words.matches("8 in 10").count(), 1, "{words}");
        chart.before = Sums::exactly(214.0).unwrap();
        chart.after = chart.before.clone();
        let svg = draw(&chart, &Look::default());
        assert!(!svg.contains("NaN") && svg.contains("between 214 and 214"));
    }
}
