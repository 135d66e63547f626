//! A chart's own words in both languages.

use chrono::{Datelike, NaiveDate};

use super::{ChartStage, HeatUnit, SeasonChart};
use crate::language::Language;

/// Speaks one language and one unit.
#[derive(Clone, Copy)]
pub struct Words {
    pub language: Language,
    pub unit: HeatUnit,
}

impl Words {
    pub fn title(&self, chart: &SeasonChart) -> String {
        match self.language {
            Language::En => format!("{}: heat of the {} season", chart.place, chart.year),
            Language::Es => format!("{}: calor de la temporada {}", chart.place, chart.year),
        }
    }

    /// Whose season, how far it has come, and how that compares.
    pub fn standing(&self, chart: &SeasonChart, observed: Option<(NaiveDate, f64)>, middle: Option<f64>) -> String {
        let insect = sentence_start(&chart.insect);
        let Some((day, sum)) = observed else {
            return match self.language {
                Language::En => format!("{insect}. No temperatures of this season yet."),
                Language::Es => format!("{insect}. Aún no hay temperaturas de esta temporada."),
            };
        };
        let (day, sum, years) = (self.day(day), self.sum(sum), self.years(chart));
        match (self.language, middle.map(|middle| self.sum(middle))) {
            (Language::En, Some(middle)) => {
                format!("{insect}. {sum} by {day}; half of the {years} had more than {middle} by then.")
            }
            (Language::En, None) => format!("{insect}. {sum} by {day}."),
            (Language::Es, Some(middle)) => {
                format!("{insect}. {sum} hasta el {day}; la mitad de los {years} tenía más de {middle} en esa fecha.")
            }
            (Language::Es, None) => format!("{insect}. {sum} hasta el {day}."),
        }
    }

    /// The years a season is held against: past ones, or all others when one is looked back on.
    fn years(&self, chart: &SeasonChart) -> &'static str {
        let only_past = chart.past.iter().all(|past| past.year < chart.year);
        match (self.language, only_past) {
            (Language::En, true) => "past years",
            (Language::En, false) => "other years",
            (Language::Es, true) => "años pasados",
            (Language::Es, false) => "otros años",
        }
    }

    pub fn axis(&self, chart: &SeasonChart) -> String {
        let from = self.day(chart.biofix);
        let unit = self.degree_days();
        let threshold = self.unit.temperature(chart.lower_threshold_c);
        let threshold =
            if threshold.is_finite() { format!("{}", (threshold * 10.0).round() / 10.0) } else { "?".into() };
        let degree = self.degree();
        match self.language {
            Language::En => format!("Heat since {from}, {unit} above {threshold} {degree}"),
            Language::Es => format!("Calor desde el {from}, {unit} sobre {threshold} {degree}"),
        }
    }

    pub fn this_season(&self, year: i32) -> String {
        match self.language {
            Language::En => format!("{year}, measured"),
            Language::Es => format!("{year}, medido"),
        }
    }

    pub fn filled(&self) -> &'static str {
        match self.language {
            Language::En => "gap filled in",
            Language::Es => "hueco rellenado",
        }
    }

    pub fn forecast(&self) -> &'static str {
        match self.language {
            Language::En => "forecast",
            Language::Es => "pronóstico",
        }
    }

    pub fn most_years(&self, chart: &SeasonChart, count: usize) -> String {
        let years = self.years(chart);
        match self.language {
            Language::En => format!("8 in 10 of {count} {years}"),
            Language::Es => format!("8 de cada 10 de {count} {years}"),
        }
    }

    pub fn middle_year(&self) -> &'static str {
        match self.language {
            Language::En => "their middle",
            Language::Es => "su punto medio",
        }
    }

    pub fn one_by_one(&self, chart: &SeasonChart, count: usize) -> String {
        match (self.language, count) {
            (Language::En, 1) => "1 other year".to_owned(),
            (Language::Es, 1) => "1 otro año".to_owned(),
            _ => format!("{count} {}", self.years(chart)),
        }
    }

    /// Explains the marks that are there: bars of likely dates, dots for our number, dots for what was seen.
    pub fn marks(&self, bars: bool, dots: bool, seen: bool) -> Option<String> {
        let (bar, dot, sight, both) = match self.language {
            Language::En => (
                "Bar: 8 in 10 chance. Diamond: most likely day.",
                "Dot: our heat number was reached.",
                "Dot: seen by somebody.",
                "Dot: our heat number was reached, or seen by somebody.",
            ),
            Language::Es => (
                "Barra: probabilidad de 8 en 10. Rombo: día más probable.",
                "Punto: se alcanzó nuestro número de calor.",
                "Punto: alguien lo vio.",
                "Punto: se alcanzó nuestro número de calor, o alguien lo vio.",
            ),
        };
        let dot = match (dots, seen) {
            (true, true) => Some(both),
            (true, false) => Some(dot),
            (false, true) => Some(sight),
            (false, false) => None,
        };
        let said: Vec<&str> = bars.then_some(bar).into_iter().chain(dot).collect();
        (!said.is_empty()).then(|| said.join(" "))
    }

    /// Of the strip: with best days or without.
    pub fn window(&self, best: bool) -> &'static str {
        match (self.language, best) {
            (Language::En, true) => "best days to wash",
            (Language::En, false) => "look and wash",
            (Language::Es, true) => "mejores días para lavar",
            (Language::Es, false) => "revisar y lavar",
        }
    }

    /// Of the flag.
    pub fn deadline(&self, day: NaiveDate) -> String {
        match self.language {
            Language::En => format!("last day, {}", self.day(day)),
            Language::Es => format!("último día, {}", self.day(day)),
        }
    }

    pub fn today(&self, today: NaiveDate) -> String {
        match self.language {
            Language::En => format!("today, {}", self.day(today)),
            Language::Es => format!("hoy, {}", self.day(today)),
        }
    }

    /// Of a threshold's line: the number is ours, and nobody has measured the insect's.
    pub fn threshold(&self, stage: &ChartStage, threshold: f64) -> String {
        let sum = self.unit.heat(threshold);
        match self.language {
            Language::En => format!("{}, about {sum:.0}", stage.name),
            Language::Es => format!("{}, unos {sum:.0}", stage.name),
        }
    }

    /// A stage and its date as a person would say it.
    pub fn stage(&self, stage: &ChartStage) -> String {
        format!("{}: {}", sentence_start(&stage.name), stage.said)
    }

    pub fn source(&self, chart: &SeasonChart) -> String {
        let years = match (chart.past.iter().map(|past| past.year).min(), chart.past.iter().map(|past| past.year).max())
        {
            (Some(first), Some(last)) if first < last => Some(format!("{first}–{last}")),
            (Some(only), _) => Some(only.to_string()),
            _ => None,
        };
        match (self.language, years) {
            (_, Some(span)) => {
                let years = sentence_start(self.years(chart));
                let temperatures = match self.language {
                    Language::En => "Temperatures",
                    Language::Es => "Temperaturas",
                };
                format!("{temperatures}: {}. {years}: {span}.", chart.source)
            }
            (Language::En, None) => format!("Temperatures: {}.", chart.source),
            (Language::Es, None) => format!("Temperaturas: {}.", chart.source),
        }
    }

    /// A sum with its unit.
    pub fn sum(&self, degree_days_c: f64) -> String {
        format!("{:.0}\u{a0}{}", self.unit.heat(degree_days_c), self.degree_days())
    }

    /// `Mar 25`, `25 mar`, never broken over two lines.
    pub fn day(&self, day: NaiveDate) -> String {
        match self.language {
            Language::En => format!("{}\u{a0}{}", self.month(day), day.day()),
            Language::Es => format!("{}\u{a0}{}", day.day(), self.month(day)),
        }
    }

    pub fn month(&self, day: NaiveDate) -> &'static str {
        self.language.short_month_name(day.month0())
    }

    pub fn language_code(&self) -> &'static str {
        self.language.code()
    }

    fn degree(&self) -> &'static str {
        match self.unit {
            HeatUnit::Celsius => "°C",
            HeatUnit::Fahrenheit => "°F",
        }
    }

    fn degree_days(&self) -> &'static str {
        match (self.unit, self.language) {
            (HeatUnit::Celsius, Language::En) => "°C·day",
            (HeatUnit::Fahrenheit, Language::En) => "°F·day",
            (HeatUnit::Celsius, Language::Es) => "°C·día",
            (HeatUnit::Fahrenheit, Language::Es) => "°F·día",
        }
    }
}

fn sentence_start(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}
