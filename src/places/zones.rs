//! The clock of a state, for lists that name states and no time zones.

use chrono_tz::{America, Pacific, Tz};

/// The zone of a state that has one clock, by its two letters as GHCN-Daily's list has them. `None` of those with several,
/// and of letters that are no state's. From the IANA time zone database (from memory, which names each zone after a city of
/// it); in Arizona the Navajo Nation changes its clocks and the rest of the state does not, so a place there wants a word of
/// its own.
pub fn zone_of_state(state: &str) -> Option<Tz> {
    Some(match state {
        "AZ" => America::Phoenix,
        "CO" | "MT" | "NM" | "UT" | "WY" => America::Denver,
        "CA" | "NV" | "WA" => America::Los_Angeles,
        "AR" | "IA" | "IL" | "LA" | "MN" | "MO" | "MS" | "OK" | "WI" | "AL" => America::Chicago,
        "CT" | "DC" | "DE" | "GA" | "MA" | "MD" | "ME" | "NC" | "NH" | "NJ" | "NY" | "OH" | "PA" | "RI" | "SC"
        | "VA" | "VT" | "WV" => America::New_York,
        "HI" => Pacific::Honolulu,
        "PR" => America::Puerto_Rico,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_with_one_clock_has_it_and_one_with_two_has_none() {
        assert_eq!(zone_of_state("AZ"), Some(America::Phoenix));
        assert_eq!(zone_of_state("NV"), Some(America::Los_Angeles));
        for several in ["TX", "ID", "OR", "KS", "NE", "SD", "ND", "FL", "TN", "KY", "IN", "MI", "AK", "XA", ""] {
            assert_eq!(zone_of_state(several), None, "{several}");
        }
    }
}
