//! SMPP 3.4 against a message centre that others wrote: the npm package `smpp`, told what to do by a small script.

use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use async_trait::async_trait;
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::process::{Child, ChildStdin, ChildStdout, Command};
use treebell::clock::ManualClock;
use treebell::config::{Secret, SmppConfig, SmsConfig};
use treebell::delivery::inbound::{Inbound, InboundText, Intake, NotTaken};
use treebell::delivery::state::DeliveryState;
use treebell::dispatch::channels::smpp::SmppTransport;
use treebell::dispatch::channels::{Outgoing, Transport};
use treebell::dispatch::{Channels, Drained};
use treebell::message::Message;
use treebell::people::Channel;
use treebell::service::texts::reassembly::Reassembly;
use treebell::store::Store;

use super::smtp::kind;
use super::{NOON, Seed, World, at};
use crate::support;

/// The message centre.
pub(super) struct Centre {
    _child: Child,
    orders: ChildStdin,
    events: Lines<BufReader<ChildStdout>>,
    port: u16,
    password: tempfile::NamedTempFile,
}

impl Centre {
    /// `None`, said loudly, without node or its package.
    pub(super) async fn start(what: &str) -> Option<Self> {
        Self::start_with(what, &[]).await
    }

    /// Over TLS, with a key and a certificate in files.
    async fn start_with(what: &str, tls: &[(&str, &Path)]) -> Option<Self> {
        let named = std::env::var_os("TREEBELL_NODE_MODULES").map(PathBuf::from);
        let modules =
            named.unwrap_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/outside/node/node_modules"));
        let child = Command::new("node")
            .arg(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/checks/delivery/smpp_server.js"))
            .env("NODE_PATH", &modules)
            .envs(tls.iter().copied())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .kill_on_drop(true)
            .spawn();
        let (true, Ok(mut child)) = (modules.join("smpp").is_dir(), child) else {
            support::skipped(what, "node with the package smpp (.ci/run installs it, TREEBELL_NODE_MODULES names it)");
            return None;
        };
        let orders = child.stdin.take().unwrap();
        let events = BufReader::new(child.stdout.take().unwrap()).lines();
        let password = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(password.path(), "secret\n").unwrap();
        let mut centre = Self { _child: child, orders, events, port: 0, password };
        centre.port = u16::try_from(centre.event("port").await["port"].as_u64().unwrap()).unwrap();
        Some(centre)
    }

    fn config(&self) -> SmsConfig {
        SmsConfig {
            from: "5055550199".into(),
            timeout_s: 3,
            smpp: Some(SmppConfig {
                host: "127.0.0.1".into(),
                port: self.port,
                system_id: "treebell".into(),
                password: Some(Secret::File(self.password.path().to_owned())),
                ..SmppConfig::default()
            }),
            ..SmsConfig::default()
        }
    }

    pub(super) fn transport(&self) -> SmppTransport {
        SmppTransport::new(&self.config()).map_err(|faults| format!("{faults:?}")).unwrap()
    }

    pub(super) async fn order(&mut self, order: Value) {
        self.orders.write_all(format!("{order}\n").as_bytes()).await.unwrap();
        self.orders.flush().await.unwrap();
    }

    /// Has it do this with the next message; orders and messages come on two ways, so it is given a moment.
    pub(super) async fn next(&mut self, act: &str) {
        self.order(json!({"next": act})).await;
        tokio::time::sleep(Duration::from_millis(200)).await;
    }

    /// The next event that has this field.
    pub(super) async fn event(&mut self, name: &str) -> Value {
        loop {
            let line = tokio::time::timeout(Duration::from_secs(20), self.events.next_line()).await;
            let line = line.unwrap_or_else(|_| panic!("no event `{name}` in time")).unwrap().expect("the centre runs");
            let event: Value = serde_json::from_str(&line).unwrap();
            if event.get(name).is_some() {
                return event;
            }
        }
    }
}

fn sms(key: &str, text: &str) -> Outgoing {
    Outgoing {
        key: key.into(),
        to: "+15055550100".into(),
        message: Message::Sms { text: text.into() },
        stop_url: None,
        at: at(NOON),
        dated: at(NOON),
    }
}

#[derive(Default)]
pub(super) struct Heard {
    pub texts: Mutex<Vec<InboundText>>,
    pub refusals: Mutex<u32>,
}

#[async_trait]
impl Inbound for Heard {
    async fn received(&self, text: &InboundText) -> Result<(), NotTaken> {
        let mut refusals = self.refusals.lock().unwrap();
        if *refusals > 0 {
            *refusals -= 1;
            return Err(NotTaken { cause: "the disk is full".into() });
        }
        self.texts.lock().unwrap().push(text.clone());
        Ok(())
    }
}

pub(super) fn intake(store: &Store, heard: &Arc<Heard>) -> Arc<dyn Intake> {
    Arc::new(Reassembly { store: store.clone(), clock: Arc::new(ManualClock::at(at(NOON))), inbound: heard.clone() })
}

#[tokio::test]
async fn texts_arrive_whole_in_both_alphabets_and_in_parts() {
    let Some(mut centre) = Centre::start("texts over SMPP").await else { return };
    let transport = centre.transport();
    let receipt = transport.send(&sms("k1", "Look: {€} ñ @ é. STOP to end")).await.unwrap();
    let bound = centre.event("bound").await;
    assert_eq!((&bound["bound"], &bound["version"]), (&json!("treebell"), &json!(0x34)));
    let taken = centre.event("taken").await;
    assert_eq!(receipt.provider_ref.as_deref(), taken["taken"].as_str());
    assert_eq!(taken["to"], "15055550100");
    assert_eq!(taken["from"], "5055550199");
    assert_eq!((&taken["ton"], &taken["npi"]), (&json!(1), &json!(1)));
    assert_eq!(taken["text"], "Look: {€} ñ @ é. STOP to end");
    assert_eq!((&taken["coding"], &taken["esm"], &taken["receipt"]), (&json!(0), &json!(0), &json!(1)));

    for (text, coding) in [("a€".repeat(100), 0), (format!("Revisé los árboles 🌲 {}", "í".repeat(120)), 8)] {
        let parts = treebell::message::sms::count(&text).parts;
        assert!(parts >= 2);
        let receipt = transport.send(&sms("k2", &text)).await.unwrap();
        let mut whole = String::new();
        let mut joined_by = None;
        for number in 1..=parts {
            let taken = centre.event("taken").await;
            whole.push_str(taken["text"].as_str().unwrap());
            assert_eq!((&taken["coding"], &taken["esm"]), (&json!(coding), &json!(0x40)));
            assert_eq!(taken["receipt"], u8::from(number == parts), "one receipt a message");
            let header = taken["udh"][0].as_str().unwrap().to_owned();
            assert_eq!(header[header.len() - 4..], format!("{parts:02x}{number:02x}"));
            let reference = header[..header.len() - 4].to_owned();
            assert_eq!(joined_by.get_or_insert_with(|| reference.clone()), &reference);
            if number == parts {
                assert_eq!(receipt.provider_ref.as_deref(), taken["taken"].as_str());
            }
        }
        assert_eq!(whole, text);
    }
}

// SMPP 3.4 section 5.1.3 for the statuses. After the bytes went out a lost or late answer is uncertain; the session comes
// back by itself.
#[tokio::test]
async fn every_failure_is_sorted_and_the_session_comes_back() {
    let Some(mut centre) = Centre::start("failures over SMPP").await else { return };
    let transport = centre.transport();
    for (act, wanted) in [
        ("throttled", "channel down"),
        ("full", "channel down"),
        ("badnumber", "give up"),
        ("silent", "uncertain"),
        ("drop", "uncertain"),
    ] {
        centre.next(act).await;
        let answer = transport.send(&sms("k1", "Look")).await;
        assert_eq!(kind(&answer), wanted, "{act}: {answer:?}");
        let told = format!("{answer:?}");
        assert!(!told.contains("5055550100"), "{told}");
    }
    assert_eq!(kind(&transport.send(&sms("k2", "Look")).await), "sent");
    // Parts that were taken leave a message in doubt that is not taken to its end.
    for act in ["fine", "throttled"] {
        centre.next(act).await;
    }
    let answer = transport.send(&sms("k3", &"a".repeat(200))).await;
    assert_eq!(kind(&answer), "uncertain", "{answer:?}");
    // The other side ends the session.
    centre.order(json!({"unbind": true})).await;
    centre.event("bound").await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(kind(&transport.send(&sms("k4", "Look")).await), "sent");
}

#[tokio::test]
async fn a_refused_log_in_and_a_dead_line_stop_the_channel_and_blame_no_message() {
    let Some(centre) = Centre::start("a refused bind over SMPP").await else { return };
    std::fs::write(centre.password.path(), "wrong").unwrap();
    let answer = centre.transport().send(&sms("k1", "Look")).await;
    assert_eq!(kind(&answer), "channel down", "{answer:?}");
    assert!(format!("{answer:?}").contains("bind refused"), "{answer:?}");
    let mut config = centre.config();
    config.timeout_s = 1;
    let transport = SmppTransport::new(&config).map_err(|_| "faults").unwrap();
    drop(centre);
    let answer = transport.send(&sms("k1", "Look")).await;
    assert_eq!(kind(&answer), "channel down", "{answer:?}");
}

#[tokio::test]
async fn receipts_move_deliveries_and_texts_from_phones_come_in() {
    let Some(mut centre) = Centre::start("receipts over SMPP").await else { return };
    let store = Store::in_memory().await.unwrap();
    let keys = Seed::new(Channel::Sms, 4).put(&store).await;
    let world = World::new(store.clone(), []);
    let transport = Arc::new(centre.transport());
    let heard = Arc::new(Heard::default());
    transport.listen(intake(&store, &heard));
    let dispatcher = world.dispatcher_over(Channels { email: None, sms: Some(transport.clone()) });
    let drained = dispatcher.drain_due().await.unwrap();
    assert_eq!(drained, Drained { sent: 4, ..Drained::default() });
    let mut ids = Vec::new();
    for key in &keys {
        ids.push(world.row(key).await.provider_ref.unwrap());
    }
    // In the text of appendix B, by the optional fields, refused, and one that came before with an earlier state.
    let text = |id: &str, state: &str| {
        format!("id:{id} sub:001 dlvrd:001 submit date:2604101200 done date:2604101201 stat:{state} err:000 text:Look")
    };
    for deliver in [
        json!({"esm_class": 4, "short_message": text(&ids[0], "DELIVRD")}),
        json!({"esm_class": 4, "short_message": text(&ids[0], "ACCEPTD")}),
        json!({"esm_class": 4, "short_message": "", "receipted_message_id": ids[1], "message_state": 2}),
        json!({"esm_class": 4, "short_message": text(&ids[2], "UNDELIV")}),
        json!({"esm_class": 4, "short_message": text("nobody", "DELIVRD")}),
        json!({"esm_class": 4, "short_message": "no receipt at all"}),
    ] {
        centre.order(json!({"deliver": deliver})).await;
        assert_eq!(centre.event("answered").await["answered"], 0, "{deliver}");
    }
    let mut states = Vec::new();
    for key in &keys {
        states.push(world.row(key).await.standing.state);
    }
    use DeliveryState::{Bounced, Delivered, Sent};
    assert_eq!(states, [Delivered, Delivered, Bounced, Sent]);

    // Texts, in each alphabet; one that cannot be recorded is left with the message centre.
    *heard.refusals.lock().unwrap() = 1;
    let stop = json!({"source_addr_ton": 1, "source_addr": "15055550101", "destination_addr": "5055550199",
                      "short_message": "STOP please"});
    centre.order(json!({"deliver": stop})).await;
    assert_eq!(centre.event("answered").await["answered"], 0x64, "ESME_RX_T_APPN: bring it again");
    for (coding, words) in [(0, "STOP {ñ}"), (8, "¡Alto! por favor, sí")] {
        let mut deliver = stop.clone();
        deliver["data_coding"] = json!(coding);
        deliver["short_message"] = json!(words);
        centre.order(json!({"deliver": deliver})).await;
        assert_eq!(centre.event("answered").await["answered"], 0);
    }
    let texts = heard.texts.lock().unwrap();
    let said: Vec<(&str, &str)> = texts.iter().map(|text| (text.from.as_str(), text.text.as_str())).collect();
    assert_eq!(said, [("+15055550101", "STOP {ñ}"), ("+15055550101", "¡Alto! por favor, sí")]);
    assert_eq!(texts[0].to, "5055550199");
}

// Receipts in both forms, in every order and twice, also one that is quicker than the answer to the message. Seen failing
// without the forward-only rule in `DeliveryStanding::after`, and the last without the look for early reports at the booking.
#[tokio::test]
async fn receipts_out_of_order_end_where_the_best_of_them_says() {
    let Some(mut centre) = Centre::start("receipts out of order over SMPP").await else { return };
    let store = Store::in_memory().await.unwrap();
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    let keys = Seed::new(Channel::Sms, 2 * orders.len() + 1).put(&store).await;
    let world = World::new(store.clone(), []);
    let transport = Arc::new(centre.transport());
    transport.listen(intake(&store, &Arc::default()));
    let dispatcher = world.dispatcher_over(Channels { email: None, sms: Some(transport.clone()) });
    centre.next("hasty").await;
    dispatcher.drain_due().await.unwrap();
    assert_eq!(centre.event("answered").await["answered"], 0);
    let mut ids = Vec::new();
    for key in &keys {
        let row = world.row(key).await;
        let id = row.provider_ref.unwrap();
        match row.standing.state {
            DeliveryState::Delivered => assert_eq!(id, "m1", "its receipt came before its answer"),
            state => ids.push((key, id, state)),
        }
    }
    assert_eq!(ids.len(), 2 * orders.len(), "{ids:?}");
    // ENROUTE, UNDELIV, DELIVRD: by text for the first half, by fields for the others (2 = delivered, 5 = undeliverable).
    let (names, numbers) = (["ENROUTE", "UNDELIV", "DELIVRD"], [1, 5, 2]);
    for ((at, (_, id, _)), order) in ids.iter().enumerate().zip(orders.iter().cycle()) {
        for step in order {
            for _twice in 0..2 {
                let deliver = if at < orders.len() {
                    let text = format!(
                        "id:{id} sub:001 dlvrd:001 submit date:2604101200 done date:2604101201 stat:{}",
                        names[*step]
                    );
                    json!({"esm_class": 4, "short_message": text})
                } else {
                    // Some centres set no mark but give the field.
                    let esm = if at % 2 == 0 { 4 } else { 0 };
                    json!({"esm_class": esm, "short_message": "", "receipted_message_id": id, "message_state": numbers[*step]})
                };
                centre.order(json!({"deliver": deliver})).await;
                assert_eq!(centre.event("answered").await["answered"], 0);
            }
        }
    }
    for (key, ..) in &ids {
        assert_eq!(world.row(key).await.standing.state, DeliveryState::Delivered);
    }
}

// Seen failing when the system's verifier is replaced by one that takes every certificate.
#[tokio::test]
async fn over_tls_only_a_centre_whose_certificate_holds_is_spoken_to() {
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).unwrap();
        folder.path().join(name)
    };
    let (key, certificate) = (file("key", &made.signing_key.serialize_pem()), file("certificate", &made.cert.pem()));
    let Some(mut centre) =
        Centre::start_with("SMPP over TLS", &[("SMPP_KEY", &key), ("SMPP_CERT", &certificate)]).await
    else {
        return;
    };
    let config = |host: &str, tls: bool, ca_file: Option<&Path>| {
        let mut config = centre.config();
        config.timeout_s = 2;
        let smpp = config.smpp.as_mut().unwrap();
        (smpp.host, smpp.tls, smpp.ca_file) = (host.into(), tls, ca_file.map(Path::to_owned));
        config
    };
    let made = |config: &SmsConfig| SmppTransport::new(config).map_err(|faults| format!("{faults:?}")).unwrap();
    for (config, wanted) in [
        // Signed by nobody the system knows; made out to another name; nothing is said in the clear to one that speaks TLS.
        (config("localhost", true, None), "TLS"),
        (config("127.0.0.1", true, Some(&certificate)), "TLS"),
        (config("localhost", false, None), "bind refused"),
    ] {
        let answer = made(&config).send(&sms("k1", "Look")).await;
        assert_eq!(kind(&answer), "channel down", "{answer:?}");
        assert!(format!("{answer:?}").contains(wanted), "{answer:?}");
    }
    let good = made(&config("localhost", true, Some(&certificate)));
    let receipt = good.send(&sms("k2", "Look: {€} ñ")).await.unwrap();
    let first = centre.event("bound").await;
    assert_eq!(first["bound"], "treebell");
    let taken = centre.event("taken").await;
    assert_eq!(
        (taken["taken"].as_str(), taken["text"].as_str()),
        (receipt.provider_ref.as_deref(), Some("Look: {€} ñ"))
    );
    assert_eq!(receipt.provider_ref.as_deref(), Some("m1"), "the others sent nothing");
}

#[tokio::test]
async fn the_line_is_tested_while_it_is_silent() {
    let Some(mut centre) = Centre::start("enquire_link over SMPP").await else { return };
    let mut config = centre.config();
    config.smpp.as_mut().unwrap().enquire_link_s = 1;
    let transport = SmppTransport::new(&config).map_err(|_| "faults").unwrap();
    transport.send(&sms("k1", "Look")).await.unwrap();
    centre.event("enquired").await;
    centre.event("enquired").await;
}

#[test]
fn settings_of_a_message_centre_are_checked() {
    let config = SmsConfig {
        from: "x".repeat(30),
        smpp: Some(SmppConfig { system_id: "x".repeat(16), ..SmppConfig::default() }),
        ..SmsConfig::default()
    };
    let told: Vec<String> = SmppTransport::new(&config).err().unwrap().iter().map(ToString::to_string).collect();
    for wanted in [
        "sms.smpp.host: is missing",
        "sms.smpp.system_id: 1 to 15",
        "sms.smpp.password: is missing",
        "sms.from: at most",
    ] {
        assert!(told.iter().any(|line| line.starts_with(wanted)), "{wanted} in {told:?}");
    }
    let authority = |tls: bool, text: &str| {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), text).unwrap();
        let ca_file = Some(if text.is_empty() { "no/such/file".into() } else { file.path().to_owned() });
        let smpp = SmppConfig { host: "localhost".into(), tls, ca_file, ..SmppConfig::default() };
        let config = SmsConfig { smpp: Some(smpp), ..SmsConfig::default() };
        let told = SmppTransport::new(&config).err().unwrap();
        told.into_iter().find(|fault| fault.path == "sms.smpp.ca_file").unwrap().to_string()
    };
    assert!(authority(true, "").contains("cannot be read"));
    assert!(authority(true, "nothing of the kind").contains("holds no certificate"));
    assert!(authority(false, "x").contains("of no use without `tls = true`"));
}
