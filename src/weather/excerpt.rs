//! Foreign text in a message of ours: short, and harmless to a terminal and a log.

/// At most `longest` characters and a sign that more followed; blanks at the ends cut, control characters escaped.
pub(crate) fn excerpt(text: &str, longest: usize) -> String {
    let mut shown = String::new();
    let mut length = 0;
    for c in text.trim().chars() {
        let escaped = crate::text::is_hidden(c).then(|| c.escape_default());
        let width = escaped.as_ref().map_or(1, ExactSizeIterator::len);
        if length + width > longest {
            shown.push('…');
            break;
        }
        length += width;
        match escaped {
            Some(escaped) => shown.extend(escaped),
            None => shown.push(c),
        }
    }
    shown
}
