//! Kannel, a real SMS gateway that others wrote, with the fake carrier that comes with it. Each check starts one of its own
//! on loopback. What the carrier printed is the truth about what arrived.
//!
//! The settings are those that `config/treebell.toml` shows, taken from that file. `TREEBELL_KEEP=1` keeps the gateway's folder
//! of a check that fails.

mod inbound;
mod kills;
mod parts;
mod sending;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Seek, SeekFrom};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use percent_encoding::percent_decode;
use rand::RngExt;
use treebell::store::Store;

use super::kills::wait_for;
use super::sink::listens;
use crate::support;
use crate::support::open_store;

const BEARERBOX: &str = "/usr/sbin/bearerbox";
const SMSBOX: &str = "/usr/sbin/smsbox";
const CARRIER: &str = "/usr/lib/kannel/test/fakesmsc";

/// The secret part of our webhooks' path, and the password at the gateway.
const PATH: &str = "s3cret-path-0042";
const PASSWORD: &str = "gateway-pass";

/// Its programs: the core with its store, the HTTP side, and the carrier behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Program {
    Bearerbox,
    Smsbox,
    Carrier,
}

pub struct Kannel {
    folder: tempfile::TempDir,
    admin: u16,
    inside: u16,
    pub sendsms: u16,
    carrier: u16,
    /// Where Treebell's webhooks will be.
    pub web: u16,
    running: BTreeMap<Program, Child>,
}

/// What differs from check to check.
#[derive(Clone, Copy, Debug)]
pub struct Setup {
    /// Texts in UCS-2 are made UTF-8 before they are handed on.
    pub recode: bool,
    /// Texts that may wait for the carrier.
    pub queue_limit: Option<u32>,
}

impl Default for Setup {
    fn default() -> Self {
        Self { recode: true, queue_limit: None }
    }
}

/// Numbers that begin so are not routable.
pub const NOWHERE: &str = "+1999";

impl Kannel {
    /// `None` with a loud skip when it is not installed.
    pub fn start(what: &str, setup: Setup) -> Option<Self> {
        if ![BEARERBOX, SMSBOX, CARRIER].into_iter().all(|program| Path::new(program).exists()) {
            support::skipped(what, "Kannel and its fake carrier, as the packages kannel and kannel-extras bring them");
            return None;
        }
        let mut whys = Vec::new();
        // A port may be taken by somebody else between the look and the start.
        while whys.len() < 5 {
            let mut kannel = Self {
                folder: tempfile::tempdir().unwrap(),
                admin: quiet_port(),
                inside: quiet_port(),
                sendsms: quiet_port(),
                carrier: quiet_port(),
                web: quiet_port(),
                running: BTreeMap::new(),
            };
            kannel.configure(setup);
            let started = [Program::Bearerbox, Program::Smsbox, Program::Carrier]
                .into_iter()
                .try_for_each(|which| kannel.try_start(which, None));
            match started {
                Ok(()) => return Some(kannel),
                Err(why) => whys.push(why),
            }
        }
        panic!("Kannel does not start: {whys:#?}");
    }

    /// Written anew; each program reads it at its next start.
    pub fn configure(&self, setup: Setup) {
        let Self { admin, inside, sendsms, carrier, web, .. } = self;
        let limit = setup.queue_limit.map_or(String::new(), |most| format!("sms-outgoing-queue-limit = {most}\n"));
        let settings = format!(
            "group = core\n\
             admin-port = {admin}\nadmin-interface = 127.0.0.1\nadmin-password = x\nstatus-password = x\n\
             admin-deny-ip = \"*.*.*.*\"\nadmin-allow-ip = \"127.0.0.1\"\n\
             smsbox-port = {inside}\nsmsbox-interface = 127.0.0.1\nbox-deny-ip = \"*.*.*.*\"\nbox-allow-ip = \"127.0.0.1\"\n\
             access-log = \"access.log\"\ndlr-storage = internal\nstore-type = file\nstore-location = \"store\"\n\
             sms-resend-freq = 1\n{limit}\n\
             group = smsc\nsmsc = fake\nsmsc-id = carrier\nport = {carrier}\nour-host = 127.0.0.1\n\
             connect-allow-ip = \"127.0.0.1\"\ndenied-prefix = \"{NOWHERE}\"\n\n\
             group = smsbox\nbearerbox-host = 127.0.0.1\nsendsms-port = {sendsms}\nsendsms-interface = 127.0.0.1\n\
             http-request-retry = 10000\nhttp-queue-delay = 1\nmo-recode = {}\n\n\
             group = sendsms-user\nusername = treebell\npassword = {PASSWORD}\nmax-messages = 10\nconcatenation = true\n\n\
             group = sms-service\nkeyword = default\ncatch-all = true\nmax-messages = 0\n\
             get-url = \"http://127.0.0.1:{web}/hooks/{PATH}/text?from=%p&to=%P&text=%a&charset=%C&id=%I\"\n",
            setup.recode
        );
        std::fs::write(self.path("kannel.conf"), settings).unwrap();
        std::fs::write(self.path("hook-path"), PATH).unwrap();
        std::fs::write(self.path("password"), PASSWORD).unwrap();
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn start_all(&mut self) {
        for one in [Program::Bearerbox, Program::Smsbox, Program::Carrier] {
            if !self.is_running(one) {
                self.start_one(one);
            }
        }
    }

    pub fn start_one(&mut self, which: Program) {
        self.try_start(which, None).unwrap();
    }

    /// The carrier anew, with a text from a phone: `FROM TO text WORDS` or `FROM TO ucs2 %00W…`. Returns when the core has put the
    /// text into its store: a carrier that is killed before takes what was not read with it.
    pub fn bring(&mut self, text: &str) {
        self.kill(Program::Carrier);
        self.try_start(Program::Carrier, Some(text)).unwrap();
    }

    fn try_start(&mut self, which: Program, text: Option<&str>) -> Result<(), String> {
        let (log, said, by) = match (which, text) {
            (Program::Bearerbox, _) => ("bearerbox.log", "MAIN: Start-up done", "bearerbox.log"),
            (Program::Smsbox, _) => ("smsbox.log", "Connected to bearerbox", "smsbox.log"),
            (Program::Carrier, None) => ("carrier.log", "Fakesmsc client connected", "bearerbox.log"),
            (Program::Carrier, Some(_)) => ("carrier.log", " Receive SMS ", "access.log"),
        };
        // A start may be tried again with other ports; a text is brought once.
        let patience = Duration::from_secs(if text.is_some() { 120 } else { 15 });
        let before = Tail::at_end(&self.path(by));
        let mut command = Command::new(match which {
            Program::Bearerbox => BEARERBOX,
            Program::Smsbox => SMSBOX,
            Program::Carrier => CARRIER,
        });
        match which {
            Program::Carrier => command
                .args(["-H", "127.0.0.1", "-r", &self.carrier.to_string(), "-i", "0.01", "-m"])
                .args(match text {
                    Some(text) => ["1", text],
                    None => ["0", "1 1 text none"],
                }),
            _ => command.args(["-v", "1", "kannel.conf"]),
        };
        let output = std::fs::OpenOptions::new().create(true).append(true).open(self.path(log)).unwrap();
        command.current_dir(self.folder.path()).stdin(Stdio::null()).stdout(output.try_clone().unwrap()).stderr(output);
        // It says that it is ready a moment before it listens.
        let listens_at = match which {
            Program::Bearerbox => Some(self.inside),
            Program::Smsbox => Some(self.sendsms),
            Program::Carrier => None,
        };
        let begun = Instant::now();
        while !(self.is_running(which) && before.has(said) && listens_at.is_none_or(listens)) {
            if begun.elapsed() > patience {
                return Err(format!("{which:?}: {}", self.log(log)));
            }
            if !self.is_running(which) {
                self.running.insert(which, command.spawn().unwrap());
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        Ok(())
    }

    pub fn is_running(&mut self, which: Program) -> bool {
        self.running.get_mut(&which).is_some_and(|child| child.try_wait().unwrap().is_none())
    }

    /// SIGKILL. The others end by themselves when the core is gone; here they are given no time for it.
    pub fn kill(&mut self, which: Program) {
        if let Some(mut child) = self.running.remove(&which) {
            let _ = child.kill();
            child.wait().unwrap();
        }
        if which == Program::Bearerbox {
            for other in [Program::Smsbox, Program::Carrier] {
                self.kill(other);
            }
        }
    }

    /// A program that hangs, and goes on.
    pub fn signal(&self, which: Program, signal: &str) {
        let done = Command::new("kill").args([signal, &self.running[&which].id().to_string()]).status().unwrap();
        assert!(done.success());
    }

    pub fn log(&self, name: &str) -> String {
        String::from_utf8_lossy(&std::fs::read(self.path(name)).unwrap_or_default()).into_owned()
    }

    /// Messages at the carrier, parts each by itself.
    pub fn count(&self) -> usize {
        self.log("carrier.log").matches(GOT).count()
    }

    /// Every part that the carrier got, in order.
    pub fn parts(&self) -> Vec<Part> {
        let log = self.log("carrier.log");
        log.split(GOT).skip(1).filter_map(|text| Part::read(text.lines().next()?)).collect()
    }

    /// Every text that the carrier got: the number it is for, its parts joined.
    pub fn arrived(&self) -> Vec<Arrived> {
        let mut open: BTreeMap<(String, u8), Vec<Part>> = BTreeMap::new();
        let mut all = Vec::new();
        for part in self.parts() {
            let Some((reference, total, _)) = part.joined else {
                all.push(Arrived { to: part.to, parts: 1, bytes: part.bytes });
                continue;
            };
            let key = (part.to.clone(), reference);
            let together = open.entry(key.clone()).or_default();
            together.push(part);
            if together.len() == usize::from(total) {
                let mut together = open.remove(&key).unwrap();
                together.sort_by_key(|part| part.joined);
                let numbers: Vec<u8> = together.iter().filter_map(|part| Some(part.joined?.2)).collect();
                assert_eq!(numbers, (1..=total).collect::<Vec<_>>(), "each part once");
                let bytes = together.iter().flat_map(|part| part.bytes.clone()).collect();
                all.push(Arrived { to: key.0, parts: usize::from(total), bytes });
            }
        }
        assert!(open.is_empty(), "parts are missing: {:?}", open.keys());
        all
    }

    /// How often Kannel says that it was given a text for each number. It says so before anything else is done with it.
    pub fn took(&self) -> BTreeMap<String, usize> {
        self.counted("smsbox.log", "sendsms sender:", "to:<", '>')
    }

    /// How often Kannel says that it handed a text for each number to the carrier.
    pub fn handed_over(&self) -> BTreeMap<String, usize> {
        self.counted("access.log", " Sent SMS ", "[to:", ']')
    }

    fn counted(&self, log: &str, said: &str, before: &str, after: char) -> BTreeMap<String, usize> {
        let mut counts = BTreeMap::new();
        for line in self.log(log).lines().filter(|line| line.contains(said)) {
            if let Some((_, rest)) = line.split_once(before) {
                *counts.entry(rest.split(after).next().unwrap_or_default().to_owned()).or_insert(0) += 1;
            }
        }
        counts
    }

    /// The settings of `config/treebell.toml` for this gateway.
    pub fn settings(&self) -> String {
        example(self.sendsms, self.web, &self.path("password"))
    }
}

impl Drop for Kannel {
    fn drop(&mut self) {
        self.kill(Program::Bearerbox);
        if std::thread::panicking() && std::env::var_os("TREEBELL_KEEP").is_some() {
            eprintln!("kept: {}", self.folder.path().display());
            self.folder.disable_cleanup(true);
        }
    }
}

const GOT: &str = "Got message ";

/// One short message at the carrier.
#[derive(Clone, Debug)]
pub struct Part {
    pub to: String,
    /// As Kannel's line to the carrier has them: UTF-8 of what is in GSM 7-bit, UTF-16BE of UCS-2.
    pub bytes: Vec<u8>,
    /// Reference, number of parts and place of this one (3GPP TS 23.040 section 9.2.3.24.1).
    pub joined: Option<(u8, u8, u8)>,
}

impl Part {
    /// `N: <FROM TO text WORDS>`, `… ucs-2 %00W…>` or `… udh %05%00%03… data W…>`. Anything else is the rest of a text with a
    /// line break in it.
    fn read(line: &str) -> Option<Self> {
        let (_, line) = line.split_once(": <")?;
        let line = line.strip_suffix('>').unwrap_or(line);
        let mut words = line.splitn(4, ' ');
        let (_from, to, kind, body) = (words.next()?, words.next()?, words.next()?, words.next()?);
        let (bytes, joined) = match kind {
            "text" => (body.as_bytes().to_vec(), None),
            "ucs-2" => (decoded(body), None),
            "udh" => {
                let (header, body) = body.split_once(" data ")?;
                let header = decoded(header);
                assert_eq!((header.len(), &header[..3]), (6, &[5, 0, 3][..]), "{line}");
                (decoded(body), Some((header[3], header[4], header[5])))
            }
            _ => return None,
        };
        Some(Self { to: to.to_owned(), bytes, joined })
    }
}

fn decoded(text: &str) -> Vec<u8> {
    percent_decode(text.replace('+', " ").as_bytes()).collect()
}

/// A text as a phone would show it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrived {
    pub to: String,
    pub parts: usize,
    bytes: Vec<u8>,
}

impl Arrived {
    pub fn words(&self, encoding: treebell::message::sms::Encoding) -> String {
        use treebell::message::sms::Encoding;
        match encoding {
            Encoding::Gsm7 => String::from_utf8(self.bytes.clone()).unwrap(),
            Encoding::Ucs2 => {
                let units: Vec<u16> = self.bytes.chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
                String::from_utf16(&units).unwrap()
            }
        }
    }
}

/// What is written to a file from now on.
struct Tail {
    path: PathBuf,
    from: u64,
}

impl Tail {
    fn at_end(path: &Path) -> Self {
        Self { path: path.to_owned(), from: std::fs::metadata(path).map_or(0, |file| file.len()) }
    }

    fn has(&self, words: &str) -> bool {
        let Ok(mut file) = std::fs::File::open(&self.path) else { return false };
        let mut bytes = Vec::new();
        file.seek(SeekFrom::Start(self.from)).unwrap();
        file.read_to_end(&mut bytes).unwrap();
        String::from_utf8_lossy(&bytes).contains(words)
    }
}

/// The example at the end of `[sms]` in `config/treebell.toml`, with other ports and another place for the password.
fn example(sendsms: u16, web: u16, password: &Path) -> String {
    let shipped = include_str!("../../../../config/treebell.toml");
    let (_, example) = shipped.split_once("# Example: a gateway on this machine that").unwrap();
    let (intro, example) = example.split_once("# url = ").unwrap();
    let (example, _) = example.split_once("# On its own side").unwrap();
    let above = ["refused_statuses = []", r#"refused_when = ["Not routable", "denied by", "receiver"]"#];
    assert!(above.iter().all(|setting| intro.contains(setting)), "{intro}");
    let mut settings = format!("[sms]\n{}\nurl = ", above.join("\n"));
    for line in example.lines() {
        settings.push_str(line.trim_start_matches("# "));
        settings.push('\n');
    }
    for (shown, real) in [
        ("127.0.0.1:13013", format!("127.0.0.1:{sendsms}")),
        ("127.0.0.1:8480", format!("127.0.0.1:{web}")),
        ("/etc/treebell/sms-password", password.display().to_string()),
    ] {
        assert!(settings.contains(shown), "{settings}");
        settings = settings.replace(shown, &real);
    }
    settings
}

// Without Kannel, too: every name in it is known, and each header can be filled.
#[test]
fn the_example_of_the_settings_is_sound() {
    let folder = tempfile::tempdir().unwrap();
    let (password, path) = (folder.path().join("password"), folder.path().join("path"));
    std::fs::write(&password, PASSWORD).unwrap();
    std::fs::write(&path, PATH).unwrap();
    let settings = format!("[hooks]\npath = {{ file = '{}' }}\n{}", path.display(), example(13013, 8480, &password));
    let config = treebell::config::Config::parse(&settings).unwrap();
    let faults = treebell::dispatch::channels::check(&config.email, &config.sms, config.hooks.path.as_ref());
    assert_eq!(faults, []);
}

/// Below those that outgoing connections are given, so that it is still free when a killed program wants it back. None twice.
fn quiet_port() -> u16 {
    static GIVEN: Mutex<BTreeSet<u16>> = Mutex::new(BTreeSet::new());
    loop {
        let port = rand::rng().random_range(10_000..32_000);
        if TcpListener::bind(("127.0.0.1", port)).is_ok() && GIVEN.lock().unwrap().insert(port) {
            return port;
        }
    }
}

/// The program as it is installed, with the webhooks open and this gateway as its way to phones.
pub struct Treebell {
    child: Option<Child>,
    folder: tempfile::TempDir,
    pub store: Store,
}

impl Treebell {
    /// Not started yet, so that the store can be filled first. `more` goes into its settings: keys of `[sms]` first.
    pub async fn new(kannel: &Kannel, delivery: &str, change: impl FnOnce(String) -> String) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let address = format!("sqlite:{}", folder.path().join("treebell.sqlite").display());
        let settings = format!(
            "[store]\naddress = '{address}'\n[messages]\npublic_url = \"https://pinyon.example.org\"\n\
             [web]\nlisten = \"127.0.0.1:{}\"\n[hooks]\npath = {{ file = '{}' }}\n\
             [delivery]\nquiet_until = \"00:00:00\"\nquiet_from = \"23:59:59\"\nretry_first_s = 1\n{delivery}\n{}",
            kannel.web,
            kannel.path("hook-path").display(),
            kannel.settings(),
        );
        std::fs::write(folder.path().join("treebell.toml"), change(settings)).unwrap();
        let store = open_store(&address).await.unwrap();
        Self { child: None, folder, store }
    }

    pub fn start(&mut self) {
        let mut child = Command::new(env!("CARGO_BIN_EXE_treebell"))
            .arg("--config")
            .arg(self.folder.path().join("treebell.toml"))
            .arg("run")
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        wait_for("treebell is at work", child.stderr.take().unwrap());
        self.child = Some(child);
    }

    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            child.wait().unwrap();
        }
    }
}

impl Drop for Treebell {
    fn drop(&mut self) {
        self.kill();
    }
}

/// Asks again and again until it is so.
pub async fn until(what: &str, patience: Duration, mut is_so: impl AsyncFnMut() -> bool) {
    let begun = Instant::now();
    while !is_so().await {
        assert!(begun.elapsed() < patience, "waited {patience:?} in vain: {what}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}
