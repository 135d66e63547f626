//! A chart's own words in both languages.

use chrono::{Datelike, NaiveDate};

use super::{ChartStage, HeatUnit, SeasonChart, StageDate};
use crate::people::Language;
use crate::season::DateSpread;

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
        let (day, sum) = (self.day(day), self.sum(sum));
        match (self.language, middle.map(|middle| self.sum(middle))) {
            (Language::En, Some(middle)) => {
                format!("{insect}. {sum} by {day}; half of the past years had more than {middle} by then.")
            }
            (Language::En, None) => format!("{insect}. {sum} by {day}."),
            (Language::Es, Some(middle)) => format!(
                "{insect}. {sum} hasta el {day}; la mitad de los años pasados tenía más de {middle} en esa fecha."
            ),
            (Language::Es, None) => format!("{insect}. {sum} hasta el {day}."),
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

    pub fn band(&self, years: usize) -> String {
        match self.language {
            Language::En => format!("8 in 10 of {years} past years"),
            Language::Es => format!("8 de cada 10 de {years} años pasados"),
        }
    }

    pub fn middle_year(&self) -> &'static str {
        match self.language {
            Language::En => "their middle",
            Language::Es => "su punto medio",
        }
    }

    pub fn past_years(&self, years: usize) -> String {
        match (self.language, years) {
            (Language::En, 1) => "1 past year".to_owned(),
            (Language::En, _) => format!("{years} past years"),
            (Language::Es, 1) => "1 año pasado".to_owned(),
            (Language::Es, _) => format!("{years} años pasados"),
        }
    }

    /// Explains the marks that are there.
    pub fn marks(&self, bars: bool, dots: bool) -> Option<&'static str> {
        match (self.language, bars, dots) {
            (_, false, false) => None,
            (Language::En, true, false) => Some("Bar: 8 in 10 chance. Diamond: most likely day."),
            (Language::En, false, true) => Some("Dot: the day it was reached."),
            (Language::En, true, true) => Some("Bar: 8 in 10 chance. Diamond: most likely day. Dot: reached."),
            (Language::Es, true, false) => Some("Barra: probabilidad de 8 en 10. Rombo: día más probable."),
            (Language::Es, false, true) => Some("Punto: el día en que se alcanzó."),
            (Language::Es, true, true) => {
                Some("Barra: probabilidad de 8 en 10. Rombo: día más probable. Punto: alcanzado.")
            }
        }
    }

    pub fn window(&self) -> &'static str {
        match self.language {
            Language::En => "look and wash",
            Language::Es => "revisar y lavar",
        }
    }

    pub fn today(&self, today: NaiveDate) -> String {
        match self.language {
            Language::En => format!("today, {}", self.day(today)),
            Language::Es => format!("hoy, {}", self.day(today)),
        }
    }

    pub fn threshold(&self, stage: &ChartStage, threshold: f64) -> String {
        format!("{} {:.0}", stage.name, self.unit.heat(threshold))
    }

    /// A stage and its date as a person would say it.
    pub fn stage(&self, stage: &ChartStage) -> String {
        let name = sentence_start(&stage.name);
        let date = match (stage.date, self.language) {
            (StageDate::Reached(on), Language::En) => format!("reached {}", self.day(on)),
            (StageDate::Reached(on), Language::Es) => format!("alcanzado el {}", self.day(on)),
            (StageDate::Projected(spread), _) => self.spread(spread),
            (StageDate::Unknown, Language::En) => "no date can be given yet".to_owned(),
            (StageDate::Unknown, Language::Es) => "aún no se puede dar una fecha".to_owned(),
        };
        format!("{name}: {date}")
    }

    fn spread(&self, spread: DateSpread) -> String {
        match (self.language, spread.early, spread.median, spread.late) {
            (Language::En, Some(early), Some(median), Some(late)) => {
                format!("likely {} to {}, most likely {}", self.day(early), self.day(late), self.day(median))
            }
            (Language::Es, Some(early), Some(median), Some(late)) => {
                let (early, late, median) = (self.day(early), self.day(late), self.day(median));
                format!("probable del {early} al {late}, lo más probable {median}")
            }
            (Language::En, early, Some(median), late) => {
                let early = early.map(|day| format!(", hardly before {}", self.day(day))).unwrap_or_default();
                let late = late.map(|day| format!(", likely by {}", self.day(day))).unwrap_or_default();
                format!("most likely {}{early}{late}", self.day(median))
            }
            (Language::Es, early, Some(median), late) => {
                let early = early.map(|day| format!(", difícilmente antes del {}", self.day(day))).unwrap_or_default();
                let late = late.map(|day| format!(", probablemente hasta el {}", self.day(day))).unwrap_or_default();
                format!("lo más probable {}{early}{late}", self.day(median))
            }
            (Language::En, Some(early), None, _) => {
                format!("hardly before {}, in most years not at all", self.day(early))
            }
            (Language::Es, Some(early), None, _) => {
                format!("difícilmente antes del {}, en la mayoría de los años nunca", self.day(early))
            }
            (Language::En, None, None, _) => "not reached in past years".to_owned(),
            (Language::Es, None, None, _) => "no se alcanzó en años pasados".to_owned(),
        }
    }

    pub fn source(&self, chart: &SeasonChart) -> String {
        let years = match (chart.past.iter().map(|past| past.year).min(), chart.past.iter().map(|past| past.year).max())
        {
            (Some(first), Some(last)) if first < last => Some(format!("{first}–{last}")),
            (Some(only), _) => Some(only.to_string()),
            _ => None,
        };
        match (self.language, years) {
            (Language::En, Some(years)) => format!("Temperatures: {}. Past years: {years}.", chart.source),
            (Language::En, None) => format!("Temperatures: {}.", chart.source),
            (Language::Es, Some(years)) => format!("Temperaturas: {}. Años pasados: {years}.", chart.source),
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
        const EN: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
        const ES: [&str; 12] = ["ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"];
        let month = day.month0() as usize;
        match self.language {
            Language::En => EN[month],
            Language::Es => ES[month],
        }
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
