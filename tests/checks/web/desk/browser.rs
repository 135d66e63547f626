//! The desk in a browser, on the real program behind a proxy that ends TLS, as `__Host-` cookies want it: from the invitation to the
//! desk and back in, by keyboard alone, axe-core and html-validate on every page. `tests/browser/desk.mjs` does the walking.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;

use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};

use super::super::browser::{Daemon, await_port, browser, free_port};

/// Ends TLS and hands on to the program, as a proxy in front of it does.
pub(super) async fn proxy(listener: TcpListener, acceptor: TlsAcceptor, to: u16) {
    while let Ok((stream, _)) = listener.accept().await {
        let acceptor = acceptor.clone();
        tokio::spawn(async move {
            let (Ok(mut outside), Ok(mut inside)) =
                (acceptor.accept(stream).await, TcpStream::connect(("127.0.0.1", to)).await)
            else {
                return;
            };
            let _ = tokio::io::copy_bidirectional(&mut outside, &mut inside).await;
        });
    }
}

pub(super) fn acceptor() -> TlsAcceptor {
    let made = rcgen::generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(made.signing_key.serialize_der()));
    let provider = Arc::new(tokio_rustls::rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)
        .unwrap();
    TlsAcceptor::from(Arc::new(config))
}

#[test]
fn a_walk_through_the_sign_in_by_keyboard_behind_a_proxy_with_tls_finds_nothing_wrong() {
    let Some((modules, chromium)) = browser("the walk through the desk") else { return };
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).unwrap();
    let base = format!("https://localhost:{}", listener.local_addr().unwrap().port());
    let port = free_port();
    runtime.spawn(proxy(listener, acceptor(), port));
    let home = tempfile::tempdir().unwrap();
    let program = env!("CARGO_BIN_EXE_treebell");
    let treebell = |args: &[&str]| {
        let output = Command::new(program).args(args).current_dir(home.path()).output().unwrap();
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    };
    let settings = format!(
        "[messages]\npublic_url = \"{base}\"\nsender_name = \"Pinyon Watch\"\n[web]\nlisten = \"127.0.0.1:{port}\"\n\
         [email]\nfolder = \"mails\"\n[sms]\nfolder = \"texts\"\n[desk]\nenabled = true\nkeys = [{{ file = \"desk-key\" }}]\n"
    );
    std::fs::write(home.path().join("treebell.toml"), settings).unwrap();
    treebell(&["key", "new", "--to", "desk-key"]);
    treebell(&["store", "init"]);
    let staff = treebell(&["account", "add", "maria", "--role", "administrator"]);
    let observer = treebell(&["account", "add", "olga", "--role", "observer"]);
    let log = home.path().join("log");
    let started = Command::new(program)
        .arg("run")
        .current_dir(home.path())
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(&log).unwrap())
        .spawn();
    let mut daemon = Daemon(started.unwrap());
    await_port(port, &mut daemon, &log);
    let walk = Command::new("node")
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/desk.mjs"))
        .env("BASE", &base)
        .env("STAFF", &staff)
        .env("OBSERVER", &observer)
        .env("MODULES", &modules)
        .env("CHROMIUM", &chromium)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&walk.stdout);
    let findings: Vec<&str> = said.lines().filter(|line| line.starts_with("FINDING")).collect();
    assert!(
        walk.status.success() && findings.is_empty(),
        "{}\n{}\n{}",
        findings.join("\n"),
        said.lines().last().unwrap_or(""),
        String::from_utf8_lossy(&walk.stderr)
    );
    assert!(said.lines().filter(|line| line.starts_with("looking at")).count() >= 14, "{said}");
    let log = std::fs::read_to_string(&log).unwrap();
    for secret in [staff.rsplit('/').next().unwrap(), "tall grass", "__Host"] {
        assert!(!log.contains(secret), "the log holds {secret}");
    }
}
