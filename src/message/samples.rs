//! Invented facts with which every template is rendered: when it is loaded, when it is checked, when it is previewed.

use chrono::NaiveDate;

use super::facts::{Basis, NoticeFacts, Sender, StageDates};
use crate::season::Borrowed;

#[derive(Clone, Debug)]
pub struct Sample {
    pub name: &'static str,
    /// Names of a usual length, so that the text reads as it will for most people.
    pub natural: bool,
    pub facts: NoticeFacts,
}

/// Together they meet every branch that the facts can open in a template.
pub fn all() -> Vec<Sample> {
    vec![typical(), plain(), seen(), open_ended(), longest(), accented()]
}

/// A middle-elevation region in a usual year.
pub fn typical() -> Sample {
    let spread = |early, likely, late, off| StageDates {
        reached: None,
        early: Some(early),
        likely,
        late: Some(late),
        past_error_days: Some(off),
    };
    Sample {
        name: "typical",
        natural: true,
        facts: NoticeFacts {
            sender: Sender {
                name: "Upland State Extension".into(),
                short: "Upland Ext".into(),
                postal_address: "12 Mesa Road, Cedar Flat, 00123".into(),
                help_contact: "505-555-0100".into(),
                public_url: Some("https://pinyon.example.org".into()),
            },
            region_id: "cedar-flat".into(),
            region_name: "Cedar Flat".into(),
            season: 2026,
            decided_on: date(3, 14),
            basis: Basis::Chance,
            laying: spread(date(3, 12), date(3, 17), date(3, 24), 2),
            hatch: spread(date(4, 12), date(4, 18), date(4, 26), 4),
            wash_by: date(4, 12),
            station_name: "Cedar Flat".into(),
            heat_sum: 198.0,
            heat_needed: 214.0,
            provisional: true,
            borrowed: None,
        },
    }
}

/// The heat sum is reached, the thresholds are the user's own, and the service has no public page.
fn plain() -> Sample {
    let mut facts = typical().facts;
    facts.sender.public_url = None;
    facts.basis = Basis::Heat;
    facts.provisional = false;
    facts.heat_sum = 215.3;
    facts.laying =
        StageDates { reached: Some(date(3, 16)), early: None, likely: date(3, 16), late: None, past_error_days: None };
    Sample { name: "plain", natural: true, facts }
}

/// Egg masses were seen before the model expected them.
fn seen() -> Sample {
    let mut facts = typical().facts;
    facts.basis = Basis::Seen;
    Sample { name: "seen", natural: true, facts }
}

/// Some past years, most of them another station's, do not reach the stages in time to tell, and the hatch has begun by
/// the sum.
fn open_ended() -> Sample {
    let mut facts = typical().facts;
    facts.laying.late = None;
    facts.borrowed = Some(Borrowed {
        station: "cedar-ridge".into(),
        name: "Cedar Ridge".into(),
        own_years: 3,
        borrowed_years: 41,
        common_days: Some(640),
        low_confidence: false,
    });
    facts.hatch =
        StageDates { reached: Some(date(4, 18)), early: None, likely: date(4, 18), late: None, past_error_days: None };
    Sample { name: "open-ended", natural: true, facts }
}

/// Names as long as the house allows ([`LONGEST_REGION_NAME`](super::facts::LONGEST_REGION_NAME) and
/// [`LONGEST_SENDER_SHORT`](super::settings::LONGEST_SENDER_SHORT)), and dates in the longest form.
pub fn longest() -> Sample {
    let mut facts = typical().facts;
    facts.region_name = "Upper Juniper Canyon North Rim".into();
    facts.station_name = "Upper Juniper Canyon Ranger Station 4 SW".into();
    facts.sender.name = "Upland State University Cooperative Extension Service".into();
    facts.sender.short = "Upland Ext Off".into();
    facts.sender.postal_address =
        "Forest Health Program, Building 12, 1200 Juniper Mesa Road, Cedar Flat, 00123".into();
    facts.sender.help_contact = "pinyon-scale-questions@extension.example.org".into();
    facts.laying = StageDates {
        reached: None,
        early: Some(date(3, 28)),
        likely: date(4, 3),
        late: Some(date(4, 10)),
        past_error_days: None,
    };
    facts.hatch = StageDates {
        reached: None,
        early: Some(date(4, 28)),
        likely: date(5, 14),
        late: Some(date(5, 23)),
        past_error_days: None,
    };
    facts.wash_by = date(4, 28);
    Sample { name: "longest", natural: false, facts }
}

/// As long, with letters that GSM 7-bit does not have.
fn accented() -> Sample {
    let mut facts = longest().facts;
    facts.region_name = "Cañón del Río Álamo y El Peñón".into();
    facts.station_name = "Estación Río Álamo".into();
    Sample { name: "accented", natural: false, facts }
}

fn date(month: u32, day: u32) -> NaiveDate {
    // Every call above names a day that exists; the fallback only spares a panic.
    NaiveDate::from_ymd_opt(2026, month, day).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::facts::LONGEST_REGION_NAME;
    use crate::message::settings::LONGEST_SENDER_SHORT;

    #[test]
    fn the_longest_samples_are_as_long_as_allowed() {
        for sample in [longest(), accented()] {
            assert_eq!(sample.facts.region_name.chars().count(), LONGEST_REGION_NAME);
            assert_eq!(sample.facts.sender.short.chars().count(), LONGEST_SENDER_SHORT);
        }
    }
}
