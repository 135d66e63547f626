//! The body of an e-mail: one wording, from which the plain text and the HTML part are both made, so that they can
//! never say different things.
//!
//! A template renders to plain text in a small notation that reads well as it stands:
//!
//! ```text
//! What to look for            a heading: a line with a line of dashes under it
//! ----------------
//! A paragraph. Lines may be
//! broken anywhere.
//!
//! - one point a line;         a list; more of the same point is indented
//!   still the same point
//!
//! 1. first step               numbered steps
//!
//! Where :: Cedar Flat         a line of the box "at a glance": name, two colons, value
//!
//! [Stop these e-mails](URL)   a link; a bare http(s) address becomes one by itself
//!
//! ---                         a line of dashes after an empty one: the small print follows
//! ```

use super::personal::STOP_LINK_PLACE;

/// Columns of the plain text part; RFC 5322 asks for lines of at most 78.
const TEXT_WIDTH: usize = 72;

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Document {
    pub body: Vec<Block>,
    /// What stands under the line: why this mail came, how to stop it, the postal address.
    pub small_print: Vec<Block>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Block {
    Heading(Line),
    Paragraph(Line),
    Points(Vec<Line>),
    Steps(Vec<Line>),
    /// Names and values at a glance.
    Glance(Vec<(String, Line)>),
}

/// Running text, cut where a link begins or ends.
pub type Line = Vec<Run>;

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    pub text: String,
    pub link: Option<String>,
}

impl Document {
    /// Reads the notation. Every text is a document: what is not notation is a paragraph.
    pub fn parse(text: &str) -> Self {
        let mut document = Document { body: Vec::new(), small_print: Vec::new() };
        let mut in_small_print = false;
        for chunk in chunks(text) {
            match chunk {
                Chunk::Rule => in_small_print = true,
                Chunk::Block(raw) if in_small_print => document.small_print.push(raw.finish()),
                Chunk::Block(raw) => document.body.push(raw.finish()),
            }
        }
        document
    }

    /// The plain text part: wrapped, lines ending in `\n`.
    pub fn to_text(&self) -> String {
        let mut text = String::new();
        for block in &self.body {
            write_block(&mut text, block);
        }
        if !self.small_print.is_empty() {
            text.push_str(&"-".repeat(TEXT_WIDTH));
            text.push_str("\n\n");
            for block in &self.small_print {
                write_block(&mut text, block);
            }
        }
        text.truncate(text.trim_end().len());
        text.push('\n');
        text
    }

    /// All words in reading order, one sentence-like piece each: for checks of readability.
    pub fn pieces(&self) -> Vec<String> {
        let mut pieces = Vec::new();
        for block in self.body.iter().chain(&self.small_print) {
            match block {
                Block::Heading(line) | Block::Paragraph(line) => pieces.push(words(line)),
                Block::Points(lines) | Block::Steps(lines) => pieces.extend(lines.iter().map(words)),
                Block::Glance(rows) => {
                    pieces.extend(rows.iter().map(|(name, value)| format!("{name}: {}", words(value))))
                }
            }
        }
        pieces
    }
}

enum Chunk {
    Rule,
    Block(Raw),
}

/// A block while its lines are still being gathered.
enum Raw {
    Heading(String),
    Paragraph(String),
    Points(Vec<String>),
    Steps(Vec<String>),
    Glance(Vec<(String, String)>),
}

impl Raw {
    fn finish(self) -> Block {
        let lines = |texts: Vec<String>| texts.iter().map(|text| runs(text)).collect();
        match self {
            Raw::Heading(text) => Block::Heading(runs(&text)),
            Raw::Paragraph(text) => Block::Paragraph(runs(&text)),
            Raw::Points(texts) => Block::Points(lines(texts)),
            Raw::Steps(texts) => Block::Steps(lines(texts)),
            Raw::Glance(rows) => Block::Glance(rows.into_iter().map(|(name, value)| (name, runs(&value))).collect()),
        }
    }

    /// The text that an indented or unmarked next line would belong to.
    fn last_text(&mut self) -> Option<&mut String> {
        match self {
            Raw::Heading(_) => None,
            Raw::Paragraph(text) => Some(text),
            Raw::Points(texts) | Raw::Steps(texts) => texts.last_mut(),
            Raw::Glance(rows) => rows.last_mut().map(|(_, value)| value),
        }
    }
}

fn chunks(text: &str) -> Vec<Chunk> {
    let mut chunks = Vec::new();
    let mut open: Option<Raw> = None;
    for line in text.lines() {
        let trimmed = line.trim();
        if trimmed.is_empty() {
            chunks.extend(open.take().map(Chunk::Block));
        } else if is_dashes(trimmed) {
            match open.take() {
                Some(Raw::Paragraph(title)) => chunks.push(Chunk::Block(Raw::Heading(title))),
                other => {
                    chunks.extend(other.map(Chunk::Block));
                    chunks.push(Chunk::Rule);
                }
            }
        } else if let Some(point) = trimmed.strip_prefix("- ") {
            match &mut open {
                Some(Raw::Points(points)) => points.push(point.trim().to_owned()),
                _ => chunks.extend(open.replace(Raw::Points(vec![point.trim().to_owned()])).map(Chunk::Block)),
            }
        } else if let Some(step) = step(trimmed) {
            match &mut open {
                Some(Raw::Steps(steps)) => steps.push(step.to_owned()),
                _ => chunks.extend(open.replace(Raw::Steps(vec![step.to_owned()])).map(Chunk::Block)),
            }
        } else if let Some((name, value)) = trimmed.split_once(" :: ") {
            let row = (name.trim().to_owned(), value.trim().to_owned());
            match &mut open {
                Some(Raw::Glance(rows)) => rows.push(row),
                _ => chunks.extend(open.replace(Raw::Glance(vec![row])).map(Chunk::Block)),
            }
        } else {
            let belongs = line.starts_with("  ") || matches!(open, Some(Raw::Paragraph(_)));
            match open.as_mut().filter(|_| belongs).and_then(Raw::last_text) {
                Some(text) => {
                    text.push(' ');
                    text.push_str(trimmed);
                }
                None => chunks.extend(open.replace(Raw::Paragraph(trimmed.to_owned())).map(Chunk::Block)),
            }
        }
    }
    chunks.extend(open.map(Chunk::Block));
    chunks
}

fn is_dashes(line: &str) -> bool {
    line.len() >= 3 && line.bytes().all(|b| b == b'-')
}

fn step(line: &str) -> Option<&str> {
    let (number, rest) = line.split_once(". ")?;
    let is_number = (1..=2).contains(&number.len()) && number.bytes().all(|b| b.is_ascii_digit());
    is_number.then(|| rest.trim())
}

/// Finds the links of a line.
fn runs(text: &str) -> Line {
    let mut line = Vec::new();
    let mut rest = text;
    while let Some((before, link, after)) = next_link(rest) {
        push_plain(&mut line, before);
        line.push(link);
        rest = after;
    }
    push_plain(&mut line, rest);
    line
}

fn push_plain(line: &mut Line, text: &str) {
    if !text.is_empty() {
        line.push(Run { text: text.to_owned(), link: None });
    }
}

fn next_link(text: &str) -> Option<(&str, Run, &str)> {
    let named = named_link(text);
    let bare = bare_link(text);
    match (named, bare) {
        (Some(named), Some(bare)) if bare.0.len() < named.0.len() => Some(bare),
        (Some(named), _) => Some(named),
        (None, bare) => bare,
    }
}

/// `[words](address)`.
fn named_link(text: &str) -> Option<(&str, Run, &str)> {
    let mut from = 0;
    loop {
        let open = from + text.get(from..)?.find('[')?;
        let inner = text.get(open + 1..)?;
        if let Some((words, tail)) = inner.split_once("](")
            && !words.contains('[')
            && let Some((address, after)) = tail.split_once(')')
            && is_address(address)
        {
            let run = Run { text: words.to_owned(), link: Some(address.to_owned()) };
            return Some((text.get(..open)?, run, after));
        }
        from = open + 1;
    }
}

/// What a named link may lead to: a page, a mailbox, a telephone, or the place of the reader's own stop link.
fn is_address(text: &str) -> bool {
    let known = ["https://", "http://", "mailto:", "tel:", STOP_LINK_PLACE];
    known.iter().any(|start| text.starts_with(start)) && !text.contains(char::is_whitespace)
}

fn bare_link(text: &str) -> Option<(&str, Run, &str)> {
    let start = ["https://", "http://"].iter().filter_map(|scheme| text.find(scheme)).min()?;
    let (before, tail) = text.split_at(start);
    let end = tail.find(|c: char| c.is_whitespace() || matches!(c, '<' | '>' | '"')).unwrap_or(tail.len());
    // The stop that ends the sentence is not part of the address.
    let address = tail.get(..end)?.trim_end_matches(['.', ',', ';', ':', '!', '?', ')']);
    let run = Run { text: address.to_owned(), link: Some(address.to_owned()) };
    Some((before, run, tail.get(address.len()..)?))
}

/// A line in plain text: a named link shows its address.
fn plain(line: &Line) -> String {
    line.iter()
        .map(|run| match &run.link {
            Some(link) if *link != run.text => format!("{}: {link}", run.text),
            _ => run.text.clone(),
        })
        .collect()
}

/// A line without the addresses behind its links.
fn words(line: &Line) -> String {
    line.iter().map(|run| run.text.as_str()).collect()
}

fn write_block(text: &mut String, block: &Block) {
    match block {
        Block::Heading(line) => {
            let title = plain(line);
            text.push_str(&title);
            text.push('\n');
            text.push_str(&"-".repeat(title.chars().count().min(TEXT_WIDTH)));
            text.push('\n');
            return;
        }
        Block::Paragraph(line) => wrap(text, &plain(line), "", ""),
        Block::Points(lines) => {
            for line in lines {
                wrap(text, &plain(line), "- ", "  ");
            }
        }
        Block::Steps(lines) => {
            for (at, line) in lines.iter().enumerate() {
                let number = format!("{}. ", at + 1);
                wrap(text, &plain(line), &number, &" ".repeat(number.len()));
            }
        }
        Block::Glance(rows) => {
            let widest = rows.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0) + 2;
            for (name, value) in rows {
                let head = format!("{:<widest$}", format!("{name}:"));
                wrap(text, &plain(value), &head, &" ".repeat(widest));
            }
        }
    }
    text.push('\n');
}

/// Writes words to lines of [`TEXT_WIDTH`]; a word longer than a line (an address) stays whole.
fn wrap(text: &mut String, words: &str, first: &str, indent: &str) {
    text.push_str(first);
    let mut column = first.chars().count();
    let mut at_start = true;
    for word in words.split_whitespace() {
        let width = word.chars().count();
        if !at_start && column + 1 + width > TEXT_WIDTH {
            text.push('\n');
            text.push_str(indent);
            column = indent.chars().count();
            at_start = true;
        }
        if !at_start {
            text.push(' ');
            column += 1;
        }
        text.push_str(word);
        column += width;
        at_start = false;
    }
    text.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_text(source: &str, wanted: &str) {
        assert_eq!(Document::parse(source).to_text(), wanted);
    }

    #[test]
    fn every_kind_of_block_comes_out_as_readable_text() {
        check_text(
            "Hello\nthere.\n\n\nWhere :: Cedar Flat\nWash by :: April 12\n\nWhat to do\n---\n1. Hose.\n2. Rake\n   well.\nThen rest.\n- a\n- b\n  c\n\n---\nSmall\nprint.\n",
            "Hello there.\n\nWhere:   Cedar Flat\nWash by: April 12\n\nWhat to do\n----------\n1. Hose.\n2. Rake well.\n\nThen rest.\n\n- a\n- b c\n\n------------------------------------------------------------------------\n\nSmall print.\n",
        );
    }

    #[test]
    fn text_is_wrapped_and_addresses_stay_whole() {
        let address = format!("https://example.org/{}", "x".repeat(90));
        let text = Document::parse(&format!("{} {address} end", "word ".repeat(20))).to_text();
        assert!(text.lines().all(|line| line.len() <= TEXT_WIDTH || line == address), "{text}");
        assert!(text.contains(&address));
    }

    #[test]
    fn links_are_found_with_and_without_a_name() {
        let line =
            runs("See [the page](https://example.org/a?b=1) or https://example.org/c. [no] (link) [no](javascript:x)");
        let link = |text: &str, link: &str| Run { text: text.into(), link: Some(link.into()) };
        let plain = |text: &str| Run { text: text.into(), link: None };
        assert_eq!(
            line,
            [
                plain("See "),
                link("the page", "https://example.org/a?b=1"),
                plain(" or "),
                link("https://example.org/c", "https://example.org/c"),
                plain(". [no] (link) [no](javascript:x)"),
            ]
        );
        assert_eq!(
            super::plain(&line),
            "See the page: https://example.org/a?b=1 or https://example.org/c. [no] (link) [no](javascript:x)"
        );
    }

    #[test]
    fn dashes_after_an_empty_line_begin_the_small_print() {
        let document = Document::parse("a\n\n----\n\nb\n");
        assert_eq!(document.body.len(), 1);
        assert_eq!(document.small_print.len(), 1);
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_a_document(text in "(\\PC|\n|- |---|\\[|\\]\\(|\\)|https://| :: ){0,60}") {
            let document = Document::parse(&text);
            document.to_text();
            document.pieces();
        }
    }
}
