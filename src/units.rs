//! Units: °C and °F, feet and metres. Everything inside is °C, metres and °C·day; other units exist where people ask
//! only.

/// °F to °C.
pub fn f_to_c(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// °C to °F.
pub fn c_to_f(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

/// °C·day to °F·day: a difference of temperatures has no offset.
pub fn dd_c_to_f(degree_days_c: f64) -> f64 {
    degree_days_c * 1.8
}

/// International feet to metres: exactly 0.3048 m by definition (international yard and pound agreement, 1959).
pub fn feet_to_m(feet: f64) -> f64 {
    feet * 0.3048
}

/// A height above the sea that somebody gives in feet, in metres to the decimetre, so that no tail of digits is left. Every
/// height of land, bands and trees goes this way: 5,600 ft are then the same height whoever says it.
pub fn height_of_feet(feet: f64) -> f64 {
    to_decimetre(feet_to_m(feet))
}

/// A height as somebody types it, in metres to the decimetre: `5,600`, `5600 ft` and `5,600'` in feet, `1700 m` in metres.
pub fn height_of_words(text: &str) -> Option<f64> {
    let plain = text.trim().replace(',', "").to_lowercase();
    let end = plain.find(|c: char| !c.is_ascii_digit() && !"+-. ".contains(c)).unwrap_or(plain.len());
    let (number, unit) = plain.split_at(end);
    let number = number.trim().parse::<f64>().ok().filter(|number| number.is_finite())?;
    match unit.trim_end_matches('.') {
        "" | "ft" | "feet" | "foot" | "'" | "’" | "′" => Some(height_of_feet(number)),
        "m" | "meter" | "meters" | "metre" | "metres" => Some(to_decimetre(number)),
        _ => None,
    }
}

/// To the decimetre: no elevation is known better.
pub fn to_decimetre(metres: f64) -> f64 {
    (metres * 10.0).round() / 10.0
}

/// Metres to international feet.
pub fn m_to_feet(metres: f64) -> f64 {
    metres / 0.3048
}

/// Metres as whole feet, thousands set apart by a comma, as both languages of the Southwest write them: `6,500`.
pub fn grouped_feet(metres: f64) -> String {
    let feet = format!("{:.0}", m_to_feet(metres).abs());
    let digits = feet.len();
    let mut text = String::with_capacity(digits + 2);
    if m_to_feet(metres) <= -0.5 {
        text.push('-');
    }
    for (at, digit) in feet.chars().enumerate() {
        if at > 0 && (digits - at).is_multiple_of(3) && digit.is_ascii_digit() {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_points_convert_both_ways() {
        // By definition water freezes at 0 °C = 32 °F, and the scales meet at -40.
        assert_eq!(f_to_c(32.0), 0.0);
        assert_eq!(c_to_f(-40.0), -40.0);
        assert_eq!(dd_c_to_f(100.0), 180.0);
    }

    #[test]
    fn a_foot_is_the_international_one() {
        // Exact by definition since 1959. With the older US survey foot, 1200/3937 m, the first would be 3048.006 m.
        assert_eq!(feet_to_m(10_000.0), 3_048.0);
        assert_eq!(m_to_feet(3_048.0), 10_000.0);
        assert_eq!(feet_to_m(5_280.0), 1_609.344);
    }

    #[test]
    fn a_height_is_read_with_its_unit() {
        for (typed, metres) in [
            ("5600", Some(1706.9)),
            ("5,600 ft", Some(1706.9)),
            ("5600 Feet.", Some(1706.9)),
            ("5,600'", Some(1706.9)),
            (" 1,707 m ", Some(1707.0)),
            ("1707meters", Some(1707.0)),
            ("-282 ft", Some(-86.0)),
            ("5600 yd", None),
            ("high", None),
            ("ft", None),
        ] {
            assert_eq!(height_of_words(typed), metres, "{typed}");
        }
    }

    #[test]
    fn feet_are_written_with_their_thousands_apart() {
        for (metres, text) in
            [(1981.2, "6,500"), (3048.0, "10,000"), (30.48, "100"), (0.0, "0"), (-0.1, "0"), (-86.0, "-282")]
        {
            assert_eq!(grouped_feet(metres), text);
        }
        assert_eq!(grouped_feet(f64::NAN), "NaN");
    }
}
