//! How often somebody may try to sign in: the one place that says it.
//!
//! A lock on an account is a weapon: whoever knows a name could keep its holder out. So what slows a guesser is bound to where
//! the guesses come from, and a browser that its holder has signed in with before is counted alone, by a cookie that we gave it
//! then (OWASP, "Device cookies": <https://owasp.org/www-community/Slow_Down_Online_Guessing_Attacks_with_Device_Cookies>).
//! Guesses from anywhere else share a budget a day, after which only such browsers are served until the day is over.

use chrono::TimeDelta;

/// So many wrong tries cost nothing: people mistype.
const FREE: u32 = 4;

/// After the next wrong try; twice as long after each one more.
const FIRST_PAUSE: TimeDelta = TimeDelta::seconds(30);
const LONGEST_PAUSE: TimeDelta = TimeDelta::minutes(15);

/// Wrong tries at one account in a day from browsers that it is not known to have used. NIST SP 800-63B-4, section 3.2.2, from
/// memory, allows no more than 100 in a row; the day's end is our addition.
pub const STRANGERS_PER_DAY: u32 = 100;

/// Wrong tries from one network in an hour, whatever the names: common practice, no source.
pub const PER_NETWORK_PER_HOUR: u32 = 100;

/// Wrong codes of one half-done sign-in, after which it starts with the password again.
pub const CODES_PER_SIGN_IN: u32 = 5;

/// What wrong tries are counted by, and how they slow the next one down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slows {
    /// Each wrong try makes the next one wait longer. Forgotten a day after the last.
    Pauses,
    /// So many in a time, counted from the first; then none until that time is over.
    Budget { most: u32, within: TimeDelta },
}

/// What was counted: how many, and when the first and the last were, as time that passed since.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counted {
    pub wrong: u32,
    pub first_ago: TimeDelta,
    pub last_ago: TimeDelta,
}

impl Slows {
    pub const STRANGERS: Slows = Slows::Budget { most: STRANGERS_PER_DAY, within: TimeDelta::days(1) };
    pub const NETWORK: Slows = Slows::Budget { most: PER_NETWORK_PER_HOUR, within: TimeDelta::hours(1) };

    /// Whether what was counted is of no more use.
    pub fn forgets(self, counted: &Counted) -> bool {
        match self {
            Slows::Pauses => counted.last_ago >= TimeDelta::days(1),
            Slows::Budget { within, .. } => counted.first_ago >= within,
        }
    }

    /// How long the next try has to wait; nothing when it may be made now.
    pub fn wait(self, counted: &Counted) -> Option<TimeDelta> {
        if self.forgets(counted) {
            return None;
        }
        let wait = match self {
            Slows::Pauses => pause_after(counted.wrong) - counted.last_ago,
            Slows::Budget { most, within } if counted.wrong >= most => within - counted.first_ago,
            Slows::Budget { .. } => TimeDelta::zero(),
        };
        (wait > TimeDelta::zero()).then_some(wait)
    }
}

/// How long to wait after so many wrong tries in a row.
pub fn pause_after(wrong: u32) -> TimeDelta {
    match wrong.checked_sub(FREE + 1) {
        None => TimeDelta::zero(),
        Some(doublings) => {
            FIRST_PAUSE.checked_mul(1 << doublings.min(20)).map_or(LONGEST_PAUSE, |pause| pause.min(LONGEST_PAUSE))
        }
    }
}

/// Whether so many wrong tries are news to whoever reads the audit: at the first pause, and at each doubling.
pub fn is_news(wrong: u32) -> bool {
    wrong > FREE && wrong.is_multiple_of(FREE + 1) && (wrong / (FREE + 1)).is_power_of_two()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(wrong: u32, first_s: i64, last_s: i64) -> Counted {
        Counted { wrong, first_ago: TimeDelta::seconds(first_s), last_ago: TimeDelta::seconds(last_s) }
    }

    #[test]
    fn pauses_grow_and_end() {
        let seconds: Vec<i64> = (3..=12).map(|wrong| pause_after(wrong).num_seconds()).collect();
        assert_eq!(seconds, [0, 0, 30, 60, 120, 240, 480, 900, 900, 900]);
        assert_eq!(pause_after(u32::MAX), LONGEST_PAUSE);
        let wait = |wrong, last| Slows::Pauses.wait(&counted(wrong, 86_399, last)).map(|wait| wait.num_seconds());
        assert_eq!(
            [wait(4, 0), wait(5, 0), wait(5, 29), wait(5, 30), wait(99, 899)],
            [None, Some(30), Some(1), None, Some(1)]
        );
        assert!(Slows::Pauses.forgets(&counted(99, 200_000, 86_400)));
    }

    #[test]
    fn a_budget_comes_back_when_its_time_is_over() {
        let wait = |wrong, first| Slows::STRANGERS.wait(&counted(wrong, first, 0)).map(|wait| wait.num_seconds());
        assert_eq!(
            [wait(99, 10), wait(100, 10), wait(100, 86_399), wait(100, 86_400)],
            [None, Some(86_390), Some(1), None]
        );
    }

    #[test]
    fn a_row_is_written_at_the_first_pause_and_at_each_doubling() {
        let told: Vec<u32> = (0..100).filter(|wrong| is_news(*wrong)).collect();
        assert_eq!(told, [5, 10, 20, 40, 80]);
    }

    // 96 pauses of 15 minutes in a day, three codes in force of a million: less than three in ten thousand a day.
    #[test]
    fn a_code_cannot_be_guessed_in_a_day() {
        let (mut wrong, mut seconds) = (0_u32, 0);
        while seconds < 86_400 {
            wrong += 1;
            seconds += pause_after(wrong).num_seconds();
        }
        assert!(f64::from(wrong) * 3.0 / 1e6 < 5e-4, "{wrong} tries");
    }
}
