//! What a text from a phone means, in English and Spanish.
//!
//! The rule: **who may want out is let out.** A word of the stop family opts out wherever it stands in a sentence, and so
//! does every usual way of saying "no more". Only three things are not taken for it: a question of time ("when does it
//! stop?"), a sentence about the insect or the tree alone ("the bugs won't stop"), and the plain opposite ("please don't
//! stop"). A text that begins with HELP or START and holds no stop word never opts out.
//!
//! The words are the union of those that providers and carriers name (Twilio, AWS, Telnyx, CTIA, 47 CFR 64.1200(a)(10)) and
//! their Spanish counterparts. Case, accents, punctuation, pictures, letters in other widths and letters held down too long
//! make no difference.

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

use super::{Language, Zip};

/// What somebody wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meaning {
    Stop,
    /// To begin, or to come back.
    Start,
    Yes,
    No,
    Help,
    /// Where their trees are, which is how one joins.
    Zips(Vec<Zip>),
    /// Six digits.
    Code(String),
    /// The answer to "what did you see?".
    Saw(Saw),
    Other,
}

/// Answers to the question that follows a notice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Saw {
    Eggs,
    None,
    NotLooked,
}

impl Saw {
    pub const ALL: [Saw; 3] = [Saw::Eggs, Saw::None, Saw::NotLooked];

    pub fn name(self) -> &'static str {
        match self {
            Saw::Eggs => "eggs",
            Saw::None => "none",
            Saw::NotLooked => "not-looked",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|saw| saw.name() == name)
    }
}

impl Meaning {
    /// For the log and the record: never the words themselves.
    pub fn name(&self) -> &'static str {
        match self {
            Meaning::Stop => "stop",
            Meaning::Start => "start",
            Meaning::Yes => "yes",
            Meaning::No => "no",
            Meaning::Help => "help",
            Meaning::Zips(_) => "zip",
            Meaning::Code(_) => "code",
            Meaning::Saw(_) => "saw",
            Meaning::Other => "other",
        }
    }
}

/// A meaning and the language it was said in, where that shows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Read {
    pub meaning: Meaning,
    pub language: Option<Language>,
}

/// The longest text that a phone can send has 255 parts of 153 characters; what stands further back is not looked at.
const LONGEST: usize = 255 * 153;

/// Opt out alone, or with courtesy around them.
const STOP_ALONE: &[&str] = &[
    "stop",
    "stopall",
    "stop all",
    "end",
    "quit",
    "cancel",
    "unsubscribe",
    "unsub",
    "optout",
    "opt out",
    "revoke",
    "remove",
    "td",
    "arret",
    "halt",
    "off",
    "out",
    "delete",
    "leave",
    "enough",
    "exit",
    "finish",
    "sotp",
    "stpo",
    "tsop",
    "stp",
    "st0p",
    "stop it",
    "unsubcribe",
    "unsuscribe",
    "unsubscibe",
    "cancle",
    "alto",
    "parar",
    "pare",
    "paren",
    "para",
    "para ya",
    "baja",
    "cancelar",
    "cancela",
    "cancele",
    "cancelen",
    "cancelo",
    "detener",
    "detenga",
    "detengan",
    "detente",
    "terminar",
    "termina",
    "termine",
    "terminen",
    "salir",
    "fin",
    "basta",
    "borrar",
    "borrame",
    "borreme",
    "borrenme",
    "eliminar",
    "eliminame",
    "eliminenme",
    "quitar",
    "quitame",
    "quiteme",
    "quitenme",
    "sacame",
    "saqueme",
    "saquenme",
    "desuscribir",
    "desuscribirme",
    "desinscribir",
    "renunciar",
    "revocar",
    "no mas",
    "ya no",
    "dejar",
    "dejen",
];

/// Opt out wherever they stand.
const STOP_ANYWHERE: &[&str] = &[
    "stop",
    "stopall",
    "stopp",
    "stops",
    "unsubscribe",
    "unsubscribed",
    "unsubscribing",
    "unsub",
    "optout",
    "opt out",
    "opt me out",
    "opting out",
    "opted out",
    "cancel",
    "canceling",
    "cancelling",
    "cancellation",
    "quit",
    "revoke",
    "revoking",
    "sotp",
    "stpo",
    "st0p",
    "unsubcribe",
    "unsuscribe",
    "unsubscibe",
    "cancle",
    "cancelar",
    "cancela",
    "cancele",
    "cancelen",
    "cancelenme",
    "cancelo",
    "cancelacion",
    "desuscribir",
    "desuscribirme",
    "desuscriban",
    "desuscribanme",
    "desinscribir",
    "desinscribirme",
    "de baja",
    "darme de baja",
    "detener",
    "detenga",
    "detengan",
    "parar",
    "paren",
    "revocar",
    "revoco",
    "stop texting",
    "stop sending",
];

/// Usual ways of saying it; each is words in this order, with at most two others between them.
const STOP_SAID: &[&str] = &[
    "take me off",
    "take my number off",
    "get me off",
    "off the list",
    "off your list",
    "off this list",
    "off my phone",
    "remove me",
    "remove my number",
    "remove my name",
    "remove this number",
    "remove from list",
    "delete me",
    "delete my number",
    "delete this number",
    "erase my number",
    "lose my number",
    "lose this number",
    "leave me alone",
    "leave alone",
    "no more text",
    "no more texts",
    "no more message",
    "no more messages",
    "no more msgs",
    "no more notices",
    "no more alerts",
    "no more sms",
    "no more of these",
    "no more of this",
    "no more please",
    "no more",
    "no texts",
    "no messages",
    "dont text",
    "do not text",
    "dont txt",
    "do not txt",
    "dont message",
    "do not message",
    "dont contact",
    "do not contact",
    "dont send",
    "do not send",
    "dont write",
    "do not write",
    "dont call",
    "do not call",
    "dont bother",
    "do not bother",
    "dont want",
    "do not want",
    "dont wish",
    "do not wish",
    "dont need",
    "do not need",
    "dont like these",
    "dont care for these",
    "dont sign me up",
    "never text",
    "never message",
    "never contact",
    "never send",
    "never signed up",
    "never asked for",
    "did not ask for",
    "didnt ask for",
    "did not sign up",
    "didnt sign up",
    "dont remember signing up",
    "no longer want",
    "no longer wish",
    "no longer need",
    "no longer interested",
    "not interested",
    "not want",
    "wont need",
    "want out",
    "let me out",
    "want off",
    "wrong number",
    "wrong person",
    "not my number",
    "go away",
    "knock it off",
    "cut it out",
    "quit texting",
    "cease",
    "desist",
    "discontinue",
    "end texts",
    "end these",
    "end this",
    "end messages",
    "end my",
    "end subscription",
    "turn off",
    "shut off",
    "switch off",
    "im done",
    "i am done",
    "im out",
    "i am out",
    "had enough",
    "enough of",
    "enough texts",
    "too many texts",
    "too many messages",
    "this is spam",
    "its spam",
    "it is spam",
    "spamming",
    "harassing",
    "harassment",
    "reporting you",
    "report you",
    "block you",
    "blocking you",
    "no thanks",
    "no thank you",
    "please end",
    "make it end",
    "withdraw my consent",
    "withdraw consent",
    "i withdraw",
    "moved away",
    "sold the house",
    "sold my house",
    "no me manden",
    "no me mande",
    "no me mandes",
    "no me envien",
    "no me envie",
    "no me envies",
    "no manden",
    "no mande",
    "no envien",
    "no envie",
    "no me escriban",
    "no me escriba",
    "no me escribas",
    "no escriban",
    "no me contacten",
    "no me contacte",
    "no contacten",
    "no me llamen",
    "no me llame",
    "no me molesten",
    "no me moleste",
    "no molesten",
    "no quiero",
    "no los quiero",
    "no deseo",
    "no necesito",
    "no me interesa",
    "no me interesan",
    "no estoy interesado",
    "no estoy interesada",
    "ya no quiero",
    "ya no deseo",
    "ya no necesito",
    "ya no me",
    "no mas mensajes",
    "no mas textos",
    "no mas avisos",
    "no mas",
    "ni un mensaje mas",
    "no gracias",
    "deje de",
    "dejen de",
    "deja de",
    "dejar de",
    "dejeme en paz",
    "dejenme en paz",
    "dejame en paz",
    "en paz",
    "quiteme",
    "quitenme",
    "quitame",
    "quiten mi numero",
    "quite mi numero",
    "quitar mi numero",
    "quitar de la lista",
    "saqueme",
    "saquenme",
    "sacame",
    "saquen mi numero",
    "sacar de la lista",
    "fuera de la lista",
    "borreme",
    "borrenme",
    "borrame",
    "borre mi numero",
    "borren mi numero",
    "borrar mi numero",
    "elimineme",
    "eliminenme",
    "eliminame",
    "eliminen mi numero",
    "elimine mi numero",
    "eliminar mi numero",
    "deme de baja",
    "denme de baja",
    "dame de baja",
    "dar de baja",
    "numero equivocado",
    "persona equivocada",
    "no es mi numero",
    "no pedi",
    "yo no pedi",
    "nunca pedi",
    "no me inscribi",
    "nunca me inscribi",
    "no me suscribi",
    "es spam",
    "son spam",
    "acoso",
    "ya basta",
    "basta de",
    "basta ya",
    "demasiados mensajes",
    "demasiados textos",
    "muchos mensajes",
    "quiero salir",
    "quiero salirme",
    "salirme",
    "terminen",
    "ya vendi la casa",
    "me mude",
    "retiro mi consentimiento",
];

const START: &[&str] = &[
    "start",
    "unstop",
    "resume",
    "restart",
    "start again",
    "begin",
    "join",
    "signup",
    "sign up",
    "sign me up",
    "subscribe",
    "resubscribe",
    "comenzar",
    "comience",
    "empezar",
    "iniciar",
    "inicio",
    "reanudar",
    "reiniciar",
    "volver",
    "regresar",
    "alta",
    "inscribir",
    "inscribirme",
    "inscribame",
    "suscribir",
    "suscribirme",
    "suscribame",
    "unirme",
    "unirse",
    "registrarme",
    "optin",
    "opt in",
];
const YES: &[&str] = &[
    "yes",
    "y",
    "yeah",
    "yep",
    "yup",
    "ok",
    "okay",
    "sure",
    "confirm",
    "confirmed",
    "agree",
    "i agree",
    "yes i do",
    "yes i want",
    "accept",
    "si",
    "s",
    "claro",
    "confirmar",
    "confirmo",
    "acepto",
    "de acuerdo",
    "si quiero",
    "sip",
];
const NO: &[&str] = &["no", "nope", "n", "nah"];
const HELP: &[&str] = &[
    "help",
    "info",
    "information",
    "support",
    "helpme",
    "ayuda",
    "ayudar",
    "ayudame",
    "informacion",
    "auxilio",
    "soporte",
    "who is this",
    "whos this",
    "what is this",
    "quien es",
    "quien habla",
    "que es esto",
];
const SAW_EGGS: &[&str] = &[
    "1",
    "one",
    "eggs",
    "egg",
    "saw eggs",
    "i saw eggs",
    "yes eggs",
    "found eggs",
    "uno",
    "huevos",
    "vi huevos",
    "hay huevos",
    "si hay huevos",
    "si hay",
    "encontre huevos",
];
const SAW_NONE: &[&str] = &[
    "2",
    "two",
    "no eggs",
    "none",
    "saw none",
    "no eggs seen",
    "nothing",
    "saw nothing",
    "dos",
    "sin huevos",
    "no hay huevos",
    "no vi huevos",
    "ninguno",
    "nada",
    "no vi nada",
    "no hay",
];
const NOT_LOOKED: &[&str] = &[
    "3",
    "three",
    "not looked",
    "not yet",
    "did not look",
    "didnt look",
    "have not looked",
    "havent looked",
    "no time",
    "tres",
    "no revise",
    "no mire",
    "no he revisado",
    "no he mirado",
    "todavia no",
    "aun no",
    "no los revise",
];

/// Words around a keyword that change nothing.
const COURTESY: &[&str] = &[
    "please",
    "pls",
    "plz",
    "thanks",
    "thank",
    "you",
    "thx",
    "ty",
    "now",
    "it",
    "this",
    "these",
    "that",
    "all",
    "the",
    "me",
    "my",
    "texts",
    "text",
    "messages",
    "message",
    "msgs",
    "msg",
    "sms",
    "hi",
    "hello",
    "hey",
    "ok",
    "okay",
    "again",
    "today",
    "sir",
    "immediately",
    "asap",
    "por",
    "favor",
    "porfa",
    "porfavor",
    "gracias",
    "ya",
    "hola",
    "ahora",
    "todo",
    "todos",
    "mensajes",
    "mensaje",
    "textos",
    "avisos",
    "senor",
    "senora",
    "buenos",
    "dias",
    "otra",
    "vez",
    "y",
    "and",
    "treebell",
    "just",
    "im",
    "a",
];

/// A sentence that begins so asks about time or cause.
const QUESTION: &[&str] = &[
    "when",
    "why",
    "where",
    "does",
    "did",
    "is",
    "are",
    "has",
    "how long",
    "how soon",
    "at what",
    "what makes",
    "what will",
    "what would",
    "what day",
    "which",
    "cuando",
    "por que",
    "porque",
    "donde",
    "hasta cuando",
    "cuanto",
    "que dia",
    "what time",
];

/// The insect, the tree and the weather. A sentence with one of these and none of [`OURS`] is not about our messages.
const NATURE: &[&str] = &[
    "bug", "bugs", "scale", "scales", "egg", "eggs", "insect", "insects", "sap", "tree", "trees", "pinyon", "pinyons",
    "pinon", "pinons", "needle", "needles", "rain", "wind", "snow", "drip", "dripping", "crawlers", "ants", "beetle",
    "beetles", "hose", "water", "washing", "branch", "branches", "bicho", "bichos", "escama", "escamas", "huevo",
    "huevos", "pino", "pinos", "arbol", "arboles", "agujas", "insecto", "insectos", "lluvia", "viento", "savia",
    "resina", "rama", "ramas", "agua",
];
const OURS: &[&str] = &[
    "text",
    "texts",
    "texting",
    "message",
    "messages",
    "messaging",
    "msg",
    "msgs",
    "sms",
    "alert",
    "alerts",
    "notice",
    "notices",
    "notification",
    "notifications",
    "send",
    "sending",
    "contact",
    "contacting",
    "me",
    "subscription",
    "list",
    "number",
    "phone",
    "email",
    "emails",
    "spam",
    "you",
    "mensaje",
    "mensajes",
    "texto",
    "textos",
    "aviso",
    "avisos",
    "alerta",
    "alertas",
    "lista",
    "numero",
    "telefono",
    "mandar",
    "mandando",
    "mandarme",
    "enviar",
    "enviarme",
    "suscripcion",
    "molestar",
    "molestando",
];
/// The opposite of a stop.
const KEEP: &[&str] = &[
    "dont stop",
    "do not stop",
    "never stop",
    "please keep",
    "dont cancel",
    "do not cancel",
    "didnt stop",
    "not stop sending",
    "dont unsubscribe",
    "do not unsubscribe",
    "no paren",
    "no pare",
    "no cancelen",
    "no cancele",
    "no cancelar",
    "no dejen de",
    "no deje de",
    "no me den de baja",
    "no me quiten",
    "no quiero cancelar",
    "no quiero parar",
    "no quiero salir",
    "no quiero dejar de",
    "dont want to stop",
    "do not want to stop",
    "dont want to unsubscribe",
    "dont take me off",
    "do not take me off",
    "dont remove me",
    "do not remove me",
];
const SPANISH: &[&str] = &[
    "por",
    "favor",
    "gracias",
    "hola",
    "no mas",
    "mensajes",
    "avisos",
    "quiero",
    "codigo",
    "postal",
    "huevos",
    "pinos",
    "mi",
    "numero",
    "lista",
    "que",
    "cuando",
    "si",
    "alta",
    "baja",
    "ayuda",
    "alto",
    "parar",
    "el",
    "los",
    "las",
    "una",
    "ya",
    "me",
    "de",
    "estos",
    "manden",
    "envien",
    "dejen",
    "deje",
    "nada",
    "uno",
    "dos",
    "tres",
    "ninguno",
    "informacion",
];

/// Reads a text.
pub fn read(text: &str) -> Read {
    let words = words(text);
    let meaning = meaning(text, &words);
    Read { language: language(&words), meaning }
}

fn meaning(text: &str, words: &[String]) -> Meaning {
    let bare = without_courtesy(words);
    let whole = words.join(" ");
    // "Ya" is courtesy in "alto ya" and part of the word in "para ya".
    let with_ya = without(words, |word| word != "ya" && COURTESY.contains(&word)).join(" ");
    let less_ya = with_ya.strip_suffix(" ya").unwrap_or(&with_ya);
    let is_one_of = |table: &[&str]| {
        table.iter().any(|entry| {
            same(entry, &whole)
                || same(entry, &with_ya)
                || same(entry, less_ya)
                || (!bare.is_empty() && same(entry, &bare.join(" ")))
        })
    };
    if wants_out(words, &whole, text) || is_one_of(STOP_ALONE) && !has_any(words, KEEP) || has_stop_as_sentence(text) {
        return Meaning::Stop;
    }
    if let Some(code) = lone_number(words, 6) {
        return Meaning::Code(code);
    }
    if let Some(zips) = zips(text, words) {
        return Meaning::Zips(zips);
    }
    for (table, saw) in [(SAW_EGGS, Saw::Eggs), (SAW_NONE, Saw::None), (NOT_LOOKED, Saw::NotLooked)] {
        if is_one_of(table) {
            return Meaning::Saw(saw);
        }
    }
    let begins = |table: &[&str]| {
        let rest = if bare.is_empty() { words } else { &bare };
        table.iter().any(|entry| {
            let entry: Vec<&str> = entry.split(' ').collect();
            rest.len() >= entry.len() && entry.iter().zip(rest).all(|(wanted, word)| same(wanted, word))
        })
    };
    // A question mark alone, in any alphabet, is a call for help.
    let question = whole.is_empty() && text.chars().any(|c| matches!(c, '?' | '¿' | '\u{FF1F}'));
    match () {
        () if question || begins(HELP) => Meaning::Help,
        () if begins(START) => Meaning::Start,
        () if is_one_of(YES)
            || (words.len() <= 4 && begins(&YES[..9]))
            || begins(&["si quiero", "si por favor", "si acepto"]) =>
        {
            Meaning::Yes
        }
        () if is_one_of(NO) => Meaning::No,
        () if has_any(words, HELP) && words.len() <= 8 => Meaning::Help,
        () => digit_first(words).map_or(Meaning::Other, Meaning::Saw),
    }
}

/// See the rule at the top.
fn wants_out(words: &[String], whole: &str, text: &str) -> bool {
    if words.is_empty()
        || has_any(words, KEEP) && !has_any(words, &["wrong number", "stop sending me", "stop texting me"])
    {
        return false;
    }
    let said = has_any(words, STOP_ANYWHERE) || STOP_SAID.iter().any(|phrase| in_order(words, phrase));
    if !said {
        return false;
    }
    let about_us = has_any(words, OURS) || words.iter().any(|word| same(word, "unsubscribe"));
    if has_any(words, NATURE) && !about_us && words.len() > 2 {
        return false;
    }
    let asks = text.contains(['?', '¿']) || words.len() > 2;
    let question = QUESTION.iter().any(|start| whole == *start || whole.starts_with(&format!("{start} ")));
    // "Why don't you stop", "when will you stop texting me": not a question of time.
    !(asks && question && !has_any(words, &["texting me", "sending me", "texting", "me", "dont you", "unsubscribe"]))
}

/// "We have no trees any more. Please stop." Whatever the other sentences are about, one that says nothing but a stop is one.
fn has_stop_as_sentence(text: &str) -> bool {
    let sentences = text.split(['.', ',', ';', '!', '¡', '…', '\n']).filter(|sentence| sentence.len() < 60);
    sentences.map(words).any(|sentence| {
        let bare = without_courtesy(&sentence).join(" ");
        !bare.is_empty() && STOP_ANYWHERE.iter().chain(&["alto"]).any(|entry| same(entry, &bare))
    })
}

/// Lower case, no accents, no signs, letters of other widths as usual ones: the words that are left.
fn words(text: &str) -> Vec<String> {
    let mut plain = String::new();
    for c in text.chars().take(LONGEST).nfkd().filter(|c| !is_combining_mark(*c)) {
        match c {
            // Zero-width characters part nothing; an apostrophe neither ("don't", "don’t").
            '\u{200B}'..='\u{200F}' | '\u{2060}' | '\u{FEFF}' | '\u{AD}' | '\u{FE00}'..='\u{FE0F}' => {}
            '\'' | '\u{2018}' | '\u{2019}' | '`' | '\u{B4}' => {}
            c if c.is_alphanumeric() => plain.extend(c.to_lowercase()),
            _ => plain.push(' '),
        }
    }
    let words: Vec<String> = plain.split_whitespace().map(str::to_owned).collect();
    // "S T O P", "S.T.O.P."
    if words.len() > 2
        && words.iter().all(|word| word.chars().count() == 1 && !word.chars().all(|c| c.is_ascii_digit()))
    {
        return vec![words.concat()];
    }
    words
}

/// Equal but for letters held down: "stoppp" is "stop". Digits count as they are.
fn same(entry: &str, word: &str) -> bool {
    if entry == word {
        return true;
    }
    // Nearly all end here, which a long text feels.
    if entry.chars().next() != word.chars().next() {
        return false;
    }
    let squeezed = |text: &str| {
        let mut out = String::with_capacity(text.len());
        for c in text.chars() {
            if !out.ends_with(c) || c.is_ascii_digit() {
                out.push(c);
            }
        }
        out
    };
    // Short words are left as they are: "no" and "noo" are, "of" and "off" are not.
    entry.chars().count() > 2 && entry != "off" && squeezed(entry) == squeezed(word)
}

fn without_courtesy(words: &[String]) -> Vec<String> {
    without(words, |word| COURTESY.contains(&word))
}

/// The words without such ones at the beginning and the end.
fn without(words: &[String], is_idle: impl Fn(&str) -> bool) -> Vec<String> {
    let first = words.iter().position(|word| !is_idle(word)).unwrap_or(words.len());
    let last = words.iter().rposition(|word| !is_idle(word)).map_or(first, |last| last + 1);
    words[first..last.max(first)].to_vec()
}

/// Whether any entry stands in the words, whole and in one piece.
fn has_any(words: &[String], table: &[&str]) -> bool {
    table.iter().any(|entry| {
        let entry: Vec<&str> = entry.split(' ').collect();
        words.windows(entry.len()).any(|part| part.iter().zip(&entry).all(|(word, wanted)| same(wanted, word)))
    })
}

/// Whether the words of a phrase stand in this order, at most two others between one and the next.
fn in_order(words: &[String], phrase: &str) -> bool {
    let phrase: Vec<&str> = phrase.split(' ').collect();
    let Some((head, rest)) = phrase.split_first() else { return false };
    words.iter().enumerate().filter(|(_, word)| same(head, word)).any(|(start, _)| {
        let mut at = start;
        rest.iter().all(|wanted| {
            let next = words.iter().enumerate().skip(at + 1).take(3).find(|(_, word)| same(wanted, word));
            next.inspect(|(place, _)| at = *place).is_some()
        })
    })
}

fn lone_number(words: &[String], digits: usize) -> Option<String> {
    let is_number = |word: &str| word.len() == digits && word.bytes().all(|b| b.is_ascii_digit());
    let bare: Vec<&str> = words
        .iter()
        .map(String::as_str)
        .filter(|word| !matches!(*word, "code" | "codigo" | "clave" | "my" | "mi" | "is" | "es" | "the" | "la" | "el"))
        .collect();
    match bare.as_slice() {
        [one] if is_number(one) => Some((*one).to_owned()),
        [a, b] if a.len() == 3 && b.len() == 3 && is_number(&format!("{a}{b}")) => Some(format!("{a}{b}")),
        _ => None,
    }
}

/// Five digits that stand as a word, in a text that is not about much else.
fn zips(text: &str, words: &[String]) -> Option<Vec<Zip>> {
    let mut zips: Vec<Zip> = Vec::new();
    for word in words {
        if let Ok(zip) = Zip::parse(word)
            && !zips.contains(&zip)
        {
            zips.push(zip);
        }
    }
    let names_it =
        has_any(words, &["zip", "zipcode", "codigo postal", "join", "alta", "start", "sign up", "subscribe"]);
    let short = words.len() <= 6 || names_it;
    (!zips.is_empty() && zips.len() <= 5 && short && !text.contains('$')).then_some(zips)
}

/// "1 lots of eggs", "2, none so far".
fn digit_first(words: &[String]) -> Option<Saw> {
    match words.first()?.as_str() {
        "1" => Some(Saw::Eggs),
        "2" => Some(Saw::None),
        "3" => Some(Saw::NotLooked),
        _ => None,
    }
}

/// Spanish if more of its everyday words are there than of ours; `None` when nothing shows.
fn language(words: &[String]) -> Option<Language> {
    const ENGLISH: &[&str] = &[
        "the",
        "please",
        "me",
        "my",
        "yes",
        "join",
        "start",
        "help",
        "these",
        "this",
        "texts",
        "messages",
        "from",
        "want",
        "dont",
        "off",
        "no more",
        "zip",
        "code",
        "eggs",
        "thanks",
        "you",
        "sign",
        "info",
        "unsubscribe",
        "cancel",
        "texting",
        "list",
        "number",
    ];
    let count = |table: &[&str]| words.iter().filter(|word| table.contains(&word.as_str())).count();
    let tables: [&[&str]; 5] = [STOP_ALONE, START, YES, HELP, NOT_LOOKED];
    let spanish_forms = ["ar", "ir", "ame", "eme", "enme"];
    let spanish_word = |word: &str| {
        word.len() > 3
            && spanish_forms.iter().any(|end| word.ends_with(end))
            && tables.iter().any(|t| t.contains(&word))
    };
    let spanish = count(SPANISH) + words.iter().filter(|word| spanish_word(word)).count();
    let english = count(ENGLISH);
    match spanish.cmp(&english) {
        std::cmp::Ordering::Greater => Some(Language::Es),
        std::cmp::Ordering::Less => Some(Language::En),
        std::cmp::Ordering::Equal => None,
    }
}

/// The words that opt out by themselves, for checks.
pub fn stop_words() -> &'static [&'static str] {
    STOP_ALONE
}

/// Those that ask for help and those that begin, which never opt out.
pub fn help_and_start_words() -> impl Iterator<Item = &'static str> {
    HELP.iter().chain(START).copied()
}
