//! Why a notice is in place, and why it does not leave unasked: a sentence each, and the numbers behind it.

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::held::hold_note;
use super::left::OF_REPORT;
use super::wording::facts_of;
use super::{kind_words, whole_sentence};
use crate::chart::HeatUnit;
use crate::language::Language;
use crate::message::StageDates;
use crate::region::Release;
use crate::season::decide::{ApprovalNeeded, MovedBy, Reason, SkipReason, Terms};
use crate::season::window::DeadlineRule;
use crate::season::{Outlook, Profile, RecordTrust, StageId, StageOutlook, days_after, phrases};
use crate::store::notices::{Notice, NoticeState, ReleasePlan};

/// Why, for staff.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Why {
    /// One or two sentences.
    pub sentence: String,
    /// Why it does not leave unasked, or how it leaves.
    pub waits: String,
    /// Id of the field report that the sentence names.
    pub report: Option<String>,
    /// Name and value, the most telling first; of a notice in depth alone.
    pub numbers: Vec<(&'static str, String)>,
}

const EN: Language = Language::En;

/// `outlook` is that of the day on which it was decided, where it is kept; `today` is the region's.
pub(super) fn of(notice: &Notice, outlook: Option<&Outlook>, profile: Option<&Profile>, today: NaiveDate) -> Why {
    let terms = serde_json::from_value::<Terms>(notice.reason.clone()).ok();
    let sentence = match &terms {
        Some(terms) => {
            let last_day = facts_of(notice).ok().map(|facts| facts.wash_by);
            let sentence = as_of_its_day(notice, reason(&terms.reason, profile, last_day), today);
            [Some(sentence), outlook.and_then(|outlook| old_temperatures(notice, outlook))]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(" ")
        }
        None => match serde_json::from_value::<SkipReason>(notice.reason.clone()) {
            Ok(SkipReason::PastUse { until }) if is_reckoned_anew(notice, until) => {
                let before = if until < notice.decided_on { ", before it came up" } else { "" };
                let until = phrases::date(EN, until);
                format!("It was not told: by a later reckoning it was of use only until {until}{before}.")
            }
            Ok(skipped) => format!("It was not told: {}.", skip(&skipped)),
            Err(_) => "What it rests on was written by another program and cannot be read.".to_owned(),
        },
    };
    let report = terms.as_ref().and_then(|terms| terms.reason.report()).map(str::to_owned);
    Why { sentence, waits: waits(notice, terms.as_ref()), report, numbers: Vec::new() }
}

/// Whether newer data made the end of its use an earlier one than its terms have. One that never came up has no terms.
fn is_reckoned_anew(notice: &Notice, until: NaiveDate) -> bool {
    let has_terms = notice.expires_at > notice.decided_at;
    has_terms && until.succ_opt().is_some_and(|end| notice.expires_at.date_naive() > end)
}

/// Whether its reason is that of a skip.
pub(super) fn has_skip_reason(notice: &Notice) -> bool {
    serde_json::from_value::<SkipReason>(notice.reason.clone()).is_ok()
}

/// Chances and days to go are those of the day on which it was decided: on a later one that day is named.
fn as_of_its_day(notice: &Notice, sentence: String, today: NaiveDate) -> String {
    let day = day_of_terms(notice);
    let last = if day > notice.decided_on { "last " } else { "" };
    if day >= today {
        return sentence;
    }
    let mut letters = sentence.chars();
    let first: String = letters.next().into_iter().flat_map(char::to_lowercase).collect();
    format!("When this was {last}decided, on {}: {first}{}", phrases::date(EN, day), letters.as_str())
}

/// One that was given new terms keeps the day on which it came up; its facts have that of the terms.
pub(super) fn day_of_terms(notice: &Notice) -> NaiveDate {
    facts_of(notice).map_or(notice.decided_on, |facts| facts.decided_on.max(notice.decided_on))
}

/// The day of which its words speak.
pub(super) fn worded_on(notice: &Notice, zone: Tz) -> NaiveDate {
    let own = notice.own_words.as_ref().map(|own| own.at.with_timezone(&zone).date_naive());
    own.unwrap_or_else(|| day_of_terms(notice))
}

/// That the temperatures behind it were old; `None` where they were not, or where it waits for a word because of them.
fn old_temperatures(notice: &Notice, outlook: &Outlook) -> Option<String> {
    let RecordTrust::TooOld { newest_real_day, age_days } = &outlook.trust else { return None };
    if let (NoticeState::Waiting, ReleasePlan::WhenConfirmed(ApprovalNeeded::Untrusted { .. })) =
        (&notice.state, &notice.plan)
    {
        return None;
    }
    let days = counted(i64::from(*age_days));
    let newest = match newest_real_day {
        Some(day) => format!("the newest measured day was then {}, {days} back", phrases::date(EN, *day)),
        None => format!("not one of the season's {days} had been measured then"),
    };
    Some(format!("It was worked out from old temperatures: {newest}."))
}

/// `last_day`: the last day to wash when it was decided.
fn reason(reason: &Reason, profile: Option<&Profile>, last_day: Option<NaiveDate>) -> String {
    let day = |day: &NaiveDate| phrases::date(EN, *day);
    match reason {
        Reason::OpeningNear { median, days } => {
            format!("Egg laying most likely begins on {}, {} off.", day(median), counted(*days))
        }
        Reason::OpeningLikely { chance, within_days } => {
            format!("The chance that egg laying begins within {within_days} days is {}.", percent(*chance))
        }
        Reason::Crossed { on } => {
            format!("The heat summed on measured days reached our number for egg laying on {}.", day(on))
        }
        Reason::BegunLikely { chance } => {
            format!("The chance that egg laying has begun is {}.", percent(*chance))
        }
        Reason::Seen { report, stage, on } => {
            format!("{} on {}, and that was confirmed (report {report}).", was_seen(stage, profile), day(on))
        }
        Reason::BestDays { first, last } => {
            format!("The days on which a wash takes most eggs have come: {} to {}.", day(first), day(last))
        }
        Reason::Moved { from, to, by } => {
            let by = match by {
                MovedBy::CoolWeather => "cool weather",
                MovedBy::WarmWeather => "warm weather",
                MovedBy::Reports => "what people saw",
            };
            format!("The last day to wash that people were told was {}; {by} has moved it to {}.", day(from), day(to))
        }
        Reason::DeadlineNear { deadline, days } => {
            format!("The last day to wash is {}, {} off.", day(deadline), counted(*days))
        }
        Reason::CloseNear { median, days } => {
            format!("The eggs most likely hatch on {}, {} off.", day(median), counted(*days))
        }
        Reason::Closed { since } => over(*since, last_day),
    }
}

/// Washing is over from the day after its last day; that is told once eggs are likely enough to hatch, which may be much later.
fn over(told_from: NaiveDate, last_day: Option<NaiveDate>) -> String {
    let day = |day| phrases::date(EN, day);
    match last_day.map(|last| days_after(last, 1)) {
        Some(over_from) if over_from < told_from => format!(
            "The time to wash has been over since {}; by {} eggs were likely enough to hatch to tell it.",
            day(over_from),
            day(told_from)
        ),
        _ => format!("The time to wash has been over since {}.", day(told_from)),
    }
}

/// `The beginning of egg laying was seen`: names of stages are clauses of their own, so those of the window have words here.
fn was_seen(stage: &StageId, profile: Option<&Profile>) -> String {
    match profile {
        Some(profile) if profile.window.opens == *stage => "The beginning of egg laying was seen".to_owned(),
        Some(profile) if profile.window.closes == *stage => "The hatch of the eggs was seen".to_owned(),
        _ => {
            let found = profile.and_then(|profile| profile.stages.iter().find(|one| one.id == *stage));
            let name = found.map_or_else(|| stage.to_string(), |stage| stage.names.get(EN).to_owned());
            format!("The stage “{name}” was seen")
        }
    }
}

fn waits(notice: &Notice, terms: Option<&Terms>) -> String {
    match (&notice.state, &notice.plan) {
        (NoticeState::Waiting, ReleasePlan::WhenConfirmed(needed)) => approval(needed),
        (NoticeState::Waiting, ReleasePlan::At(_)) => match terms.map(|terms| terms.release) {
            Some(Release::UnlessHeld { hours }) => {
                format!("The region gives staff {hours} hours to object; then it leaves by itself.")
            }
            _ => "It leaves by itself.".to_owned(),
        },
        (NoticeState::Held { .. }, _) => {
            staff_said(notice).unwrap_or_else(|| "Staff stopped it: no reason was given.".to_owned())
        }
        (NoticeState::Leaving { by }, _) => format!("{by} has sent it."),
        (NoticeState::Cancelled, _) => {
            staff_said(notice).unwrap_or_else(|| "Staff ended it: no reason was given.".to_owned())
        }
        (NoticeState::Released { by, .. }, _) => {
            let left = match by.as_str() {
                "policy" if terms.is_some_and(|terms| terms.reason.report().is_some()) => {
                    format!("It left {OF_REPORT}.")
                }
                "policy" => "It left by itself, as the region has it.".to_owned(),
                by => format!("{by} sent it."),
            };
            match (&notice.recall, notice.recall_reason()) {
                (Some(_), Some(why)) => format!("{left} Staff recalled it: {}.", why.trim_end_matches('.')),
                (Some(_), None) => format!("{left} Staff recalled it: no reason was given."),
                (None, _) => left,
            }
        }
        (NoticeState::Skipped, _) => match (hold_note(notice), &notice.staff_note) {
            (Some(note), _) => format!("It had been {note}."),
            (None, Some(note)) => phrases::capitalised(note) + ".",
            (None, None) => String::new(),
        },
        (NoticeState::Waiting, ReleasePlan::Never) => String::new(),
    }
}

/// `Held by M. Reyes: the crew looks first.`
fn staff_said(notice: &Notice) -> Option<String> {
    notice.staff_note.as_deref().map(whole_sentence)
}

/// Why a notice did not go out, or has not yet; `None` of one that did.
pub(in crate::service) fn unsent(notice: &Notice) -> Option<String> {
    if notice.released_at().is_some() {
        return None;
    }
    let terms = serde_json::from_value::<Terms>(notice.reason.clone()).ok();
    let asked = match &terms {
        Some(terms) => terms.approval_needed.as_ref().map(approval),
        // Overtaken or outlived; where it waited for a word until then, that is said first.
        None => {
            let waited = notice.approval_needed().map(approval);
            Some(
                waited
                    .into_iter()
                    .chain([of(notice, None, None, notice.decided_on).sentence])
                    .collect::<Vec<_>>()
                    .join(" "),
            )
        }
    };
    let stands = match notice.state {
        // What it waits for is what was asked.
        NoticeState::Waiting if asked.is_some() => String::new(),
        _ => waits(notice, terms.as_ref()),
    };
    let said: Vec<String> = asked.into_iter().chain([stands]).filter(|words| !words.is_empty()).collect();
    Some(said.join(" "))
}

/// Why it was skipped, after "It was not told:".
pub(super) fn skip(reason: &SkipReason) -> String {
    let day = |day: &NaiveDate| phrases::date(EN, *day);
    match reason {
        SkipReason::PastUse { until } => format!("it was of use until {}", day(until)),
        SkipReason::WindowOpen { since } => format!("the window has been open since {}", day(since)),
        // By the last day of then: newer temperatures may have moved it.
        SkipReason::WindowClosed { since } => {
            format!("by the last day that stood then, the time to wash was over from {} on", day(since))
        }
        SkipReason::Overtaken { by } => format!("“{}” came after it", kind_words(*by)),
        SkipReason::InspectNeverSent => "what it follows was called off".to_owned(),
        SkipReason::DeadlineStands => "newer temperatures moved the last day back".to_owned(),
        SkipReason::SeasonOver { ended } => format!("the season ended on {}", day(ended)),
    }
}

/// Why somebody is asked.
pub(super) fn approval(needed: &ApprovalNeeded) -> String {
    let day = |day: &NaiveDate| phrases::date(EN, *day);
    match needed {
        ApprovalNeeded::ByPolicy => "This region tells nothing before staff have said yes.".to_owned(),
        ApprovalNeeded::Untrusted { record } => {
            format!("The temperatures are in doubt: {}.", doubt(record).unwrap_or_else(|| record.to_string()))
        }
        ApprovalNeeded::NotOnRealDays => "The heat sum rests on days that were filled in and not measured.".to_owned(),
        ApprovalNeeded::NowTooEarly { expected: Some(expected) } => {
            format!("What is known since puts it later, on {}.", day(expected))
        }
        ApprovalNeeded::NowTooEarly { expected: None } => {
            "By newer temperatures it does not come this season.".to_owned()
        }
        ApprovalNeeded::OldOwnWords => {
            "Field reports have changed since staff gave it words of their own: read these again.".to_owned()
        }
    }
}

/// What is wrong with a record, after "The temperatures are in doubt:"; `None` when nothing is.
pub(super) fn doubt(trust: &RecordTrust) -> Option<String> {
    Some(match trust {
        RecordTrust::Sound => return None,
        RecordTrust::TooMuchFilled { filled_days, days } => format!("{filled_days} of {days} days are filled in"),
        RecordTrust::TooOld { newest_real_day: Some(day), age_days } => {
            format!("the newest measured day is {}, {} ago", phrases::date(EN, *day), counted(i64::from(*age_days)))
        }
        RecordTrust::TooOld { newest_real_day: None, age_days } => {
            format!("not one of the season's {} was measured", counted(i64::from(*age_days)))
        }
        RecordTrust::TooFewYears { years: 1 } => "there is only one past year to go by".to_owned(),
        RecordTrust::TooFewYears { years } => format!("there are only {years} past years to go by"),
        RecordTrust::BorrowedYears { from, own_years: 0 } => format!("all past years are those of {from}"),
        RecordTrust::BorrowedYears { from, own_years } => {
            format!("all past years but {own_years} are those of {from} and may not fit")
        }
    })
}

/// The numbers behind it, heat in the unit of the settings first; `outlook` as in [`of`].
pub(super) fn numbers(
    notice: &Notice,
    outlook: Option<&Outlook>,
    profile: Option<&Profile>,
    unit: HeatUnit,
) -> Vec<(&'static str, String)> {
    let Ok(facts) = facts_of(notice) else { return Vec::new() };
    let mut numbers = Vec::new();
    if let Some(chance) = facts.laying_chance {
        numbers.push(("Chance that egg laying has begun", percent(chance)));
    }
    numbers.push(("Egg laying begins", dates(&facts.laying)));
    numbers.push(("Eggs hatch", dates(&facts.hatch)));
    if let Some(days) = facts.days {
        if let Some(best) = days.best {
            let (first, last) = (phrases::date(EN, best.first), phrases::date(EN, best.last));
            numbers.push(("Best days to wash", format!("{first} to {last}")));
        }
        let rests = match days.rule {
            DeadlineRule::HatchEarly => "the early bound of the hatch, with days to rake",
            DeadlineRule::LeastDays => "the least days a wash needs",
            DeadlineRule::HatchSeen => "a hatch that was seen",
            DeadlineRule::Month => "a month after egg laying, for want of a forecast",
        };
        numbers.push(("Last day to wash", format!("{} (by {rests})", phrases::date(EN, days.deadline))));
    } else {
        numbers.push(("Last day to wash", phrases::date(EN, facts.wash_by)));
    }
    numbers.push(("Heat so far", unit.told(&[facts.heat_sum, facts.heat_needed])));
    numbers.push(("Station", facts.station_name.clone()));
    if let Some(outlook) = outlook {
        numbers.push(("Days filled in", outlook.filled_days.to_string()));
        if let Some(newest) = outlook.newest_real_day {
            numbers.push(("Newest measured day", phrases::date(EN, newest)));
        }
        numbers.push(("Past years behind the dates", outlook.trace_years.len().to_string()));
        let window = profile.map(|profile| &profile.window);
        let skill = |name, stage: Option<&StageOutlook>| {
            let past = stage?.past?;
            let better = past
                .skill
                .map_or_else(String::new, |skill| format!("; {:.0} % better than a fixed date", skill * 100.0));
            Some((
                name,
                format!(
                    "off by {:.1} days on average {} days ahead, and the range held {:.0} % of {} past seasons{better}",
                    past.mae_days,
                    past.lead_days,
                    past.held * 100.0,
                    past.n
                ),
            ))
        };
        numbers.extend(skill(
            "Skill for egg laying (our heat number)",
            window.and_then(|window| outlook.stage(&window.opens)),
        ));
        numbers.extend(skill(
            "Skill for the hatch (our heat number)",
            window.and_then(|window| outlook.stage(&window.closes)),
        ));
    }
    if let Some(moved) = facts.learned_days.filter(|days| *days != 0) {
        let later = if moved > 0 { "later" } else { "earlier" };
        numbers.push(("Field reports moved it", format!("{} {later}", counted(moved.abs()))));
    }
    if facts.provisional {
        numbers.push(("Thresholds", "provisional: no published heat sum exists for this insect".to_owned()));
    }
    numbers
}

/// `likely March 17 (early March 12, late March 24)`.
fn dates(stage: &StageDates) -> String {
    let day = |day| phrases::date(EN, day);
    match (stage.reached, stage.early, stage.late) {
        (Some(reached), ..) => format!("came on or before {}", day(reached)),
        (None, Some(early), Some(late)) => {
            format!("likely {}; 8 in 10 between {} and {}", day(stage.likely), day(early), day(late))
        }
        (None, Some(early), None) => {
            format!("likely {}; from {}, with an open end", day(stage.likely), day(early))
        }
        (None, None, _) => format!("likely {}", day(stage.likely)),
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}

fn counted(days: i64) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Before, the day on which a notice came due was told as that on which washing was over, beside an earlier last day.
    #[test]
    fn the_time_to_wash_is_over_from_the_day_after_its_last_day() {
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let since = day("2026-04-08");
        for (last_day, said) in [
            (
                Some(day("2026-03-27")),
                "The time to wash has been over since March 28; by April 8 eggs were likely enough to hatch to tell it.",
            ),
            (Some(day("2026-04-07")), "The time to wash has been over since April 8."),
            (None, "The time to wash has been over since April 8."),
        ] {
            assert_eq!(reason(&Reason::Closed { since }, None, last_day), said);
        }
        let said = "by the last day that stood then, the time to wash was over from April 8 on";
        assert_eq!(skip(&SkipReason::WindowClosed { since }), said);
    }
}
