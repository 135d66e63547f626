//! The demo as a person runs it: one command, no network, a season, a table, a folder of messages.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use mailparse::MailHeaderMap;
use treebell::people::{Address, Reach};

use crate::support::{http, open_store};
use crate::web::sign_up::value_of;

fn treebell(folder: &Path, args: &[&str]) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("treebell")).current_dir(folder).args(args).output().unwrap()
}

/// Columns of the closing table from the right, which has no blanks inside them: name → (e-mails, texts).
fn table(said: &str) -> BTreeMap<String, (usize, usize)> {
    let rows = said.lines().filter(|line| line.contains(" m ") || line.starts_with("all "));
    rows.filter_map(|line| {
        let mut cells = line.split_whitespace().rev();
        let (texts, emails) = (cells.next()?.parse().ok()?, cells.next()?.parse().ok()?);
        Some((line.get(..14)?.trim().to_owned(), (emails, texts)))
    })
    .collect()
}

#[test]
fn the_demo_plays_a_season_into_a_folder_and_sums_it_up() {
    let folder = tempfile::tempdir().unwrap();
    let output = treebell(folder.path(), &["demo", "--speed", "at-once"]);
    let said = String::from_utf8(output.stdout.clone()).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(!said.contains('\x1b'), "not a terminal: plain lines");

    // Every region was told everything, in order and in time, the one whose staff must agree included.
    let sums = table(&said);
    assert_eq!(sums.len(), 10, "nine regions and all: {sums:?}");
    let end = said.split("the lowest region first").nth(1).unwrap();
    assert!(!end.contains("none"), "{end}");
    assert!(said.contains("Mesa Callada (2120 m), inspect now: waits for staff to agree"));
    assert!(end.contains("heat number for egg laying was reached on Feb") && end.contains("Owners were told"), "{end}");
    // A text message of 160 characters, indented by four.
    assert!(said.lines().all(|line| line.chars().count() <= 164));
    assert!(!said.contains("laid") && !said.contains("hatched"), "nobody saw eggs: {said}");
    // What one wash takes within a week of "wash now" and of "last days".
    for line in end.lines().filter(|line| line.contains(" m ")) {
        let off: Vec<u32> =
            line.split_whitespace().nth_back(2).unwrap().split('|').map(|n| n.parse().unwrap()).collect();
        assert!(off.len() == 2 && off.iter().all(|off| (60..=100).contains(off)), "{line}");
        // No last day passes untold: "last days" came before the day that was told last.
        let cells: Vec<&str> = line.split_whitespace().rev().skip(3).take(4).collect();
        let day = |at: usize| {
            let text = format!("{} {} 2025", cells[at + 1], cells[at]);
            chrono::NaiveDate::parse_from_str(&text, "%b %d %Y").unwrap_or_else(|why| panic!("{text}: {why}: {line}"))
        };
        let (wash_by, last_days) = (day(0), day(2));
        assert!(last_days < wash_by, "{line}");
    }

    // The folder holds what the table says was written, and only to invented addresses.
    let messages = folder.path().join("treebell-demo/messages");
    let mut rows = csv::Reader::from_path(messages.join("index.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    let of = |channel: &str| rows.iter().filter(|row| &row[1] == channel).count();
    assert_eq!(sums["all"], (of("email"), of("sms")));
    let regions = sums.iter().filter(|(name, _)| *name != "all").map(|(_, sums)| sums);
    assert_eq!(regions.fold((0, 0), |sum, of| (sum.0 + of.0, sum.1 + of.1)), sums["all"]);
    for row in &rows {
        let to = &row[2];
        let invented = to.ends_with("@example.org") || ("+15055550100"..="+15055550199").contains(&to);
        assert!(invented, "{to}");
        assert!(messages.join(&row[4]).is_file(), "{}", &row[4]);
    }
    assert_eq!(std::fs::read_dir(&messages).unwrap().count(), rows.len() + 1);
    let spanish = rows.iter().filter(|row| &row[1] == "sms" && row[3].contains("escama")).count();
    assert!(spanish > 20 && spanish < of("sms") / 2, "{spanish} texts in Spanish");

    // What it says to try next works there.
    let settings = ["--config", "treebell-demo/treebell.toml"];
    for args in [
        ["outlook", "--on", "2025-03-10"].as_slice(),
        &["chart", "piedra-mansa", "--on", "2025-03-10", "-o", "a.svg"],
        &["chart", "piedra-mansa", "--season", "2024", "--fahrenheit", "--language", "es", "-o", "b.png"],
    ] {
        let output = treebell(folder.path(), &[&settings[..], args].concat());
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let svg = std::fs::read_to_string(folder.path().join("a.svg")).unwrap();
    for said in [
        "Piedra Mansa: heat of the 2025 season",
        "today, Mar\u{a0}10",
        "34 past years",
        "Nobody has measured",
        "forecast",
    ] {
        assert!(svg.contains(said), "{said}");
    }
    assert!(std::fs::read(folder.path().join("b.png")).unwrap().starts_with(b"\x89PNG"));

    // The season is kept: the other commands see what was decided, sent and said, on the clock of the store.
    let ran = |args: &[&str], columns: &str| {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
        let output =
            command.current_dir(folder.path()).env("COLUMNS", columns).args(settings).args(args).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    let notices = ran(&["notices"], "100");
    assert!(notices.contains("mesa-callada/wash-now") && notices.contains(" sent"), "{notices}");
    let sent = ran(&["deliveries", "--state", "sent", "--limit", "5000", "--json"], "100");
    assert_eq!(sent.matches("\"sent\"").count(), rows.len(), "every message of the folder is in the store");
    assert!(ran(&["audit", "list", "--json"], "100").contains("notice-released"));
    assert!(ran(&["field-report", "list"], "100").contains("confirmed"));
    for args in [
        ["outlook", "--on", "2025-03-10"].as_slice(),
        &["deliveries", "--limit", "30"],
        &["station", "list"],
        &["region", "list"],
        &["audit", "list"],
    ] {
        for columns in [100, 80] {
            let said = ran(args, &columns.to_string());
            let widest = said.lines().map(|line| line.trim_end().chars().count()).max().unwrap();
            assert!(widest <= columns, "{args:?}: {widest} of {columns}\n{said}");
        }
    }
    // What an owner would read is in the language asked for; what is for staff is marked.
    let spanish = ran(&["outlook", "--region", "piedra-mansa", "--on", "2025-03-10", "--language", "es"], "100");
    let (owners, staff) = spanish.split_once("para el personal, en inglés: ").unwrap();
    assert!(staff.starts_with("what is decided today:"), "{spanish}");
    for said in
        ["temporada 2025", "calor hasta ahora:", "°C·día", "días de la ventana: revise desde el ", "duda sobre el día"]
    {
        assert!(owners.contains(said), "{said}: {owners}");
    }
    for not in ["heat so far", "wash", "chance", "doubt", "insect ", "season", "station"] {
        assert!(!owners.contains(not), "{not}: {owners}");
    }
    // Of a day that is over nothing is expected any more.
    let wash = |on: &str| ran(&["outlook", "--region", "piedra-mansa", "--on", on], "100");
    let (before, after) = (wash("2025-03-10"), wash("2025-05-20"));
    assert!(before.contains(" is expected to take ") && !before.contains("would have"), "{before}");
    assert!(after.contains(" would have taken ") && !after.contains("is expected"), "{after}");
    // What people saw later in the season is no report of a day to come.
    assert!(before.contains("of days after 2025-03-10, and say nothing here"), "{before}");
    assert!(!before.contains("still to come"), "{before}");
    let refused = treebell(folder.path(), &[&settings[..], &["run"]].concat());
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("a practice store"));

    // Heat is shown in the unit of the house, and in the other one for once.
    let heat = |more: &[&str]| {
        let args = [&settings[..], &["outlook", "--region", "piedra-mansa", "--on", "2025-03-10"], more].concat();
        let said = String::from_utf8(treebell(folder.path(), &args).stdout).unwrap();
        let rest = said.split("heat so far: ").nth(1).unwrap_or_else(|| panic!("{said}"));
        let mut words = rest.split_whitespace();
        (words.next().unwrap().parse::<f64>().unwrap(), words.next().unwrap().to_owned())
    };
    let (celsius, unit) = heat(&[]);
    assert_eq!(unit, "°C·day");
    let file = folder.path().join("treebell-demo/treebell.toml");
    let before = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, format!("{before}\n[units]\nfahrenheit = true\n")).unwrap();
    let (fahrenheit, unit) = heat(&[]);
    assert!(unit == "°F·day" && (fahrenheit - celsius * 1.8).abs() < 1.5, "{celsius} and {fahrenheit} {unit}");
    assert_eq!(heat(&["--celsius"]), (celsius, "°C·day".to_owned()));
    std::fs::write(&file, &before).unwrap();
    assert_eq!(heat(&["--fahrenheit"]), (fahrenheit, "°F·day".to_owned()));

    // What a chart cannot be made of is said, with the place.
    for (args, said) in [
        (["chart", "piedra-manso", "-o", "c.svg"].as_slice(), "did you mean `piedra-mansa`?"),
        (&["chart", "piedra-mansa", "-o", "c.gif"], "neither .svg nor .png"),
        (&["chart", "piedra-mansa", "--season", "1950", "-o", "c.svg"], "no temperatures of season 1950"),
    ] {
        let output = treebell(folder.path(), &[&settings[..], args].concat());
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(said), "{}", String::from_utf8_lossy(&output.stderr));
    }
    assert!(!folder.path().join("c.svg").exists());
}

/// What two demos must have alike: what was said, and every message by the name of its file.
fn played(folder: &Path, seed: &str) -> (String, BTreeMap<String, Vec<u8>>) {
    let output = treebell(folder, &["demo", "--speed", "at-once", "--seed", seed]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let read = |entry: std::io::Result<std::fs::DirEntry>| {
        let entry = entry.unwrap();
        (entry.file_name().into_string().unwrap(), std::fs::read(entry.path()).unwrap())
    };
    let messages = std::fs::read_dir(folder.join("treebell-demo/messages")).unwrap().map(read).collect();
    (String::from_utf8(output.stdout).unwrap(), messages)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_seed_is_the_same_demo_twice_to_the_byte_and_another_seed_another() {
    let folders = [(); 3].map(|()| tempfile::tempdir().unwrap());
    let play = |at: usize, seed: &'static str| {
        let folder = folders[at].path().to_owned();
        tokio::task::spawn_blocking(move || played(&folder, seed))
    };
    let (first, again, other) = tokio::try_join!(play(0, "5"), play(1, "5"), play(2, "6")).unwrap();
    assert_eq!(first.0, again.0, "what was said");
    let differ: Vec<&String> = first.1.keys().filter(|name| first.1.get(*name) != again.1.get(*name)).collect();
    assert_eq!((differ, first.1.len()), (vec![], again.1.len()), "the same files to the byte");
    assert_ne!(first.1["index.csv"], other.1["index.csv"]);

    // The key of the demo's store, and so its people's ids.
    let mut ids = Vec::new();
    for folder in &folders {
        let file = folder.path().join("treebell-demo/treebell.sqlite");
        let store = open_store(&format!("sqlite:{}", file.display())).await.unwrap();
        let anybody = Address::parse("anybody@example.org", Reach::NorthAmerica).unwrap();
        ids.push(store.address_hash().of(&anybody));
        store.close().await;
    }
    assert_eq!(ids[0], ids[1]);
    assert_ne!(ids[0], ids[2]);
}

/// Lines of a running program's standard output, as they come.
struct Running {
    child: std::process::Child,
    lines: std::sync::mpsc::Receiver<String>,
}

impl Running {
    fn start(folder: &Path, args: &[&str]) -> Self {
        let mut child = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
            .current_dir(folder)
            .args(args)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (say, lines) = std::sync::mpsc::channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || out.lines().map_while(Result::ok).try_for_each(|line| say.send(line)));
        Self { child, lines }
    }

    /// The rest of the next line that begins so.
    fn line(&self, start: &str) -> String {
        loop {
            let line =
                self.lines.recv_timeout(Duration::from_secs(900)).unwrap_or_else(|why| panic!("`{start}`: {why}"));
            if let Some(rest) = line.strip_prefix(start) {
                return rest.to_owned();
            }
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The plain text of a mail in a file, and its header that ends the messages with one click.
fn mail(file: &Path) -> (String, String) {
    let raw = std::fs::read(file).unwrap_or_else(|why| panic!("{}: {why}", file.display()));
    let mail = mailparse::parse_mail(&raw).unwrap();
    let text = mail.subparts.iter().find(|part| part.ctype.mimetype == "text/plain").unwrap().get_body().unwrap();
    (text, mail.headers.get_first_value("List-Unsubscribe").unwrap_or_default())
}

/// Path of the link to a page.
fn link(text: &str, to: &str) -> String {
    let at = text.find(&format!("/{to}/")).unwrap_or_else(|| panic!("no link to {to} in {text}"));
    text[at..].split(|c: char| c.is_whitespace() || c == '>').next().unwrap().to_owned()
}

/// What somebody does who tries the demo's pages: signs up, finds the confirmation where the screen says, follows its link,
/// changes what they get, and stops.
#[test]
fn who_signs_up_on_the_demos_pages_finds_the_confirmation_and_can_go_on_from_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut demo = Running::start(folder.path(), &["demo", "--speed", "at-once", "--listen", "127.0.0.1:0"]);
    let pages = demo.line("The pages of ");
    let site = pages.split("http://").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
    let form = |page: &str, pairs: &[(&str, &str)]| http(&site, "POST", page, pairs);
    let token = value_of(&http(&site, "GET", "/sign-up", &[]).body, "token");
    // A form that is filled in within two seconds is not a person's.
    let email = "curious@example.org";
    let fields = [("zip", "00201"), ("email", email), ("language", "en"), ("token", &token)];
    let sent = (0..200).find_map(|_| {
        let answer = form("/sign-up", &fields);
        if answer.status != 200 {
            std::thread::sleep(Duration::from_millis(50));
        }
        (answer.status == 200).then_some(answer)
    });
    assert!(sent.expect("the form is taken").body.contains(email));
    let next_mail = |demo: &Running| {
        let file = demo.line("e-mail ").rsplit_once(": ").unwrap().1.to_owned();
        assert!(file.starts_with("treebell-demo/messages/"), "{file}");
        mail(&folder.path().join(file))
    };
    let confirm = link(&next_mail(&demo).0, "confirm");
    let asked = http(&site, "GET", &confirm, &[]);
    assert!(asked.status == 200 && asked.body.contains("Please confirm"), "{}", asked.body);
    let done = form(&confirm, &[]);
    assert!(done.status == 200 && done.body.contains("/preferences/"), "{}", done.body);
    let (welcome, stop) = next_mail(&demo);
    let preferences = link(&welcome, "preferences");
    assert_eq!(form(&preferences, &[("action", "language"), ("language", "es")]).status, 303);
    assert!(http(&site, "GET", &preferences, &[]).body.contains("00201"));
    assert_eq!(form(&link(&stop, "stop"), &[("List-Unsubscribe", "One-Click")]).status, 200);
    assert!(http(&site, "GET", &preferences, &[]).body.contains("value=\"start\""), "stopped, and may start again");
    Command::new("kill").args(["-TERM", &demo.child.id().to_string()]).status().unwrap();
    assert_eq!(demo.child.wait().unwrap().code(), Some(0));
}
