//! Texts out through Kannel to the carrier, its answers, and its reports back.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use sqlx::Row;
use treebell::clock::{Clock, SystemClock};
use treebell::config::{Config, SmsConfig};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::sms_http::SmsGateway;
use treebell::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use treebell::language::Language;
use treebell::message::sms::{Encoding, count};
use treebell::message::{Message, Templates, samples};
use treebell::people::Channel;
use treebell::season::NoticeKind;
use treebell::store::Store;

use super::{Kannel, NOWHERE, Program, Setup, Treebell, until};
use crate::delivery::smtp::kind;
use crate::delivery::{NOON, Seed, at, rows};

const PATIENCE: Duration = Duration::from_secs(60);

/// A notice with these words by text, to so many phones from this one on, due now.
pub async fn queue(store: &Store, notice: usize, words: &str, first: usize, phones: usize) -> Seed {
    let mut seed = Seed::new(Channel::Sms, phones);
    seed.region = Box::leak(format!("mesa-{notice}").into_boxed_str());
    seed.first = first;
    seed.not_before = SystemClock.now();
    seed.expires_at = seed.not_before + chrono::TimeDelta::days(1);
    seed.put(store).await;
    let mut tx = store.begin().await.unwrap();
    sqlx::query("UPDATE notice_texts SET body = $1 WHERE notice_id = $2 AND channel = 'sms'")
        .bind(words)
        .bind(seed.notice().as_str())
        .execute(tx.conn())
        .await
        .unwrap();
    tx.commit().await.unwrap();
    seed
}

/// Every text that ships, with every sample, and some that are hard to carry.
fn wordings() -> BTreeSet<String> {
    let templates = Templates::load(None).unwrap();
    let mut all = BTreeSet::new();
    for sample in samples::all() {
        for kind in NoticeKind::ALL {
            for language in Language::ALL {
                let message = templates.render_notice(kind, language, Channel::Sms, &sample.facts).unwrap();
                let Message::Sms { text } = message else { unreachable!() };
                all.insert(text);
            }
        }
    }
    all.extend(
        [
            "¿Ya? Revise sus piñones & más: 100% {sí} <hoy> ~ [a|b] \\ ^ \"q\" 'r' €5 @ñ",
            "Look: {€} ñ @ é è ù ì ò Ç Ø å Δ Φ Γ Λ Ω Π Ψ Σ Θ Ξ Æ ß É ¤ ¡ Ä Ö Ñ Ü § ¿ ä ö ü à £ $ ¥ _",
            "a + b & c = d?e#f%41%20g;h+",
            "Mire los árboles 🌲🌵 ya.",
        ]
        .map(str::to_owned),
    );
    all.insert(format!("Dos partes: {}", "¡Cañón, río, árbol, pájaro, útil! ".repeat(3)));
    all.insert(format!("Two parts: {}", "wash with water, {look} again. ".repeat(6)));
    all.insert(format!("Tres partes: {}", "🌲 piñón ".repeat(20)));
    all
}

// Reports: Kannel tells `8` (the carrier took it) and `1` (delivered) of each text, some in the other order. Seen failing
// without the forward-only rule (`evidence` in `delivery/state.rs`).
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_text_reaches_the_carrier_as_it_was_written_and_every_report_finds_its_delivery() {
    let Some(kannel) = Kannel::start("texts through Kannel", Setup::default()) else { return };
    let mut treebell = Treebell::new(&kannel, "sms = { in_flight = 4 }", |settings| settings).await;
    let mut wanted = BTreeMap::new();
    for (notice, words) in wordings().into_iter().enumerate() {
        let phones = 8;
        let seed = queue(&treebell.store, notice, &words, wanted.len(), phones).await;
        wanted.extend((0..phones).map(|index| (seed.address(index), words.clone())));
    }
    treebell.start();
    let mut furthest: BTreeMap<String, usize> = BTreeMap::new();
    until("all delivered", PATIENCE, async || {
        let mut delivered = 0;
        for (key, row) in rows(&treebell.store).await {
            use DeliveryState::*;
            let order = [Queued, Leased, Sent, Delivered];
            let now = order.iter().position(|state| *state == row.standing.state);
            let now = now.unwrap_or_else(|| panic!("{:?}", row.standing));
            let before = furthest.insert(key, now).unwrap_or(0);
            assert!(now >= before, "back from {} to {}", order[before], order[now]);
            delivered += usize::from(row.standing.state == Delivered);
        }
        delivered == wanted.len()
    })
    .await;
    // Both reports of each have been matched; those that come last change nothing.
    let mut turned = 0;
    until("two reports of each", PATIENCE, async || {
        let reports = sqlx::query("SELECT reference, outcome, delivery_id FROM delivery_reports ORDER BY rowid")
            .fetch_all(&mut *treebell.store.read().await.unwrap())
            .await
            .unwrap();
        let mut last = BTreeMap::new();
        for row in &reports {
            assert_eq!(row.get::<Option<String>, _>("delivery_id").as_ref(), Some(&row.get("reference")), "unmatched");
            last.insert(row.get::<String, _>("reference"), row.get::<String, _>("outcome"));
        }
        turned = last.values().filter(|outcome| *outcome == "accepted").count();
        reports.len() == 2 * wanted.len()
    })
    .await;
    println!("{} texts, {turned} of them with `delivered` before `accepted`", wanted.len());
    assert!(turned > 0, "no report overtook another: the check would pass without the rule");
    assert!(rows(&treebell.store).await.values().all(|row| row.standing.state == DeliveryState::Delivered));

    let arrived = kannel.arrived();
    assert_eq!(arrived.len(), wanted.len(), "each once");
    for text in arrived {
        let words = &wanted[&text.to];
        let counted = count(words);
        assert_eq!((text.words(counted.encoding), text.parts), (words.clone(), counted.parts));
    }
    let two_parts = |words: &&String| count(words).encoding == Encoding::Ucs2 && count(words).parts == 2;
    assert!(wanted.values().filter(two_parts).count() > 0);
}

pub fn outgoing(to: &str, words: &str) -> Outgoing {
    Outgoing {
        key: "k1".into(),
        to: to.into(),
        message: Message::Sms { text: words.into() },
        stop_url: None,
        at: at(NOON),
        dated: at(NOON),
    }
}

pub fn gateway(kannel: &Kannel, change: impl FnOnce(&mut SmsConfig)) -> SmsGateway {
    let settings =
        format!("[hooks]\npath = {{ file = '{}' }}\n{}", kannel.path("hook-path").display(), kannel.settings());
    let mut config = Config::parse(&settings).unwrap();
    change(&mut config.sms);
    SmsGateway::with_webhooks(&config.sms, config.hooks.path.as_ref(), "t")
        .map_err(|faults| format!("{faults:?}"))
        .unwrap()
}

/// The same as an address, for the other way in.
fn by_get(config: &mut SmsConfig) {
    config.method = "GET".into();
    config.headers.clear();
    config.body = None;
    let at = config.url.take().unwrap();
    config.url = Some(format!(
        "{at}?username=treebell&password={{{{ secret }}}}&from={{{{ from }}}}&to={{{{ to }}}}&coding={{{{ coding }}}}\
         &charset=UTF-8&text={{{{ text }}}}&dlr-mask=27\
         &dlr-url=http%3A%2F%2F127.0.0.1%3A9%2Fhooks%2F{{{{ hooks_path }}}}%2Freport%3Fstatus%3D%25d%26ref%3D{{{{ key }}}}"
    ));
}

const PHONE: &str = "+15055550100";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_answer_of_the_gateway_is_sorted() {
    let setup = Setup { queue_limit: Some(3), ..Setup::default() };
    let Some(mut kannel) = Kannel::start("answers of Kannel", setup) else { return };
    let wrong = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(wrong.path(), "wrong").unwrap();
    let check = async |what: &str, gateway: SmsGateway, to: &str, wanted: &str, said: &str| {
        let answer: Result<Receipt, SendFailure> = gateway.send(&outgoing(to, what)).await;
        assert_eq!(kind(&answer), wanted, "{what}: {answer:?}");
        let told = answer.map_or_else(|why| why.to_string(), |_| String::new());
        assert!(told.contains(said), "{what}: {told}");
        assert!(!told.contains("5555555") && !told.contains(super::PASSWORD), "{told}");
    };
    let plain = |kannel: &Kannel| gateway(kannel, |_| {});
    check("taken: sí", plain(&kannel), PHONE, "sent", "").await;
    check("taken by GET: sí {€} & más", gateway(&kannel, by_get), PHONE, "sent", "").await;
    let with_password = |config: &mut SmsConfig| {
        config.secret = Some(treebell::config::Secret::File(wrong.path().to_owned()));
    };
    check("wrong password", gateway(&kannel, with_password), PHONE, "channel down", "403").await;
    let nowhere = format!("{NOWHERE}5550100");
    check("no way there", plain(&kannel), &nowhere, "give up", "Not routable").await;
    // Left to the usual meaning of 403 one such number would stop all others.
    check("no way there", gateway(&kannel, |config| config.refused_when.clear()), &nowhere, "channel down", "403")
        .await;
    let no_number = |config: &mut SmsConfig| {
        let to = config.headers.remove("X-Kannel-To").unwrap();
        config.headers.insert("X-Kannel-Account".into(), to);
    };
    check("no number", gateway(&kannel, no_number), PHONE, "give up", "400").await;
    let no_number = |config: &mut SmsConfig| {
        by_get(config);
        config.url = config.url.take().map(|url| url.replace("&to=", "&to=&account="));
    };
    check("an empty number", gateway(&kannel, no_number), PHONE, "give up", "Empty receiver number").await;
    let bad_coding = |config: &mut SmsConfig| config.coding.as_mut().unwrap().gsm7 = "9".into();
    check("a fault of the settings", gateway(&kannel, bad_coding), PHONE, "try later", "400").await;

    kannel.kill(Program::Carrier);
    for _ in 0..3 {
        check("the carrier is away: sí", plain(&kannel), PHONE, "sent", "").await;
    }
    check("and the queue is full", plain(&kannel), PHONE, "channel down", "503").await;
    kannel.start_one(Program::Carrier);
    until("what was queued", PATIENCE, async || kannel.count() == 5).await;
    let words: Vec<String> = kannel.arrived().iter().map(|text| text.words(Encoding::Ucs2)).collect();
    assert_eq!(words[..2], ["taken: sí", "taken by GET: sí {€} & más"]);
    assert!(words.len() == 5 && words[2..].iter().all(|words| words == "the carrier is away: sí"), "{words:?}");

    kannel.signal(Program::Bearerbox, "-STOP");
    check("no answer", gateway(&kannel, |config| config.timeout_s = 1), PHONE, "uncertain", "no answer").await;
    kannel.signal(Program::Bearerbox, "-CONT");
    kannel.kill(Program::Smsbox);
    check("nobody listens", plain(&kannel), PHONE, "channel down", "no connection").await;
    kannel.start_one(Program::Smsbox);
    check("it listens again", plain(&kannel), PHONE, "sent", "").await;
    kannel.kill(Program::Bearerbox);
    check("all is gone", plain(&kannel), PHONE, "channel down", "no connection").await;
}

// The gateway hangs after it has the text: the answer is lost, the text is not. Its report comes before the wait for one is
// over, so there is no repeat.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_text_whose_answer_was_lost_is_settled_by_its_report() {
    let Some(kannel) = Kannel::start("an answer that Kannel did not give", Setup::default()) else { return };
    let impatient = |settings: String| settings.replacen("[sms]\n", "[sms]\ntimeout_s = 1\n", 1);
    let mut treebell = Treebell::new(&kannel, "", impatient).await;
    let seed = queue(&treebell.store, 0, "Look at your trees. STOP to end", 0, 1).await;
    let key = seed.keys().remove(0);
    kannel.signal(Program::Bearerbox, "-STOP");
    treebell.start();
    let state = async |wanted| rows(&treebell.store).await[&key].standing.state == wanted;
    until("its answer is lost", PATIENCE, async || state(DeliveryState::Uncertain).await).await;
    kannel.signal(Program::Bearerbox, "-CONT");
    until("its report", PATIENCE, async || state(DeliveryState::Delivered).await).await;
    let standing = rows(&treebell.store).await[&key].standing;
    assert_eq!((standing.uncertain_count, standing.answers_lost), (1, 1));
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!(kannel.count(), 1);
}
