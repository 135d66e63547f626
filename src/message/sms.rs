//! How long a text is on the air: the GSM 7-bit alphabet, the choice of encoding, and the segments a text is cut into.
//!
//! Source of the alphabet and its extension table: 3GPP TS 23.038, sections 6.2.1 and 6.2.1.1. Source of the sizes:
//! 3GPP TS 23.040, section 9.2.3.24.1: 140 octets a message, 6 of them for the header that joins the segments of a long one
//! (8-bit reference).

/// Septets of a message that stands alone, and of one segment of a longer one.
const GSM7_ALONE: usize = 160;
const GSM7_JOINED: usize = 153;
/// UTF-16 units of a message that stands alone, and of one segment of a longer one.
const UCS2_ALONE: usize = 70;
const UCS2_JOINED: usize = 67;

/// What the characters of a text are sent as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// Seven bits a character; a character of the extension table takes two septets.
    Gsm7,
    /// Sixteen bits a unit; a character outside the basic plane takes two.
    Ucs2,
}

impl Encoding {
    /// Units that a message holds which stands alone.
    fn alone(self) -> usize {
        match self {
            Encoding::Gsm7 => GSM7_ALONE,
            Encoding::Ucs2 => UCS2_ALONE,
        }
    }

    pub fn name(self) -> &'static str {
        match self {
            Encoding::Gsm7 => "GSM 7-bit",
            Encoding::Ucs2 => "UCS-2",
        }
    }
}

/// A text as the network counts it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Segments {
    pub encoding: Encoding,
    /// Septets (GSM 7-bit) or UTF-16 units (UCS-2) of the whole text, headers not counted.
    pub units: usize,
    /// Segments it is sent and paid as; an empty text is one.
    pub parts: usize,
    /// The text of each segment, in order; joined they are the text again.
    pub texts: Vec<String>,
}

impl Segments {
    /// The room it takes, for people who write it: `fits one text of 160 characters (142 used)`.
    pub fn words(&self) -> String {
        let (room, used) = (self.encoding.alone(), self.units);
        let why = match self.strange().as_slice() {
            [] => String::new(),
            [one] => format!(": a letter outside of the texting alphabet ({one}) halves the room"),
            all => {
                let all = all.iter().map(char::to_string).collect::<Vec<_>>().join(" ");
                format!(": letters outside of the texting alphabet ({all}) halve the room")
            }
        };
        match self.parts {
            0 | 1 => format!("fits one text of {room} characters ({used} used){why}"),
            parts => format!("takes {parts} texts ({used} characters; one text holds {room}){why}"),
        }
    }

    /// What GSM 7-bit does not have, each once.
    fn strange(&self) -> Vec<char> {
        let mut strange = Vec::new();
        for c in self.texts.iter().flat_map(|text| text.chars()) {
            if gsm7_septets(c).is_none() && !strange.contains(&c) {
                strange.push(c);
            }
        }
        strange
    }
}

/// Counts a text: GSM 7-bit if every character is in that alphabet, else UCS-2.
///
/// A segment may stay a unit short of full, since neither an escape pair nor a surrogate pair is cut in two.
pub fn count(text: &str) -> Segments {
    let septets: Option<usize> = text.chars().map(gsm7_septets).sum();
    let (encoding, units, alone, joined) = match septets {
        Some(septets) => (Encoding::Gsm7, septets, GSM7_ALONE, GSM7_JOINED),
        None => (Encoding::Ucs2, text.encode_utf16().count(), UCS2_ALONE, UCS2_JOINED),
    };
    let texts = if units <= alone {
        vec![text.to_owned()]
    } else {
        cut(text, joined, |c| match encoding {
            Encoding::Gsm7 => gsm7_septets(c).unwrap_or(1),
            Encoding::Ucs2 => c.len_utf16(),
        })
    };
    Segments { encoding, units, parts: texts.len(), texts }
}

/// Septets of one character in GSM 7-bit; `None` when the alphabet does not have it.
pub fn gsm7_septets(c: char) -> Option<usize> {
    if BASIC.contains(&c) {
        Some(1)
    } else if EXTENSION.contains(&c) {
        Some(2)
    } else {
        None
    }
}

/// The text in the GSM 7-bit alphabet, one septet an octet, as SMPP and modems carry it; `None` when the alphabet does not
/// have it.
pub fn gsm7_octets(text: &str) -> Option<Vec<u8>> {
    let mut octets = Vec::with_capacity(text.len());
    for c in text.chars() {
        if let Some(code) = BASIC.iter().position(|basic| *basic == c) {
            octets.push(u8::try_from(code).ok()?);
        } else {
            let at = EXTENSION.iter().position(|extension| *extension == c)?;
            octets.extend([ESCAPE, EXTENSION_CODES[at]]);
        }
    }
    Some(octets)
}

/// Reads the GSM 7-bit alphabet, one septet an octet. What stands outside of it becomes a blank, as the standard asks.
pub fn gsm7_text(octets: &[u8]) -> String {
    let mut text = String::with_capacity(octets.len());
    let mut octets = octets.iter();
    while let Some(octet) = octets.next() {
        if *octet == ESCAPE {
            let code = octets.next();
            let at = EXTENSION_CODES.iter().position(|known| Some(known) == code);
            text.push(at.map_or(' ', |at| EXTENSION[at]));
        } else {
            text.push(BASIC.get(usize::from(*octet)).copied().unwrap_or(' '));
        }
    }
    text
}

/// Replaces what word processors put in and GSM 7-bit does not have: curly quotes, dashes, special spaces, the degree
/// sign, the ellipsis. The reader loses nothing; letters with accents stay, since dropping those is a spelling mistake.
pub fn gsm_safe(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    let mut rest = text.chars().peekable();
    while let Some(c) = rest.next() {
        match c {
            '\u{2018}' | '\u{2019}' | '\u{201A}' | '\u{201B}' | '\u{2032}' | '\u{00B4}' | '`' => safe.push('\''),
            '\u{201C}' | '\u{201D}' | '\u{201E}' | '\u{201F}' | '\u{2033}' | '\u{00AB}' | '\u{00BB}' => safe.push('"'),
            '\u{2010}'..='\u{2015}' | '\u{2212}' => safe.push('-'),
            '\u{2022}' | '\u{00B7}' => safe.push('-'),
            '\u{2026}' => safe.push_str("..."),
            '\u{00A0}' | '\u{2000}'..='\u{200A}' | '\u{202F}' | '\u{205F}' | '\u{3000}' | '\t' => safe.push(' '),
            // Soft hyphen, zero-width characters and the byte order mark show nothing.
            '\u{00AD}' | '\u{200B}'..='\u{200D}' | '\u{2060}' | '\u{FEFF}' => {}
            // "18 °C" and "18°C" both become "18 C".
            '\u{00B0}' => {
                let touches_number = safe.ends_with(|last: char| last.is_ascii_digit());
                if touches_number && rest.peek().is_some_and(|next| next.is_alphabetic()) {
                    safe.push(' ');
                }
            }
            '\u{00BA}' => safe.push('o'),
            '\u{00AA}' => safe.push('a'),
            '\u{00D7}' => safe.push('x'),
            '\u{00BD}' => safe.push_str("1/2"),
            '\u{00BC}' => safe.push_str("1/4"),
            '\u{00BE}' => safe.push_str("3/4"),
            // A letter and its accent as two characters, as some keyboards and file systems write them.
            '\u{0301}' | '\u{0303}' | '\u{0308}' => match safe.pop().map(|last| (last, composed(last, c))) {
                Some((_, Some(whole))) => safe.push(whole),
                Some((last, None)) => safe.extend([last, c]),
                None => safe.push(c),
            },
            other => safe.push(other),
        }
    }
    safe
}

/// Drops the accents that GSM 7-bit does not have (á í ó ú ç and the like), keeping those it has (é ñ ü and others).
///
/// Only for names put into a text that would otherwise cost more parts than it may.
pub fn fold_accents(text: &str) -> String {
    gsm_safe(text)
        .chars()
        .map(|c| match c {
            'á' | 'â' | 'ã' => 'a',
            'Á' | 'À' | 'Â' | 'Ã' => 'A',
            'ê' | 'ë' => 'e',
            'È' | 'Ê' | 'Ë' => 'E',
            'í' | 'î' | 'ï' => 'i',
            'Í' | 'Ì' | 'Î' | 'Ï' => 'I',
            'ó' | 'ô' | 'õ' => 'o',
            'Ó' | 'Ò' | 'Ô' | 'Õ' => 'O',
            'ú' | 'û' => 'u',
            'Ú' | 'Ù' | 'Û' => 'U',
            'ç' => 'c',
            'ý' | 'ÿ' => 'y',
            'Ý' => 'Y',
            other => other,
        })
        .collect()
}

fn composed(letter: char, mark: char) -> Option<char> {
    Some(match (letter, mark) {
        ('a', '\u{0301}') => 'á',
        ('e', '\u{0301}') => 'é',
        ('i', '\u{0301}') => 'í',
        ('o', '\u{0301}') => 'ó',
        ('u', '\u{0301}') => 'ú',
        ('A', '\u{0301}') => 'Á',
        ('E', '\u{0301}') => 'É',
        ('I', '\u{0301}') => 'Í',
        ('O', '\u{0301}') => 'Ó',
        ('U', '\u{0301}') => 'Ú',
        ('n', '\u{0303}') => 'ñ',
        ('N', '\u{0303}') => 'Ñ',
        ('u', '\u{0308}') => 'ü',
        ('U', '\u{0308}') => 'Ü',
        _ => return None,
    })
}

fn cut(text: &str, room: usize, width: impl Fn(char) -> usize) -> Vec<String> {
    let mut parts = Vec::new();
    let mut part = String::new();
    let mut used = 0;
    for c in text.chars() {
        if used + width(c) > room {
            parts.push(std::mem::take(&mut part));
            used = 0;
        }
        part.push(c);
        used += width(c);
    }
    parts.push(part);
    parts
}

/// The basic alphabet in the order of its codes 0x00 to 0x7F. 0x1B is the escape to the extension table; no text may
/// hold it as a character of its own, so its place is taken by a second line feed that is never looked up.
#[rustfmt::skip]
const BASIC: [char; 128] = [
    '@', '£', '$', '¥', 'è', 'é', 'ù', 'ì', 'ò', 'Ç', '\n', 'Ø', 'ø', '\r', 'Å', 'å',
    'Δ', '_', 'Φ', 'Γ', 'Λ', 'Ω', 'Π', 'Ψ', 'Σ', 'Θ', 'Ξ', '\n', 'Æ', 'æ', 'ß', 'É',
    ' ', '!', '"', '#', '¤', '%', '&', '\'', '(', ')', '*', '+', ',', '-', '.', '/',
    '0', '1', '2', '3', '4', '5', '6', '7', '8', '9', ':', ';', '<', '=', '>', '?',
    '¡', 'A', 'B', 'C', 'D', 'E', 'F', 'G', 'H', 'I', 'J', 'K', 'L', 'M', 'N', 'O',
    'P', 'Q', 'R', 'S', 'T', 'U', 'V', 'W', 'X', 'Y', 'Z', 'Ä', 'Ö', 'Ñ', 'Ü', '§',
    '¿', 'a', 'b', 'c', 'd', 'e', 'f', 'g', 'h', 'i', 'j', 'k', 'l', 'm', 'n', 'o',
    'p', 'q', 'r', 's', 't', 'u', 'v', 'w', 'x', 'y', 'z', 'ä', 'ö', 'ñ', 'ü', 'à',
];

/// The characters of the extension table; each is sent as the escape and one more septet.
const EXTENSION: [char; 10] = ['\u{000C}', '^', '{', '}', '\\', '[', '~', ']', '|', '€'];
const EXTENSION_CODES: [u8; 10] = [0x0A, 0x14, 0x28, 0x29, 0x2F, 0x3C, 0x3D, 0x3E, 0x40, 0x65];
const ESCAPE: u8 = 0x1B;

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, encoding: Encoding, units: usize, parts: usize) {
        let counted = count(text);
        assert_eq!((counted.encoding, counted.units, counted.parts), (encoding, units, parts), "{text:?}");
        assert_eq!(counted.texts.len(), parts);
        assert_eq!(counted.texts.concat(), text);
    }

    #[test]
    fn gsm_texts_fill_160_alone_and_153_joined() {
        // 3GPP TS 23.040: 140 octets hold 160 septets; less a 6-octet header, 153.
        check(&"a".repeat(160), Encoding::Gsm7, 160, 1);
        check(&"a".repeat(161), Encoding::Gsm7, 161, 2);
        check(&"a".repeat(306), Encoding::Gsm7, 306, 2);
        check(&"a".repeat(307), Encoding::Gsm7, 307, 3);
    }

    #[test]
    fn ucs2_texts_fill_70_alone_and_67_joined() {
        // 3GPP TS 23.040: 140 octets hold 70 units; less a 6-octet header, 67.
        check(&"í".repeat(70), Encoding::Ucs2, 70, 1);
        check(&"í".repeat(71), Encoding::Ucs2, 71, 2);
        check(&"í".repeat(134), Encoding::Ucs2, 134, 2);
        check(&"í".repeat(135), Encoding::Ucs2, 135, 3);
    }

    #[test]
    fn the_room_is_told_in_words_for_who_writes() {
        let words = |text: &str| count(text).words();
        assert_eq!(words(&"a".repeat(142)), "fits one text of 160 characters (142 used)");
        assert_eq!(words(&"a".repeat(170)), "takes 2 texts (170 characters; one text holds 160)");
        let halved = "a letter outside of the texting alphabet (í) halves the room";
        assert_eq!(words("aquí"), format!("fits one text of 70 characters (4 used): {halved}"));
        assert_eq!(words(&"í".repeat(71)), format!("takes 2 texts (71 characters; one text holds 70): {halved}"));
        assert!(words("aquí está").ends_with("letters outside of the texting alphabet (í á) halve the room"));
    }

    #[test]
    fn extension_characters_cost_two_septets() {
        // 3GPP TS 23.038, section 6.2.1.1.
        check(&format!("{}€", "a".repeat(159)), Encoding::Gsm7, 161, 2);
        check("^{}\\[~]|€\u{000C}", Encoding::Gsm7, 20, 1);
    }

    #[test]
    fn an_escape_pair_is_never_cut_in_two() {
        let text = format!("{}€{}", "a".repeat(152), "b".repeat(10));
        let counted = count(&text);
        assert_eq!(counted.units, 164);
        assert_eq!(counted.texts, ["a".repeat(152), format!("€{}", "b".repeat(10))]);
        // 153 times two septets would fill two parts if pairs could be cut; 76 pairs a part need three.
        assert_eq!(count(&"€".repeat(153)).parts, 3);
    }

    #[test]
    fn a_surrogate_pair_is_never_cut_in_two() {
        let text = format!("{}🌲{}", "í".repeat(66), "í".repeat(10));
        let counted = count(&text);
        assert_eq!(counted.units, 78);
        assert_eq!(counted.texts, ["í".repeat(66), format!("🌲{}", "í".repeat(10))]);
    }

    #[test]
    fn the_alphabet_has_its_published_places() {
        // 3GPP TS 23.038, section 6.2.1: @ is 0x00, A is 0x41, a is 0x61, à is 0x7F; 128 distinct positions.
        assert_eq!(BASIC[0x00], '@');
        assert_eq!(BASIC[0x09], 'Ç');
        assert_eq!(BASIC[0x20], ' ');
        assert_eq!(BASIC[0x41], 'A');
        assert_eq!(BASIC[0x61], 'a');
        assert_eq!(BASIC[0x7F], 'à');
        for (at, c) in BASIC.iter().enumerate() {
            assert!(at == 0x1B || BASIC.iter().position(|other| other == c) == Some(at), "{c:?} stands twice");
        }
    }

    #[test]
    fn spanish_letters_outside_the_alphabet_are_those_of_the_standard() {
        for inside in "éñÉÑüÜ¡¿".chars() {
            assert_eq!(gsm7_septets(inside), Some(1), "{inside}");
        }
        for outside in "áíóúÁÍÓÚ°–—’“".chars() {
            assert_eq!(gsm7_septets(outside), None, "{outside}");
        }
        check("piñon", Encoding::Gsm7, 5, 1);
    }

    // 3GPP TS 23.038, sections 6.2.1 and 6.2.1.1.
    #[test]
    fn the_alphabet_is_written_and_read_by_its_codes() {
        assert_eq!(gsm7_octets("@Añ€[x").unwrap(), [0x00, 0x41, 0x7D, 0x1B, 0x65, 0x1B, 0x3C, 0x78]);
        let all: String = BASIC.iter().filter(|c| **c != '\n').chain(&EXTENSION).collect();
        assert_eq!(gsm7_text(&gsm7_octets(&all).unwrap()), all);
        assert_eq!(gsm7_octets("á"), None);
        assert_eq!(gsm7_text(&[0x1B, 0x01, 0x41, 0xFF, 0x1B]), " A  ");
    }

    #[test]
    fn an_empty_text_is_still_one_message() {
        check("", Encoding::Gsm7, 0, 1);
    }

    #[test]
    fn typographic_characters_become_plain_ones() {
        assert_eq!(gsm_safe("“Don’t” – wait… now"), "\"Don't\" - wait... now");
        assert_eq!(gsm_safe("18 °C, 18°C, 18° now"), "18 C, 18 C, 18 now");
        assert_eq!(gsm_safe("a\u{00A0}b\u{200B}c\u{00AD}d"), "a bcd");
        assert_eq!(gsm_safe("pin\u{0303}o\u{0301}n"), "piñón");
        assert_eq!(gsm_safe("\u{0301}"), "\u{0301}");
        assert_eq!(count(&gsm_safe("“Look” – it’s 18 °C…")).encoding, Encoding::Gsm7);
    }

    #[test]
    fn folding_keeps_what_the_alphabet_has() {
        assert_eq!(fold_accents("Río Ñuñés, Cañón"), "Rio Ñuñés, Cañon");
        assert_eq!(count(&fold_accents("ÁÍÓÚáíóúçêâÂÊî")).encoding, Encoding::Gsm7);
    }

    proptest::proptest! {
        #[test]
        fn parts_join_to_the_text_and_none_is_too_long(text in "\\PC{0,400}") {
            let counted = count(&text);
            proptest::prop_assert_eq!(counted.texts.concat(), text);
            for part in &counted.texts {
                let alone = count(part);
                let room = match (counted.encoding, counted.parts) {
                    (Encoding::Gsm7, 1) => 160,
                    (Encoding::Gsm7, _) => 153,
                    (Encoding::Ucs2, 1) => 70,
                    (Encoding::Ucs2, _) => 67,
                };
                let units = match counted.encoding {
                    Encoding::Gsm7 => alone.units,
                    Encoding::Ucs2 => part.encode_utf16().count(),
                };
                proptest::prop_assert!(units <= room);
            }
        }
    }
}
