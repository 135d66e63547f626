//! The link by which one subscriber stops, and the token in it.

use url::Url;

use crate::delivery::dispatcher::Addressee;
use crate::people::AddressHash;

/// Digits of an address id, and of the token's other half.
const HALF: usize = 32;

/// The token of an address: its id, and a keyed hash of it that nobody can make without the store's key.
pub fn token(hash: &AddressHash, address_id: &str) -> String {
    format!("{address_id}{}", hash.of_text("stop link", address_id))
}

/// The address id of a token, if we made it.
pub fn address_of<'a>(hash: &AddressHash, token: &'a str) -> Option<&'a str> {
    let (address_id, given) = token.split_at_checked(HALF)?;
    let right = hash.of_text("stop link", address_id);
    // Every digit is looked at, so that the time taken tells nothing about where a guess went wrong.
    let differs =
        right.bytes().zip(given.bytes()).fold(right.len() ^ given.len(), |seen, (a, b)| seen | usize::from(a ^ b));
    (differs == 0).then_some(address_id)
}

/// What makes each addressee's stop link; no link without a public address.
pub fn personaliser(
    public_url: &str,
    hash: AddressHash,
) -> impl Fn(&Addressee<'_>) -> Option<Url> + Send + Sync + 'static {
    let base = Url::parse(public_url).ok();
    move |to| {
        let mut link = base.clone()?;
        let token = token(&hash, to.address_id);
        link.path_segments_mut().ok()?.pop_if_empty().extend(["stop", &token]);
        Some(link)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::people::Channel;

    #[test]
    fn a_token_opens_its_own_address_and_no_other() {
        let hash = AddressHash::with_key(b"a key");
        let id = "0123456789abcdef0123456789abcdef";
        let good = token(&hash, id);
        assert_eq!(address_of(&hash, &good), Some(id));
        assert_eq!(address_of(&AddressHash::with_key(b"another"), &good), None);
        let other = format!("f{}", &good[1..]);
        for bad in ["", "x", &good[..40], &other, &format!("{good}0"), "éééééééééééééééééééé"] {
            assert_eq!(address_of(&hash, bad), None, "{bad}");
        }
    }

    #[test]
    fn links_are_made_below_the_public_address() {
        let to = Addressee { address_id: "0123456789abcdef0123456789abcdef", notice: "n", channel: Channel::Email };
        let link = |base| personaliser(base, AddressHash::with_key(b"k"))(&to).map(|url| url.to_string());
        assert_eq!(link(""), None);
        let at_root = link("https://pinyon.example.org").expect("a link");
        assert!(at_root.starts_with("https://pinyon.example.org/stop/0123456789abcdef"), "{at_root}");
        let below = link("https://example.org/pinyon/").expect("a link");
        assert!(below.starts_with("https://example.org/pinyon/stop/0123"), "{below}");
    }
}
