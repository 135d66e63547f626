//! The house: which room may use which, as the table in DEVELOPERS.md says, and no two files that use each other in a circle.
//!
//! Sources are read as text: `use` lines and paths that begin with `crate::` or `super::`, without comments and without
//! what stands below `#[cfg(test)]`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Lines that a file may have before it owes the reader a reason.
const LONG: usize = 520;

#[test]
fn rooms_use_only_what_the_table_allows() {
    let (house, table) = (House::read(&root().join("src")), table(&developers()));
    let faults = arrows_against(&house, &table);
    assert!(
        faults.is_empty(),
        "imports that the table of rooms in DEVELOPERS.md does not allow:\n{}",
        faults.join("\n")
    );
}

#[test]
fn every_room_stands_in_the_table() {
    let (house, table) = (House::read(&root().join("src")), table(&developers()));
    let rooms: BTreeSet<&str> =
        house.files.keys().map(|module| room_of(module)).filter(|room| !FRAME.contains(room)).collect();
    let told: BTreeSet<&str> = table.keys().map(String::as_str).collect();
    assert_eq!(rooms, told, "rooms in src/ and rooms in the table of DEVELOPERS.md");
}

#[test]
fn no_files_use_each_other_in_a_circle() {
    let circles = House::read(&root().join("src")).circles();
    assert!(circles.is_empty(), "files that use each other in a circle:\n{}", circles.join("\n"));
}

#[test]
fn an_arrow_turned_round_is_seen() {
    let mut house = House::default();
    house.put("heat::sum", "use crate::store::rows::get;\n");
    house.put("store::rows", "fn get() {}\n");
    let faults = arrows_against(&house, &table("| `heat/` | sums | plain |\n| `store/` | rows | plain, heat |\n"));
    assert_eq!(faults, ["heat::sum uses store (store::rows)"]);
}

#[test]
fn a_row_may_name_what_it_does_not_use_of_all_above() {
    let text = "| `a` `b` | small tools | plain |\n| `heat/` | sums | plain |\n| `chart/` | drawings | plain, heat |\n\
                | `store/` | rows | all above but chart |\n| `web/` | pages | all above |\n";
    let table = table(text);
    let of = |room: &str| table[room].iter().map(String::as_str).collect::<Vec<_>>();
    assert_eq!(of("store"), ["a", "b", "heat"]);
    assert_eq!(of("web"), ["a", "b", "chart", "heat", "store"]);
    assert_eq!(of("a"), ["a", "b"]);
}

#[test]
fn a_circle_is_seen_through_names_that_are_passed_on() {
    let mut house = House::default();
    house.put("store", "pub mod a;\nmod b;\npub use b::Row;\n");
    house.put("store::a", "use crate::store::Row;\npub fn put() {}\n");
    house.put(
        "store::b",
        "use super::a::{self, put as write};\npub struct Row;\n#[cfg(test)]\nmod tests { use crate::store::c; }\n",
    );
    assert_eq!(house.circles(), ["store::a, store::b"]);
    house.put("store::a", "pub fn put() {}\n// use crate::store::Row;\n");
    assert!(house.circles().is_empty());
}

#[test]
fn a_long_file_says_at_its_head_why() {
    let house = House::read(&root().join("src"));
    let long: Vec<String> = house
        .files
        .iter()
        .filter(|(_, text)| text.lines().count() > LONG)
        .filter(|(_, text)| {
            !text.lines().take_while(|line| line.starts_with("//!")).any(|line| line.contains("One file"))
        })
        .map(|(module, text)| format!("{module}: {} lines", text.lines().count()))
        .collect();
    assert!(long.is_empty(), "long files without a reason (`//! One file, since …`) at the head:\n{}", long.join("\n"));
}

/// Not rooms: they put the crate together.
const FRAME: [&str; 2] = ["lib", "main"];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn developers() -> String {
    std::fs::read_to_string(root().join("DEVELOPERS.md")).expect("DEVELOPERS.md can be read")
}

/// What each room may use, from the table's first and third columns. `plain` stands for the files of its first row, `all above`
/// for the rows before, without the rooms that follow a `but`.
fn table(text: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut table: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut plain = BTreeSet::new();
    for line in text.lines().filter(|line| line.starts_with("| `")) {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [names, _, uses] = cells[..] else { continue };
        let names: Vec<&str> = names.split('`').skip(1).step_by(2).map(|name| name.trim_end_matches('/')).collect();
        if names.len() > 1 {
            plain = names.iter().map(ToString::to_string).collect();
        }
        let list = |text: &str| text.split(',').map(|name| name.trim().to_owned()).collect::<BTreeSet<String>>();
        let mut may = match uses.strip_prefix("all above") {
            None => list(uses),
            Some(without) => {
                let without = list(without.trim().strip_prefix("but").unwrap_or_default());
                let unknown = without.iter().find(|name| !name.is_empty() && !table.contains_key(*name));
                assert_eq!(unknown, None, "no room above: {line}");
                table.keys().filter(|name| !without.contains(*name)).cloned().collect()
            }
        };
        if may.remove("plain") {
            may.extend(plain.clone());
        }
        for name in names {
            table.insert(name.to_owned(), may.clone());
        }
    }
    assert!(!table.is_empty(), "no table of rooms was found");
    table
}

fn room_of(module: &str) -> &str {
    module.split("::").next().unwrap_or(module)
}

fn arrows_against(house: &House, table: &BTreeMap<String, BTreeSet<String>>) -> Vec<String> {
    let mut faults = Vec::new();
    for (module, uses) in house.arrows() {
        let room = room_of(&module);
        let Some(may) = table.get(room) else { continue };
        for used in uses {
            let other = room_of(&used);
            if other != room && !may.contains(other) {
                faults.push(format!("{module} uses {other} ({used})"));
            }
        }
    }
    faults
}

/// The sources by module path, such as `store::queue::claim`, without what only tests see.
#[derive(Default)]
struct House {
    files: BTreeMap<String, String>,
}

impl House {
    fn read(src: &Path) -> Self {
        let mut house = Self::default();
        let mut folders = vec![src.to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(&folder).expect("the sources can be read") {
                let path = entry.expect("the sources can be read").path();
                if path.is_dir() {
                    folders.push(path);
                } else if path.extension().is_some_and(|extension| extension == "rs") {
                    let inside = path.strip_prefix(src).expect("inside").with_extension("");
                    let mut names: Vec<&str> = inside.iter().filter_map(|name| name.to_str()).collect();
                    names.pop_if(|name| *name == "mod");
                    // A file of tests belongs to its neighbour.
                    if names.last().is_none_or(|name| *name != "tests") {
                        let text = std::fs::read_to_string(&path).expect("a source can be read");
                        house.files.insert(names.join("::"), text);
                    }
                }
            }
        }
        house
    }

    fn put(&mut self, module: &str, text: &str) {
        self.files.insert(module.to_owned(), text.to_owned());
    }

    /// Which modules each module uses; names that a module passes on count as those of the file they come from.
    fn arrows(&self) -> BTreeMap<String, BTreeSet<String>> {
        let passed_on: BTreeMap<&String, BTreeMap<String, String>> =
            self.files.iter().map(|(module, text)| (module, self.passed_on(module, text))).collect();
        let mut arrows = BTreeMap::new();
        for (module, text) in &self.files {
            if FRAME.contains(&module.as_str()) {
                continue;
            }
            let mut uses = BTreeSet::new();
            for path in paths(module, &code(text)) {
                let used = self.file_of(&path, &passed_on, 0);
                // A module is the frame of those inside it: it may name them.
                if used.is_some_and(|used| used != *module && !used.starts_with(&format!("{module}::"))) {
                    uses.extend(self.file_of(&path, &passed_on, 0));
                }
            }
            arrows.insert(module.clone(), uses);
        }
        arrows
    }

    /// Names that a module re-exports, and where they come from.
    fn passed_on(&self, module: &str, text: &str) -> BTreeMap<String, String> {
        let mut names = BTreeMap::new();
        for statement in code(text).split(';') {
            let Some((head, tree)) = statement.split_once("use ") else { continue };
            if !head.trim_end().ends_with("pub") && !head.trim_end().ends_with(')') {
                continue;
            }
            for path in flat(tree) {
                let (from, name) = path.split_once(" as ").unwrap_or((&path, path.rsplit("::").next().unwrap_or("")));
                let from = whole(module, from).unwrap_or_else(|| format!("{module}::{from}"));
                names.insert(name.to_owned(), from);
            }
        }
        names
    }

    fn file_of(
        &self,
        path: &str,
        passed_on: &BTreeMap<&String, BTreeMap<String, String>>,
        depth: usize,
    ) -> Option<String> {
        let mut module = path;
        loop {
            if self.files.contains_key(module) {
                let name = path[module.len()..].trim_start_matches("::").split("::").next().unwrap_or("");
                return match passed_on.get(&module.to_owned()).and_then(|names| names.get(name)) {
                    Some(from) if depth < 5 => self.file_of(from, passed_on, depth + 1).or(Some(module.to_owned())),
                    _ => Some(module.to_owned()),
                };
            }
            module = module.rsplit_once("::")?.0;
        }
    }

    /// Groups of files that reach each other, each named once.
    fn circles(&self) -> Vec<String> {
        let arrows = self.arrows();
        let reach: BTreeMap<&String, BTreeSet<String>> = arrows
            .keys()
            .map(|from| {
                let (mut seen, mut open) = (BTreeSet::new(), vec![from.clone()]);
                while let Some(module) = open.pop() {
                    for next in arrows.get(&module).into_iter().flatten() {
                        if seen.insert(next.clone()) {
                            open.push(next.clone());
                        }
                    }
                }
                (from, seen)
            })
            .collect();
        let groups: BTreeSet<Vec<&String>> = reach
            .iter()
            .filter(|(from, seen)| seen.contains(**from))
            .map(|(from, seen)| {
                reach.keys().filter(|to| seen.contains(**to) && reach[**to].contains(*from)).copied().collect()
            })
            .collect();
        groups.iter().map(|group| group.iter().map(|name| name.as_str()).collect::<Vec<_>>().join(", ")).collect()
    }
}

/// Without comments, and without what stands below `#[cfg(test)]`.
fn code(text: &str) -> String {
    text.lines()
        .take_while(|line| line.trim() != "#[cfg(test)]")
        .map(|line| line.find("//").filter(|at| !line[..*at].ends_with(':')).map_or(line, |at| &line[..at]))
        .collect::<Vec<_>>()
        .join("\n")
}

/// Every path of the text that begins with `crate::` or `super::`, whole, without the `crate::`.
fn paths(module: &str, code: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices("crate::").chain(code.match_indices("super::")) {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|letter| letter.is_alphanumeric() || letter == '_' || letter == ':') {
            continue;
        }
        // A path ends where neither a name nor an open brace goes on.
        let (mut depth, mut end) = (0_i32, at);
        for letter in code[at..].chars() {
            let goes_on = letter.is_alphanumeric()
                || letter == '_'
                || letter == ':'
                || letter == '{'
                || (depth > 0 && (letter == ',' || letter == '}' || letter == '*' || letter.is_whitespace()));
            if !goes_on {
                break;
            }
            depth += i32::from(letter == '{') - i32::from(letter == '}');
            end += letter.len_utf8();
        }
        // Braces that no `::` opens begin a block, not a list of names.
        let text = &code[at..end];
        let text = match text.find('{') {
            Some(brace) if !text[..brace].ends_with("::") => &text[..brace],
            _ => text,
        };
        found.extend(flat(text).iter().filter_map(|path| whole(module, path)));
    }
    found
}

/// `a::{b, c::{d, e}}` as `a::b`, `a::c::d`, `a::c::e`.
fn flat(tree: &str) -> Vec<String> {
    let tree = tree.trim();
    let Some((head, rest)) = tree.split_once('{') else { return vec![tree.trim_end_matches("::*").to_owned()] };
    let (mut depth, mut name, mut found) = (0, String::new(), Vec::new());
    for letter in rest.chars() {
        match letter {
            '}' if depth == 0 => break,
            ',' if depth == 0 => found.extend(flat(&std::mem::take(&mut name))),
            _ => {
                depth += i32::from(letter == '{') - i32::from(letter == '}');
                name.push(letter);
            }
        }
    }
    if !name.trim().is_empty() {
        found.extend(flat(&name));
    }
    found
        .iter()
        .map(|name| if name == "self" { head.trim_end_matches("::").to_owned() } else { format!("{head}{name}") })
        .collect()
}

/// A path from the crate's root, when it is one of this crate.
fn whole(module: &str, path: &str) -> Option<String> {
    let mut path = path.split(" as ").next().unwrap_or(path).trim();
    if let Some(rest) = path.strip_prefix("crate::") {
        return Some(rest.to_owned());
    }
    let mut base = module;
    let mut up = false;
    while let Some(rest) = path.strip_prefix("super::") {
        base = base.rsplit_once("::").map_or("", |(above, _)| above);
        (path, up) = (rest, true);
    }
    up.then(|| if base.is_empty() { path.to_owned() } else { format!("{base}::{path}") })
}
