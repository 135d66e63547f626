//! The link by which one subscriber stops.

use url::Url;

use crate::dispatch::dispatcher::Addressee;
use crate::links;
use crate::people::AddressHash;
use crate::service::subscribe::tokens;
use crate::service::subscribe::tokens::Purpose;

/// What makes each addressee's stop link; no link without a public address.
pub fn personaliser(
    public_url: &str,
    hash: AddressHash,
) -> impl Fn(&Addressee<'_>) -> Option<Url> + Send + Sync + 'static {
    let base = Url::parse(public_url).ok();
    move |to| links::stop(base.as_ref()?, &tokens::make(&hash, Purpose::Stop, to.address_id))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::people::Channel;

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
