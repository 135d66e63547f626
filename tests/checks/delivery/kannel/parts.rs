//! How many parts a text is on the air: what we say against what Kannel sends to the carrier.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use futures::StreamExt;
use rand::seq::IndexedRandom;
use rand::{Rng, RngExt, SeedableRng};
use treebell::dispatch::channels::Transport;
use treebell::message::sms::{Encoding, count};

use super::sending::{gateway, outgoing};
use super::{Kannel, Setup, until};

/// Lengths at and beside which a text gets one more part: septets, then UTF-16 units.
const LIMITS: [usize; 8] = [160, 306, 459, 612, 70, 134, 201, 268];

fn texts() -> Vec<String> {
    let mut dice = rand_chacha::ChaCha8Rng::seed_from_u64(20261128);
    let letters = |text: &str| text.chars().collect::<Vec<char>>();
    let english = letters("abcdefghijklmnopqrstuvwxyz ABC0123456789.,:;!?'\"()-/&%+@$#*=<>");
    let alphabet = letters("@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ¤¡ÄÖÑÜ§¿äöñüà");
    let extended = letters("^{}\\[~]|€");
    let beyond = letters("áíóúÁÍÓÚçâêô°–—’“«»…АЖя中文");
    let emoji = letters("🌲🌵💧🐛🚿☀");
    let mut texts = Vec::new();
    for at in 0..1000 {
        let mix = at % 6;
        let length = match at % 3 {
            0 => LIMITS.choose(&mut dice).unwrap() + dice.random_range(0..5) - 2,
            _ => dice.random_range(1..500),
        };
        // Counted in units, so that those with wide letters come to the limits, too.
        let (mut text, mut units) = (String::new(), 0);
        while units < length {
            let from = match (mix, dice.next_u32() % 20) {
                (1, 0..=9) => &alphabet,
                (2, 0..=9) => &extended,
                (3, 0..=3) => &beyond,
                (4, 0..=9) => &emoji,
                (5, 0) => &extended,
                (5, 1) => &alphabet,
                (5, 2) => &beyond,
                (5, 3) => &emoji,
                _ => &english,
            };
            let letter = *from.choose(&mut dice).unwrap();
            units += if mix == 2 && extended.contains(&letter) { 2 } else { letter.len_utf16() };
            text.push(letter);
        }
        texts.push(text);
    }
    texts
}

// 3GPP TS 23.040 section 9.2.3.24.1: neither a character written as an escape sequence nor a UCS-2 character is split between
// parts. Kannel keeps the first rule, and so the numbers are the same for every text in GSM 7-bit. UCS-2 it cuts after 67
// units, also between the two halves of a letter outside the basic plane (in the standard's words those are two characters;
// in UTF-16, RFC 2781, they are one). We do not count on that, since a phone that shows parts one by one would show neither
// half; so a text with such letters may be one part fewer at the carrier than we said, and never one more.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_thousand_texts_are_as_many_parts_at_the_carrier_as_we_say() {
    let Some(kannel) = Kannel::start("parts counted by Kannel", Setup::default()) else { return };
    let texts = texts();
    let number = |at: usize| format!("+1{}55501{:02}", 505 + at / 100, at % 100);
    let gateway = Arc::new(gateway(&kannel, |_| {}));
    futures::stream::iter(texts.iter().enumerate())
        .for_each_concurrent(8, async |(at, text)| {
            gateway.send(&outgoing(&number(at), text)).await.unwrap();
        })
        .await;
    until("all parts", Duration::from_secs(60), async || kannel.handed_over().len() == texts.len()).await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    let arrived: BTreeMap<String, _> = kannel.arrived().into_iter().map(|text| (text.to.clone(), text)).collect();
    assert_eq!(arrived.len(), texts.len());
    let (mut parts, mut cut) = ([0; 12], 0);
    for (at, text) in texts.iter().enumerate() {
        let (ours, theirs) = (count(text), &arrived[&number(at)]);
        assert_eq!(&theirs.words(ours.encoding), text);
        let pairs = ours.encoding == Encoding::Ucs2 && text.chars().any(|letter| letter.len_utf16() == 2);
        cut += usize::from(ours.parts != theirs.parts);
        assert!(
            ours.parts == theirs.parts || (pairs && ours.parts == theirs.parts + 1),
            "{} and {} parts: {text:?}",
            ours.parts,
            theirs.parts
        );
        parts[theirs.parts] += 1;
    }
    println!("texts by number of parts: {:?}; {cut} a part fewer by cutting a letter in two", &parts[1..]);
}
