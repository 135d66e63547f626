//! What finding a region says, for whoever reads it on a page: the words are those of the commands, which name options where a page
//! has fields, and kilometres and metres where the desk has miles and feet.

use crate::units::m_to_feet;

/// The international mile is 1.609344 km.
const MILES_OF_KM: f64 = 1.0 / 1.609_344;

/// Words of a command, and those of the form.
const FIELDS: [(&str, &str); 17] = [
    (
        "give the height of its trees with --elevation-m or --elevation-ft",
        "give the height of its trees under “Elevation”",
    ),
    ("give it with --zone, or as time_zone in a list", "give it under “Time zone”"),
    ("name others with --station, or as stations in a list", "name others under “Stations”"),
    ("give it with --county, or as county in a list", "give it under “County”"),
    ("give it with --elevation-ft or --elevation-m, or in a list", "give it under “Elevation”"),
    ("its coordinates with --lat and --lon", "its latitude and longitude"),
    ("leave --grid-point out, or `grid` in a list", "leave “a grid’s estimate” out"),
    ("with --station, or as stations in a list", "under “Stations”"),
    ("take it with --station", "take it under “Stations”"),
    ("or a grid's estimate with --grid-point (in a list: `grid` as its stations)", "or choose “a grid’s estimate”"),
    ("`treebell station add` or `station import` brings some", "an administrator can add some"),
    ("`weather import` takes files", "an administrator can take in files"),
    ("give it one with `treebell region change`", "give it one under “Stations”"),
    ("put its file into the folder that profiles.folder names", "tell an administrator"),
    (" (--band-ft)", ", under “Heights”"),
    ("nobody was asked (feeds.look_up is false)", "places are not looked up here"),
    (
        "nobody was asked, since feeds.contact is not set and the services want to know who calls",
        "places are not looked up here before an administrator gives the address that the services ask for",
    ),
];

/// What a command does, and what a person can do who may give it.
const VERBS: [(&str, &str); 4] =
    [(" fetches", " can fetch"), (" sets", " can set"), (" puts", " can put"), (" does", " can measure it")];

/// As many miles as whole kilometres are: the words of the commands have these, and one page does not say 17 miles and 18.
pub fn whole_miles(km: f64) -> String {
    format!("{:.0}", km.round_ties_even() * MILES_OF_KM)
}

/// The same as a sentence of a page.
pub fn desk_words(text: &str) -> String {
    super::whole_sentence(&page_words(text))
}

/// As [`desk_words`], of a part of a sentence.
pub fn page_words(text: &str) -> String {
    let mut words = text.to_owned();
    for (of_commands, of_pages) in FIELDS {
        words = words.replace(of_commands, of_pages);
    }
    quoted(&spelt_out(&in_miles_and_feet(&without_commands(&words))))
}

/// `(+22 miles)` as `(as if 22 miles farther)`, `counts as 34 miles` as `in all as if 34 miles away`.
fn spelt_out(text: &str) -> String {
    let text = text.replace(" (+0 miles)", "");
    miles_after(&miles_after(&text, ("(+", "(as if "), " farther"), ("counts as ", "in all as if "), " away")
}

/// A number of miles behind words: with others before it, and some behind it.
fn miles_after(text: &str, (before, instead): (&str, &str), behind: &str) -> String {
    let (mut out, mut rest) = (String::with_capacity(text.len()), text);
    while let Some((head, tail)) = rest.split_once(before) {
        out.push_str(head);
        rest = tail;
        let length = tail.split_once(' ').filter(|(number, _)| number.parse::<f64>().is_ok());
        let unit = length.and_then(|(_, unit)| ["miles", "mile"].into_iter().find(|of| unit.starts_with(of)));
        match (length, unit) {
            (Some((number, after)), Some(unit)) => {
                out.push_str(&format!("{instead}{number} {unit}{behind}"));
                rest = after.strip_prefix(unit).unwrap_or_default();
            }
            _ => out.push_str(before),
        }
    }
    out + rest
}

/// Whoever reads a page has no command line: `` `treebell weather backfill` fetches it `` as `an administrator can fetch it`.
fn without_commands(text: &str) -> String {
    let (mut out, mut rest) = (String::with_capacity(text.len()), text);
    while let Some((before, command)) = rest.split_once("`treebell ") {
        let Some((_, after)) = command.split_once('`') else { break };
        let verb = VERBS.iter().find(|(of_command, _)| after.starts_with(of_command));
        out.push_str(before);
        out.push_str("an administrator");
        out.push_str(verb.map_or("", |(_, of_person)| of_person));
        rest = verb.map_or(after, |(of_command, _)| &after[of_command.len()..]);
    }
    out + rest
}

/// A sentence without what stands in round brackets, for whoever wants no more than what is wrong.
pub fn without_brackets(text: &str) -> String {
    let (mut depth, mut out) = (0_u32, String::with_capacity(text.len()));
    for c in text.chars() {
        match c {
            '(' => {
                depth += 1;
                if out.ends_with(' ') {
                    out.pop();
                }
            }
            ')' => depth = depth.saturating_sub(1),
            c if depth == 0 => out.push(c),
            _ => {}
        }
    }
    out
}

/// `` `this` `` as “this”.
pub fn quoted(text: &str) -> String {
    let mut opens = true;
    let one = |c: char| match c {
        '`' => {
            opens = !opens;
            if opens { '”' } else { '“' }
        }
        other => other,
    };
    text.chars().map(one).collect()
}

/// `3 km away, 20 m higher` as `2 miles away, 66 ft higher`; what has its feet behind it in brackets loses its metres.
pub fn in_miles_and_feet(text: &str) -> String {
    let words: Vec<&str> = text.split(' ').collect();
    let mut out: Vec<String> = Vec::with_capacity(words.len());
    let mut at = 0;
    while let Some(word) = words.get(at) {
        let next = words.get(at + 1).copied().unwrap_or_default();
        let unit = next.trim_end_matches([',', '.', ';', ':', ')']);
        let (lead, number) = word.split_at(word.find(|c: char| c != '(').unwrap_or(0));
        let tail = next.strip_prefix(unit).unwrap_or_default();
        let feet_follow = unit == "m" && words.get(at + 2).is_some_and(|feet| feet.starts_with('('));
        match (unit, number.parse::<f64>()) {
            ("km", Ok(km)) => {
                let miles = whole_miles(km);
                let unit = if miles == "1" { "mile" } else { "miles" };
                out.push(format!("{lead}{miles} {unit}{tail}"));
                at += 2;
            }
            ("m", Ok(metres)) if !feet_follow => {
                out.push(format!("{lead}{:.0} ft{tail}", m_to_feet(metres)));
                at += 2;
            }
            ("m", Ok(_)) => {
                // `1612 m (5,290 ft)`
                let feet = words.get(at + 2).map(|feet| feet.trim_start_matches('('));
                let unit = words.get(at + 3).map(|unit| unit.replacen(')', "", 1));
                match (feet, unit) {
                    (Some(feet), Some(unit)) if unit.starts_with("ft") => {
                        out.push(format!("{lead}{feet} {unit}"));
                        at += 4;
                    }
                    _ => {
                        out.push((*word).to_owned());
                        at += 1;
                    }
                }
            }
            _ => {
                out.push(added_km(word).unwrap_or_else(|| (*word).to_owned()));
                at += 1;
            }
        }
    }
    out.join(" ")
}

/// `(+15)`: by so many kilometres more a station counts as far away.
fn added_km(word: &str) -> Option<String> {
    let (number, tail) = word.strip_prefix("(+")?.split_once(')')?;
    let miles = number.parse::<f64>().ok()? * MILES_OF_KM;
    let whole = format!("{miles:.0}");
    let unit = if whole == "1" { "mile" } else { "miles" };
    Some(format!("(+{whole} {unit}){tail}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_those_of_the_desk() {
        for (given, wanted) in [
            ("taken: 3 km away, 20 m higher", "taken: 2 miles away, 66 ft higher"),
            (
                "150 m lower: about 7 days early (+35), counts as 55 km",
                "492 ft lower: about 7 days early (+22 miles), counts as 34 miles",
            ),
            ("it is (2 km) near", "it is (1 mile) near"),
            ("1612 m (5,290 ft)", "5,290 ft"),
            ("1612 m (5,290 ft); rank 3", "5,290 ft; rank 3"),
            ("no number km, and m alone", "no number km, and m alone"),
            ("", ""),
        ] {
            assert_eq!(in_miles_and_feet(given), wanted, "{given}");
        }
    }

    #[test]
    fn what_a_station_counts_as_is_written_out_on_a_page() {
        for (given, wanted) in [
            (
                "150 m lower: about 7 days early (+35), still reports, counts as 55 km",
                "492 ft lower: about 7 days early (as if 22 miles farther), still reports, in all as if 34 miles away",
            ),
            (
                "5 m higher (+1), hour of reading unknown (+5)",
                "16 ft higher (as if 1 mile farther), hour of reading unknown (as if 3 miles farther)",
            ),
            ("a late record counts as none (+)", "a late record counts as none (+)"),
        ] {
            assert_eq!(page_words(given), wanted, "{given}");
        }
    }

    #[test]
    fn a_distance_is_the_same_in_a_table_and_in_words() {
        // 28.3 km are 17.6 miles, the 28 km of the words 17.4.
        assert_eq!(whole_miles(28.3), "17");
        assert_eq!(in_miles_and_feet(&format!("{:.0} km away", 28.3)), "17 miles away");
    }

    #[test]
    fn names_stand_in_quotation_marks() {
        assert_eq!(quoted("region `north` and `south`"), "region “north” and “south”");
        assert_eq!(quoted("nothing"), "nothing");
    }

    #[test]
    fn what_stands_in_brackets_can_be_left_out() {
        for (given, wanted) in [
            ("It is so (for a reason (and more)), and not: mend it.", "It is so, and not: mend it."),
            ("(First) it is.", " it is."),
            ("No bracket.", "No bracket."),
        ] {
            assert_eq!(without_brackets(given), wanted);
        }
    }

    #[test]
    fn a_command_is_for_an_administrator() {
        for (given, wanted) in [
            ("it is short: `treebell weather backfill` fetches it", "It is short: an administrator can fetch it."),
            ("`treebell station change A --observation-hour 7` puts it right", "An administrator can put it right."),
            (
                "nobody measured: `treebell station compare` does. So",
                "Nobody measured: an administrator can measure it. So.",
            ),
            ("an open `treebell end", "An open “treebell end."),
        ] {
            assert_eq!(desk_words(given), wanted);
        }
    }

    /// Whatever finding a region may say that names an option of a command, a command or a setting is put into words of the form.
    #[test]
    fn no_option_of_a_command_is_left() {
        let sources = [
            include_str!("../backfill.rs"),
            include_str!("../region_fault.rs"),
            include_str!("../station_choice.rs"),
            include_str!("../station_choice/rank.rs"),
            include_str!("../new_region/mod.rs"),
            include_str!("../new_region/ground.rs"),
            include_str!("../new_region/history.rs"),
            include_str!("../new_region/no_station.rs"),
            include_str!("../new_region/height.rs"),
            include_str!("../new_region/moved.rs"),
            include_str!("../new_region/place.rs"),
            include_str!("../new_region/stations.rs"),
        ];
        let mut seen = 0;
        for source in sources {
            let before_tests = source.split("#[cfg(test)]").next().unwrap_or_default();
            let joined = before_tests.replace("\\\n", "\u{1}");
            let joined: String = joined.split('\u{1}').map(str::trim_start).collect();
            let names = [
                " --",
                "`treebell ",
                "`weather ",
                "`station ",
                "feeds.look_up is",
                "feeds.contact is",
                "profiles.folder",
            ];
            let is_named = |line: &str| names.iter().any(|name| line.contains(name));
            for line in joined.lines().filter(|line| is_named(line) && !line.trim_start().starts_with("//")) {
                seen += 1;
                // Quotation marks are curled after that.
                let words = desk_words(line).replace(['“', '”'], "`");
                assert!(!is_named(&words), "{line}\n{words}");
            }
        }
        assert!(seen > 16, "{seen}");
    }
}
