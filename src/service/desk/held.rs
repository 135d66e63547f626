//! What staff leave with a notice that they hold, and what is said of a hold that ended by its time, or with its notice.

use chrono::{DateTime, Days, NaiveTime, Utc};
use chrono_tz::Tz;

use super::local;
use crate::season::NoticeStatus;
use crate::season::decide::SkipReason;
use crate::service::app::App;
use crate::store::StoreError;
use crate::store::acts::Act;
use crate::store::notices::{Notice, NoticeState, hold_end_of};

/// So many acts on a notice are read to find who held it.
pub(super) const ACTS_READ: u32 = 20;

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

/// When a notice was skipped, where that was noted.
pub(super) async fn skipped_at(app: &App, notice: &Notice) -> Result<Option<DateTime<Utc>>, StoreError> {
    app.store.told_staff_at(&format!("skipped/{}", notice.id)).await
}

/// From when on one whose time ran out was of no use.
pub(super) async fn useless_since(app: &App, notice: &Notice) -> Result<DateTime<Utc>, StoreError> {
    Ok(skipped_at(app, notice).await?.map_or(notice.expires_at, |at| at.min(notice.expires_at)))
}

/// Whether one that was skipped came to be of no use; one whose time ran out keeps the reason for which it was decided.
pub(super) fn ran_out(skipped: &Notice) -> bool {
    matches!(serde_json::from_value::<SkipReason>(skipped.reason.clone()), Ok(SkipReason::PastUse { .. }) | Err(_))
}

/// The end of a hold, behind "until": `Tue, Mar 17, 9:00 AM MDT`; of one that ends at midnight the day that it lasts through, since
/// "Tue, 12:00 AM" reads like noon or like the end of that day: `the end of Mon, Mar 16`.
pub(super) fn hold_end(until: DateTime<Utc>, zone: Tz) -> String {
    let there = until.with_timezone(&zone).naive_local();
    let last = there.date().checked_sub_days(Days::new(1)).filter(|_| there.time() == NaiveTime::MIN);
    last.map_or_else(|| local(until, zone), |last| last.format("the end of %a, %b %-d").to_string())
}

/// Until when a hold was to last, behind who held it, as the row of the act tells: `, until Tue, Mar 17, 9:00 AM MDT`,
/// `, with no end`; nothing where the row is of another hold.
pub(super) fn end_words(detail: &str, note: &str, zone: Tz) -> String {
    match hold_end_of(detail, note) {
        Some(until) => format!(", until {}", hold_end(until, zone)),
        None if detail == note => ", with no end".to_owned(),
        None => String::new(),
    }
}

/// What staff left with a notice that is held no more, and that they did not end or recall: a later word has a note of its own.
pub(super) fn past_note(notice: &Notice) -> Option<&str> {
    let is_held = matches!(notice.state, NoticeState::Held { .. });
    notice.staff_note.as_deref().filter(|note| !is_held && note.starts_with(HELD_BY))
}

/// A hold that ended by its time.
pub(super) struct EndedHold<'a> {
    note: &'a str,
    /// Its end, where the act of the hold is kept.
    pub until: Option<DateTime<Utc>>,
}

impl EndedHold<'_> {
    /// `M. Reyes until Tue, Mar 17, 9:00 AM MDT (the crew looks first)`.
    fn words(&self, zone: Tz) -> String {
        let (by, why) = by_and_why(self.note.trim_end_matches('.'));
        let until = self.until.map_or_else(String::new, |until| format!(" until {}", hold_end(until, zone)));
        let why = if why.is_empty() { String::new() } else { format!(" ({why})") };
        format!("{by}{until}{why}")
    }
}

/// The hold of a notice that ended by its time; `None`: it was not held, is held now, or somebody sent it from the hold.
pub(super) async fn ended_hold<'a>(app: &App, notice: &'a Notice) -> Result<Option<EndedHold<'a>>, StoreError> {
    let Some(note) = past_note(notice) else { return Ok(None) };
    let acts = app.store.audit_of(&format!("notice/{}", notice.id), ACTS_READ).await?;
    let is_of_it = |detail: &str| detail == note || hold_end_of(detail, note).is_some();
    let held = acts.iter().find(|entry| entry.act == Act::NoticeHeld.as_str() && is_of_it(&entry.detail));
    let until = held.and_then(|entry| hold_end_of(&entry.detail, note));
    let sent_at = acts.iter().find(|entry| entry.act == Act::NoticeReleased.as_str()).map(|entry| entry.at);
    let has_ended = match &notice.state {
        NoticeState::Waiting => true,
        // Nothing leaves by itself from a hold.
        NoticeState::Released { by, .. } if by == "policy" => true,
        NoticeState::Released { .. } | NoticeState::Leaving { .. } => {
            until.zip(sent_at).is_some_and(|(until, sent)| until <= sent)
        }
        NoticeState::Skipped => {
            let end = useless_since(app, notice).await?;
            until.is_some_and(|until| until < end)
        }
        NoticeState::Held { .. } | NoticeState::Cancelled => false,
    };
    Ok(has_ended.then_some(EndedHold { note, until }))
}

/// `It had been held by M. Reyes until Tue, Mar 17, 9:00 AM MDT (the crew looks first).` where a hold ended by its time; of one that
/// was skipped after that, how long it waited for a word, too. Of one that was skipped while it was held, that it was.
pub(super) async fn said_of_ended(app: &App, notice: &Notice, zone: Tz) -> Result<Option<String>, StoreError> {
    let Some(hold) = ended_hold(app, notice).await? else { return skipped_while_held(app, notice, zone).await };
    let held = hold.words(zone);
    if notice.status() == NoticeStatus::Skipped && notice.approval_needed().is_some() {
        let end = local(useless_since(app, notice).await?, zone);
        return Ok(Some(format!("It waited for a word of staff until {end}; it had been held by {held}.")));
    }
    Ok(Some(format!("It had been held by {held}.")))
}

/// `It was held by M. Reyes, with no end (the crew looks first), when it was skipped on Mon, Mar 16, 12:00 PM MDT.`
async fn skipped_while_held(app: &App, notice: &Notice, zone: Tz) -> Result<Option<String>, StoreError> {
    let Some(note) = past_note(notice).filter(|_| notice.status() == NoticeStatus::Skipped) else { return Ok(None) };
    let acts = app.store.audit_of(&format!("notice/{}", notice.id), ACTS_READ).await?;
    let held = acts.iter().find(|entry| entry.act == Act::NoticeHeld.as_str());
    let end = held.map_or_else(String::new, |entry| end_words(&entry.detail, note, zone));
    let (by, why) = by_and_why(note.trim_end_matches('.'));
    let why = if why.is_empty() { String::new() } else { format!(" ({why})") };
    let came = match ran_out(notice) {
        true => "until it was of no use".to_owned(),
        false => {
            let at = skipped_at(app, notice).await?;
            format!("when it was skipped{}", at.map_or_else(String::new, |at| format!(" on {}", local(at, zone))))
        }
    };
    Ok(Some(format!("It was held by {by}{end}{why}, {came}.")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hold_that_ends_at_midnight_lasts_through_the_day_before() {
        let zone = chrono_tz::America::Denver;
        for (until, said) in [
            ("2026-03-17T06:00:00Z", "the end of Mon, Mar 16"),
            ("2026-03-17T06:01:00Z", "Tue, Mar 17, 12:01 AM MDT"),
            ("2026-03-17T18:00:00Z", "Tue, Mar 17, 12:00 PM MDT"),
        ] {
            assert_eq!(hold_end(until.parse().unwrap(), zone), said);
        }
    }
}
