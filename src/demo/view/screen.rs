//! Lines onto a terminal: one frame over the other, or plain lines one after the other.

use std::io::{self, IsTerminal, Write};

use crate::demo::view::draw::{Glyphs, Line, NARROWEST, Style, least_height};
use crate::season::NoticeKind;

/// How the outside wants to be written to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// One line an event, nothing drawn over.
    Plain,
    /// A frame that is drawn over and over.
    Live { width: usize, height: usize, glyphs: Glyphs, colour: bool },
}

/// What of the surroundings decides the manner.
#[derive(Clone, Debug, Default)]
pub struct Surroundings {
    pub is_terminal: bool,
    /// Rows and columns, where they are known.
    pub size: Option<(u16, u16)>,
    pub no_colour: bool,
    /// `TERM`, and the first of `LC_ALL`, `LC_CTYPE`, `LANG` that is set.
    pub term: Option<String>,
    pub locale: Option<String>,
}

impl Surroundings {
    /// Those of standard output.
    pub fn of_stdout() -> Self {
        let set = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
        Self {
            is_terminal: io::stdout().is_terminal(),
            size: console::Term::stdout().size_checked(),
            no_colour: set("NO_COLOR").is_some(),
            term: set("TERM"),
            locale: set("LC_ALL").or_else(|| set("LC_CTYPE")).or_else(|| set("LANG")),
        }
    }
}

impl Manner {
    /// Live on a terminal that is large enough for the regions and can move its cursor, else plain.
    pub fn choose(around: &Surroundings, regions: usize) -> Self {
        let Some((rows, columns)) = around.size else { return Manner::Plain };
        // One row below the frame is the cursor's.
        let (width, height) = (usize::from(columns), usize::from(rows).saturating_sub(1));
        let dumb = around.term.as_deref().is_none_or(|term| term == "dumb");
        if !around.is_terminal || dumb || width < NARROWEST || height < least_height(regions) {
            return Manner::Plain;
        }
        let locale = around.locale.as_deref().unwrap_or_default().to_ascii_lowercase();
        let unicode = locale.contains("utf-8") || locale.contains("utf8");
        let glyphs = if unicode { Glyphs::UNICODE } else { Glyphs::ASCII };
        Manner::Live { width: width.min(110), height, glyphs, colour: !around.no_colour }
    }

    pub fn glyphs(&self) -> Glyphs {
        match self {
            Manner::Plain => Glyphs::UNICODE,
            Manner::Live { glyphs, .. } => *glyphs,
        }
    }
}

/// Writes frames over each other.
pub struct Screen<W: Write> {
    out: W,
    /// Lines of the frame that stands there now, the cursor below it.
    standing: usize,
}

impl<W: Write> Screen<W> {
    pub fn new(out: W) -> Self {
        Self { out, standing: 0 }
    }

    /// Draws a frame over the last one, in one write so that it does not flicker.
    ///
    /// # Errors
    /// When the outside cannot be written to.
    pub fn show(&mut self, frame: &[Line], colour: bool) -> io::Result<()> {
        let mut text = String::new();
        if self.standing > 0 {
            text.push_str(&format!("\x1b[{}A\r", self.standing));
        }
        for line in frame {
            for span in line {
                match paint(span.style).filter(|_| colour) {
                    Some(code) => text.push_str(&format!("\x1b[{code}m{}\x1b[0m", span.text)),
                    None => text.push_str(&span.text),
                }
            }
            text.push_str("\x1b[K\n");
        }
        // What was longer before is wiped.
        text.push_str("\x1b[J");
        self.standing = frame.len();
        self.out.write_all(text.as_bytes())?;
        self.out.flush()
    }

    /// Writes lines below whatever stands there; later frames start afresh below them.
    ///
    /// # Errors
    /// When the outside cannot be written to.
    pub fn add(&mut self, lines: &[String]) -> io::Result<()> {
        for line in lines {
            writeln!(self.out, "{line}")?;
        }
        self.standing = 0;
        self.out.flush()
    }
}

fn paint(style: Style) -> Option<&'static str> {
    Some(match style {
        Style::Plain => return None,
        Style::Faint => "2",
        Style::Strong => "1",
        Style::Notice(NoticeKind::GetReady) => "33",
        Style::Notice(NoticeKind::InspectNow) => "1;32",
        Style::Notice(NoticeKind::WashNow) => "1;34",
        Style::Notice(NoticeKind::DeadlineMoved) => "34",
        Style::Notice(NoticeKind::LastDaysToWash) => "1;36",
        Style::Notice(NoticeKind::TooLateToWash) => "35",
    })
}
