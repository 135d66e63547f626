//! What staff leave with a notice that they hold.

use crate::season::NoticeStatus;
use crate::store::notices::Notice;

const HELD_BY: &str = "held by ";

/// What staff left with a notice that they held before it was skipped: `held by M. Reyes: the crew looks first`.
pub(super) fn hold_note(notice: &Notice) -> Option<&str> {
    let note = notice.staff_note.as_deref().filter(|_| notice.status() == NoticeStatus::Skipped)?;
    note.starts_with(HELD_BY).then(|| note.trim_end_matches('.'))
}

/// Who held a notice, and why, by what staff left with it.
pub(super) fn by_and_why(note: &str) -> (&str, &str) {
    match note.strip_prefix(HELD_BY) {
        Some(said) => said.split_once(": ").unwrap_or((said, "")),
        None => ("", note),
    }
}
