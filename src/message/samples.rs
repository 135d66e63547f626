//! Invented facts with which every template is rendered: when it is loaded, when it is checked, when it is previewed.

use chrono::NaiveDate;

use super::facts::{Basis, EstimatedDays, NoticeFacts, Sender, StageDates};
use crate::season::decide::MovedBy;
use crate::season::window::DeadlineRule;
use crate::season::{Borrowed, DaySpan, WashFigures, WindowDays};

#[derive(Clone, Debug)]
pub struct Sample {
    pub name: &'static str,
    /// Names of a usual length, so that the text reads as it will for most people.
    pub natural: bool,
    pub facts: NoticeFacts,
}

impl Sample {
    /// As this house would send it: what tells of a house without a public page has none here either.
    #[must_use]
    pub fn sent_by(self, sender: &Sender) -> Self {
        let public_url = sender.public_url.clone().filter(|_| self.facts.sender.public_url.is_some());
        let sender = Sender { public_url, ..sender.clone() };
        Self { facts: NoticeFacts { sender, ..self.facts }, ..self }
    }
}

/// Together they meet every branch that the facts can open in a template.
pub fn all() -> Vec<Sample> {
    vec![
        typical(),
        plain(),
        seen(),
        cooler(),
        warmer(),
        reported(),
        hatching(),
        open_ended(),
        unmeasured(),
        longest(),
        accented(),
    ]
}

/// The samples that differ from those before them in what transactional messages take of them: sender and region.
pub(super) fn with_other_names(samples: &[Sample]) -> impl Iterator<Item = &Sample> {
    let names = |sample: &Sample| (sample.facts.sender.clone(), sample.facts.region_name.clone());
    samples
        .iter()
        .enumerate()
        .filter(move |(at, sample)| !samples.iter().take(*at).any(|earlier| names(earlier) == names(sample)))
        .map(|(_, sample)| sample)
}

/// A middle-elevation region in a usual year, by a profile that says how sure its sums are.
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
            laying: spread(date(3, 8), date(3, 22), date(4, 10), 2),
            hatch: spread(date(4, 15), date(4, 29), date(5, 18), 4),
            wash_by: date(4, 12),
            station_name: "Cedar Flat".into(),
            heat_sum: 198.0,
            heat_needed: 214.0,
            provisional: true,
            borrowed: None,
            days: Some(WindowDays {
                look_from: date(3, 13),
                best: Some(DaySpan { first: date(3, 30), last: date(4, 12) }),
                deadline: date(4, 12),
                rule: DeadlineRule::HatchEarly,
                last_from: date(4, 4),
                hatch_early: Some(date(4, 15)),
                hatch_late: Some(date(5, 18)),
                settled: Some(date(5, 13)),
                was: None,
            }),
            moved_by: None,
            profile_version: Some(1),
            estimated: None,
            laying_chance: Some(0.6),
            learned_days: None,
            grid: None,
            chance: Some(0.6),
            wash: Some(WashFigures { takes: 84, second: Some(9), daily_loss: 2 }),
        },
    }
}

/// The heat sum is reached, the thresholds are the user's own and tell neither how sure they are nor how eggs spread over
/// heat, and the service has no public page.
fn plain() -> Sample {
    let mut facts = typical().facts;
    facts.sender.public_url = None;
    facts.basis = Basis::Heat;
    facts.provisional = false;
    facts.heat_sum = 215.3;
    facts.laying =
        StageDates { reached: Some(date(3, 16)), early: None, likely: date(3, 16), late: None, past_error_days: None };
    facts.hatch.early = Some(date(4, 12));
    facts.hatch.likely = date(4, 18);
    facts.hatch.late = Some(date(4, 26));
    facts.days = facts.days.map(|days| WindowDays {
        best: None,
        rule: DeadlineRule::HatchEarly,
        hatch_early: Some(date(4, 15)),
        hatch_late: Some(date(4, 26)),
        settled: None,
        ..days
    });
    facts.wash = None;
    Sample { name: "plain", natural: true, facts }
}

/// Egg masses were seen before the model expected them.
fn seen() -> Sample {
    let mut facts = typical().facts;
    facts.basis = Basis::Seen;
    facts.laying =
        StageDates { reached: Some(date(3, 11)), early: None, likely: date(3, 11), late: None, past_error_days: None };
    Sample { name: "seen", natural: true, facts }
}

/// The told deadline has moved.
fn moved(name: &'static str, was: NaiveDate, to: NaiveDate, by: MovedBy) -> Sample {
    let mut facts = typical().facts;
    facts.decided_on = date(4, 2);
    facts.wash_by = to;
    facts.days = facts.days.map(|days| WindowDays {
        best: Some(DaySpan { first: date(3, 30), last: to }),
        deadline: to,
        last_from: date(4, 7),
        was: Some(was),
        ..days
    });
    facts.moved_by = Some(by);
    Sample { name, natural: true, facts }
}

fn cooler() -> Sample {
    let mut sample = moved("cooler", date(4, 5), date(4, 17), MovedBy::CoolWeather);
    // The best days have moved with it, and lie ahead again.
    let best = DaySpan { first: date(4, 6), last: date(4, 17) };
    let rule = DeadlineRule::LeastDays;
    sample.facts.days = sample.facts.days.map(|days| WindowDays { best: Some(best), rule, ..days });
    sample
}

fn warmer() -> Sample {
    let mut sample = moved("warmer", date(4, 17), date(4, 10), MovedBy::WarmWeather);
    sample.facts.wash = Some(WashFigures { takes: 91, second: None, daily_loss: 0 });
    sample
}

/// What people saw moved it, to a later day.
fn reported() -> Sample {
    let mut sample = moved("reported", date(4, 5), date(4, 12), MovedBy::Reports);
    sample.facts.basis = Basis::Heat;
    sample
}

/// People saw the hatch.
fn hatching() -> Sample {
    let mut sample = moved("hatching", date(4, 17), date(4, 12), MovedBy::Reports);
    let seen_on = date(4, 7);
    sample.facts.basis = Basis::Seen;
    sample.facts.decided_on = date(4, 8);
    sample.facts.hatch =
        StageDates { reached: Some(seen_on), early: None, likely: seen_on, late: None, past_error_days: None };
    sample.facts.days = sample.facts.days.map(|days| WindowDays {
        rule: DeadlineRule::HatchSeen,
        hatch_early: None,
        hatch_late: None,
        settled: Some(date(4, 21)),
        ..days
    });
    sample
}

/// Hardly anything was measured this season, and the notice is from before its days were kept.
fn unmeasured() -> Sample {
    let mut facts = typical().facts;
    facts.laying.past_error_days = None;
    facts.hatch.past_error_days = None;
    facts.estimated = Some(EstimatedDays { estimated: 61, days: 73 });
    facts.days = None;
    facts.profile_version = None;
    (facts.chance, facts.wash) = (None, None);
    Sample { name: "unmeasured", natural: true, facts }
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

/// Names as long as the house allows ([`LONGEST_REGION_NAME`](crate::region::LONGEST_REGION_NAME) and
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
    facts.days = facts.days.map(|days| WindowDays {
        best: Some(DaySpan { first: date(4, 16), last: date(4, 27) }),
        deadline: date(4, 28),
        rule: DeadlineRule::LeastDays,
        was: Some(date(4, 17)),
        ..days
    });
    facts.moved_by = Some(MovedBy::Reports);
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
    use crate::message::settings::LONGEST_SENDER_SHORT;
    use crate::region::LONGEST_REGION_NAME;

    #[test]
    fn the_longest_samples_are_as_long_as_allowed() {
        for sample in [longest(), accented()] {
            assert_eq!(sample.facts.region_name.chars().count(), LONGEST_REGION_NAME);
            assert_eq!(sample.facts.sender.short.chars().count(), LONGEST_SENDER_SHORT);
        }
    }
}
