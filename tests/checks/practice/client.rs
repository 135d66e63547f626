//! The program with `demo --desk`, and a browser without a screen: cookies, the token of the last page, and no redirects followed.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

pub struct Program {
    child: Child,
    /// What it says on standard error, of every sitting.
    log: PathBuf,
    pub address: String,
    pub password: String,
    pub secret: String,
}

impl Program {
    /// Starts the desk of a practice in a folder, and waits until it is served.
    pub fn start(folder: &Path) -> Self {
        let log = folder.join("practice.log");
        let errors = std::fs::OpenOptions::new().create(true).append(true).open(&log).unwrap();
        let mut child = Command::new(assert_cmd::cargo::cargo_bin!("treebell"))
            .current_dir(folder)
            .args(["demo", "--desk", "--listen", "127.0.0.1:0", "--messages", "practice"])
            .stdout(Stdio::piped())
            .stderr(errors)
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut said = BTreeMap::new();
        for line in lines {
            let line = line.trim().to_owned();
            for start in ["Practise at http://", "account:", "password:", "second factor:"] {
                if let Some(rest) = line.strip_prefix(start) {
                    said.insert(
                        start,
                        rest.split("  ").map(str::trim).find(|part| !part.is_empty()).unwrap().to_owned(),
                    );
                }
            }
            // The last line of the welcome.
            if line.ends_with("notices") {
                break;
            }
        }
        assert_eq!(said.get("account:").map(String::as_str), Some("trainee"), "{said:?}");
        let address = said["Practise at http://"].trim_end_matches("/desk").to_owned();
        Self { child, log, address, password: said["password:"].clone(), secret: said["second factor:"].clone() }
    }

    /// Ctrl-C, as who sits at it presses it. Nothing asked a store that was closed.
    pub fn stop(mut self) {
        Command::new("kill").args(["-INT", &self.child.id().to_string()]).status().unwrap();
        assert_eq!(self.child.wait().unwrap().code(), Some(0));
        let log = std::fs::read_to_string(&self.log).unwrap();
        assert!(!log.contains("closed pool"), "{log}");
    }

    pub fn browser(&self) -> Browser {
        Browser { address: self.address.clone(), jar: BTreeMap::new(), token: String::new() }
    }

    /// By password and by the code that the page shows.
    pub fn signed_in(&self) -> Browser {
        let mut browser = self.browser();
        let page = browser.get("/desk/sign-in");
        assert!(page.body.contains("Practice: nothing leaves"), "{}", page.body);
        let form = [("name", "trainee"), ("password", self.password.as_str()), ("next", "")];
        let sent = browser.post("/desk/sign-in", &form);
        assert_eq!((sent.status, sent.location.as_str()), (303, "/desk/code"), "{}", sent.body);
        let page = browser.get("/desk/code");
        let code = page.body.split("would show <b>").nth(1).expect("the code stands on the page");
        let code = code.split('<').next().unwrap().to_owned();
        let sent = browser.post("/desk/code", &[("code", code.as_str()), ("next", "")]);
        assert_eq!((sent.status, sent.location.as_str()), (303, "/desk"), "{}", sent.body);
        browser
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub struct Answer {
    pub status: u16,
    pub location: String,
    pub body: String,
}

pub struct Browser {
    address: String,
    jar: BTreeMap<String, String>,
    token: String,
}

impl Browser {
    pub fn get(&mut self, path: &str) -> Answer {
        self.ask("GET", path, None)
    }

    /// A form of the page that is open.
    pub fn post(&mut self, path: &str, form: &[(&str, &str)]) -> Answer {
        let token = self.token.clone();
        let form = form.iter().copied().chain([("form_token", token.as_str())]);
        let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
        self.ask("POST", path, Some(body))
    }

    /// Moves the clock, and waits until it stands. Gives the page that says what happened.
    pub fn step(&mut self, step: &str) -> Answer {
        self.get("/desk/practice");
        let sent = self.post("/desk/practice/move", &[("step", step)]);
        assert_eq!(sent.status, 303, "{}", sent.body);
        self.still()
    }

    /// Waits until nothing is under way any more.
    pub fn still(&mut self) -> Answer {
        let until = Instant::now() + Duration::from_secs(900);
        loop {
            let page = self.get("/desk/practice");
            assert_eq!(page.status, 200, "{}", page.body);
            if !page.body.contains("Look again") {
                return page;
            }
            assert!(Instant::now() < until, "the clock moves for ever");
            std::thread::sleep(Duration::from_millis(200));
        }
    }

    fn ask(&mut self, method: &str, path: &str, form: Option<String>) -> Answer {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(120))).unwrap();
        let cookies: Vec<String> = self.jar.iter().map(|(name, value)| format!("{name}={value}")).collect();
        let body = form.unwrap_or_default();
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nCookie: {}\r\nSec-Fetch-Site: same-origin\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
            self.address,
            cookies.join("; "),
            body.len()
        );
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let text = String::from_utf8_lossy(&answer);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or_else(|| panic!("{method} {path}: {text}"));
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap();
        let mut location = String::new();
        for line in head.lines() {
            let Some((name, value)) = line.split_once(": ") else { continue };
            match name.to_ascii_lowercase().as_str() {
                "location" => location = value.to_owned(),
                "set-cookie" => {
                    let (name, rest) = value.split_once('=').unwrap();
                    match rest.split(';').next().unwrap() {
                        "" => self.jar.remove(name),
                        value => self.jar.insert(name.to_owned(), value.to_owned()),
                    };
                }
                _ => {}
            }
        }
        // Of the sign-out, too: what counts is the session's.
        if let Some(token) = body.split("name=\"form_token\" value=\"").nth(1) {
            self.token = token.split('"').next().unwrap().to_owned();
        }
        Answer { status, location, body: body.to_owned() }
    }
}
