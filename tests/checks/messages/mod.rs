//! The wording: every template with every sample against its expected text, the rules that `message check` keeps, and
//! the commands that show them.

// Each rule, broken in one file.
mod rules;
mod words_command;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use predicates::prelude::*;
use treebell::message::{
    Message, NoticeFacts, Personal, Sender, Templates, TransactionalFacts, TransactionalKind, check, personalise,
    samples, sms,
};
use treebell::people::{Channel, Language};
use treebell::season::NoticeKind;

/// Every template with every sample, compared with the files in `expected/messages`. After a change that is meant,
/// `TREEBELL_WRITE_EXPECTED=1 cargo test --test checks messages::` writes them anew; read the difference before it is
/// committed.
#[test]
fn every_message_reads_as_expected() {
    let folder = expected();
    let write = std::env::var_os("TREEBELL_WRITE_EXPECTED").is_some();
    let mut wanted = BTreeSet::new();
    let mut different = Vec::new();
    for (name, text) in written_messages() {
        let path = folder.join(&name);
        wanted.insert(name.clone());
        if write {
            std::fs::write(&path, &text).unwrap();
        } else if std::fs::read_to_string(&path).unwrap_or_default() != text {
            different.push(name);
        }
    }
    assert!(different.is_empty(), "not as in {}: {different:?}", folder.display());
    let found =
        std::fs::read_dir(&folder).unwrap().map(|file| file.unwrap().file_name().to_string_lossy().into_owned());
    let unused: Vec<String> = found.filter(|name| !wanted.contains(name)).collect();
    assert!(unused.is_empty(), "no message belongs to {unused:?} in {}", folder.display());
}

/// One text a sample and language; e-mails in full for the typical sample, for the others the one that is read first.
fn written_messages() -> Vec<(String, String)> {
    let templates = Templates::load(None).unwrap();
    let person = Personal { stop_url: Some("https://pinyon.example.org/stop/sample?a=1&b=2".parse().unwrap()) };
    let mut written = Vec::new();
    for sample in samples::all() {
        for language in Language::ALL {
            let mut text = String::new();
            for kind in NoticeKind::ALL {
                for channel in [Channel::Sms, Channel::Email] {
                    let message = templates.render_notice(kind, language, channel, &sample.facts).unwrap();
                    match personalise(message, &person).unwrap() {
                        Message::Sms { text: sms } => text.push_str(&described(kind.name(), &sms)),
                        Message::Email { subject, text: body, html, calendar, .. } => {
                            if sample.name == "typical" || read_first(&sample, kind) {
                                text.push_str(&format!("== {} email\nSubject: {subject}\n\n{body}\n", kind.name()));
                            }
                            if sample.name == "typical" && kind == NoticeKind::WashNow {
                                written.push((format!("{}.wash-now.html", language.code()), html));
                                let calendar = calendar.unwrap().replace("\r\n", "\n");
                                written.push((format!("{}.wash-now.ics", language.code()), calendar));
                            }
                        }
                    }
                }
            }
            let letters = TransactionalFacts::samples(&sample.facts.sender, &sample.facts.region_name);
            for kind in TransactionalKind::ALL {
                let letter = TransactionalFacts::sample_for(kind, &sample.facts.sender, &sample.facts.region_name);
                for channel in kind.channels() {
                    let message = templates.render_transactional(kind, language, *channel, &letter).unwrap();
                    match personalise(message, &person).unwrap() {
                        Message::Sms { text: sms } => text.push_str(&described(kind.name(), &sms)),
                        Message::Email { subject, text: body, .. } if sample.name == "typical" => {
                            text.push_str(&format!("== {} email\nSubject: {subject}\n\n{body}\n", kind.name()));
                        }
                        Message::Email { .. } => {}
                    }
                }
            }
            if sample.name == "typical" {
                // Who joins while a window is open.
                for letter in letters.iter().filter(|letter| letter.in_force.is_some()) {
                    for channel in [Channel::Sms, Channel::Email] {
                        let kind = TransactionalKind::Welcome;
                        let message = templates.render_transactional(kind, language, channel, letter).unwrap();
                        match personalise(message, &person).unwrap() {
                            Message::Sms { text: sms } => text.push_str(&described("welcome", &sms)),
                            Message::Email { subject, text: body, .. } => {
                                let (now, _) = body.split_once(YOU_GET[usize::from(language == Language::Es)]).unwrap();
                                text.push_str(&format!("== welcome email\nSubject: {subject}\n\n{now}\n"));
                            }
                        }
                    }
                }
            }
            written.push((format!("{}.{}.txt", sample.name, language.code()), text));
        }
    }
    written
}

/// What follows in a welcome is the same in all.
const YOU_GET: [&str; 2] = ["What you will get", "Qué recibirá"];

/// The e-mail of a sample that its own facts change most.
fn read_first(sample: &samples::Sample, kind: NoticeKind) -> bool {
    kind == match sample.name {
        "cooler" | "warmer" | "reported" => NoticeKind::DeadlineMoved,
        "hatching" => NoticeKind::TooLateToWash,
        _ => NoticeKind::InspectNow,
    }
}

fn described(name: &str, text: &str) -> String {
    let segments = sms::count(text);
    format!("== {name} sms: {} x {}, {}\n{text}\n\n", segments.parts, segments.encoding.name(), segments.units)
}

fn expected() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/checks/expected/messages")
}

#[test]
fn the_built_in_wording_keeps_every_rule() {
    let report = check::check(&Templates::load(None).unwrap(), &sender());
    let faults: Vec<String> = report.faults.iter().map(ToString::to_string).collect();
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

#[test]
fn a_usual_text_takes_one_part_in_english_and_in_spanish_a_second_one_for_its_link_alone() {
    let templates = Templates::load(None).unwrap();
    let facts = samples::typical().facts;
    let without_link = Sender { public_url: None, ..facts.sender.clone() };
    let bare = NoticeFacts { sender: without_link, ..facts.clone() };
    for kind in NoticeKind::ALL {
        for (language, facts, most) in [(Language::En, &facts, 1), (Language::Es, &facts, 2), (Language::Es, &bare, 1)]
        {
            let Message::Sms { text } = templates.render_notice(kind, language, Channel::Sms, facts).unwrap() else {
                panic!("a text was asked for")
            };
            let segments = sms::count(&text);
            assert_eq!(segments.encoding, sms::Encoding::Gsm7, "{text}");
            assert!(segments.parts <= most, "{text}");
        }
    }
}

/// The page behind it holds the days and the cautions.
#[test]
fn who_reads_spanish_is_led_to_the_page_wherever_who_reads_english_is() {
    let templates = Templates::load(None).unwrap();
    let mut led = 0;
    for sample in samples::all() {
        let Some(url) = &sample.facts.sender.public_url else { continue };
        for kind in NoticeKind::ALL {
            let [english, spanish] = Language::ALL.map(|language| {
                match templates.render_notice(kind, language, Channel::Sms, &sample.facts).unwrap() {
                    Message::Sms { text } => text,
                    Message::Email { .. } => panic!("a text was asked for"),
                }
            });
            led += usize::from(english.contains(url));
            assert!(spanish.contains(url) || !english.contains(url), "{}: {english}\n{spanish}", sample.name);
        }
    }
    assert!(led > 0, "no English text of the samples has the link");
}

#[test]
fn html_says_the_same_as_the_plain_text() {
    let templates = Templates::load(None).unwrap();
    for sample in samples::all() {
        for language in Language::ALL {
            for kind in NoticeKind::ALL {
                let message = templates.render_notice(kind, language, Channel::Email, &sample.facts).unwrap();
                let Message::Email { text, html, .. } = message else { panic!("an e-mail was asked for") };
                let html_words = words(&without_tags(&html));
                // The plain part draws lines, marks points and shows the address behind a link; the words are the same.
                let marks = |word: &String| word.starts_with("--") || word == "-" || word.contains("\u{E000}");
                let text_words = words(&text).into_iter().filter(|word| !marks(word)).collect::<Vec<_>>();
                let bare = |words: &[String]| {
                    let bare = words.iter().map(|word| word.trim_end_matches(':').to_owned());
                    bare.filter(|word| !is_number_mark(word)).collect::<Vec<_>>()
                };
                let body = bare(&html_words);
                // Sender and subject stand above.
                let at = body.len() - bare(&text_words).len();
                assert_eq!(&body[at..], bare(&text_words), "{} {}", kind.name(), language.code());
            }
        }
    }
}

/// `1.` to `9.`, which the HTML part leaves to the list.
fn is_number_mark(word: &str) -> bool {
    word.len() == 2 && word.ends_with('.') && word.starts_with(|c: char| c.is_ascii_digit())
}

fn words(text: &str) -> Vec<String> {
    text.split_whitespace().map(str::to_owned).collect()
}

fn without_tags(html: &str) -> String {
    let body = html.split_once("<body").unwrap().1;
    let mut text = String::new();
    let mut inside = true;
    for c in body.chars() {
        match c {
            '<' => inside = true,
            '>' if inside => inside = false,
            c if !inside => text.push(c),
            _ => {}
        }
    }
    [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&#x27;", "'"), ("&#x2f;", "/"), ("&amp;", "&")]
        .iter()
        .fold(text, |text, (entity, plain)| text.replace(entity, plain))
}

#[test]
fn the_check_command_lists_every_fault_and_ends_with_4() {
    treebell(None).args(["message", "check"]).assert().success().stdout(predicate::str::contains("no faults"));

    let folder = folder(&[
        ("en/insecticides.part.txt", "Insecticides\n------------\nSpray it.\n"),
        ("es/stopped.sms.txt", "{{ sender_short }}: listo. {{ help_contact }}"),
        ("en/stopped.sms.txt", "Done."),
    ]);
    treebell(Some(folder.path()))
        .args(["message", "check"])
        .assert()
        .code(4)
        .stdout(
            predicate::str::contains("speaks of insecticides without the caution")
                .and(predicate::str::contains("stopped.sms.txt: does not say who speaks"))
                .and(predicate::str::contains("leaves out what the Spanish words tell: {{ help_contact }} (where people can ask), {{ sender_short }}")),
        )
        .stderr(predicate::str::contains("faults in the messages"));

    let folder = self::folder(&[("en/get-redy.sms.txt", "x"), ("es/help.sms.txt", "{{ help_contct }}")]);
    treebell(Some(folder.path())).args(["message", "check"]).assert().code(4).stdout(
        predicate::str::contains("did you mean `en/get-ready.sms.txt`?").and(predicate::str::contains(
            "es/help.sms.txt:1: unknown name `help_contct`, did you mean `help_contact`?",
        )),
    );
}

#[test]
fn the_preview_command_shows_text_size_and_ease() {
    treebell(None)
        .args(["message", "preview", "inspect-now", "--language", "en", "--channel", "sms", "--region", "Piñon Río"])
        .assert()
        .success()
        .stdout(
            predicate::str::contains("== inspect-now, en, sms: 1 part, ")
                .and(predicate::str::contains("units GSM 7-bit, Flesch-Kincaid grade "))
                .and(predicate::str::contains("| Treebell: Piñon Rio: scale eggs likely. Look twice a week.")),
        );
    let all = treebell(None).args(["message", "preview"]).assert().success();
    let all = String::from_utf8(all.get_output().stdout.clone()).unwrap();
    assert_eq!(all.matches("\n\n| ").count(), 74, "6 notices x 2 channels, 10 letters x 2 and 5 x 1, in 2 languages");

    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("page.html");
    treebell(None)
        .args(["message", "preview", "get-ready", "--language", "es", "--html"])
        .arg(&page)
        .assert()
        .success();
    assert!(std::fs::read_to_string(page).unwrap().starts_with("<!DOCTYPE html>\n<html lang=\"es\">"));
}

#[test]
fn a_preview_of_what_is_not_there_says_what_is() {
    for (args, wanted) in [
        (
            &["inspect"][..],
            "get-ready, inspect-now, wash-now, deadline-moved, last-days-to-wash, too-late-to-wash, confirm, not-covered, \
             welcome, stopped",
        ),
        (&["--language", "fr"], "wanted is en or es"),
        (
            &["--sample", "odd"],
            "typical, plain, seen, cooler, warmer, reported, hatching, open-ended, unmeasured, longest, accented",
        ),
        (&["--html", "/nowhere.html"], "32 e-mails were shown and one is wanted"),
        (&["help", "--html", "/nowhere.html"], "only e-mails have an HTML part"),
    ] {
        let assert = treebell(None).args(["message", "preview"]).args(args).assert().code(2);
        assert.stderr(predicate::str::contains(wanted));
    }
}

fn sender() -> Sender {
    samples::typical().facts.sender
}

/// The program in an empty folder, with a folder of templates if one is given.
fn treebell(messages: Option<&Path>) -> Command {
    let mut command = Command::cargo_bin("treebell").unwrap();
    match messages {
        Some(folder) => {
            // A hidden file is no template.
            let config = folder.join(".treebell.toml");
            std::fs::write(&config, format!("[messages]\nfolder = \"{}\"\n", folder.display())).unwrap();
            command.arg("--config").arg(config);
        }
        None => {
            command.current_dir(std::env::temp_dir());
        }
    }
    command
}

fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
    folder
}
