use super::values::{NOTICE_NAMES, TRANSACTIONAL_NAMES};
use super::*;
use crate::message::personal::STOP_LINK_PLACE;

fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in files {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
    folder
}

#[track_caller]
fn faults(files: &[(&str, &str)]) -> Vec<String> {
    let folder = folder(files);
    let prefix = format!("{}/", folder.path().display());
    let TemplateFaults(faults) = Templates::load(Some(folder.path())).unwrap_err();
    faults.iter().map(|fault| fault.to_string().replace(&prefix, "")).collect()
}

#[test]
fn the_built_in_files_load() {
    Templates::load(None).unwrap();
}

#[test]
fn a_file_of_the_folder_replaces_the_built_in_one() {
    let folder = folder(&[("en/inspect-now.sms.txt", "Look, {{ region_name }}!\r\n"), ("README.md~", "")]);
    std::fs::remove_file(folder.path().join("README.md~")).unwrap();
    std::fs::write(folder.path().join(".hidden"), "").unwrap();
    let templates = Templates::load(Some(folder.path())).unwrap();
    let facts = samples::typical().facts;
    let message = templates.render_notice(NoticeKind::InspectNow, Language::En, Channel::Sms, &facts).unwrap();
    assert_eq!(message, Message::Sms { text: "Look, Cedar Flat!".into() });
}

#[test]
fn a_strange_file_name_is_a_fault_with_a_near_name() {
    assert_eq!(
        faults(&[("en/inspect_now.sms.txt", "x")]),
        ["en/inspect_now.sms.txt: no message has a file of this name, did you mean `en/inspect-now.sms.txt`?"]
    );
    assert!(faults(&[("notes/a-file-of-mine.doc", "x")])[0].contains("names are en/basis.part.txt, "));
}

#[test]
fn an_unknown_name_is_a_fault_with_its_line_and_a_near_name() {
    let faults = faults(&[("en/get-ready.sms.txt", "hello regoin_name\n{{ wash_by }} {{\n regoin_name }}")]);
    assert_eq!(faults, ["en/get-ready.sms.txt:3: unknown name `regoin_name`, did you mean `region_name`?"]);
}

#[test]
fn a_value_that_a_name_never_has_is_a_fault_with_its_line_and_a_near_value() {
    let text = "x\n{% if begun == \"sen\" %}Eggs were seen.{% endif %}";
    let wanted = "en/inspect-now.sms.txt:2: `begun` is seen, probably or maybe; did you mean `seen`?";
    assert_eq!(faults(&[("en/inspect-now.sms.txt", text)]), [wanted]);
    let words = std::collections::BTreeMap::from([("en/inspect-now.sms.txt".to_owned(), text.to_owned())]);
    let told = Templates::load(None).unwrap().with(&words).unwrap_err().to_string();
    assert_eq!(told, format!("staff's {wanted}"));
}

#[test]
fn a_name_of_another_kind_of_file_is_a_fault() {
    let faults = faults(&[("en/help.sms.txt", "{{ wash_by }}")]);
    assert!(faults[0].starts_with("en/help.sms.txt:1: unknown name `wash_by`"), "{faults:?}");
}

#[test]
fn a_template_that_does_not_parse_is_a_fault_with_its_line() {
    let faults = faults(&[("es/look.part.txt", "uno\n{% if provisional %}\n")]);
    assert!(faults[0].starts_with("es/look.part.txt:"), "{faults:?}");
    assert!(faults[0].contains("syntax error"), "{faults:?}");
}

#[test]
fn loops_within_loops_end_in_a_fault_and_not_never() {
    let round = "{% for a in [0, 1, 2, 3, 4, 5, 6, 7, 8, 9] %}";
    let text = format!("{}x{}", round.repeat(12), "{% endfor %}".repeat(12));
    let told = faults(&[("en/get-ready.sms.txt", &text)]);
    assert!(told[0].contains("en/get-ready.sms.txt") && told[0].contains("fuel"), "{told:?}");
}

#[test]
fn filters_functions_and_missing_files_are_faults() {
    let filter = faults(&[("en/get-ready.sms.txt", "{{ region_name|upper }}")]);
    assert!(filter[0].contains("message templates have no filters"), "{filter:?}");
    let function = faults(&[("en/get-ready.sms.txt", "{{ range(3) }}")]);
    assert!(function[0].contains("unknown name `range`"), "{function:?}");
    let include = faults(&[("en/get-ready.sms.txt", "a\n{% include \"lok.part.txt\" %}")]);
    assert!(include[0].starts_with("en/get-ready.sms.txt:2: "), "{include:?}");
    assert!(include[0].contains("files to include are basis.part.txt, beans.part.txt, call.part.txt"), "{include:?}");
}

#[test]
fn a_value_that_some_notices_lack_is_a_fault_unless_it_is_asked_for_first() {
    let faults = faults(&[("en/get-ready.sms.txt", "a\n{{ laying_began }}")]);
    assert_eq!(faults.len(), 1);
    assert!(faults[0].starts_with("en/get-ready.sms.txt:2: "), "{faults:?}");
    assert!(faults[0].contains("{% if … %}"), "{faults:?}");
}

#[test]
fn a_template_that_includes_itself_is_a_fault() {
    let faults = faults(&[("en/look.part.txt", "{% include \"look.part.txt\" %}")]);
    assert!(!faults.is_empty());
}

#[test]
fn an_e_mail_without_a_subject_line_is_a_fault() {
    for text in ["Hello\nSubject: x", "Subject:\n\nx", ""] {
        let faults = faults(&[("en/get-ready.email.txt", text)]);
        assert!(faults[0].contains("the first line is to be `Subject: `"), "{faults:?}");
    }
}

#[test]
fn text_that_is_not_utf8_and_a_missing_folder_are_faults() {
    let folder = folder(&[]);
    std::fs::create_dir(folder.path().join("en")).unwrap();
    std::fs::write(folder.path().join("en/help.sms.txt"), b"a\n\xff").unwrap();
    let fault = Templates::load(Some(folder.path())).unwrap_err().to_string();
    assert!(fault.ends_with("en/help.sms.txt:2: not UTF-8 text: save the file in that encoding"), "{fault}");
    let fault = Templates::load(Some(&folder.path().join("none"))).unwrap_err().to_string();
    assert!(fault.contains("the folder cannot be read"), "{fault}");
}

#[test]
fn no_value_can_add_a_line_a_header_or_markup() {
    let mut facts = samples::typical().facts;
    facts.region_name = "Flat\r\nBcc: x@example.org\u{2028}<b>\u{E000}stop-link\u{E001}\0</b>".into();
    let templates = Templates::load(None).unwrap();
    for kind in NoticeKind::ALL {
        let email = templates.render_notice(kind, Language::En, Channel::Email, &facts).unwrap();
        let Message::Email { subject, text, html, .. } = email else { panic!("an e-mail was asked for") };
        assert!(!subject.contains(['\r', '\n', '\u{2028}', '\0', '\u{E000}']), "{subject:?}");
        assert!(!text.contains("\nBcc:"), "{text}");
        assert_eq!(text.matches(STOP_LINK_PLACE).count(), 1);
        assert!(!html.contains("<b>") && html.contains("&lt;b&gt;"));
        assert_eq!(html.matches(STOP_LINK_PLACE).count(), 1);
    }
}

#[test]
fn a_text_message_gives_up_accents_before_its_link_and_its_link_before_a_second_part() {
    let templates = Templates::load(None).unwrap();
    let mut facts = samples::typical().facts;
    let mut text = |region: &str, url: &str| {
        facts.region_name = region.into();
        facts.sender.public_url = Some(url.into());
        let sms = templates.render_notice(NoticeKind::InspectNow, Language::En, Channel::Sms, &facts).unwrap();
        let Message::Sms { text } = sms else { panic!("a text was asked for") };
        assert_eq!(sms::count(&text).parts, 1, "{text}");
        text
    };
    let short = text("Río", "https://a.example");
    assert!(short.contains("Rio") && short.contains("https://a.example"), "{short}");
    let long = text("Río", &format!("https://example.org/{}", "x".repeat(60)));
    assert!(long.contains("Rio") && !long.contains("https://"), "{long}");
}

#[test]
fn a_spanish_text_keeps_its_link_for_the_second_part_that_it_may_use_and_for_no_third() {
    let templates = Templates::load(None).unwrap();
    let mut facts = samples::typical().facts;
    let mut text = |url: &str| {
        facts.sender.public_url = Some(url.into());
        let sms = templates.render_notice(NoticeKind::WashNow, Language::Es, Channel::Sms, &facts).unwrap();
        let Message::Sms { text } = sms else { panic!("a text was asked for") };
        (sms::count(&text).parts, text)
    };
    let (parts, short) = text("https://a.example/washing-pinyons");
    assert!(parts == 2 && short.contains("https://a.example/washing-pinyons"), "{parts} {short}");
    let (parts, long) = text(&format!("https://example.org/{}", "x".repeat(150)));
    assert!(parts == 1 && !long.contains("https://"), "{parts} {long}");
}

#[test]
fn a_welcome_in_an_open_window_says_what_to_do_now_and_leads_to_the_region() {
    let templates = Templates::load(None).unwrap();
    let facts = samples::typical().facts;
    for language in Language::ALL {
        for letter in TransactionalFacts::samples(&facts.sender, &facts.region_name) {
            let kind = TransactionalKind::Welcome;
            let sms = templates.render_transactional(kind, language, Channel::Sms, &letter).unwrap();
            let email = templates.render_transactional(kind, language, Channel::Email, &letter).unwrap();
            let (Message::Sms { text: sms }, Message::Email { text: email, .. }) = (sms, email) else {
                panic!("one of each was asked for")
            };
            let now = letter.in_force.as_ref();
            assert_eq!(email.contains("It is time now") || email.contains("Ya es hora"), now.is_some(), "{email}");
            let (short, long) = match language {
                Language::En => ("Apr 12", "Sunday, April 12"),
                Language::Es => ("12 abr", "domingo 12 de abril"),
            };
            let told = now.is_some_and(|now| now.wash_by.is_some());
            assert_eq!((sms.contains(short), email.contains(long)), (told, told), "{sms}\n{email}");
            let page = now.and_then(|now| now.region_url.as_deref());
            assert!(page.is_none_or(|page| email.contains(page)), "{email}");
        }
    }
}

#[test]
fn includes_are_found() {
    assert_eq!(includes("{% include \"a.txt\" %} {%- include 'b.txt' -%} include \"c\""), ["a.txt", "b.txt"]);
}

#[test]
fn the_names_allowed_are_the_names_given() {
    let facts = samples::typical().facts;
    let given = notice_values(NoticeKind::WashNow, &facts, Language::En, Channel::Sms, Names::AsWritten);
    assert_eq!(given.into_keys().collect::<Vec<_>>(), NOTICE_NAMES);
    let bare = TransactionalFacts::of(facts.sender);
    let given = transactional_values(&bare, Language::En, Channel::Sms, Names::AsWritten);
    assert_eq!(given.into_keys().collect::<Vec<_>>(), TRANSACTIONAL_NAMES);
}

#[test]
fn a_grids_estimate_is_told_with_its_makers_and_a_stations_name_is_not() {
    let templates = Templates::load(None).unwrap();
    let mut facts = samples::typical().facts;
    let said = |facts: &NoticeFacts, language| match templates
        .render_notice(NoticeKind::GetReady, language, Channel::Email, facts)
        .unwrap()
    {
        Message::Email { text, .. } => text.split_whitespace().collect::<Vec<_>>().join(" "),
        Message::Sms { text } => panic!("{text}"),
    };
    assert!(said(&facts, Language::En).contains("At the weather station Cedar Flat the sum is now"));
    facts.grid = Some("PRISM Group, Oregon State University".into());
    let english = said(&facts, Language::En);
    assert!(english.contains("(data: PRISM Group, Oregon State University). Nobody measures there."), "{english}");
    let spanish = said(&facts, Language::Es);
    assert!(spanish.contains("(datos: PRISM Group, Oregon State University). Ahí nadie lo mide."), "{spanish}");
    assert!(!english.contains("Cedar Flat the sum") && !spanish.contains("estación Cedar Flat"));
    facts.estimated = Some(crate::message::facts::EstimatedDays { estimated: 61, days: 73 });
    let (english, spanish) = (said(&facts, Language::En), said(&facts, Language::Es));
    assert!(english.contains("61 of the season's 73 days had no value of the grid."), "{english}");
    assert!(spanish.contains("61 de los 73 días de la temporada no tienen valor de la cuadrícula."), "{spanish}");
}
