//! Where the outside material is, and how a check says loudly that it could not run.
#![allow(dead_code, reason = "each area uses its own part")]

use std::path::PathBuf;

use treebell::randomness::Randomness;
use treebell::store::{ServerTrust, Store, StoreError};

/// Reference tables and real records in the folder beside the project. Says so loudly when they are not there, which fails
/// as any skip does unless `TREEBELL_NO_RECORDS=1` says that they cannot be had: it excuses no other check.
pub fn shared(what: &str, relative: &str) -> Option<PathBuf> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared").join(relative);
    if !path.exists() {
        let excused = std::env::var_os("TREEBELL_NO_RECORDS").is_some();
        say_skipped(what, &format!("shared/{relative} beside the project"), excused);
    }
    path.exists().then_some(path)
}

/// How much of something a check makes: few by default, as many as the variable says for a full measurement.
pub fn size(variable: &str, by_default: usize) -> usize {
    std::env::var(variable).map_or(by_default, |text| text.parse().unwrap_or_else(|why| panic!("{variable}: {why}")))
}

/// A store as a service opens it, made where there is none.
pub async fn open_store(address: &str) -> Result<Store, StoreError> {
    Store::make(address, &ServerTrust::default(), None, &Randomness::of_system()).await
}

/// Says that a check was skipped. With `TREEBELL_REQUIRE_ALL=1`, as `.ci/run` sets it, a skip is a failure.
pub fn skipped(what: &str, needs: &str) {
    say_skipped(what, needs, false);
}

fn say_skipped(what: &str, needs: &str, excused: bool) {
    let line = format!("SKIPPED {what}: needs {needs}");
    assert!(excused || std::env::var_os("TREEBELL_REQUIRE_ALL").is_none(), "{line}");
    // Written past the test harness's capture, so that it is seen in a passing run too.
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{line}");
}

/// A Python with the packages that `.ci/run` installs, if there is one: `TREEBELL_PYTHON`, or the one that `.ci/run` left.
/// Says so loudly when there is none.
pub fn python(what: &str) -> Option<PathBuf> {
    let named = std::env::var_os("TREEBELL_PYTHON").map(PathBuf::from);
    let made = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/outside/python/bin/python");
    let found = named.or_else(|| made.exists().then_some(made));
    if found.is_none() {
        skipped(what, "TREEBELL_PYTHON: a Python with the packages that .ci/run names");
    }
    found
}

/// Prometheus' own checker of metrics and rules, from Debian's package `prometheus`, if it is there. Says so loudly when it is
/// not.
pub fn promtool(what: &str) -> Option<PathBuf> {
    let found = PathBuf::from("/usr/bin/promtool");
    if !found.exists() {
        skipped(what, "promtool, of Debian's package `prometheus`, which .ci/run installs");
    }
    found.exists().then_some(found)
}

/// What a Python script prints, given bytes on its standard input. Panics with its complaint when it fails.
pub fn run_python(python: &std::path::Path, script: &str, arguments: &[&str], input: &[u8]) -> String {
    use std::io::Write;
    use std::process::{Command, Stdio};
    let mut child = Command::new(python)
        .arg("-c")
        .arg(script)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|why| panic!("{} cannot be run: {why}", python.display()));
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    let writer = std::thread::spawn(move || {
        // A script that fails before it reads has said why on standard error.
        let _ = stdin.write_all(&input);
    });
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(output.status.success(), "the script failed: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// What a server on this machine answered.
pub struct Answer {
    pub status: u16,
    /// Status line and headers, as they came.
    pub head: String,
    pub body: String,
}

/// One request over a connection of its own, as a browser without a memory makes it. `form` is the body of a POST.
pub fn http(address: &str, method: &str, path: &str, form: &[(&str, &str)]) -> Answer {
    use std::io::{Read, Write};
    let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
    let mut stream = std::net::TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(std::time::Duration::from_secs(30))).unwrap();
    let request = format!(
        "{method} {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    let text = String::from_utf8_lossy(&answer);
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or_else(|| panic!("{method} {path}: {text}"));
    let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap();
    Answer { status, head: head.to_owned(), body: body.to_owned() }
}
