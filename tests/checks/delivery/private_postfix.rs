//! A private Postfix: its settings and queue in a folder of its own. The checks hold it beside our sender under kills, the
//! measuring command at full speed.

use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

/// Makes the folder that its own users can reach, with settings by which it takes mail at `port` and relays it to `sink` over so
/// many connections; what it takes in is held until [`let_go`]. Only root may set it up.
pub fn set_up(folder: &Path, port: u16, sink: u16, in_flight: usize) {
    let at = |name: &str| folder.join(name);
    for name in ["", "conf", "queue", "queue/pid", "data"] {
        std::fs::create_dir_all(at(name)).unwrap();
        std::fs::set_permissions(at(name), std::fs::Permissions::from_mode(0o755)).unwrap();
    }
    std::fs::write(at("log"), "").unwrap();
    std::fs::set_permissions(at("log"), std::fs::Permissions::from_mode(0o666)).unwrap();
    shell(&format!("chown postfix {}", at("data").display()));
    let main = format!(
        "compatibility_level = 3.6\nqueue_directory = {0}/queue\ndata_directory = {0}/data\n\
         command_directory = /usr/sbin\ndaemon_directory = /usr/lib/postfix/sbin\nmail_owner = postfix\n\
         setgid_group = postdrop\ninet_interfaces = 127.0.0.1\ninet_protocols = ipv4\nmynetworks = 127.0.0.0/8\n\
         myhostname = relay.example.org\nmydestination =\nlocal_recipient_maps =\nalias_maps =\n\
         relayhost = [127.0.0.1]:{sink}\nsmtpd_relay_restrictions = permit_mynetworks, reject\n\
         smtpd_recipient_restrictions = $hold permit_mynetworks, reject\nhold = check_client_access static:HOLD,\n\
         maillog_file_prefixes = {0}\nmaillog_file = {0}/log\nsmtp_tls_security_level = none\n\
         smtp_dns_support_level = disabled\nsmtp_host_lookup = native\nin_flow_delay = 0\n\
         smtp_destination_concurrency_limit = {in_flight}\ninitial_destination_concurrency = {in_flight}\n\
         queue_run_delay = 1s\nminimal_backoff_time = 1s\nmaximal_backoff_time = 2s\n",
        folder.display()
    );
    std::fs::write(at("conf/main.cf"), main).unwrap();
    let mut services = format!("127.0.0.1:{port} inet n - n - - smtpd\npostlog unix-dgram n - n - 1 postlogd\n");
    for (name, private, wake, limit, program) in [
        ("pickup", "n", "60", "1", "pickup"),
        ("cleanup", "n", "-", "0", "cleanup"),
        ("qmgr", "n", "300", "1", "qmgr"),
        ("rewrite", "-", "-", "-", "trivial-rewrite"),
        ("bounce", "-", "-", "0", "bounce"),
        ("defer", "-", "-", "0", "bounce"),
        ("trace", "-", "-", "0", "bounce"),
        ("flush", "n", "-", "0", "flush"),
        ("proxymap", "-", "-", "-", "proxymap"),
        ("smtp", "-", "-", &in_flight.to_string(), "smtp"),
        ("showq", "n", "-", "-", "showq"),
        ("error", "-", "-", "-", "error"),
        ("retry", "-", "-", "-", "error"),
        ("anvil", "-", "-", "1", "anvil"),
        ("scache", "-", "-", "1", "scache"),
        ("tlsmgr", "-", "-", "1", "tlsmgr"),
    ] {
        services.push_str(&format!("{name} unix {private} - n {wake} {limit} {program}\n"));
    }
    std::fs::write(at("conf/master.cf"), services).unwrap();
    // Makes the queue's folders.
    shell(&format!("postfix -c {0} check; postfix -c {0} check", at("conf").display()));
}

/// What was held goes its way from the next start on.
pub fn let_go(folder: &Path) {
    shell(&format!("postconf -c {0} hold= && postsuper -c {0} -H ALL", folder.join("conf").display()));
}

/// Mails in its queue.
pub fn waiting(folder: &Path) -> usize {
    let count = |name: &str| {
        let (mut folders, mut files) = (vec![folder.join("queue").join(name)], 0);
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
                match entry.file_type() {
                    Ok(kind) if kind.is_dir() => folders.push(entry.path()),
                    _ => files += 1,
                }
            }
        }
        files
    };
    ["incoming", "active", "deferred", "hold"].into_iter().map(count).sum()
}

fn shell(command: &str) {
    let done = Command::new("sh").args(["-c", command]).output().unwrap();
    assert!(done.status.success(), "{command}: {}", String::from_utf8_lossy(&done.stderr));
}
