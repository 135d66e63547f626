//! What can be wrong with a template, and where.

use std::fmt;

/// One thing wrong with one file.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TemplateFault {
    /// A path, or `built-in` and a name.
    pub file: String,
    pub line: Option<usize>,
    pub what: String,
}

impl fmt::Display for TemplateFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}:{line}: {}", self.file, self.what),
            None => write!(f, "{}: {}", self.file, self.what),
        }
    }
}

/// All that is wrong with the files, one a line.
#[derive(Debug, thiserror::Error)]
#[error("{}", .0.iter().map(TemplateFault::to_string).collect::<Vec<_>>().join("\n"))]
pub struct TemplateFaults(pub Vec<TemplateFault>);

/// Why a message could not be written.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, thiserror::Error)]
#[error("{0}")]
pub struct RenderError(pub TemplateFault);

/// The first line on which a name stands as a word of its own inside a tag.
pub(super) fn line_of(source: &str, name: &str) -> Option<usize> {
    let mut inside = false;
    for (at, line) in source.lines().enumerate() {
        let mut rest = line;
        loop {
            if inside {
                let (tag, after) = match [rest.find("}}"), rest.find("%}")].into_iter().flatten().min() {
                    Some(end) => rest.split_at(end),
                    None => (rest, ""),
                };
                if tag.split(|c: char| !(c.is_alphanumeric() || c == '_')).any(|word| word == name) {
                    return Some(at + 1);
                }
                if after.is_empty() {
                    break;
                }
                inside = false;
                rest = after;
            } else {
                match [rest.find("{{"), rest.find("{%")].into_iter().flatten().min() {
                    Some(start) => {
                        inside = true;
                        rest = rest.split_at(start).1;
                    }
                    None => break,
                }
            }
        }
    }
    None
}
