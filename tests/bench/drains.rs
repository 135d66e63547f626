//! Queues that are drained: e-mails beside a Postfix, texts beside wrk, and through Kannel.

use std::future::pending;
use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::NaiveTime;
use treebell::clock::{Clock, SystemClock};
use treebell::delivery::settings::{DeliveryConfig, PaceConfig};
use treebell::dispatch::channels::sms_http::SmsGateway;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::channels::{Outgoing, Transport};
use treebell::dispatch::personalise::Addressee;
use treebell::dispatch::settings::SmsConfig;
use treebell::dispatch::{Channels, Dispatcher};
use treebell::people::Channel;
use treebell::store::Store;

use crate::beside::{self, Kannel, Postfix};
use crate::filled::{fill, relay, texts};
use crate::table::Table;
use crate::{Place, country, cpu_of, fresh, runtime};

const SMTP: u16 = 18125;
const SUBMISSION: u16 = 18126;
const GATEWAY: u16 = 18180;
const KANNEL: u16 = 18190;

/// Postfix's own default.
const MAILS_AT_ONCE: usize = 20;
const TEXTS_AT_ONCE: usize = 64;

pub fn drain(place: &Place, table: &mut Table) {
    let times = if place.sizes.messages > 20_000 { 1 } else { place.sizes.times.min(3) };
    mails(place, table, times);
    texts_over_http(place, table, times);
    texts_through_kannel(place, table);
}

/// How a worker is set up that nothing but the number in flight holds back.
pub fn unlimited(in_flight: usize) -> DeliveryConfig {
    let pace = PaceConfig { in_flight, per_second: None, per_minute: None, per_day: None };
    DeliveryConfig {
        quiet_until: NaiveTime::MIN,
        quiet_from: NaiveTime::from_hms_opt(23, 59, 59).unwrap(),
        email: pace.clone(),
        sms: pace,
        ..DeliveryConfig::default()
    }
}

fn stop_link(_: &Addressee<'_>) -> Option<url::Url> {
    url::Url::parse("https://example.org/stop?t=0123456789abcdef").ok()
}

/// What one worker of several has sent when nothing is left.
pub async fn some_drained(store: &Store, channels: Channels) -> u64 {
    let worker = Dispatcher::new(
        store.clone(),
        Arc::new(SystemClock),
        channels,
        &unlimited(MAILS_AT_ONCE * 4),
        Arc::new(stop_link),
    );
    worker.run_until_idle(pending(), Duration::ZERO).await.sent
}

/// Drains a queue; gives messages a second and the CPU time of one, ms, that of an HTTP sink in this process included.
pub async fn drained(store: &Store, channels: Channels, in_flight: usize, messages: usize) -> (f64, f64) {
    let worker =
        Dispatcher::new(store.clone(), Arc::new(SystemClock), channels, &unlimited(in_flight), Arc::new(stop_link));
    let (from, cpu) = (Instant::now(), cpu_of("self", 11));
    let done = worker.run_until_idle(pending(), Duration::ZERO).await;
    let (took, cpu) = (from.elapsed().as_secs_f64(), cpu_of("self", 11) - cpu);
    assert_eq!(done.sent, messages as u64, "{done:?}");
    (messages as f64 / took, cpu * 1000.0 / messages as f64)
}

async fn filled(place: &Place, channel: Channel) -> Store {
    let file = place.folder.join("drain.sqlite");
    fresh(&file);
    let store = country::open(&file).await;
    fill(&store, channel, place.sizes.messages, SystemClock.now()).await;
    store
}

/// Mails as [`fill`] queues them.
fn some_mails(count: usize) -> impl Iterator<Item = Outgoing> {
    let (message, now) = (texts().remove(0).message, SystemClock.now());
    (0..count).map(move |n| Outgoing {
        key: format!("{n:032x}"),
        to: format!("owner{n}@example.org"),
        message: message.clone(),
        stop_url: url::Url::parse("https://example.org/stop?t=0123456789abcdef").ok(),
        at: now,
        dated: now,
    })
}

fn mails(place: &Place, table: &mut Table, times: usize) {
    let messages = place.sizes.messages;
    if let Some(why) = beside::missing(&[beside::SMTP_SINK]) {
        return table.missing("drain of e-mails", &why);
    }
    let _sink = beside::smtp_sink(SMTP);
    let (mut ours, mut cpus, mut theirs) = (Vec::new(), Vec::new(), Vec::new());
    let no_postfix = beside::missing(&[beside::POSTFIX]);
    for _ in 0..times {
        runtime().block_on(async {
            let store = filled(place, Channel::Email).await;
            let transport: Arc<dyn Transport> = Arc::new(SmtpTransport::new(&relay(SMTP)).unwrap());
            let (rate, cpu) =
                drained(&store, Channels { email: Some(transport), sms: None }, MAILS_AT_ONCE, messages).await;
            ours.push(rate);
            cpus.push(cpu);
            store.close().await;
            if no_postfix.is_none() {
                let postfix = Postfix::new(SUBMISSION, SMTP, MAILS_AT_ONCE);
                postfix.fill(some_mails(messages)).await;
                assert_eq!(postfix.waiting(), messages);
                let from = Instant::now();
                let _running = postfix.start();
                while postfix.waiting() > 0 {
                    tokio::time::sleep(Duration::from_millis(20)).await;
                }
                theirs.push(messages as f64 / from.elapsed().as_secs_f64());
            }
        });
    }
    let other = no_postfix.is_none().then_some(("Postfix", theirs));
    table.row(format!("{messages} e-mails drained, {MAILS_AT_ONCE} in flight"), "/s", ours, other, "1.5 of Postfix");
    table.row("… CPU a message", "ms", cpus, None, "-");
    if let Some(why) = no_postfix {
        table.missing("Postfix beside the drain of e-mails", &why);
    }
}

fn gateway(config: &SmsConfig) -> Channels {
    let gateway = SmsGateway::new(config, "treebell-bench").unwrap();
    Channels { email: None, sms: Some(Arc::new(gateway)) }
}

fn texts_over_http(place: &Place, table: &mut Table, times: usize) {
    let messages = place.sizes.messages;
    beside::slow_gateway(GATEWAY);
    let at = format!("http://127.0.0.1:{GATEWAY}/send");
    let body = r#"{"to":"{{ to }}","text":"{{ text }}","reference":"{{ key }}"}"#;
    let config = SmsConfig { url: Some(at.clone()), body: Some(body.into()), ..SmsConfig::default() };
    let no_wrk = beside::missing(&[beside::WRK]);
    let (mut ours, mut cpus, mut theirs) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..times {
        if no_wrk.is_none() {
            let script = "wrk.method = \"POST\"\nwrk.headers[\"Content-Type\"] = \"application/json\"\nwrk.body = \
                 [[{\"to\":\"+15055550100\",\"text\":\"Look at your trees\",\"reference\":\"00112233445566778899aabbccddeeff\"}]]\n";
            let script = (place.folder.join("post.lua"), script);
            theirs.push(beside::wrk(&at, TEXTS_AT_ONCE, 8, Some((&script.0, script.1))));
        }
        runtime().block_on(async {
            let store = filled(place, Channel::Sms).await;
            let (rate, cpu) = drained(&store, gateway(&config), TEXTS_AT_ONCE, messages).await;
            ours.push(rate);
            cpus.push(cpu);
            store.close().await;
        });
    }
    let other = no_wrk.is_none().then_some(("wrk", theirs));
    let what = format!("{messages} texts drained over HTTP, {TEXTS_AT_ONCE} in flight, answered after 20 ms");
    table.row(what, "/s", ours, other, "0.8 of wrk");
    table.row("… CPU a message, sink included", "ms", cpus, None, "-");
    if let Some(why) = no_wrk {
        table.missing("wrk beside the drain of texts", &why);
    }
}

fn texts_through_kannel(place: &Place, table: &mut Table) {
    if let Some(why) = beside::missing(&beside::KANNEL) {
        return table.missing("drain of texts through Kannel", &why);
    }
    let messages = place.sizes.messages.min(20_000);
    let kannel = Kannel::start(&place.folder, KANNEL);
    let config = SmsConfig {
        url: Some(format!("{}&to={{{{ to_digits }}}}&text={{{{ text }}}}", kannel.at())),
        method: "GET".into(),
        accepted_when: vec!["0: Accepted".into(), "3: Queued".into()],
        ..SmsConfig::default()
    };
    let other = beside::missing(&[beside::WRK]).is_none().then(|| {
        let at = format!("{}&to=15055550100&text=Look+at+your+trees", kannel.at());
        vec![beside::wrk(&at, TEXTS_AT_ONCE, 5, None)]
    });
    let before = arrived(&kannel, 0);
    let rate = runtime().block_on(async {
        let place = Place { folder: place.folder.clone(), sizes: crate::Sizes { messages, ..place.sizes } };
        let store = filled(&place, Channel::Sms).await;
        let (rate, _) = drained(&store, gateway(&config), TEXTS_AT_ONCE, messages).await;
        store.close().await;
        rate
    });
    let came = arrived(&kannel, before + messages) - before;
    assert_eq!(came, messages, "texts at the carrier");
    let other = other.map(|rates| ("wrk at Kannel", rates));
    table.row(format!("{messages} texts drained through Kannel"), "/s", vec![rate], other, "over 1,000/s");
}

/// Waits until so many are there and no more come.
fn arrived(kannel: &Kannel, least: usize) -> usize {
    let from = Instant::now();
    let mut last = usize::MAX;
    loop {
        let now = kannel.arrived();
        if (now == last && now >= least) || from.elapsed() > Duration::from_secs(60) {
            return now;
        }
        last = now;
        std::thread::sleep(Duration::from_secs(1));
    }
}
