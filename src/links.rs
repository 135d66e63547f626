//! Addresses of our own pages: below the public address, English ones at its root, Spanish ones below `es`.

use serde::{Deserialize, Serialize};
use url::Url;

use crate::language::Language;
use crate::region::RegionId;

/// The public address of the service as a setting: read when the settings are. One that cannot be read makes no links; the
/// check of the settings says what is wrong with it.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(from = "String", into = "String")]
pub struct PublicUrl {
    text: String,
    url: Option<Url>,
}

impl PublicUrl {
    /// What links stand below; `None` = there are none.
    pub fn url(&self) -> Option<&Url> {
        self.url.as_ref()
    }

    /// As it was written; may be empty.
    pub fn text(&self) -> &str {
        &self.text
    }
}

impl From<String> for PublicUrl {
    fn from(text: String) -> Self {
        Self { url: Url::parse(&text).ok(), text }
    }
}

impl From<&str> for PublicUrl {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

impl From<PublicUrl> for String {
    fn from(public_url: PublicUrl) -> Self {
        public_url.text
    }
}

/// What stands before every path of a language: nothing, or `/es`.
pub fn language_prefix(language: Language) -> &'static str {
    match language {
        Language::En => "",
        Language::Es => "/es",
    }
}

/// The path of a region's page, without base and language.
pub fn region_path(id: &RegionId) -> String {
    format!("/region/{id}")
}

/// Where one subscriber stops: one address for both languages.
pub fn stop(base: &Url, token: &str) -> Option<Url> {
    below(base, ["stop", token])
}

/// Where a sign-up is confirmed.
pub fn confirm(base: &Url, language: Language, token: &str) -> Option<Url> {
    page(base, language, ["confirm", token])
}

/// A region's own page.
pub fn region(base: &Url, language: Language, id: &RegionId) -> Option<Url> {
    page(base, language, ["region", id.as_str()])
}

/// Where a subscriber changes what they get.
pub fn preferences(base: &Url, language: Language, token: &str) -> Option<Url> {
    page(base, language, ["preferences", token])
}

/// Where one tap tells what was seen.
pub fn seen(base: &Url, language: Language, token: &str) -> Option<Url> {
    page(base, language, ["seen", token])
}

/// A page of the staff's desk. It carries nothing that lets anybody in: who is not signed in is led through the sign-in to it.
pub fn desk<'a>(base: &Url, path: impl IntoIterator<Item = &'a str>) -> Option<Url> {
    below(base, ["desk"].into_iter().chain(path))
}

/// A notice's page at the desk.
pub fn desk_notice(base: &Url, id: &str) -> Option<Url> {
    desk(base, ["notice", &notice_part(id)])
}

/// The id of a notice as one part of a path: its own slashes would be written as `%2F`, which proxies treat each in their way.
pub fn notice_part(id: &str) -> String {
    id.replace('/', "~")
}

/// What [`notice_part`] was made of.
pub fn notice_of_part(part: &str) -> String {
    part.replace('~', "/")
}

fn page(base: &Url, language: Language, path: [&str; 2]) -> Option<Url> {
    let folder = language_prefix(language).trim_start_matches('/');
    below(base, Some(folder).filter(|folder| !folder.is_empty()).into_iter().chain(path))
}

/// `None` for a base that no path can follow, such as `mailto:`.
fn below<'a>(base: &Url, path: impl IntoIterator<Item = &'a str>) -> Option<Url> {
    let mut link = base.clone();
    link.path_segments_mut().ok()?.pop_if_empty().extend(path);
    Some(link)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_public_address_is_kept_as_written_and_makes_links_only_if_it_can_be_read() {
        for (text, url) in [("", None), ("pinyon", None), ("https://example.org", Some("https://example.org/"))] {
            let public_url = PublicUrl::from(text);
            assert_eq!((public_url.text(), public_url.url().map(Url::as_str)), (text, url));
        }
    }

    #[test]
    fn pages_stand_below_the_public_address_in_their_language() {
        for (base, english, spanish) in [
            ("https://pinyon.example.org", "/confirm/a%2Fb", "/es/confirm/a%2Fb"),
            ("https://pinyon.example.org/", "/confirm/a%2Fb", "/es/confirm/a%2Fb"),
            ("https://pinyon.example.org/scale/", "/scale/confirm/a%2Fb", "/scale/es/confirm/a%2Fb"),
            ("https://pinyon.example.org/scale", "/scale/confirm/a%2Fb", "/scale/es/confirm/a%2Fb"),
        ] {
            let base = Url::parse(base).unwrap();
            let path = |language| confirm(&base, language, "a/b").map(|url| url.path().to_owned());
            assert_eq!(path(Language::En).as_deref(), Some(english));
            assert_eq!(path(Language::Es).as_deref(), Some(spanish));
        }
        assert_eq!(stop(&Url::parse("mailto:pinyon@example.org").unwrap(), "a"), None);
    }
}
