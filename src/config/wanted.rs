//! What a setting wants whose value could not be read, in place of the words of the reader of TOML. What stands there is not
//! repeated: it may be a secret that was typed into the wrong place, and the line is named.

use crate::alarms::AlarmKind;

/// `path` is the setting, `said` what the reader of TOML says of it.
pub(super) fn wanted(path: &str, said: &str) -> String {
    if let Some(form) = own_form(path) {
        return format!("wants {form}");
    }
    let of_type = said.strip_prefix("invalid type: ").or_else(|| said.strip_prefix("invalid value: "));
    match of_type.and_then(|of_type| of_type.rsplit_once(", expected ")) {
        Some((_, expected)) => format!("wants {}", in_words(expected)),
        None => said.to_owned(),
    }
}

/// Settings of which their type says less than an example.
fn own_form(path: &str) -> Option<String> {
    let form = match path {
        "delivery.quiet_until" | "delivery.quiet_from" => "a time of the day in quotes, such as \"07:00\"",
        "schedule.time_zone" => "a time zone in quotes, such as \"America/Denver\"",
        "web.listen" | "watch.listen" => "an address and a port in quotes, such as \"127.0.0.1:8480\"",
        _ if path.starts_with("web.trusted_proxies[") => "an IP address in quotes, such as \"127.0.0.1\"",
        _ if path.starts_with("alarms.dates[") && path.ends_with(".on") => "a day in quotes, such as \"2026-12-31\"",
        _ if path.starts_with("alarms.recipients[") && path.contains(".kinds[") => {
            let names: Vec<String> = AlarmKind::ALL.iter().map(|kind| format!("`{}`", kind.name())).collect();
            return Some(format!("`season`, `service` or one of {}", names.join(", ")));
        }
        _ => return None,
    };
    Some(form.to_owned())
}

/// A type in words.
fn in_words(expected: &str) -> &str {
    match expected {
        "a boolean" => "true or false, without quotes",
        "a string" | "path string" => "text in quotes",
        "u8" => "a whole number from 0 to 255, without quotes",
        "u16" => "a whole number from 0 to 65535, without quotes",
        "u32" | "u64" | "usize" => "a whole number of 0 or more, without quotes",
        "i8" | "i16" | "i32" | "i64" | "isize" => "a whole number, without quotes",
        "f32" | "f64" => "a number, without quotes",
        "a sequence" => "a list in brackets, with commas between: [ … , … ]",
        "a map" => "names and their values: in braces, or as a section of its own",
        section if section.starts_with("struct ") => "settings of its own: in braces, or as a section",
        other => other,
    }
}
