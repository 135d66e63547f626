//! What is measured beside ours: programs that others wrote, each started privately on loopback and ended with its handle.

use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use axum::Router;
use treebell::dispatch::channels::Transport;
use treebell::dispatch::channels::smtp::SmtpTransport;
use treebell::dispatch::settings::EmailConfig;

use crate::filled::relay;
use crate::private_postfix;

pub const SMTP_SINK: &str = "/usr/sbin/smtp-sink";
pub const POSTFIX: &str = "/usr/lib/postfix/sbin/master";
pub const NGINX: &str = "/usr/sbin/nginx";
pub const WRK: &str = "/usr/bin/wrk";
const BEARERBOX: &str = "/usr/sbin/bearerbox";
const SMSBOX: &str = "/usr/sbin/smsbox";
const CARRIER: &str = "/usr/lib/kannel/test/fakesmsc";

/// Why nothing can be measured beside these, or none.
pub fn missing(programs: &[&str]) -> Option<String> {
    let gone: Vec<&str> = programs.iter().copied().filter(|path| !Path::new(path).exists()).collect();
    (!gone.is_empty()).then(|| format!("{} is not installed", gone.join(", ")))
}

/// A program that ends with its handle, and whatever it has started with it.
pub struct Running(Child);

impl Running {
    pub fn start(command: &mut Command) -> Self {
        use std::os::unix::process::CommandExt;
        Self::start_leader(command.process_group(0))
    }

    /// With all that it says in a file.
    fn start_logged(command: &mut Command, log: &Path) -> Self {
        use std::os::unix::process::CommandExt;
        let log = std::fs::File::create(log).unwrap();
        let errors = log.try_clone().unwrap();
        let logged = command.stdin(Stdio::null()).stdout(log).stderr(errors).process_group(0);
        Self(logged.spawn().unwrap_or_else(|why| panic!("{command:?}: {why}")))
    }

    /// A program that makes a process group of its own, which who leads one cannot.
    fn start_leader(command: &mut Command) -> Self {
        let quiet = command.stdin(Stdio::null()).stderr(Stdio::null());
        Self(quiet.spawn().unwrap_or_else(|why| panic!("{command:?}: {why}")))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let ps = Command::new("ps").args(["-o", "pid=", "--ppid", &self.0.id().to_string()]).output();
        let said = ps.map(|out| String::from_utf8_lossy(&out.stdout).into_owned()).unwrap_or_default();
        let _ = Command::new("kill").args(["-KILL", "--", &format!("-{}", self.0.id())]).status();
        let _ = self.0.wait();
        // What it has started holds its port as long as it lives.
        while said.split_whitespace().any(|pid| Path::new(&format!("/proc/{pid}/exe")).exists()) {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}

pub fn until_listens(port: u16) {
    let from = Instant::now();
    while TcpStream::connect(("127.0.0.1", port)).is_err() {
        assert!(from.elapsed() < Duration::from_secs(30), "nobody listens at {port}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// Postfix's own sink: it takes every mail and forgets it.
pub fn smtp_sink(port: u16) -> Running {
    let sink = Running::start(Command::new(SMTP_SINK).args(["-u", "nobody", &format!("127.0.0.1:{port}"), "1000"]));
    until_listens(port);
    sink
}

/// A Postfix with its own settings and queue that relays to a sink. Only root may set it up.
pub struct Postfix {
    folder: PathBuf,
    port: u16,
}

impl Postfix {
    pub fn new(port: u16, sink: u16, in_flight: usize) -> Self {
        // Not below `target/`: its own users must be able to reach it.
        let folder = std::env::temp_dir().join(format!("treebell-speed-postfix-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        private_postfix::set_up(&folder, port, sink, in_flight);
        Self { folder, port }
    }

    fn conf(&self) -> String {
        self.folder.join("conf").display().to_string()
    }

    pub fn start(&self) -> Running {
        let mut master = Command::new(POSTFIX);
        let running = Running::start_leader(master.args(["-c", &self.conf(), "-s"]).stdout(Stdio::null()));
        until_listens(self.port);
        running
    }

    /// Takes these mails in and rests with all of them in its queue, to go their way from the next start on.
    pub async fn fill(&self, mails: impl Iterator<Item = treebell::dispatch::channels::Outgoing>) {
        let running = self.start();
        let config: EmailConfig = relay(self.port);
        let load = std::sync::Arc::new(SmtpTransport::new(&config).unwrap());
        let mut sends = tokio::task::JoinSet::new();
        for mail in mails {
            if sends.len() >= 16 {
                sends.join_next().await.unwrap().unwrap();
            }
            let load = load.clone();
            sends.spawn(async move { load.send(&mail).await.map(drop).unwrap() });
        }
        while let Some(sent) = sends.join_next().await {
            sent.unwrap();
        }
        drop(running);
        private_postfix::let_go(&self.folder);
    }

    pub fn waiting(&self) -> usize {
        private_postfix::waiting(&self.folder)
    }
}

impl Drop for Postfix {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// A gateway that takes every text and answers after 20 ms, on threads of its own.
pub fn slow_gateway(port: u16) {
    let (listens, listening) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async move {
            let listener = tokio::net::TcpListener::bind(("127.0.0.1", port)).await.unwrap();
            listens.send(()).unwrap();
            let answer = || async {
                tokio::time::sleep(Duration::from_millis(20)).await;
                "{\"id\":\"taken\"}"
            };
            axum::serve(listener, Router::new().fallback(answer)).await.unwrap();
        });
    });
    listening.recv().unwrap();
}

/// Requests a second that wrk makes over so many connections; `script` is Lua.
pub fn wrk(at: &str, connections: usize, seconds: u32, script: Option<(&Path, &str)>) -> f64 {
    let mut command = Command::new(WRK);
    command.args(["-t1", &format!("-c{connections}"), &format!("-d{seconds}s"), at]);
    if let Some((file, text)) = script {
        std::fs::write(file, text).unwrap();
        command.arg("-s").arg(file);
    }
    rate(&mut command)
}

/// As a browser asks.
pub fn wrk_pages(at: &str, connections: usize) -> f64 {
    let connections = format!("-c{connections}");
    rate(Command::new(WRK).args(["-t1", &connections, "-d5s", "-H", "Accept-Encoding: gzip", at]))
}

fn rate(command: &mut Command) -> f64 {
    let out = command.output().unwrap();
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(!said.contains("Non-2xx"), "{said}");
    let rate = said.lines().find_map(|line| line.trim().strip_prefix("Requests/sec:"));
    rate.unwrap_or_else(|| panic!("{said}")).trim().parse().unwrap()
}

/// Kannel with the fake carrier that comes with it: core, HTTP side, carrier.
pub struct Kannel {
    folder: PathBuf,
    pub sendsms: u16,
    _programs: Vec<Running>,
}

pub const KANNEL: [&str; 3] = [BEARERBOX, SMSBOX, CARRIER];

impl Kannel {
    pub fn start(within: &Path, ports: u16) -> Self {
        let folder = within.join("kannel");
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let (admin, inside, sendsms, carrier) = (ports, ports + 1, ports + 2, ports + 3);
        let settings = format!(
            "group = core\nadmin-port = {admin}\nadmin-interface = 127.0.0.1\nadmin-password = x\nstatus-password = x\n\
             admin-deny-ip = \"*.*.*.*\"\nadmin-allow-ip = \"127.0.0.1\"\nsmsbox-port = {inside}\n\
             smsbox-interface = 127.0.0.1\nbox-deny-ip = \"*.*.*.*\"\nbox-allow-ip = \"127.0.0.1\"\n\
             dlr-storage = internal\nstore-type = spool\nstore-location = \"store\"\n\n\
             group = smsc\nsmsc = fake\nsmsc-id = carrier\nport = {carrier}\nour-host = 127.0.0.1\n\
             connect-allow-ip = \"127.0.0.1\"\n\n\
             group = smsbox\nbearerbox-host = 127.0.0.1\nsendsms-port = {sendsms}\nsendsms-interface = 127.0.0.1\n\n\
             group = sendsms-user\nusername = treebell\npassword = speed\nmax-messages = 1\n\n\
             group = sms-service\nkeyword = default\ncatch-all = true\nmax-messages = 0\ntext = \"\"\n"
        );
        std::fs::write(folder.join("kannel.conf"), settings).unwrap();
        std::fs::create_dir_all(folder.join("store")).unwrap();
        let mut programs = Vec::new();
        for (program, port) in [(BEARERBOX, Some(inside)), (SMSBOX, Some(sendsms)), (CARRIER, None)] {
            let log = folder.join(format!("{}.log", programs.len()));
            let mut command = Command::new(program);
            match port {
                Some(_) => command.args(["-v", "4", "kannel.conf"]),
                None => command.args([
                    "-H",
                    "127.0.0.1",
                    "-r",
                    &carrier.to_string(),
                    "-i",
                    "0.01",
                    "-m",
                    "0",
                    "1 1 text none",
                ]),
            };
            programs.push(Running::start_logged(command.current_dir(&folder), &log));
            port.inspect(|port| until_listens(*port));
        }
        std::thread::sleep(Duration::from_secs(1));
        Self { folder, sendsms, _programs: programs }
    }

    /// Where a text is handed in, up to its own fields.
    pub fn at(&self) -> String {
        format!("http://127.0.0.1:{}/cgi-bin/sendsms?username=treebell&password=speed&from=505", self.sendsms)
    }

    /// What has come to the carrier.
    pub fn arrived(&self) -> usize {
        // A line each.
        let said = std::fs::read(self.folder.join("2.log")).unwrap_or_default();
        String::from_utf8_lossy(&said).matches("Got message").count()
    }
}

/// nginx that shows a folder.
pub fn nginx(within: &Path, port: u16, root: &Path) -> Running {
    let folder = within.join("nginx");
    std::fs::create_dir_all(&folder).unwrap();
    let settings = format!(
        "worker_processes 1;\nerror_log {0}/error.log;\npid {0}/pid;\ndaemon off;\nevents {{ worker_connections 1024; }}\n\
         http {{ access_log off; default_type text/html; sendfile on; tcp_nopush on; keepalive_requests 100000000;\n\
         server {{ listen 127.0.0.1:{port}; root {1}; add_header Cache-Control max-age=60;\n\
         location / {{ add_header Content-Encoding gzip; try_files $uri =404; }} }} }}\n",
        folder.display(),
        root.display()
    );
    let file = folder.join("nginx.conf");
    std::fs::write(&file, settings).unwrap();
    let running = Running::start(Command::new(NGINX).arg("-c").arg(&file).arg("-p").arg(&folder).stdout(Stdio::null()));
    until_listens(port);
    running
}
