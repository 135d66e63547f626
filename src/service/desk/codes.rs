//! The second factor's codes: RFC 6238 with SHA-1, six digits and steps of thirty seconds, which every authenticator app knows.

use chrono::{DateTime, Utc};
use data_encoding::BASE32_NOPAD;
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use ring::hmac;

use crate::people::account::AccountName;
use crate::service::subscribe::tokens::same;

/// RFC 4226, section 4, R6: 160 bits are recommended.
pub const SECRET_BYTES: usize = 20;

const STEP_S: i64 = 30;
const DIGITS: u32 = 6;

/// RFC 6238, section 5.2: one step back for the way of a code. One forward as well, for a phone whose clock runs ahead.
const EITHER_SIDE: i64 = 1;

/// The step of an instant.
pub fn step_of(at: DateTime<Utc>) -> i64 {
    at.timestamp().div_euclid(STEP_S)
}

/// The code of a step.
pub fn code_at(secret: &[u8], step: i64) -> String {
    truncated(secret, step, DIGITS)
}

/// RFC 4226, section 5.3.
fn truncated(secret: &[u8], step: i64, digits: u32) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA1_FOR_LEGACY_USE_ONLY, secret);
    let tag = hmac::sign(&key, &step.to_be_bytes());
    let bytes = tag.as_ref();
    let at = usize::from(bytes[bytes.len() - 1] & 0x0f);
    let number = bytes[at..at + 4].iter().fold(0_u32, |number, byte| (number << 8) | u32::from(*byte)) & 0x7fff_ffff;
    format!("{:0width$}", number % 10_u32.pow(digits), width = digits as usize)
}

/// The step that a code is of, if it is one in force and later than the last that was taken (`after`).
pub(super) fn step_of_code(secret: &[u8], given: &str, after: i64, now: DateTime<Utc>) -> Option<i64> {
    let digits: String = given.chars().filter(|c| !c.is_whitespace()).collect();
    let here = step_of(now);
    // All are looked at, so that the time taken tells nothing.
    let found = (here - EITHER_SIDE..=here + EITHER_SIDE)
        .fold(None, |found, step| if same(&code_at(secret, step), &digits) { Some(step) } else { found });
    found.filter(|step| *step > after)
}

/// The secret as people type it in: in fours.
pub(super) fn spelled(secret: &[u8]) -> String {
    let text = BASE32_NOPAD.encode(secret);
    let fours: Vec<&str> = (0..text.len()).step_by(4).map(|at| &text[at..text.len().min(at + 4)]).collect();
    fours.join(" ")
}

/// The address that an authenticator app reads out of the picture. Its form is the apps' own: common practice, no standard.
pub fn setup_uri(secret: &[u8], of: &AccountName, issuer: &str) -> String {
    let shown = |text: &str| utf8_percent_encode(text, NON_ALPHANUMERIC).to_string();
    let issuer = shown(issuer);
    format!("otpauth://totp/{issuer}:{}?secret={}&issuer={issuer}", shown(of.as_str()), BASE32_NOPAD.encode(secret))
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 6238, appendix B, the rows of SHA-1: secret `12345678901234567890`, eight digits.
    #[test]
    fn codes_are_those_of_the_rfc() {
        for (second, code) in [
            (59, "94287082"),
            (1_111_111_109, "07081804"),
            (1_111_111_111, "14050471"),
            (1_234_567_890, "89005924"),
            (2_000_000_000, "69279037"),
            (20_000_000_000, "65353130"),
        ] {
            let step = step_of(DateTime::from_timestamp(second, 0).unwrap());
            assert_eq!(truncated(b"12345678901234567890", step, 8), code, "at {second}");
            assert_eq!(code_at(b"12345678901234567890", step), code[2..], "six digits are the last of eight");
        }
    }

    // RFC 4226, appendix D.
    #[test]
    fn codes_are_those_of_the_rfc_before() {
        let codes =
            ["755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"];
        for (step, code) in (0..).zip(codes) {
            assert_eq!(code_at(b"12345678901234567890", step), code);
        }
    }

    #[test]
    fn a_code_is_taken_a_step_before_and_after_but_none_before_the_last_taken() {
        let (secret, now) = (b"12345678901234567890", DateTime::from_timestamp(1_111_111_111, 0).unwrap());
        let here = step_of(now);
        for (ahead, wanted) in [(-2, None), (-1, Some(here - 1)), (0, Some(here)), (1, Some(here + 1)), (2, None)] {
            assert_eq!(step_of_code(secret, &code_at(secret, here + ahead), 0, now), wanted, "{ahead}");
        }
        assert_eq!(step_of_code(secret, &code_at(secret, here), here, now), None, "taken before");
        assert_eq!(step_of_code(secret, &code_at(secret, here + 1), here, now), Some(here + 1));
        let code = code_at(secret, here);
        assert_eq!(step_of_code(secret, &format!("{} {}", &code[..3], &code[3..]), 0, now), Some(here));
        for wrong in ["", "0", "000000", "abcdef", &format!("{code}0")] {
            assert_eq!(step_of_code(secret, wrong, 0, now), None, "{wrong}");
        }
    }

    #[test]
    fn a_secret_is_spelled_in_fours_and_put_into_an_address() {
        let name = AccountName::parse("maria").unwrap();
        // RFC 4648, section 10: "foobar" is MZXW6YTBOI.
        assert_eq!(spelled(b"foobar"), "MZXW 6YTB OI");
        let uri = setup_uri(b"foobar", &name, "Pinyon & Co");
        assert_eq!(uri, "otpauth://totp/Pinyon%20%26%20Co:maria?secret=MZXW6YTBOI&issuer=Pinyon%20%26%20Co");
    }
}
