//! Where somebody wanted to go before the sign-in came between.

use url::form_urlencoded;

/// Longest path that is led back to, bytes.
const LONGEST: usize = 300;

/// Where to after the sign-in, if there is no other wish.
const HOME: &str = "/desk";

/// A path of the sign-in that remembers where to go from there.
pub(super) fn after(to: &str, next: &str) -> String {
    match sound(next) {
        Some(next) if next != HOME => {
            let query = form_urlencoded::Serializer::new(String::new()).append_pair("next", next).finish();
            format!("{to}?{query}")
        }
        _ => to.to_owned(),
    }
}

/// Where to go: `asked` if it is a path of the desk, and nothing that a browser could read as another host.
pub(super) fn or_home(asked: &str) -> &str {
    sound(asked).unwrap_or(HOME)
}

fn sound(path: &str) -> Option<&str> {
    let rest = path.strip_prefix(HOME)?;
    let is_plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '/' | '-' | '_' | '.' | '~' | '?' | '=' | '&');
    let is_sound = path.len() <= LONGEST
        && (rest.is_empty() || rest.starts_with('/') || rest.starts_with('?'))
        && path.chars().all(is_plain)
        && !path.contains("//")
        && !path.contains("..");
    // Back to the sign-in would be a circle.
    let is_page = !["/sign-in", "/code", "/second-factor", "/sign-out"].iter().any(|of| rest.starts_with(of));
    (is_sound && is_page).then_some(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_paths_of_the_desk_are_led_back_to() {
        for path in ["/desk", "/desk/notice/n-2026_1", "/desk/account", "/desk?region=north&on=2026-03-01"] {
            assert_eq!(or_home(path), path);
        }
        for path in [
            "",
            "/",
            "desk",
            "/desks",
            "//desk",
            "/desk//example.org",
            "https://example.org/desk",
            "//example.org/desk",
            "/\\example.org",
            "/desk\\",
            "/desk/../..//example.org",
            "/desk/%2e%2e//example.org",
            "/desk/%0d%0aSet-Cookie:a=b",
            "/desk\r\nLocation:x",
            "/desk/é",
            "/desk@example.org",
            "/desk:80",
            "/sign-up",
            "/desk/sign-in",
            "/desk/code?next=/desk",
            &format!("/desk/{}", "a".repeat(300)),
        ] {
            assert_eq!(or_home(path), HOME, "{path}");
        }
        assert_eq!(after("/desk/sign-in", "/desk/notice/1?a=b"), "/desk/sign-in?next=%2Fdesk%2Fnotice%2F1%3Fa%3Db");
        assert_eq!(after("/desk/sign-in", "//example.org"), "/desk/sign-in");
        assert_eq!(after("/desk/sign-in", "/desk"), "/desk/sign-in");
    }
}
