//! Each rule that `message check` keeps, broken in one file; and what the wording has to say of the insect.

use std::path::Path;

use treebell::message::{Message, Sender, Templates, check, samples};
use treebell::people::{Channel, Language};
use treebell::season::NoticeKind;

use super::{folder, sender};

/// A change of one file that breaks one rule, and how the fault begins after the file's name.
#[track_caller]
fn broken(file: &str, change: impl Fn(&str) -> String, fault: &str) {
    let before = built_in(file);
    let after = change(&before);
    assert_ne!(before, after, "the change changes nothing");
    let folder = folder(&[(file, &after)]);
    let templates = Templates::load(Some(folder.path())).unwrap();
    let faults: Vec<String> =
        check::check(&templates, &sender()).faults.iter().map(|fault| fault.what.clone()).collect();
    assert!(faults.iter().any(|what| what.starts_with(fault)), "wanted {fault:?}, found {faults:?}");
}

/// What stands in a file, what it becomes, and how the fault begins.
type Change = (&'static str, &'static str, &'static str, &'static str);

/// As [`broken`], for many changes: as many as stand in files of their own are looked at together.
#[track_caller]
fn each_is_broken(changes: &[Change]) {
    let mut left = changes.to_vec();
    while !left.is_empty() {
        let mut together: Vec<Change> = Vec::new();
        left.retain(|change| {
            let fits = together.iter().all(|other| other.0 != change.0);
            if fits {
                together.push(*change);
            }
            !fits
        });
        let files: Vec<(&str, String)> = together
            .iter()
            .map(|(file, what, with, _)| {
                let before = built_in(file);
                let after = before.replace(what, with);
                assert_ne!(before, after, "the change of {file} changes nothing");
                (*file, after)
            })
            .collect();
        let folder = folder(&files.iter().map(|(file, text)| (*file, text.as_str())).collect::<Vec<_>>());
        let templates = Templates::load(Some(folder.path())).unwrap();
        let faults = check::check(&templates, &sender()).faults;
        for (file, _, _, fault) in together {
            // A part is met in the files that include it.
            let is_here = |found: &str| found.ends_with(file) || file.ends_with(".part.txt");
            let met = faults.iter().any(|found| is_here(&found.file) && found.what.starts_with(fault));
            assert!(met, "{file}: wanted {fault:?}, found {faults:?}");
        }
    }
}

fn built_in(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/messages").join(file);
    std::fs::read_to_string(path).unwrap()
}

#[test]
fn a_text_that_is_too_long_is_a_fault() {
    broken("en/get-ready.sms.txt", |text| text.replace("Get hose", "Get a good long hose"), "takes 2 parts");
    broken("es/get-ready.sms.txt", |text| text.replace("huevos", &"huevos ".repeat(40)), "takes 3 parts");
}

#[test]
fn an_english_text_outside_the_gsm_alphabet_is_a_fault() {
    broken(
        "en/stopped.sms.txt",
        |text| text.replace("off", "õff"),
        "is to stay in the texting alphabet, which does not have `õ`",
    );
}

#[test]
fn marks_that_people_would_read_are_faults() {
    each_is_broken(&[
        ("en/help.sms.txt", "a few texts", "{region} <b>: a few texts", "has `<b>`"),
        (
            "es/help.sms.txt",
            "{{ help_contact }}",
            "{{ help_contact }} {region}",
            "has `{region}`, which people would read",
        ),
        ("en/welcome.email.txt", "Subject: ", "Subject: {x} ", "has a subject with `{x}`"),
        ("es/care.part.txt", "Use guantes", "Use <i>guantes</i>", "has `<i>`, `</i>`, which people would read"),
        ("en/washing.calendar.txt", "Then rake", "{then} rake", "has `{then}`"),
    ]);
}

#[test]
fn each_of_the_five_things_is_missed_when_it_is_gone() {
    let gone = |what: &'static str, with: &'static str| move |text: &str| text.replace(what, with);
    broken("en/get-ready.sms.txt", gone("{{ sender_short }}: ", ""), "does not say who speaks");
    broken("en/get-ready.sms.txt", gone("{{ region_name }}", "town"), "does not say where");
    broken("en/get-ready.sms.txt", gone("{{ laying_spread }}", "soon"), "does not say when");
    broken("en/get-ready.sms.txt", gone("scale eggs", "it comes"), "does not say what is happening");
    broken(
        "en/get-ready.sms.txt",
        |_| "{{ sender_short }} {{ region_name }} scale {{ laying_spread }} STOP".into(),
        "does not say what to do",
    );
    broken("es/inspect-now.sms.txt", gone("{{ region_name }}", "su zona"), "does not say where");
    broken(
        "es/last-days-to-wash.email.txt",
        |text| text.replace("{{ wash_by }}", "pronto").replace("{{ hatch_words }}", "pronto"),
        "does not say when",
    );
}

#[test]
fn the_way_to_stop_may_not_be_left_out() {
    broken("en/get-ready.sms.txt", |text| text.replace("STOP to end", "Bye"), "does not say how to stop");
    broken("es/get-ready.sms.txt", |text| text.replace("STOP para salir", "Adiós"), "does not say how to stop");
    broken("en/footer.part.txt", |text| text.replace("({{ stop_url }})", ""), "does not say how to stop");
    broken(
        "es/footer.part.txt",
        |text| text.replace("{{ postal_address }}", ""),
        "does not say your postal address: put {{ postal_address }}",
    );
    broken(
        "en/letter-footer.part.txt",
        |text| text.replace("{{ help_contact }}", ""),
        "does not say where people can ask: put {{ help_contact }}",
    );
}

#[test]
fn an_insecticide_needs_its_whole_caution_in_every_kind_of_message() {
    let fault = "speaks of insecticides without the caution: ";
    for (says, lacks) in [
        ("read and follow the label", "read and follow the label"),
        ("The label is the law.", "the label is the law"),
        ("Check your local codes first.", "local codes first"),
        ("a licensed applicator", "licensed applicators"),
        ("away from bees", "bees"),
        ("out of water", "water"),
        ("nuts", "not where nuts are gathered"),
    ] {
        let fault = format!("{fault}{lacks}");
        broken("en/insecticides.part.txt", |text| text.replace(says, ""), &fault);
    }
    for says in
        ["lea y siga la etiqueta", "la ley", "normas locales", "con licencia", "abejas", "en el agua", "piñones"]
    {
        broken("es/insecticides.part.txt", |text| text.replace(says, "x"), fault);
    }
    broken("en/look.part.txt", |text| format!("{text}\nOr spray the tree.\n"), fault);
    broken("en/too-late-to-wash.sms.txt", |text| text.replace("Washing helps", "Spray now. Washing helps"), fault);
    broken("es/washing.calendar.txt", |text| format!("{text}\nO use un insecticida.\n"), fault);
}

#[test]
fn a_missing_caution_names_the_word_that_wants_it_and_what_mends_it() {
    let word = "The word “spray” says so: where no insecticide is meant, write another one, such as “rinse” or “wash off”, \
                or add what is missing";
    let with_part = format!("{word} ({{% include \"insecticides.part.txt\" %}} brings it)");
    for (file, ending) in [("en/look.part.txt", with_part.as_str()), ("en/too-late-to-wash.sms.txt", word)] {
        let text = built_in(file).replace("Washing helps", "Spray now. Washing helps");
        let text = if file.ends_with(".part.txt") { format!("{text}\nOr spray the tree.\n") } else { text };
        let folder = folder(&[(file, &text)]);
        let templates = Templates::load(Some(folder.path())).unwrap();
        let faults = check::check(&templates, &sender()).faults;
        let told = |what: &str| what.starts_with("speaks of insecticides without") && what.ends_with(ending);
        assert!(faults.iter().any(|fault| told(&fault.what)), "{file}: {faults:?}");
    }
}

#[test]
fn washing_needs_its_cautions() {
    let fault = "speaks of washing with a strong jet without the caution: ";
    broken("en/care.part.txt", |text| text.replace("power lines", "cars"), &format!("{fault}power lines"));
    broken("en/care.part.txt", |text| text.replace("eye protection", "a hat"), &format!("{fault}eye protection"));
    broken("en/care.part.txt", |text| text.replace("pressure washer", "hammer"), &format!("{fault}no pressure washer"));
    broken(
        "en/care.part.txt",
        |text| text.replace("when it freezes", "at noon"),
        &format!("{fault}not when it freezes"),
    );
    broken("en/care.part.txt", |text| text.replace("gloves", "boots"), &format!("{fault}gloves"));
    broken("es/care.part.txt", |text| text.replace("escalera", "silla"), &format!("{fault}ladders"));
    broken("es/care.part.txt", |text| text.replace("hidrolavadora", "martillo"), &format!("{fault}no pressure washer"));
    broken("en/washing.calendar.txt", |text| text.replace("water rules", "radio"), &format!("{fault}water rules"));
    // Until no yellow eggs are left people go on washing.
    for file in ["en/too-late-to-wash.email.txt", "es/too-late-to-wash.email.txt"] {
        broken(file, |text| text.replace("{% include \"care.part.txt\" %}", ""), &format!("{fault}ladders"));
    }
}

#[test]
fn nothing_is_said_to_be_there_before_somebody_saw_it() {
    each_is_broken(&[
        ("en/inspect-now.sms.txt", "Look twice", "Eggs now. Look twice", "says `eggs now` where nobody has seen eggs"),
        (
            "en/look.part.txt",
            "Look in these",
            "It is laying. Look in these",
            "says `is laying` where nobody has seen eggs",
        ),
        ("es/inspect-now.sms.txt", "Revise", "Hay huevos. Revise", "says `hay huevos` where nobody has seen eggs"),
        (
            "es/look.part.txt",
            "Busque en",
            "Está poniendo. Busque en",
            "says `está poniendo` where nobody has seen eggs",
        ),
        ("en/welcome.email.txt", "How to stop", "There are eggs now", "says `eggs now` where nobody has seen eggs"),
        (
            "en/too-late-to-wash.email.txt",
            "Not sure?",
            "The eggs are hatching.",
            "says `eggs are hatching` where nobody has seen the hatch",
        ),
    ]);
    // Where nobody saw anything no wording of ours says so; where somebody did, it may.
    let templates = Templates::load(None).unwrap();
    for sample in samples::all() {
        for channel in Channel::ALL {
            let kind = NoticeKind::InspectNow;
            let english = text_of(&templates.render_notice(kind, Language::En, channel, &sample.facts).unwrap());
            let spanish = text_of(&templates.render_notice(kind, Language::Es, channel, &sample.facts).unwrap());
            let seen = sample.facts.basis == treebell::message::Basis::Seen;
            assert_eq!(english.contains("eggs seen"), seen, "{english}");
            assert_eq!(
                spanish.contains("huevos vistos") || spanish.contains("huevos de escama vistos"),
                seen,
                "{spanish}"
            );
        }
    }
}

fn text_of(message: &Message) -> String {
    match message {
        Message::Sms { text } => text.clone(),
        Message::Email { subject, text, .. } => format!("{subject}\n{text}"),
    }
}

#[test]
fn each_kind_has_to_say_its_own() {
    let (beans, not_yet) = ("does not say how to see whether a tree has", "does not say not to wash yet, unless");
    let (deadline, before) = ("does not say the last day to wash", "does not say what the last day was before");
    let (why, raking) = ("does not say why the last day has moved", "does not say to rake and to bag");
    each_is_broken(&[
        ("en/get-ready.sms.txt", "older needles", "needles", beans),
        ("es/beans.part.txt", "frijolitos", "puntos", beans),
        ("en/inspect-now.sms.txt", "No wash till {{ best_first }} unless all white", "Hose it off", not_yet),
        ("es/inspect-now.email.txt", "No lave todavía, salvo", "Lave, cuando", not_yet),
        ("en/inspect-now.email.txt", "twice a week", "now and then", "does not say to look twice a week"),
        ("es/inspect-now.sms.txt", "{{ best_first }}", "pronto", "does not say when the best days begin"),
        (
            "en/inspect-now.sms.txt",
            "till {{ best_first }}",
            "till {{ best_first }} to {{ wash_by }}",
            "says the deadline",
        ),
        ("en/wash-now.sms.txt", "by {{ wash_by }}", "soon", deadline),
        ("es/last-days-to-wash.email.txt", "{{ wash_by }}", "pronto", deadline),
        ("en/deadline-moved.sms.txt", "{{ wash_by }}", "then", deadline),
        ("en/deadline-moved.sms.txt", ", was {{ wash_by_was }}", "", before),
        ("es/deadline-moved.email.txt", " Antes era el {{ wash_by_was }}.", "", before),
        ("en/deadline-moved.sms.txt", "Cool weather", "It", why),
        ("es/deadline-moved.sms.txt", "Por el calor", "Ahora", why),
        ("en/deadline-moved.email.txt", "What people saw", "What is known", why),
        ("en/wash-now.sms.txt", "rake, bag by", "by", raking),
        ("es/last-days-to-wash.sms.txt", "rastrille, embolse", "termine", raking),
        ("en/inspect-now.sms.txt", "rake, bag by", "by", raking),
        ("en/last-days-to-wash.sms.txt", "SAME day", "soon", "does not say to rake on the same day"),
        ("es/wash-now.sms.txt", " desde el suelo", "", "does not say to wash from the ground, or where"),
        ("en/too-late-to-wash.sms.txt", "helps less each day", "is over", "does not say that washing helps less"),
        ("es/welcome.sms.txt", "{{ now_wash_by }}", "pronto", "does not say the deadline of the notice in force"),
    ]);
}

// What a forester would sign; the sources stand in the files. "Piñonero", since "pino" is any pine.
#[test]
fn the_biology_is_as_foresters_have_it() {
    let messages = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/messages");
    let read = |name: &str| std::fs::read_to_string(messages.join(name)).unwrap();
    let flat = |name: &str| read(name).split_whitespace().collect::<Vec<_>>().join(" ");
    for (file, says) in [
        ("en/beans.part.txt", "Look at the older needles"),
        ("en/beans.part.txt", "Do not look at the last growth at the very tips"),
        ("en/beans.part.txt", "shed older needles late in winter and in spring"),
        ("en/beans.part.txt", "normal drop of old needles comes in autumn"),
        ("en/beans.part.txt", "nothing to do this year"),
        ("en/wash.part.txt", "A broom or brush helps under the branches"),
        ("en/wash.part.txt", "tie the bags shut"),
        ("en/wash.part.txt", "in the trash, never on the compost or in the woods"),
        ("en/care.part.txt", "Dampen the litter before you rake"),
        ("en/look.part.txt", "Old cotton is gray"),
        ("en/look.part.txt", "pitch"),
        ("en/look.part.txt", "webs"),
        ("en/call.part.txt", "pitch tubes"),
        ("en/last-days-to-wash.email.txt", "7 to 10 days"),
        ("es/beans.part.txt", "Mire las agujas viejas"),
        ("es/beans.part.txt", "no hay nada que hacer"),
        ("es/wash.part.txt", "nunca a la composta ni al monte"),
        ("es/care.part.txt", "Moje la hojarasca antes de rastrillar"),
        ("es/look.part.txt", "telarañas"),
        ("es/last-days-to-wash.email.txt", "7 a 10 días"),
    ] {
        assert!(flat(file).contains(says), "{file} does not say {says:?}");
    }
    for file in std::fs::read_dir(messages.join("es")).unwrap() {
        let path = file.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap().to_lowercase();
        let mut words = text.split(|c: char| !c.is_alphabetic());
        assert!(!words.any(|word| word == "pino" || word == "pinos"), "{}", path.display());
    }
}

#[test]
fn once_a_message_it_says_that_nobody_has_measured_the_number() {
    let templates = Templates::load(None).unwrap();
    for sample in samples::all().iter().filter(|sample| sample.facts.provisional) {
        for kind in NoticeKind::ALL {
            for (language, says) in [(Language::En, "No one has measured"), (Language::Es, "Nadie ha medido")] {
                let message = templates.render_notice(kind, language, Channel::Email, &sample.facts).unwrap();
                assert_eq!(text_of(&message).matches(says).count(), 1, "{} {}", kind.name(), sample.name);
            }
        }
    }
}

#[test]
fn a_text_says_too_that_nobody_has_measured_the_number_and_that_the_bark_decides() {
    let measured = "does not say that nobody has measured the number";
    each_is_broken(&[
        ("en/get-ready.sms.txt", "A guess; bark decides", "Soon", measured),
        ("en/inspect-now.sms.txt", "(a guess; bark decides)", "", measured),
        ("en/wash-now.sms.txt", "a guess; bark decides", "a guess", measured),
        ("en/deadline-moved.sms.txt", "a guess; bark decides", "bark decides", measured),
        ("en/last-days-to-wash.sms.txt", "(a guess; bark decides)", "", measured),
        ("en/too-late-to-wash.sms.txt", "(a guess; bark decides)", "", measured),
        ("es/get-ready.sms.txt", "sin medir; ", "", measured),
        ("es/inspect-now.sms.txt", "; manda la corteza", "", measured),
        ("es/deadline-moved.sms.txt", "Sin medir; manda la corteza", "", measured),
        ("es/too-late-to-wash.sms.txt", "; manda la corteza)", ")", measured),
        ("es/basis.part.txt", "Nadie ha medido", "No se sabe", measured),
    ]);
}

/// The day then lies behind the early bound of the hatch: mails say so, as the page does.
#[test]
fn where_the_least_days_make_the_deadline_mails_say_what_that_means() {
    let templates = Templates::load(None).unwrap();
    let page = |language: &str| {
        let path = format!("{}/src/web/words/{language}/region.toml", env!("CARGO_MANIFEST_DIR"));
        let words: toml::Table = std::fs::read_to_string(path).unwrap().parse().unwrap();
        words["rules"]["least-days"].as_str().unwrap().split_once(". ").unwrap().1.to_owned()
    };
    for sample in samples::all() {
        let Some(days) = sample.facts.days else { continue };
        let least = days.rule == treebell::season::window::DeadlineRule::LeastDays;
        for kind in [NoticeKind::WashNow, NoticeKind::DeadlineMoved, NoticeKind::LastDaysToWash] {
            for language in Language::ALL {
                let message = templates.render_notice(kind, language, Channel::Email, &sample.facts).unwrap();
                let text = text_of(&message).split_whitespace().collect::<Vec<_>>().join(" ");
                assert_eq!(text.contains(&page(language.code())), least, "{} {}: {text}", kind.name(), sample.name);
            }
        }
    }
    let fault = "does not say that the first eggs may";
    broken("en/deadline.part.txt", |text| text.replace("hatch before", "hatch by"), fault);
    broken("es/deadline.part.txt", |text| text.replace("nacer antes", "nacer"), fault);
}

/// What a wash takes, what a second one adds and what each later day costs, in the mails on which owners act.
#[test]
fn mails_tell_what_washing_takes() {
    let templates = Templates::load(None).unwrap();
    for sample in samples::all() {
        for kind in NoticeKind::ALL {
            let tells = !matches!(kind, NoticeKind::GetReady | NoticeKind::TooLateToWash);
            for (language, one, second, loss) in [
                (Language::En, "takes off about {} of 100 eggs", "takes off up to {} more", "costs {} of those 100"),
                (Language::Es, "quita unos {} de cada 100", "quita hasta {} m\u{e1}s", "cuesta {} de esos 100"),
            ] {
                let message = templates.render_notice(kind, language, Channel::Email, &sample.facts).unwrap();
                let text = text_of(&message).split_whitespace().collect::<Vec<_>>().join(" ");
                let wash = sample.facts.wash.filter(|_| tells);
                let said = |words: &str, value: String| text.contains(&words.replace("{}", &value));
                let at = format!("{} {}: {text}", kind.name(), sample.name);
                let Some(wash) = wash else {
                    assert!(!text.contains("of those 100") && !text.contains("de esos 100"), "{at}");
                    continue;
                };
                let lost = treebell::season::phrases::eggs_lost(language, wash.daily_loss);
                assert!(said(one, wash.takes.to_string()) && said(loss, lost), "{at}");
                let (before, after) = second.split_once("{}").unwrap();
                match wash.second {
                    Some(adds) => assert!(said(second, adds.to_string()), "{at}"),
                    None => assert!(!(text.contains(before) && text.contains(after)), "{at}"),
                }
            }
        }
    }
}

#[test]
fn thresholds_that_are_provisional_are_called_so() {
    broken(
        "en/basis.part.txt",
        |text| text.replace("provisional:", "fine:"),
        "does not say that the thresholds are provisional",
    );
}

#[test]
fn hard_words_and_long_sentences_are_faults() {
    let english = "Subsequently, conscientious proprietors of ornamental conifers ought immediately to undertake \
        comprehensive examination of individual specimens, particularly considering infestation characteristics";
    broken(
        "en/get-ready.email.txt",
        |text| format!("{text}\n{}.\n", [english; 12].join(" and ")),
        "reads too hard: Flesch-Kincaid",
    );
    let spanish = "Posteriormente, los propietarios responsables deberían inmediatamente emprender exhaustivas \
        inspecciones fitosanitarias individualizadas considerando particularmente características epidemiológicas";
    broken(
        "es/get-ready.email.txt",
        |text| format!("{text}\n{}.\n", [spanish; 12].join(" y ")),
        "reads too hard: Fernández-Huerta",
    );
}

#[test]
fn a_name_that_only_one_language_uses_is_a_fault() {
    broken(
        "en/inspect-now.sms.txt",
        |text| text.replace("{{ wash_by }}", "{{ hatch_likely }}"),
        "leaves out what the Spanish words tell: {{ wash_by }} (the last day to wash)",
    );
    broken(
        "es/footer.part.txt",
        |text| text.replace("{{ season }}", ""),
        "leaves out what the English words tell: {{ season }} (the year of the season)",
    );
}

#[test]
fn a_subject_that_is_too_long_is_a_fault() {
    broken(
        "es/inspect-now.email.txt",
        |text| text.replace("Revise piñoneros", "Por favor revise usted sus piñoneros"),
        "has a subject of ",
    );
}

#[test]
fn a_short_sender_name_that_is_too_long_is_a_fault() {
    let sender = Sender { short: "Upland State Extension".into(), ..sender() };
    let faults = check::check(&Templates::load(None).unwrap(), &sender).faults;
    let wanted = "messages.sender_short: `Upland State Extension` has 22 characters, at most 14 fit";
    assert!(faults.iter().any(|fault| fault.to_string() == wanted), "{faults:?}");
}
