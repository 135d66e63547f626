//! SMS through a gateway on loopback that keeps its own records and answers as it is told.

use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use treebell::config::SmsConfig;
use treebell::delivery::attempt::Reference;
use treebell::delivery::state::{DeliveryState, Report};
use treebell::dispatch::Channels;
use treebell::dispatch::channels::sms_http::SmsGateway;
use treebell::dispatch::channels::{Outgoing, Receipt, SendFailure, Transport};
use treebell::message::Message;
use treebell::people::Channel;

use super::{Ledger, NOON, Seed, World, at};
use crate::engines::on_each_engine;

/// What happens to one request. Without one it is taken and answered.
#[derive(Clone, Debug)]
pub enum Act {
    /// Not taken.
    Refuse(u16, &'static str, &'static str),
    /// Taken, and answered with this.
    TakeAndSay(u16, &'static str, &'static str),
    /// Taken, and the connection is closed without a word.
    TakeAndClose,
    /// Not taken, and the connection is closed without a word.
    Close,
    /// Nothing out of the usual.
    Take,
    /// The head is read; `reached` is told and nothing more happens until the client has gone.
    HoldBeforeBody,
    /// The whole request is read and not taken; else as above.
    HoldBeforeTaking,
    /// Taken, and never answered; `reached` is told.
    TakeAndHang,
    /// Taken and answered, and then `reached` is told.
    AnswerAndTell,
    /// Taken; the answer's head comes whole, its body is cut.
    TakeAndCut,
}

pub struct FakeGateway {
    pub address: SocketAddr,
    reached: Arc<Semaphore>,
    shared: Arc<Shared>,
}

#[derive(Default)]
struct Shared {
    acts: Mutex<VecDeque<Act>>,
    taken: Mutex<Vec<BTreeMap<String, String>>>,
    heads: Mutex<Vec<String>>,
}

impl FakeGateway {
    pub async fn start(acts: impl IntoIterator<Item = Act>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let shared = Arc::new(Shared { acts: Mutex::new(acts.into_iter().collect()), ..Shared::default() });
        let reached = Arc::new(Semaphore::new(0));
        tokio::spawn({
            let (shared, reached) = (shared.clone(), reached.clone());
            async move {
                while let Ok((stream, _)) = listener.accept().await {
                    tokio::spawn(serve(stream, shared.clone(), reached.clone()));
                }
            }
        });
        Self { address, reached, shared }
    }

    /// What happens next, after what was asked for before.
    pub fn act(&self, more: impl IntoIterator<Item = Act>) {
        self.shared.acts.lock().unwrap().extend(more);
    }

    /// Waits until a request has come to a point that tells.
    pub async fn has_reached(&self) {
        self.reached.acquire().await.unwrap().forget();
    }

    /// The fields of every message it took, repeats included.
    pub fn taken(&self) -> Vec<BTreeMap<String, String>> {
        self.shared.taken.lock().unwrap().clone()
    }

    pub fn count(&self) -> usize {
        self.shared.taken.lock().unwrap().len()
    }

    pub fn taken_keys(&self) -> Vec<String> {
        self.taken().into_iter().map(|mut fields| fields.remove("ref").unwrap()).collect()
    }

    pub fn config(&self) -> SmsConfig {
        let fields = [("to", "{{ to }}"), ("text", "{{ text }}"), ("ref", "{{ key }}")];
        SmsConfig {
            url: Some(format!("http://{}/send", self.address)),
            form: fields.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect(),
            reference_pointer: Some("/id".into()),
            ..SmsConfig::default()
        }
    }
}

async fn serve(stream: TcpStream, shared: Arc<Shared>, reached: Arc<Semaphore>) -> Option<()> {
    let mut stream = BufReader::new(stream);
    loop {
        let (mut head, mut length) = (String::new(), 0);
        loop {
            let mut line = String::new();
            if stream.read_line(&mut line).await.ok()? == 0 {
                return None;
            }
            if line == "\r\n" {
                break;
            }
            if let Some((name, value)) = line.split_once(':')
                && name.eq_ignore_ascii_case("content-length")
            {
                length = value.trim().parse().ok()?;
            }
            head.push_str(&line);
        }
        let act = shared.acts.lock().unwrap().pop_front();
        if matches!(act, Some(Act::HoldBeforeBody)) {
            return tell_and_stay_silent(&reached, &mut stream).await;
        }
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await.ok()?;
        shared.heads.lock().unwrap().push(head);
        let take = || {
            let fields = url::form_urlencoded::parse(&body).into_owned().collect();
            let mut taken = shared.taken.lock().unwrap();
            taken.push(fields);
            taken.len()
        };
        let tells = matches!(act, Some(Act::AnswerAndTell));
        let (status, headers, text) = match act {
            None | Some(Act::Take | Act::AnswerAndTell) => (200, "", format!("{{\"id\": \"g-{}\"}}", take())),
            Some(Act::Refuse(status, headers, text)) => (status, headers, text.to_owned()),
            Some(Act::TakeAndSay(status, headers, text)) => {
                take();
                (status, headers, text.to_owned())
            }
            Some(Act::TakeAndClose) => {
                take();
                return None;
            }
            Some(Act::Close) => return None,
            Some(Act::HoldBeforeBody | Act::HoldBeforeTaking) => {
                return tell_and_stay_silent(&reached, &mut stream).await;
            }
            Some(Act::TakeAndHang) => {
                take();
                return tell_and_stay_silent(&reached, &mut stream).await;
            }
            Some(Act::TakeAndCut) => {
                take();
                let _ = stream.get_mut().write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{\"id\"").await;
                return None;
            }
        };
        let answer = format!("HTTP/1.1 {status} X\r\n{headers}Content-Length: {}\r\n\r\n{text}", text.len());
        stream.get_mut().write_all(answer.as_bytes()).await.ok()?;
        if tells {
            reached.add_permits(1);
        }
    }
}

async fn tell_and_stay_silent(reached: &Semaphore, stream: &mut BufReader<TcpStream>) -> Option<()> {
    reached.add_permits(1);
    let _ = tokio::io::copy(stream, &mut tokio::io::sink()).await;
    None
}

fn outgoing(key: &str) -> Outgoing {
    Outgoing {
        key: key.into(),
        to: "+15055550100".into(),
        message: Message::Sms { text: "¿Ya? Revise sus piñones & más. STOP to end".into() },
        stop_url: None,
        at: at(NOON),
        dated: at(NOON),
    }
}

async fn send(gateway: &FakeGateway, change: impl FnOnce(&mut SmsConfig)) -> Result<Receipt, SendFailure> {
    let mut config = gateway.config();
    change(&mut config);
    SmsGateway::new(&config, "treebell/test")
        .map_err(|faults| format!("{faults:?}"))
        .unwrap()
        .send(&outgoing("k1"))
        .await
}

#[tokio::test]
async fn a_text_arrives_as_it_was_written_with_our_reference_and_comes_back_with_theirs() {
    let gateway = FakeGateway::start([]).await;
    let receipt = send(&gateway, |_| {}).await.unwrap();
    assert_eq!(receipt.provider_ref.as_deref(), Some("g-1"));
    let taken = gateway.taken().remove(0);
    assert_eq!(taken["to"], "+15055550100");
    assert_eq!(taken["text"], "¿Ya? Revise sus piñones & más. STOP to end");
    assert_eq!(taken["ref"], "k1");
    let head = gateway.shared.heads.lock().unwrap()[0].to_ascii_lowercase();
    assert!(head.starts_with("post /send http/1.1\r\n"), "{head}");
    assert!(head.contains("user-agent: treebell/test"), "{head}");
}

fn kind(answer: &Result<Receipt, SendFailure>) -> String {
    match answer {
        Ok(receipt) => format!("sent as {}", receipt.provider_ref.as_deref().unwrap_or("nothing")),
        Err(SendFailure::TryLater { after, .. }) => format!("try later {after:?}"),
        Err(SendFailure::ChannelDown { after, .. }) => format!("channel down {after:?}"),
        Err(SendFailure::GiveUp { .. } | SendFailure::AddressRefused { .. }) => "give up".into(),
        Err(SendFailure::Uncertain { .. }) => "uncertain".into(),
    }
}

#[tokio::test]
async fn every_answer_is_sorted() {
    for (act, wanted) in [
        (Act::Refuse(400, "", "number not valid"), "give up"),
        (Act::Refuse(422, "", "{\"code\": 40300}"), "give up"),
        // About us, not about the message.
        (Act::Refuse(401, "", ""), "channel down None"),
        (Act::Refuse(403, "", ""), "channel down None"),
        (Act::Refuse(404, "", ""), "channel down None"),
        (Act::Refuse(302, "Location: http://127.0.0.1:1/\r\n", ""), "channel down None"),
        (Act::Refuse(429, "Retry-After: 7\r\n", ""), "channel down Some(7s)"),
        (Act::Refuse(503, "Retry-After: 120\r\n", ""), "channel down Some(120s)"),
        (Act::Refuse(503, "Retry-After: Fri, 10 Apr 2026 18:02:00 GMT\r\n", ""), "channel down Some(120s)"),
        (Act::Refuse(503, "Retry-After: Fri, 10 Apr 2026 17:00:00 GMT\r\n", ""), "channel down Some(0ns)"),
        (Act::Refuse(503, "Retry-After: soon\r\n", ""), "channel down None"),
        (Act::Refuse(409, "", ""), "try later None"),
        // The gateway may have taken it before it fell.
        (Act::TakeAndSay(500, "", "oops"), "uncertain"),
        (Act::TakeAndSay(502, "", ""), "uncertain"),
        (Act::TakeAndSay(504, "", ""), "uncertain"),
        (Act::TakeAndClose, "uncertain"),
        (Act::Close, "uncertain"),
        (Act::TakeAndCut, "uncertain"),
        (Act::TakeAndSay(200, "", "<html>Welcome to our hotel</html>"), "uncertain"),
        (Act::TakeAndSay(200, "", "{\"id\": null}"), "uncertain"),
        (Act::TakeAndSay(202, "", "{\"id\": 42}"), "sent as 42"),
    ] {
        let gateway = FakeGateway::start([act.clone()]).await;
        let answer = send(&gateway, |_| {}).await;
        assert_eq!(kind(&answer), wanted, "{act:?}: {answer:?}");
    }
}

#[tokio::test]
async fn texts_in_the_answer_decide_where_the_settings_say_so() {
    // As a gateway that answers 202 to all and says the rest in words.
    let words = |config: &mut SmsConfig| {
        config.reference_pointer = None;
        config.accepted_when = vec!["Accepted for delivery".into(), "Queued for later".into()];
        config.refused_when = vec!["opted out".into()];
    };
    for (text, wanted) in [
        ("0: Accepted for delivery", "sent as nothing"),
        ("3: Queued for later delivery", "sent as nothing"),
        ("7: recipient opted out", "give up"),
        ("<html>hotel</html>", "uncertain"),
    ] {
        let gateway = FakeGateway::start([Act::TakeAndSay(202, "", text)]).await;
        assert_eq!(kind(&send(&gateway, words).await), wanted, "{text}");
    }
    let gateway = FakeGateway::start([Act::Refuse(403, "", "recipient opted out")]).await;
    assert_eq!(kind(&send(&gateway, words).await), "give up");
    // Nothing to be read: the status alone decides.
    let gateway = FakeGateway::start([Act::TakeAndCut]).await;
    assert_eq!(kind(&send(&gateway, |config| config.reference_pointer = None).await), "sent as nothing");
}

#[tokio::test]
async fn nobody_listening_is_a_fault_of_the_channel_and_silence_is_uncertain() {
    let gateway = FakeGateway::start([Act::TakeAndHang]).await;
    let answer = send(&gateway, |config| config.timeout_s = 1).await;
    assert_eq!(kind(&answer), "uncertain", "{answer:?}");

    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    drop(listener);
    let answer = send(&gateway, |config| config.url = Some(format!("http://{address}/send"))).await;
    assert_eq!(kind(&answer), "channel down None", "{answer:?}");
}

#[tokio::test]
async fn neither_secret_nor_number_stands_in_what_is_said_of_a_failure() {
    let gateway = FakeGateway::start([Act::TakeAndClose]).await;
    let secret = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(secret.path(), "geheim-123").unwrap();
    let answer = send(&gateway, |config| {
        config.secret = Some(treebell::config::Secret::File(secret.path().to_owned()));
        config.url = Some(format!("http://{}/send?token={{{{ secret }}}}&n={{{{ to }}}}", gateway.address));
    })
    .await;
    let said = answer.unwrap_err().to_string();
    assert!(!said.contains("geheim") && !said.contains("5055550100"), "{said}");
}

#[tokio::test]
async fn what_the_gateway_has_and_what_is_booked_agree_whatever_it_does() {
    on_each_engine("a gateway with whims", |store| async move {
        let keys = Seed::new(Channel::Sms, 40).put(&store).await;
        let gateway = FakeGateway::start([
            Act::TakeAndClose,
            Act::Refuse(429, "Retry-After: 30\r\n", ""),
            Act::TakeAndSay(500, "", "oops"),
            Act::Close,
            Act::TakeAndCut,
            Act::Refuse(503, "", ""),
        ])
        .await;
        let mut world = World::new(store, []);
        // One at a time, so that the script meets them in order.
        world.config.sms.in_flight = 1;
        let transport = Arc::new(SmsGateway::new(&gateway.config(), "t").map_err(|_| "faults").unwrap());
        let dispatcher = world.dispatcher_over(Channels { email: None, sms: Some(transport) });
        dispatcher.drain_due().await.unwrap();
        // The first was taken, and its report comes while it is uncertain: it is not sent again.
        let first = gateway.taken_keys().remove(0);
        world.store.apply_report(Channel::Sms, Reference::Key(&first), Report::Delivered, at(NOON)).await.unwrap();
        world.play_out(&dispatcher).await;
        let ledger = Ledger::of(&world.store, gateway.taken_keys()).await;
        assert_eq!((ledger.booked, ledger.lost, ledger.silent), (keys.len(), 0, 0), "{ledger:?}");
        assert_eq!((ledger.repeated, ledger.marked, ledger.open), (2, 4, 1), "{ledger:?}");
        assert_eq!(world.row(&first).await.standing.state, DeliveryState::Delivered);
    })
    .await;
}

#[tokio::test]
async fn the_gateway_is_left_alone_for_as_long_as_it_asks() {
    on_each_engine("Retry-After", |store| async move {
        Seed::new(Channel::Sms, 5).put(&store).await;
        let gateway = FakeGateway::start([Act::Refuse(429, "Retry-After: 97\r\n", "")]).await;
        let mut world = World::new(store, []);
        world.config.sms.in_flight = 1;
        let transport = Arc::new(SmsGateway::new(&gateway.config(), "t").map_err(|_| "faults").unwrap());
        let dispatcher = world.dispatcher_over(Channels { email: None, sms: Some(transport) });
        assert_eq!(dispatcher.drain_due().await.unwrap().later, 1);
        assert_eq!(dispatcher.next_due().await.unwrap(), Some(at(NOON) + chrono::TimeDelta::seconds(97)));
        world.clock.advance(chrono::TimeDelta::seconds(97));
        assert_eq!(dispatcher.drain_due().await.unwrap().sent, 5);
    })
    .await;
}
