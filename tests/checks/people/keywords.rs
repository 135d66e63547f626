//! What texts from phones mean. The sentences were written for this check; the keyword lists are those that providers
//! publish, with Spanish counterparts.

use std::collections::BTreeSet;

use treebell::people::Language;
use treebell::people::keywords::{Meaning, ScaleAnswer, help_and_start_words, read, stop_words};

/// Ways in which the same word comes.
fn variants(word: &str) -> BTreeSet<String> {
    let title: String =
        word.chars().enumerate().map(|(at, c)| if at == 0 { c.to_ascii_uppercase() } else { c }).collect();
    let wide: String = word
        .chars()
        .map(|c| if c.is_ascii_lowercase() { char::from_u32(c as u32 + 0xFEE0).unwrap() } else { c })
        .collect();
    let accented: String = word
        .chars()
        .map(|c| match c {
            'a' => 'á',
            'e' => 'é',
            'o' => 'ó',
            other => other,
        })
        .collect();
    let mixed: String =
        word.chars().enumerate().map(|(at, c)| if at % 2 == 0 { c.to_ascii_uppercase() } else { c }).collect();
    let mut all = BTreeSet::new();
    for form in [word.to_owned(), word.to_uppercase(), title, wide, accented, mixed] {
        for (before, after) in [
            ("", ""),
            (" ", " "),
            ("", "."),
            ("", "!"),
            ("", "!!!"),
            ("\"", "\""),
            ("'", "'"),
            ("", "\r\n"),
            ("", " 🙏"),
            ("🛑 ", ""),
            ("", " please"),
            ("", " por favor"),
            ("Please ", ""),
            ("¡", "!"),
            ("", " thanks"),
            ("", ", gracias"),
            ("", " ya"),
            ("\u{200B}", "\u{200B}"),
            ("(", ")"),
            ("", " now!"),
            ("ok ", ""),
            ("*", "*"),
        ] {
            all.insert(format!("{before}{form}{after}"));
        }
    }
    all
}

#[test]
fn every_form_of_every_stop_word_opts_out_and_help_and_start_never_do() {
    let (mut stops, mut others) = (0, 0);
    let mut missed = Vec::new();
    for word in stop_words() {
        for text in variants(word) {
            stops += 1;
            if read(&text).meaning != Meaning::Stop {
                missed.push(text);
            }
        }
    }
    assert!(missed.is_empty(), "{} of {stops} missed: {:?}", missed.len(), &missed[..missed.len().min(20)]);
    let mut wrong = Vec::new();
    for word in help_and_start_words() {
        for text in variants(word) {
            others += 1;
            let meaning = read(&text).meaning;
            if !matches!(meaning, Meaning::Help | Meaning::Start) {
                wrong.push((text, meaning));
            }
        }
    }
    assert!(wrong.is_empty(), "{} of {others} wrong: {:?}", wrong.len(), &wrong[..wrong.len().min(20)]);
    assert!(stops >= 5000, "{stops}");
    println!("{stops} stop forms, {others} help and start forms");
}

const OPT_OUT: &[&str] = &[
    "please stop texting me",
    "Stop texting me!!",
    "stop sending me these",
    "can you stop?",
    "can you please stop this",
    "I want to stop",
    "i said STOP",
    "how do I stop these texts?",
    "How do i unsubscribe",
    "take me off the list",
    "Take me off your list please",
    "please take my number off",
    "remove me",
    "remove me from this list",
    "Remove my number",
    "pls remove this number from your list",
    "delete my number",
    "delete me from your system",
    "lose my number",
    "leave me alone",
    "no more texts",
    "No more messages please",
    "no more",
    "I don't want these",
    "I don't want any more texts",
    "dont text me",
    "don’t text me again",
    "do not text this number",
    "Do not contact me again",
    "don't message me anymore",
    "please don't send me anything else",
    "don't call or text",
    "never text me again",
    "not interested",
    "I'm not interested thanks",
    "I no longer want these messages",
    "no longer interested",
    "I no longer wish to receive these",
    "wrong number",
    "You have the wrong number",
    "wrong person",
    "this is not my number anymore, stop",
    "unsubscribe me",
    "UNSUBSCRIBE ME NOW",
    "I'd like to unsubscribe",
    "cancel my subscription",
    "please cancel",
    "Cancel these alerts",
    "I would like to cancel this",
    "opt me out",
    "I am opting out",
    "I want to opt out",
    "opt-out",
    "OPT OUT PLEASE",
    "quit texting me",
    "quit it",
    "please quit",
    "end this",
    "end my subscription",
    "END TEXTS",
    "i want out",
    "get me off this list",
    "get me off",
    "go away",
    "knock it off",
    "I never signed up for this",
    "I didn't sign up for this",
    "never asked for this",
    "I did not ask for these",
    "this is spam",
    "you are spamming me",
    "I'm going to report you",
    "reporting you for harassment",
    "this is harassment",
    "enough already",
    "I've had enough of this",
    "too many texts",
    "I'm done",
    "turn off these alerts",
    "please discontinue",
    "cease and desist",
    "I withdraw my consent",
    "I revoke my consent",
    "we moved away, no need",
    "we sold the house, please stop",
    "no thanks",
    "No thank you",
    "block you now",
    "stop stop stop",
    "S T O P",
    "S.T.O.P.",
    "stooop",
    "STOPPP",
    "sotp",
    "st0p",
    "STOP ALL",
    "stop-all",
    "when will you stop texting me?",
    "why dont you stop",
    "stop with the bugs already",
    "i dont have pinyons anymore, stop the messages",
    "Stop the notices about scale",
    "don't send me bug messages",
    "help me stop these texts",
    "help, I want to unsubscribe",
    "no me manden mas mensajes",
    "No me manden más mensajes por favor",
    "no me envíen mensajes",
    "ya no me envien nada",
    "no me escriban",
    "ya no quiero mensajes",
    "No quiero más avisos",
    "no quiero esto",
    "ya no quiero",
    "quiero darme de baja",
    "Denme de baja",
    "deme de baja por favor",
    "dar de baja",
    "quiero cancelar",
    "cancelen mi suscripción",
    "cancele los avisos",
    "quítenme de la lista",
    "Quíteme de su lista",
    "sáquenme de esta lista",
    "saquen mi numero",
    "bórrenme",
    "borren mi número por favor",
    "eliminen mi numero",
    "eliminenme de la lista",
    "dejen de mandar mensajes",
    "deje de escribirme",
    "Dejen de molestar",
    "déjenme en paz",
    "no me molesten más",
    "no me interesa",
    "No estoy interesada",
    "no me llamen",
    "número equivocado",
    "Numero equivocado, no soy yo",
    "persona equivocada",
    "no es mi numero",
    "yo no pedí esto",
    "nunca me inscribí",
    "no más mensajes",
    "no mas",
    "ya basta",
    "basta de mensajes",
    "demasiados mensajes",
    "muchos mensajes, paren",
    "paren ya",
    "pare por favor",
    "alto por favor",
    "ALTO",
    "quiero salir de la lista",
    "quiero salirme",
    "no gracias",
    "es spam",
    "esto es acoso",
    "detengan los mensajes",
    "me mudé, no manden",
    "retiro mi consentimiento",
    "no deseo recibir avisos",
    "no necesito estos mensajes",
    "terminen con esto",
    "desuscribirme",
    "favor de cancelar",
    "Our trees burned. Please stop.",
    "we have no pinyons any more, please stop",
    "The bugs are gone!\nSTOP",
    "Ya no tenemos pinos. ¡Alto, por favor!",
];

const NOT_OPT_OUT: &[&str] = &[
    "when does it stop?",
    "When will it stop",
    "when does the window end?",
    "the bugs won't stop",
    "the scale won't quit spreading",
    "will washing stop the scale?",
    "how long until the eggs stop hatching?",
    "why does the sap not stop dripping?",
    "where do I buy a nozzle",
    "is it too late to wash?",
    "I saw eggs on two trees",
    "lots of eggs here",
    "no eggs yet",
    "not yet",
    "I don't see eggs",
    "thank you so much",
    "Thanks!",
    "ok",
    "great, got it",
    "please don't stop",
    "don't stop the texts, I like them",
    "do not cancel my subscription",
    "please keep sending",
    "help",
    "HELP please",
    "help me",
    "info",
    "who is this?",
    "start",
    "START again please",
    "sign me up",
    "join",
    "yes",
    "yes please",
    "y",
    "00123",
    "join 00123",
    "my zip is 00123",
    "123456",
    "1",
    "2",
    "3",
    "the end of the branch is white",
    "what is the weekend forecast",
    "my trees look bad this weekend",
    "should I remove the needles?",
    "do I rake and bag it",
    "the tree by the bus lot is dead",
    "hose does not reach the top",
    "¿cuándo termina?",
    "cuando paran los bichos",
    "los bichos no paran",
    "¿por qué no paran las escamas?",
    "vi huevos en dos pinos",
    "hay huevos",
    "no hay huevos",
    "todavía no",
    "no revisé",
    "gracias",
    "muchas gracias",
    "sí",
    "si por favor",
    "ayuda",
    "AYUDA por favor",
    "información",
    "¿quién es?",
    "alta 00123",
    "quiero recibir avisos 00123",
    "mi pino es muy alto",
    "el pino alto de la casa está seco",
    "comenzar",
    "no paren, me gustan los avisos",
    "no me quiten de la lista",
    "el agua no llega arriba",
    "¿es tarde para lavar?",
    "bajo el árbol hay agujas",
    "hola",
    "buenos días",
];

#[test]
fn free_wording_is_read_as_a_person_would_read_it() {
    assert!(OPT_OUT.len() + NOT_OPT_OUT.len() >= 150);
    let missed: Vec<_> = OPT_OUT.iter().filter(|text| read(text).meaning != Meaning::Stop).collect();
    let false_ones: Vec<_> = NOT_OPT_OUT.iter().filter(|text| read(text).meaning == Meaning::Stop).collect();
    let recall = 100.0 * (OPT_OUT.len() - missed.len()) as f64 / OPT_OUT.len() as f64;
    println!("recall {recall:.1} % of {}, {} of {} false", OPT_OUT.len(), false_ones.len(), NOT_OPT_OUT.len());
    assert!(recall >= 98.0, "{recall:.1} %: {missed:?}");
    assert!(false_ones.len() * 100 <= 2 * NOT_OPT_OUT.len(), "{false_ones:?}");
}

#[test]
fn everything_else_is_told_apart() {
    let zip = |codes: &[&str]| Meaning::Zips(codes.iter().map(|code| super::zip(code)).collect());
    let (en, es) = (Some(Language::En), Some(Language::Es));
    for (text, meaning, language) in [
        ("00123", zip(&["00123"]), None),
        (" 00123-4567 ", zip(&["00123"]), None),
        ("JOIN 00123", zip(&["00123"]), en),
        ("my zip code is 00123", zip(&["00123"]), en),
        ("Alta 00123", zip(&["00123"]), es),
        ("codigo postal 00123 por favor", zip(&["00123"]), es),
        ("00123 and 00124", zip(&["00123", "00124"]), None),
        ("YES", Meaning::Yes, en),
        ("Sí", Meaning::Yes, es),
        ("si, por favor", Meaning::Yes, es),
        ("Yes!", Meaning::Yes, en),
        ("no", Meaning::No, None),
        ("Help", Meaning::Help, en),
        ("AYUDA", Meaning::Help, es),
        ("?", Meaning::Help, None),
        ("START", Meaning::Start, en),
        ("UNSTOP", Meaning::Start, None),
        ("123456", Meaning::Code("123456".into()), None),
        ("123 456", Meaning::Code("123456".into()), None),
        ("my code is 123456", Meaning::Code("123456".into()), en),
        ("1", Meaning::ScaleAnswer(ScaleAnswer::Eggs, None), None),
        ("2.", Meaning::ScaleAnswer(ScaleAnswer::None, None), None),
        ("3", Meaning::ScaleAnswer(ScaleAnswer::NotLooked, None), None),
        ("1 lots on the big one", Meaning::ScaleAnswer(ScaleAnswer::Eggs, None), en),
        ("no eggs", Meaning::ScaleAnswer(ScaleAnswer::None, None), en),
        ("sin huevos", Meaning::ScaleAnswer(ScaleAnswer::None, None), es),
        ("no revisé", Meaning::ScaleAnswer(ScaleAnswer::NotLooked, None), None),
        ("4", Meaning::ScaleAnswer(ScaleAnswer::Crawlers, None), None),
        ("10", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(0)), None),
        ("1 0", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(0)), None),
        ("1,0", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(0)), None),
        ("1-3", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(3)), None),
        ("2/9 thanks", Meaning::ScaleAnswer(ScaleAnswer::None, Some(9)), en),
        ("10=eggs today", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(0)), en),
        ("1 3 days ago", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(3)), None),
        ("eggs yesterday", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(1)), en),
        ("3 days ago I saw eggs", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(3)), en),
        ("Ayer no vi huevos", Meaning::ScaleAnswer(ScaleAnswer::None, Some(1)), es),
        ("hace 3 días vi huevos", Meaning::ScaleAnswer(ScaleAnswer::Eggs, Some(3)), es),
        ("ya nacieron", Meaning::ScaleAnswer(ScaleAnswer::Crawlers, None), es),
        ("32", Meaning::ScaleAnswer(ScaleAnswer::NotLooked, None), None),
        // A number that may be of anything is no day, and one that nothing stands for is no answer.
        ("1 2 trees have it", Meaning::ScaleAnswer(ScaleAnswer::Eggs, None), None),
        ("12 trees have it", Meaning::Other, None),
        ("2 days ago we walked by", Meaning::Other, None),
        ("50", Meaning::Other, None),
        ("103", Meaning::Other, None),
        ("", Meaning::Other, None),
        ("🌲", Meaning::Other, None),
        ("my tree looks sad", Meaning::Other, en),
    ] {
        let read = read(text);
        assert_eq!(read.meaning, meaning, "{text}");
        assert_eq!(read.language, language, "{text}");
    }
}

// A phone cuts a long text into as many as 255 parts, and a stop may stand in the last.
#[test]
fn a_stop_at_the_end_of_the_longest_text_is_seen() {
    let story = "we moved here in the spring and like the place a lot ".repeat(735);
    let text = format!("{story} unsubscribe");
    assert!((38_900..=39_015).contains(&text.chars().count()), "{}", text.chars().count());
    assert_eq!(read(&text).meaning, Meaning::Stop);
    assert_eq!(read(&story).meaning, Meaning::Other);
}

#[test]
fn no_text_makes_the_reader_fall_over() {
    for text in ["\0", "ﷺ", "STOP".repeat(5000).as_str(), &"a ".repeat(100_000), "\u{202E}pots", "e\u{301}\u{301}"] {
        let _ = read(text);
    }
}
