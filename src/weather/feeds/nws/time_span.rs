//! Spans of time in the forms of ISO 8601.

use chrono::{DateTime, Days, Duration, Months, SubsecRound, Utc};

/// ISO 8601: start/end, start/duration or duration/end; `NOW` stands for this moment.
pub(super) fn interval(text: &str, now: DateTime<Utc>) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let (left, right) = text.trim().split_once('/')?;
    let instant = |text: &str| {
        if text == "NOW" {
            return Some(now.trunc_subsecs(0));
        }
        DateTime::parse_from_rfc3339(text).ok().map(|at| at.to_utc())
    };
    let (start, end) = match (Span::parse(left), Span::parse(right)) {
        (None, None) => (instant(left)?, instant(right)?),
        (None, Some(span)) => {
            let start = instant(left)?;
            (start, span.after(start)?)
        }
        (Some(span), None) => {
            let end = instant(right)?;
            (span.before(end)?, end)
        }
        (Some(_), Some(_)) => return None,
    };
    (start < end).then_some((start, end))
}

/// An ISO 8601 duration such as `PT13H`, `P1DT6H`, `P7DT20H`, `P1W`, `PT30M`, `P1M`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Span {
    months: u32,
    days: u64,
    seconds: i64,
}

impl Span {
    fn parse(text: &str) -> Option<Self> {
        let mut rest = text.strip_prefix('P')?;
        let mut span = Span::default();
        let mut in_time = false;
        let mut parts = 0;
        while !rest.is_empty() {
            if let Some(after) = rest.strip_prefix('T') {
                if in_time || after.is_empty() {
                    return None;
                }
                in_time = true;
                rest = after;
                continue;
            }
            let digits = rest.find(|c: char| !c.is_ascii_digit())?;
            let (number, after) = rest.split_at(digits);
            let number: u32 = number.parse().ok().filter(|number| *number <= 1_000_000)?;
            let mut characters = after.chars();
            let wide = i64::from(number);
            match (in_time, characters.next()?) {
                (false, 'Y') => span.months = span.months.checked_add(number.checked_mul(12)?)?,
                (false, 'M') => span.months = span.months.checked_add(number)?,
                (false, 'W') => span.days = span.days.checked_add(u64::from(number) * 7)?,
                (false, 'D') => span.days = span.days.checked_add(u64::from(number))?,
                (true, 'H') => span.seconds = span.seconds.checked_add(wide * 3600)?,
                (true, 'M') => span.seconds = span.seconds.checked_add(wide * 60)?,
                (true, 'S') => span.seconds = span.seconds.checked_add(wide)?,
                _ => return None,
            }
            rest = characters.as_str();
            parts += 1;
        }
        (parts > 0).then_some(span)
    }

    fn after(self, start: DateTime<Utc>) -> Option<DateTime<Utc>> {
        start
            .checked_add_months(Months::new(self.months))?
            .checked_add_days(Days::new(self.days))?
            .checked_add_signed(Duration::try_seconds(self.seconds)?)
    }

    fn before(self, end: DateTime<Utc>) -> Option<DateTime<Utc>> {
        end.checked_sub_months(Months::new(self.months))?
            .checked_sub_days(Days::new(self.days))?
            .checked_sub_signed(Duration::try_seconds(self.seconds)?)
    }
}
