//! What a page says of the form that led to it.

use crate::web::forms::{Typed, field};

/// A form that was not taken.
pub(super) struct Refused<'a> {
    pub form: &'a str,
    pub why: String,
    pub typed: &'a Typed,
}

/// What `?done=` says, of what it may say.
pub(super) fn done_of(may_say: &[&'static str], query: &Typed) -> Option<&'static str> {
    may_say.iter().copied().find(|done| *done == field(query, "done"))
}
