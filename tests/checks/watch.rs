//! What those who run the service see: metrics that Prometheus' own tool reads, alert rules that fire, health and readiness,
//! what systemd is told, the log, and the examples in `deploy/`.

use std::collections::BTreeSet;
use std::io::Write;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use tower::ServiceExt;
use treebell::clock::Clock;
use treebell::dispatch::Channels;
use treebell::dispatch::channels::scripted::{Script, ScriptedTransport};
use treebell::language::Language;
use treebell::message::{Message, TransactionalKind};
use treebell::metrics::Metrics;
use treebell::people::{Address, Channel, Reach};
use treebell::progress::{Part, Progress};
use treebell::store::Store;
use treebell::store::runs::RunResult;
use treebell::store::transactional::NewTransactional;
use treebell::watch::{self, Readiness};
use treebell::web::limits::Limits;

use crate::delivery::{self, Seed};
use crate::engines::on_each_engine;
use crate::support;
use crate::web::support::World;

fn root(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn text_of(name: &str) -> String {
    std::fs::read_to_string(root(name)).unwrap_or_else(|why| panic!("{name}: {why}"))
}

async fn ask(router: &axum::Router, path: &str) -> (StatusCode, String) {
    let response = router.clone().oneshot(Request::get(path).body(Body::empty()).unwrap()).await.unwrap();
    let status = response.status();
    let body = response.into_body().collect().await.unwrap().to_bytes();
    (status, String::from_utf8_lossy(&body).into_owned())
}

/// What `promtool` says with this on its standard input; `Err` when it is not content.
fn promtool(promtool: &Path, arguments: &[&str], input: &str) -> Result<(), String> {
    let mut child = Command::new(promtool)
        .args(arguments)
        .current_dir(root(""))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    let done = child.wait_with_output().unwrap();
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    if done.status.success() { Ok(()) } else { Err(said) }
}

#[tokio::test]
async fn metrics_tell_what_the_store_holds_and_promtool_reads_them() {
    on_each_engine("metrics", |store| async move {
        let seed = Seed::new(Channel::Sms, 3);
        seed.put(&store).await;
        let world = World::on(store.clone(), |_| {}).with_regions().await;
        // An hour after they might have left, in the morning of their zone.
        world.clock.set(seed.not_before + chrono::Duration::hours(1));
        let mut tx = store.begin().await.unwrap();
        let kind = treebell::store::staff_log::StaffKind::Missed;
        let region = "dos-vientos".into();
        let told =
            treebell::store::staff_log::tell_staff(&mut tx, "a", Some(&region), kind, "x", seed.not_before).await;
        assert!(told.unwrap());
        // Where no source is asked, none can be silent. What happened once is open for a day, and nothing to be alarmed at.
        for sql in [
            "UPDATE stations SET sources = '[]' WHERE id <> 'dos-vientos'",
            "INSERT INTO alarms (id, kind, subject, machine, urgent, what, mend, raised_at, times_told, believed, seen_at) \
             VALUES ('clock/x', 'clock', 'x', '', 0, '', '', 0, 1, 1, 0)",
        ] {
            sqlx::query(sql).execute(tx.conn()).await.unwrap();
        }
        tx.commit().await.unwrap();
        let run = seed.not_before.naive_utc();
        store.start_run("cycle", run, seed.not_before).await.unwrap();
        store
            .finish_run("cycle", run, RunResult::Good, "well", seed.not_before + chrono::Duration::seconds(90))
            .await
            .unwrap();
        world.get("/privacy").await;
        world.app.progress.made(Part::Dispatcher);
        let router = watch::router(Readiness::new(world.app.clone(), None));
        let (status, text) = ask(&router, "/metrics").await;
        assert_eq!(status, StatusCode::OK);
        let since = seed.not_before.timestamp();
        for line in [
            "treebell_store_up 1".to_owned(),
            "treebell_alarms_open{kind=\"station\"} 0".to_owned(),
            format!("treebell_cycle_last_success_timestamp_seconds {since}"),
            "treebell_queue_deliveries{channel=\"sms\",state=\"queued\"} 3".to_owned(),
            "treebell_queue_deliveries{channel=\"email\",state=\"queued\"} 0".to_owned(),
            format!("treebell_queue_oldest_due_timestamp_seconds{{channel=\"sms\"}} {since}"),
            format!("treebell_cycle_last_start_timestamp_seconds {since}"),
            format!("treebell_cycle_last_end_timestamp_seconds {}", since + 90),
            "treebell_notices{status=\"released\"} 1".to_owned(),
            "treebell_notices{status=\"skipped\"} 0".to_owned(),
            format!("treebell_notice_last_skipped_timestamp_seconds{{region=\"dos-vientos\"}} {since}"),
            "treebell_station_last_answer_timestamp_seconds{station=\"dos-vientos\"} 0".to_owned(),
            "treebell_http_request_duration_seconds_count{code=\"2xx\",page=\"privacy\"} 1".to_owned(),
            "treebell_part_stalled{part=\"dispatcher\"} 0".to_owned(),
        ] {
            assert!(text.lines().any(|one| one == line), "{line} is missing in\n{text}");
        }
        let answers = text.lines().filter(|line| line.starts_with("treebell_station_last_answer_timestamp_seconds{"));
        assert_eq!(answers.count(), 1, "{text}");
        // That the store takes no write stands nowhere in it, so it is counted from memory.
        let store_alarm = |text: &str| text.lines().find_map(|line| line.strip_prefix("treebell_alarms_open{kind=\"store\"} ").map(str::to_owned));
        assert_eq!(store_alarm(&text).as_deref(), Some("0"));
        world.app.metrics.set_store_alarm(true);
        assert_eq!(store_alarm(&ask(&router, "/metrics").await.1).as_deref(), Some("1"));
        world.app.metrics.set_store_alarm(false);
        if let Some(tool) = support::promtool("the metrics as Prometheus reads them") {
            promtool(&tool, &["check", "metrics"], &text).unwrap_or_else(|why| panic!("{why}\n{text}"));
        }
        // At night nothing waits.
        world.clock.set(delivery::at("2026-04-11T08:00:00Z"));
        let (_, night) = ask(&router, "/metrics").await;
        assert!(!night.contains("treebell_queue_oldest_due_timestamp_seconds{"), "{night}");
        // But a reply, which leaves at any hour. Before, the priority was asked for.
        let now = world.clock.now();
        let reply = NewTransactional {
            kind: TransactionalKind::Help,
            to: Address::parse("505-555-0150", Reach::NorthAmerica).unwrap(),
            language: Language::En,
            message: Message::Sms { text: "x".into() },
            fact: "x".into(),
            expires_at: now + chrono::Duration::hours(1),
        };
        store.put_transactional(&reply, now).await.unwrap();
        let (_, night) = ask(&router, "/metrics").await;
        let line = format!("treebell_queue_oldest_due_timestamp_seconds{{channel=\"sms\"}} {}", now.timestamp());
        assert!(night.lines().any(|one| one == line), "{night}");
        let (status, _) = ask(&router, "/readyz").await;
        assert_eq!(status, StatusCode::OK);

        store.close().await;
        let (status, told) = ask(&router, "/readyz").await;
        assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE, "{told}");
        assert_eq!(ask(&router, "/healthz").await, (StatusCode::OK, "alive\n".to_owned()));
        let (status, text) = ask(&router, "/metrics").await;
        assert!(status == StatusCode::OK && text.contains("\ntreebell_store_up 0\n"), "{text}");
    })
    .await;
}

#[tokio::test]
async fn who_is_ready_can_give_the_first_page() {
    let world = World::empty(|_| {}).await;
    let failing = axum::Router::new().route("/", axum::routing::get(|| async { StatusCode::SERVICE_UNAVAILABLE }));
    for (pages, ready) in [(Some(world.router.clone()), true), (None, true), (Some(failing), false)] {
        let router = watch::router(Readiness::new(world.app.clone(), pages));
        let (status, told) = ask(&router, "/readyz").await;
        assert_eq!(status == StatusCode::OK, ready, "{told}");
    }
}

/// What systemd is told waits for it.
#[tokio::test]
async fn ready_comes_no_sooner_than_the_first_page() {
    let world = World::empty(|_| {}).await;
    let works = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let asked = Arc::new(std::sync::atomic::AtomicU32::new(0));
    let page = {
        let (works, asked) = (works.clone(), asked.clone());
        move || async move {
            asked.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
            let works = works.load(std::sync::atomic::Ordering::SeqCst);
            if works { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE }
        }
    };
    let pages = axum::Router::new().route("/", axum::routing::get(page));
    let ready = tokio::spawn(Readiness::new(world.app.clone(), Some(pages)).until_ready());
    while asked.load(std::sync::atomic::Ordering::SeqCst) < 2 {
        assert!(!ready.is_finished(), "ready without its page");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert!(!ready.is_finished(), "ready without its page");
    works.store(true, std::sync::atomic::Ordering::SeqCst);
    tokio::time::timeout(Duration::from_secs(60), ready).await.unwrap().unwrap();
}

#[tokio::test]
async fn sends_are_counted_by_what_became_of_them() {
    let store = Store::in_memory().await.unwrap();
    Seed::new(Channel::Sms, 3).put(&store).await;
    let world = delivery::World::new(store, []);
    let script = [Script::Accept, Script::GiveUp, Script::Accept];
    let channels = Channels { email: None, sms: Some(Arc::new(ScriptedTransport::new(script))) };
    let metrics = Metrics::default();
    let dispatcher = world.dispatcher_over(channels).watched_by(metrics.clone(), Progress::default());
    dispatcher.drain_due().await.unwrap();
    let text = metrics.text(treebell::metrics::Reading::default()).unwrap();
    for line in [
        "treebell_sends_total{channel=\"sms\",result=\"accepted\"} 2",
        "treebell_sends_total{channel=\"sms\",result=\"refused\"} 1",
        "treebell_send_duration_seconds_count{channel=\"sms\"} 3",
    ] {
        assert!(text.lines().any(|one| one == line), "{line} is missing in\n{text}");
    }
}

/// A look at the queue that never ends: the store's only connection is in other hands.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dispatcher_that_hangs_makes_no_step_and_goes_on_when_it_can() {
    let world = delivery::World::new(Store::in_memory().await.unwrap(), []);
    let progress = Progress::default();
    let dispatcher = Arc::new(world.dispatcher().watched_by(Metrics::default(), progress.clone()));
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let works = {
        let dispatcher = dispatcher.clone();
        tokio::spawn(async move { dispatcher.run(async { drop(stopped.await) }).await })
    };
    let steps = || progress.steps(Part::Dispatcher);
    let until_above = async |least: u64| {
        let begun = Instant::now();
        while steps() <= least {
            assert!(begun.elapsed() < Duration::from_secs(60), "the dispatcher makes no step");
            dispatcher.waker().notify_one();
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    until_above(2).await;
    let held = world.store.begin().await.unwrap();
    // The look under way may still end, and another one begin: it cannot end.
    let mut before = steps();
    for _ in 0..20 {
        dispatcher.waker().notify_one();
        tokio::time::sleep(Duration::from_millis(20)).await;
        if steps() == before {
            break;
        }
        before = steps();
    }
    for _ in 0..20 {
        dispatcher.waker().notify_one();
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(steps(), before, "a sign of life of a dispatcher that hangs");
    assert_eq!(progress.stalled(Duration::from_millis(100)).len(), 1);
    held.rollback().await.unwrap();
    until_above(before).await;
    let _ = stop.send(());
    works.await.unwrap();
    assert!(progress.stalled(Duration::ZERO).is_empty(), "what has ended is not waited for");
}

/// The program with settings of its own in a folder of its own.
struct Program {
    folder: tempfile::TempDir,
}

impl Program {
    fn new(settings: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("treebell.toml"), settings).unwrap();
        Self { folder }
    }

    fn command(&self) -> Command {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
        command.current_dir(self.folder.path());
        command
    }

    fn output(&self, arguments: &[&str]) -> Output {
        self.command().args(arguments).output().unwrap()
    }
}

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A port that was free a moment ago.
fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Waits for a word to systemd.
fn until_told(socket: &UnixDatagram, word: &str) {
    let mut buffer = [0; 256];
    let begun = Instant::now();
    socket.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    loop {
        let length = socket.recv(&mut buffer).unwrap_or_else(|why| panic!("systemd is not told {word}: {why}"));
        let told = String::from_utf8_lossy(&buffer[..length]).into_owned();
        if told.lines().any(|line| line == word) {
            return;
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "systemd is told {told} and not {word}");
    }
}

#[test]
fn systemd_is_told_that_the_service_is_ready_when_its_pages_are_and_then_that_it_lives() {
    let (public, private) = (free_port(), free_port());
    let program = Program::new(&format!(
        "[web]\nlisten = \"127.0.0.1:{public}\"\n[watch]\nlisten = \"127.0.0.1:{private}\"\n[log]\nlevel = \"debug\"\n"
    ));
    assert!(program.output(&["store", "init"]).status.success());
    let socket = program.folder.path().join("notify");
    let notified = UnixDatagram::bind(&socket).unwrap();
    let log = program.folder.path().join("log");
    let child = program
        .command()
        .arg("run")
        .env("NOTIFY_SOCKET", &socket)
        .env("WATCHDOG_USEC", "300000")
        .env_remove("NO_COLOR")
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(&log).unwrap())
        .spawn()
        .unwrap();
    let mut running = Running(child);
    until_told(&notified, "READY=1");
    let (public, private) = (format!("127.0.0.1:{public}"), format!("127.0.0.1:{private}"));
    assert_eq!(support::http(&public, "GET", "/", &[]).status, 200, "ready and the first page");
    until_told(&notified, "WATCHDOG=1");
    for path in ["/healthz", "/readyz", "/metrics"] {
        assert_eq!(support::http(&private, "GET", path, &[]).status, 200, "{path}");
        assert_eq!(support::http(&public, "GET", path, &[]).status, 404, "{path} is not public");
    }
    assert!(Command::new("kill").arg("-TERM").arg(running.0.id().to_string()).status().unwrap().success());
    assert!(running.0.wait().unwrap().success());
    let log = std::fs::read_to_string(&log).unwrap();
    assert!(log.contains("treebell is at work"), "{log}");
    assert!(!log.contains('\u{1b}'), "colour codes in a file:\n{log}");
}

#[test]
fn a_wrong_level_is_told_and_not_taken_for_silence() {
    let program = Program::new("[log]\nlevel = \"inof\"\n");
    for command in ["check-config", "run", "once"] {
        let output = program.output(&[command]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{command}: {said}");
        assert!(said.contains("treebell.toml:2: log.level: `inof` is not a level"), "{command}: {said}");
        assert!(said.contains("did you mean `info`?"), "{command}: {said}");
    }
}

#[test]
fn metrics_are_never_public_by_mistake() {
    let program = Program::new("[web]\nlisten = \"0.0.0.0:8480\"\n[watch]\nlisten = \"127.0.0.1:8480\"\n");
    let output = program.output(&["check-config"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.code() == Some(2) && said.contains("watch.listen: 127.0.0.1:8480 is where the public"),
        "{said}"
    );
    let output = Program::new("[watch]\nlisten = \"192.0.2.7:9480\"\n").output(&["check-config"]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success() && said.contains("warning: watch.listen: 192.0.2.7:9480 can be reached"), "{said}");
}

/// At `debug` the service says more, and the libraries below it say nothing of TLS and HTTP.
#[test]
fn debug_is_about_the_service_and_json_is_json() {
    for json in [false, true] {
        let program = Program::new(&format!(
            "[log]\nlevel = \"debug\"\njson = {json}\n[feeds]\ntries = 1\nacis = {{ base_url = \"http://127.0.0.1:1/\" }}\n"
        ));
        let station = [
            "station",
            "add",
            "ZZ-RIDGE",
            "--name",
            "Sample Ridge",
            "--lat",
            "31",
            "--lon",
            "-135",
            "--elevation-m",
            "1524",
            "--zone",
            "America/Denver",
            "--source",
            "acis:ZZ1 6",
        ];
        assert!(program.output(&["store", "init"]).status.success());
        assert!(program.output(&station).status.success());
        let output = program.output(&["weather", "pull"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("ZZ-RIDGE"), "{said}");
        for inside in ["connecting to", "starting new connection", "rustls", "checkout", "hyper"] {
            assert!(!said.contains(inside), "`{inside}` in\n{said}");
        }
        let lines: Vec<&str> = said.lines().filter(|line| line.starts_with('{')).collect();
        assert_eq!(!lines.is_empty(), json, "{said}");
        for line in lines {
            let entry: serde_json::Value = serde_json::from_str(line).unwrap_or_else(|why| panic!("{why}: {line}"));
            assert!(entry["timestamp"].is_string() && entry["level"].is_string() && entry["fields"].is_object());
        }
    }
}

#[test]
fn alert_rules_fire_on_what_they_are_for() {
    let Some(tool) = support::promtool("the alert rules") else { return };
    promtool(&tool, &["check", "rules", "deploy/prometheus-rules.yml"], "").unwrap();
    promtool(&tool, &["test", "rules", "tests/prometheus/rules-test.yml"], "").unwrap();
    let (rules, tests) = (text_of("deploy/prometheus-rules.yml"), text_of("tests/prometheus/rules-test.yml"));
    for alert in rules.lines().filter_map(|line| line.trim().strip_prefix("- alert: ")) {
        let fires = tests.split("alertname: ").any(|part| {
            let (name, rest) = part.split_once('\n').unwrap_or((part, ""));
            name == alert && rest.trim_start().starts_with("exp_alerts:\n")
        });
        assert!(fires, "{alert} is nowhere seen firing");
    }
}

/// The names of metrics in a text.
fn names(text: &str) -> BTreeSet<String> {
    let name = |c: char| c.is_ascii_lowercase() || c == '_';
    let found = text.match_indices("treebell_").map(|(at, _)| text[at..].chars().take_while(|c| name(*c)).collect());
    found.collect()
}

#[test]
fn rules_and_dashboard_ask_for_metrics_that_there_are() {
    let ours = names(&(text_of("src/metrics.rs") + &text_of("src/watch/reading.rs")));
    for file in ["deploy/prometheus-rules.yml", "deploy/grafana-dashboard.json", "tests/prometheus/rules-test.yml"] {
        let asked = names(&text_of(file));
        assert!(asked.len() > 10, "{file}");
        for name in asked {
            let bare = ["_bucket", "_count", "_sum"].iter().find_map(|end| name.strip_suffix(end)).unwrap_or(&name);
            assert!(ours.contains(&name) || ours.contains(bare), "{file} asks for {name}");
        }
    }
    let dashboard: serde_json::Value = serde_json::from_str(&text_of("deploy/grafana-dashboard.json")).unwrap();
    let panels = dashboard["panels"].as_array().unwrap();
    let ids: BTreeSet<i64> = panels.iter().map(|panel| panel["id"].as_i64().unwrap()).collect();
    assert_eq!(ids.len(), panels.len(), "each panel has an id of its own");
    for panel in panels {
        assert!(panel["title"].is_string() && panel["fieldConfig"]["defaults"]["unit"].is_string(), "{panel}");
        assert!(panel["targets"].as_array().is_some_and(|targets| !targets.is_empty()), "{panel}");
    }
}

#[test]
fn the_unit_lets_as_many_files_be_open_as_connections_need_and_waits_for_a_sign_of_life() {
    let unit = text_of("deploy/treebell.service");
    let value = |key: &str| {
        let line = unit.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix('='));
        line.and_then(|text| text.parse::<usize>().ok()).unwrap_or_else(|| panic!("{key} is not set"))
    };
    assert!(value("LimitNOFILE") >= Limits::default().open_files());
    assert!(value("WatchdogSec") > 0 && value("TimeoutStartSec") > 90);
    assert!(unit.contains("\nType=notify\n") && unit.contains("\nRestart=on-failure\n"));
}

#[test]
fn nginx_writes_no_address_of_a_request_down() {
    let text = text_of("deploy/nginx.conf");
    let servers: Vec<&str> = text.split("\nserver {").skip(1).collect();
    assert!(servers.len() == 2 && servers.iter().any(|server| server.contains("listen 80;")), "both doors");
    for server in servers {
        assert!(server.contains("\n    access_log off;\n"), "{server}");
        // Lower levels of the error log repeat the request's line.
        let level = server.lines().find_map(|line| line.trim().strip_prefix("error_log ")).unwrap_or_default();
        assert!(level.ends_with(" crit;"), "{server}");
    }
}

/// ASVS 5.0.0, 4.1.2: people are led from HTTP to HTTPS; a program that calls a webhook without encryption finds out.
#[test]
fn nginx_leads_pages_to_https_and_no_webhook() {
    let text = text_of("deploy/nginx.conf");
    let plain = text.split("\nserver {").find(|server| server.contains("listen 80;")).expect("the door without TLS");
    let location = |head: &str| {
        let (_, rest) =
            plain.split_once(&format!("location {head} {{")).unwrap_or_else(|| panic!("no {head}: {plain}"));
        rest.split('}').next().unwrap_or_default().trim().to_owned()
    };
    assert_eq!(location("^~ /hooks/"), "return 404;");
    assert!(location("/").starts_with("return 301 https://"));
    // Beside the locations it would be carried out before any of them is looked at.
    assert_eq!(plain.matches("return ").count(), 2, "{plain}");
}
