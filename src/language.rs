//! The languages we speak: a plain type that every room may use.

use serde::{Deserialize, Serialize};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Language {
    En,
    Es,
}

impl Language {
    pub const ALL: [Language; 2] = [Language::En, Language::Es];

    pub fn code(self) -> &'static str {
        match self {
            Language::En => "en",
            Language::Es => "es",
        }
    }

    /// For staff: `English`.
    pub fn english_name(self) -> &'static str {
        match self {
            Language::En => "English",
            Language::Es => "Spanish",
        }
    }

    pub fn parse(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|language| language.code() == code)
    }

    /// Name of a month, 0 = January; counted round the year, so that no number is wrong.
    pub fn month_name(self, month0: u32) -> &'static str {
        let names = match self {
            Language::En => [
                "January",
                "February",
                "March",
                "April",
                "May",
                "June",
                "July",
                "August",
                "September",
                "October",
                "November",
                "December",
            ],
            Language::Es => [
                "enero",
                "febrero",
                "marzo",
                "abril",
                "mayo",
                "junio",
                "julio",
                "agosto",
                "septiembre",
                "octubre",
                "noviembre",
                "diciembre",
            ],
        };
        names[month0 as usize % names.len()]
    }

    /// Its first three letters, as dates have room for: `Sep`, `sep`.
    pub fn short_month_name(self, month0: u32) -> &'static str {
        // Month names are ASCII and have at least three letters.
        &self.month_name(month0)[..3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_month_names_are_those_that_dates_use() {
        let names = |language: Language| (0..12).map(|month0| language.short_month_name(month0)).collect::<Vec<_>>();
        let en = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
        let es = ["ene", "feb", "mar", "abr", "may", "jun", "jul", "ago", "sep", "oct", "nov", "dic"];
        assert_eq!((names(Language::En), names(Language::Es)), (en.to_vec(), es.to_vec()));
    }
}
