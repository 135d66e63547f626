//! The table of stations that may stand for a place, as `station candidates` and `region add` print it.

use super::args::DegreeUnit;
use super::format::{NO_BREAK, align_right, columns, date_or, fit, height_in, paragraph, ruled_table};
use crate::service::desk::region_words::in_miles_and_feet;
use crate::service::station_choice::{Candidate, Candidates, Seasons};

/// The candidates with their figures and why each stands where it does, and what else staff should know, in lines.
pub fn table(candidates: &Candidates, unit: DegreeUnit) -> String {
    let mut text = String::new();
    if !candidates.rows.is_empty() {
        let mut table =
            ruled_table(["", "station", "away\nheight", "last day\nmissing", "past\nseasons", "read at", "why"]);
        align_right(&mut table, [0, 2, 3, 4]);
        for (nth, row) in candidates.rows.iter().enumerate() {
            let distance = in_unit(&format!("{:.0} km", row.distance_km), unit);
            let height = row.higher_m.map_or_else(|| "?".into(), |higher| signed_height(higher, unit));
            let missing = row.missing_share.map_or_else(|| "?".into(), |share| format!("{:.0} %", share * 100.0));
            table.add_row([
                if row.refused.is_some() { "-".to_owned() } else { (nth + 1).to_string() },
                row.station.id.to_string(),
                format!("{distance}\n{height}").replace(' ', &NO_BREAK.to_string()),
                format!("{}\n{missing}", date_or(row.last_day, "none")),
                seasons(row.past_seasons),
                row.reading_hour.to_string().replacen(", ", ",\n", 1),
                format!("{}: {}", row.station.name, in_unit(&why(row), unit)),
            ]);
        }
        fit(&mut table, &[4, 5], columns());
        text += &format!("{table}\n").replace(NO_BREAK, " ");
    }
    for remark in &candidates.remarks {
        text += &paragraph(0, &format!("note: {}", in_unit(remark, unit)));
    }
    text
}

/// Reasons are written in metres and kilometres, as they are weighed.
fn in_unit(words: &str, unit: DegreeUnit) -> String {
    match unit {
        DegreeUnit::Celsius => words.to_owned(),
        DegreeUnit::Fahrenheit => in_miles_and_feet(words),
    }
}

/// `+152 m`, `-1,499 ft`.
fn signed_height(higher_m: f64, unit: DegreeUnit) -> String {
    let sign = if higher_m < 0.0 { '-' } else { '+' };
    format!("{sign}{}", height_in(higher_m.abs(), unit))
}

fn seasons(seasons: Seasons) -> String {
    match seasons {
        Seasons::Counted(count) => count.to_string(),
        Seasons::AtMost(count) => format!("≤ {count}"),
        Seasons::Unknown => "?".into(),
    }
}

/// What the other columns do not say already.
fn why(row: &Candidate) -> String {
    let store = if row.in_store { "" } else { "; not in the store yet" };
    match &row.refused {
        Some(refused) => format!("not taken: {refused}{store}"),
        None => {
            // What weighs, and the sum.
            let weighs = |reason: &&String| reason.contains("(+") || reason.starts_with("counts as");
            let reasons: Vec<&str> = row.reasons.iter().filter(weighs).map(String::as_str).collect();
            format!("{}{store}", reasons.join("; "))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geo::Point;
    use crate::weather::Station;
    use crate::weather::reading_hour::ReadingHour;

    fn row(id: &str, refused: Option<&str>) -> Candidate {
        Candidate {
            station: Station {
                id: id.into(),
                name: "EXAMPLE MESA 2 NW OF THE SPRINGS".into(),
                place: Point { latitude: 35.0, longitude: -135.0 },
                elevation_m: 2000.0,
                time_zone: chrono_tz::America::Denver,
                observation_hour: None,
                sources: Vec::new(),
            },
            in_store: false,
            is_grid_point: false,
            distance_km: 12.3,
            higher_m: Some(-152.0),
            last_day: chrono::NaiveDate::from_ymd_opt(2026, 11, 20),
            past_seasons: Seasons::AtMost(74),
            missing_share: Some(0.04),
            reading_hour: ReadingHour::Told { hour: 7 },
            reasons: [
                "12 km away",
                "152 m lower: about 7 days early (+35)",
                "still reports",
                "4 % of the season missing (+4)",
                "counts as 51 km",
            ]
            .map(str::to_owned)
            .to_vec(),
            refused: refused.map(str::to_owned),
            counts_as_km: 51.0,
        }
    }

    #[test]
    fn the_table_fits_a_page_and_says_why() {
        let rows = vec![
            row("USC00999001", None),
            row(
                "GRID-35.6123N-135.0456W",
                Some("a grid's estimate, which nobody measured: taken only when you ask for it"),
            ),
        ];
        let found = Candidates { rows, remarks: vec!["nobody was asked".into()] };
        let text = table(&found, DegreeUnit::Celsius);
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        for said in [
            "USC00999001",
            "GRID-35.6123N-135.0456W",
            "-152 m",
            "≤ 74",
            "4 %",
            "7:00,",
            "days",
            "note: nobody was asked",
        ] {
            assert!(text.contains(said), "{said}: {text}");
        }
        assert!(!text.contains("12 km away"), "{text}");
        // Before: metres in a house that reads °F.
        let feet = table(&found, DegreeUnit::Fahrenheit);
        assert!(feet.contains("-499 ft") && feet.contains("7 miles"), "{feet}");
        assert!(!feet.contains(" m\n") && !feet.contains("152") && !feet.contains(" km"), "{feet}");
        assert_eq!(table(&Candidates::default(), DegreeUnit::Celsius), "");
    }
}
