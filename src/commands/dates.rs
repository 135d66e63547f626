//! Each region's dates by one belief or profile and by another.

use super::format::{fitted, ruled_table, short_date_or, whole_dates};
use crate::season::{DateSpread, DaySpan, Profile};
use crate::service::belief::dates::{Dates, RegionDates};

/// Two lines a region.
pub fn table(profile: &Profile, regions: &[RegionDates], after: &str) -> String {
    let opens = profile.stage(&profile.window.opens).map_or("opens", |stage| stage.names.en.as_str());
    let mut table = ruled_table(["region", "", opens, "look from", "best days", "wash by"]);
    for RegionDates { name, before, after: now, .. } in regions {
        let both = |of: &dyn Fn(&Dates) -> String| format!("{}\n{}", whole_dates(&of(before)), whole_dates(&of(now)));
        table.add_row([
            name.clone(),
            format!("before\n{after}"),
            both(&|dates| dates.opens.map_or_else(String::new, spread)),
            both(&|dates| short_date_or(Some(dates.days.look_from), "")),
            both(&|dates| dates.days.best.map_or_else(String::new, span)),
            both(&|dates| short_date_or(Some(dates.days.deadline), "")),
        ]);
    }
    fitted(table, &[])
}

fn span(days: DaySpan) -> String {
    format!("{} - {}", short_date_or(Some(days.first), ""), short_date_or(Some(days.last), ""))
}

/// `Mar 12 (Mar 4 - Mar 20)`.
fn spread(DateSpread { early, median, late }: DateSpread) -> String {
    let short = |day| short_date_or(day, "open");
    match median {
        None => "not in sight".into(),
        Some(_) => format!("{} ({} - {})", short(median), short(early), short(late)),
    }
}
