//! A list of people as CSV, taken in by one transaction or only tried.

use chrono::{DateTime, Utc};

use crate::people::NewSubscriber;
use crate::people::csv::{Line, LineFault, List};
use crate::store::acts::Act;
use crate::store::enrol_many::Enrolling;
use crate::store::enrolment::Enrolled;
use crate::store::{Store, StoreError};

/// Lines between two words of how far it is.
const LINES_AT_ONCE: usize = 4000;

/// Lines that are named one by one.
const LINES_NAMED: usize = 12;

/// What becomes of a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// Nothing is kept.
    Try,
    /// Nothing is kept where a line is bad.
    AllOrNone,
    /// The good lines are kept.
    GoodLines,
}

/// What came of a list, or would come of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Taken {
    pub added: u64,
    /// Known, and something is new of them.
    pub extended: u64,
    /// Lines of those who were extended, in their order.
    pub extended_lines: Vec<u64>,
    pub unchanged: u64,
    /// Every bad line, in their order.
    pub faults: Vec<LineFault>,
    /// Whether it was kept.
    pub kept: bool,
}

/// Such as `line 3`, `lines 3, 5 and 9`, or of many `lines 3, 5, 9 and 40 more`; empty for none.
pub fn lines_in_words(lines: &[u64]) -> String {
    let (named, more) = lines.split_at(lines.len().min(LINES_NAMED));
    let named: Vec<String> = named.iter().map(ToString::to_string).collect();
    match (named.split_last(), more.len()) {
        (None, _) => String::new(),
        (Some((only, [])), 0) => format!("line {only}"),
        (Some((last, others)), 0) => format!("lines {} and {last}", others.join(", ")),
        (Some(_), more) => format!("lines {} and {more} more", named.join(", ")),
    }
}

/// Takes a list in: one transaction for all, so that a reader sees the list whole or not at all, and one row of the audit.
/// `may`: what is wrong with a line for whoever brings it; `heard`: after how many lines.
///
/// # Errors
/// When the store fails; then nothing was kept.
pub async fn take_in(
    store: &Store,
    list: &List,
    (source, manner): (&str, Manner),
    now: DateTime<Utc>,
    may: &(dyn Fn(&NewSubscriber) -> Result<(), String> + Sync),
    heard: &(dyn Fn(u64) + Sync),
) -> Result<Taken, StoreError> {
    let mut taken = Taken { faults: list.faults.clone(), ..Taken::default() };
    let mut lines: Vec<&Line> = Vec::with_capacity(list.lines.len());
    for line in &list.lines {
        match may(&line.subscriber) {
            Ok(()) => lines.push(line),
            Err(what) => taken.faults.push(LineFault { number: line.number, what }),
        }
    }
    let mut tx = store.begin_large().await?;
    let enrolling = Enrolling::begin(&mut tx, now).await?;
    for lines in lines.chunks(LINES_AT_ONCE) {
        let people: Vec<_> = lines.iter().map(|line| &line.subscriber).collect();
        for (line, outcome) in lines.iter().zip(enrolling.enrol(&mut tx, &people).await?) {
            match outcome {
                Ok(Enrolled::Added { .. }) => taken.added += 1,
                Ok(Enrolled::Extended { .. }) => {
                    taken.extended += 1;
                    taken.extended_lines.push(line.number);
                }
                Ok(Enrolled::Unchanged { .. }) => taken.unchanged += 1,
                Err(why) => taken.faults.push(LineFault { number: line.number, what: why.to_string() }),
            }
        }
        heard(lines.len() as u64);
    }
    taken.faults.sort_by_key(|fault| fault.number);
    taken.kept = match manner {
        Manner::Try => false,
        Manner::AllOrNone => taken.faults.is_empty(),
        Manner::GoodLines => true,
    };
    if !taken.kept {
        tx.rollback().await?;
        return Ok(taken);
    }
    let Taken { added, extended, unchanged, .. } = taken;
    let detail = format!("{source}: {added} added, {extended} extended, {unchanged} unchanged");
    tx.note_act(Act::SubscribersImported, "subscribers", &detail).await?;
    tx.commit().await?;
    Ok(taken)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_many_lines_the_first_are_named_and_the_others_counted() {
        for (lines, words) in [
            (Vec::new(), ""),
            (vec![3], "line 3"),
            (vec![3, 5, 9], "lines 3, 5 and 9"),
            ((2..=13).collect(), "lines 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 and 13"),
            ((2..=53).collect(), "lines 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13 and 40 more"),
        ] {
            assert_eq!(lines_in_words(&lines), words);
        }
    }
}
