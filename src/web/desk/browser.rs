//! A browser in words, so that people know their sessions apart. What it calls itself proves nothing.

/// Such as `Firefox on Android`; the first that fits counts, since most name the others too.
pub(super) fn in_words(agent: &str) -> String {
    let first = |of: &[(&str, &'static str)]| of.iter().find(|(sign, _)| agent.contains(sign)).map(|(_, name)| *name);
    let name = first(&[
        ("Edg", "Edge"),
        ("OPR/", "Opera"),
        ("SamsungBrowser", "Samsung Internet"),
        ("Firefox", "Firefox"),
        ("FxiOS", "Firefox"),
        ("CriOS", "Chrome"),
        ("Chrome", "Chrome"),
        ("Safari", "Safari"),
    ]);
    let system = first(&[
        ("iPhone", "iPhone"),
        ("iPad", "iPad"),
        ("Android", "Android"),
        ("Windows", "Windows"),
        ("CrOS", "ChromeOS"),
        ("Mac OS X", "Mac"),
        ("Linux", "Linux"),
    ]);
    match (name, system) {
        (Some(name), Some(system)) => format!("{name} on {system}"),
        (Some(one), None) | (None, Some(one)) => one.to_owned(),
        (None, None) => "a browser that does not say which".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn browsers_are_told_apart_by_their_own_words() {
        for (agent, words) in [
            ("Mozilla/5.0 (Android 15; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0", "Firefox on Android"),
            (
                "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0 Safari/537.36 Edg/140.0",
                "Edge on Windows",
            ),
            (
                "Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.0 Mobile Safari/604.1",
                "Safari on iPhone",
            ),
            ("curl/8", "a browser that does not say which"),
            ("", "a browser that does not say which"),
        ] {
            assert_eq!(in_words(agent), words);
        }
    }
}
