//! Until when washing helps: one rule, so that pages, feeds and messages name the same last day.

use chrono::NaiveDate;

use super::profile::Window;
use super::{Outlook, StageId, days_after};

/// Days from egg laying to hatch when no projection of the hatch exists.
/// Common practice, no source; published figures run from four to six weeks.
const LAYING_TO_HATCH_DAYS: u32 = 30;

/// A notice asks for some days in which to act, so a hatch that may begin sooner is not used as its last day.
const DAYS_TO_ACT: u32 = 3;

/// The last day on which washing is advised: the early (10 %) date of the window's close while that leaves some days to
/// act, then the likely date, and never before the outlook's day.
pub fn wash_by(outlook: &Outlook, window: &Window) -> NaiveDate {
    let today = outlook.today;
    let closes = outlook.stage(&window.closes).filter(|stage| stage.reached.is_none() && stage.spread.median.is_some());
    let early = closes.and_then(|stage| stage.spread.early);
    early
        .filter(|early| *early >= days_after(today, DAYS_TO_ACT))
        .unwrap_or_else(|| closing_day(outlook, window))
        .max(today)
}

/// The day on which the window opened or is most likely to open; the outlook's own day where it has none (a field report
/// came before the model).
pub fn opening_day(outlook: &Outlook, window: &Window) -> NaiveDate {
    likely_day(outlook, &window.opens).unwrap_or(outlook.today)
}

/// The day on which the window closed or is most likely to close; where the outlook has none, thirty days after its
/// opening and not before the outlook's day.
pub fn closing_day(outlook: &Outlook, window: &Window) -> NaiveDate {
    let month_later = || days_after(opening_day(outlook, window), LAYING_TO_HATCH_DAYS).max(outlook.today);
    likely_day(outlook, &window.closes).unwrap_or_else(month_later)
}

fn likely_day(outlook: &Outlook, stage: &StageId) -> Option<NaiveDate> {
    let stage = outlook.stage(stage)?;
    stage.reached.map(|reached| reached.on).or(stage.spread.median)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::{DateSpread, Reached, ReachedBy, RecordTrust, SeasonKey, StageOutlook};

    fn day(text: &str) -> NaiveDate {
        format!("2026-{text}").parse().expect("a date")
    }

    /// `-`: nothing is known; `04-10`: reached; `04-10..04-16..04-24`: still to come, `..` with an open end.
    fn stage(id: &str, said: &str) -> StageOutlook {
        let points: Vec<_> = said.split("..").map(|point| (!matches!(point, "-" | "")).then(|| day(point))).collect();
        let (reached, spread) = match points[..] {
            [early, median, late] => (None, DateSpread { early, median, late }),
            [on] => (on, DateSpread { early: on, median: on, late: on }),
            _ => panic!("one point or three: {said}"),
        };
        StageOutlook {
            stage: id.into(),
            at_sum: None,
            reached: reached.map(|on| Reached { on, on_real_days: true, by: ReachedBy::Model }),
            spread,
            dates: Vec::new(),
            not_reached: 0,
            past: None,
        }
    }

    fn check(today: &str, opens: &str, closes: &str, wanted: &str) {
        let outlook = Outlook {
            season: SeasonKey { profile: "p".into(), region: "r".into(), year: 2026 },
            today: day(today),
            last_day: None,
            newest_real_day: None,
            heat_sum: 200.0,
            observed_sum: 200.0,
            current_stage: None,
            stages: vec![stage("laying", opens), stage("hatch", closes)],
            filled_days: 0,
            trust: RecordTrust::Sound,
            trace_years: Vec::new(),
            forecast_days: 0,
            forecast_fit: None,
            station: "s".into(),
            borrowed: None,
        };
        let window = Window { opens: "laying".into(), closes: "hatch".into() };
        assert_eq!(wash_by(&outlook, &window), day(wanted), "{today}: {opens}, {closes}");
    }

    #[test]
    fn the_last_day_to_wash_is_the_early_date_of_the_hatch_while_there_is_time_then_the_likely_one() {
        let hatch = "04-10..04-16..04-24";
        check("03-14", "03-12", hatch, "04-10");
        check("04-07", "03-12", hatch, "04-10");
        check("04-08", "03-12", hatch, "04-16");
        check("04-20", "03-12", hatch, "04-20");
        check("03-14", "03-12", "04-10..04-16..", "04-10");
    }

    #[test]
    fn without_a_projected_hatch_it_is_a_month_after_laying_and_never_a_day_gone_by() {
        check("03-02", "-", "-", "04-01");
        check("03-20", "03-12", "-", "04-11");
        check("04-20", "03-12", "-", "04-20");
        // Nine in ten futures come too late to tell: the early date alone is no spread.
        check("03-20", "03-12", "04-25....", "04-11");
    }

    #[test]
    fn a_hatch_that_has_come_leaves_the_day_itself() {
        check("04-18", "03-12", "04-12", "04-18");
    }
}
