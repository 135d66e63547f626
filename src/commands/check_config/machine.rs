//! What the settings name on this machine: secrets, folders, profiles and messages.

#![expect(clippy::disallowed_methods, reason = "a command serves nobody else")]

use std::io;
use std::path::Path;

use super::Findings;
use crate::config::{Config, Reading, Secret};
use crate::dispatch::channels;
use crate::message::{Sender, TemplateFault, Templates, check};
use crate::service::alarms::ping::Pinger;
use crate::service::app::{AppError, read_profiles};
use crate::service::keys;
use crate::text::{Chain, counted};

/// Looks at all of it; sends nothing and connects to nothing.
pub(super) fn look(config: &Config, reading: &mut Reading, findings: &mut Findings) {
    look_at_secrets(config, reading);
    // A sender that cannot be read is a fault of the settings, and the channels stumble over it once more.
    let told: Vec<String> = reading.faults().into_iter().map(|fault| fault.path).collect();
    let of_channels = channels::check(&config.email, &config.sms, config.hooks.path.as_ref());
    reading.extend(of_channels.into_iter().filter(|fault| !told.contains(&fault.path)));
    look_at_folders(config, reading);
    for why in read_profiles(config).1 {
        match why {
            AppError::ProfileFolder { .. } => reading.add("profiles.folder", Chain(&why).to_string()),
            other => findings.elsewhere.push(Chain(&other).to_string()),
        }
    }
    look_at_messages(config, reading, findings);
    warn(config, findings);
}

/// As [`look`], without what only warns: what every start looks at.
pub(super) fn look_before_work(config: &Config, reading: &mut Reading, findings: &mut Findings) {
    look_at_secrets(config, reading);
    look_at_folders(config, reading);
    match Templates::load(config.messages.folder.as_deref()) {
        Ok(templates) => {
            tell_cautions(config, &templates, reading, findings);
        }
        Err(faults) => findings.elsewhere.extend(faults.0.iter().map(ToString::to_string)),
    }
}

fn look_at_secrets(config: &Config, reading: &mut Reading) {
    let secrets: [(&str, &Option<Secret>); 3] = [
        ("store.address_secret", &config.store.address_secret),
        ("email.password", &config.email.password),
        ("sms.secret", &config.sms.secret),
    ];
    let named = secrets.into_iter().filter_map(|(path, secret)| Some((path.to_owned(), secret.as_ref()?)));
    for (path, secret) in named {
        if let Err(why) = secret.read_blocking() {
            reading.add(path, why.what);
        }
    }
    reading.extend(config.hooks.faults());
    // That there is none is told by the check of the settings.
    if config.desk.enabled && !config.desk.keys.is_empty() {
        reading.extend(keys::read_desk(&config.desk).err().unwrap_or_default());
    }
    reading.extend(Pinger::of(config.alarms.ping.as_ref()).err());
    if let Err(why) = config.store.trust().check() {
        reading.add("store.ca_file", why);
    }
}

fn look_at_folders(config: &Config, reading: &mut Reading) {
    if let Some(file) = config.store.address.strip_prefix("sqlite:")
        && config.store.address_secret.is_none()
    {
        let file = Path::new(file.strip_prefix("//").unwrap_or(file));
        if file.is_dir() {
            reading.add("store.address", format!("`{}` is a folder: name a file", file.display()));
        } else if let Err(why) = try_folder(parent(file)) {
            reading.add("store.address", why);
        }
    }
    for (path, folder) in [("email.folder", &config.email.folder), ("sms.folder", &config.sms.folder)] {
        let Some(folder) = folder else { continue };
        // It is made at the first start if it is not there.
        let there = if folder.exists() { folder.as_path() } else { parent(folder) };
        if let Err(why) = try_folder(there) {
            reading.add(path, why);
        }
    }
    for (path, file) in [("email.ca_file", &config.email.ca_file)] {
        if let Some(file) = file
            && let Err(why) = crate::files::read(file, LARGEST_CERTIFICATES)
        {
            reading.add(path, format!("`{}` cannot be read: {why}", file.display()));
        }
    }
}

const LARGEST_CERTIFICATES: u64 = 4 << 20;

fn parent(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    }
}

/// Whether files can be made in a folder, found out by making one: what the permissions come to is known to the system alone.
fn try_folder(folder: &Path) -> Result<(), String> {
    let shown = folder.display();
    match std::fs::metadata(folder) {
        Err(why) if why.kind() == io::ErrorKind::NotFound => {
            return Err(format!("the folder `{shown}` is not there: make it, or name another"));
        }
        Err(why) => return Err(format!("the folder `{shown}` cannot be used: {why}")),
        Ok(found) if !found.is_dir() => return Err(format!("`{shown}` is no folder")),
        Ok(_) => {}
    }
    let trial = folder.join(format!(".treebell-check-{}", std::process::id()));
    let made = std::fs::OpenOptions::new().write(true).create_new(true).open(&trial);
    let tried = made.and_then(|mut file| io::Write::write_all(&mut file, b"trial\n"));
    let _ = std::fs::remove_file(&trial);
    tried.map_err(|why| {
        format!("the folder `{shown}` cannot be written ({why}): give it to the user that runs the service")
    })
}

/// Faults of the files, and cautions that no text has.
fn look_at_messages(config: &Config, reading: &mut Reading, findings: &mut Findings) {
    let templates = match Templates::load(config.messages.folder.as_deref()) {
        Ok(templates) => templates,
        Err(faults) => {
            findings.elsewhere.extend(faults.0.iter().map(ToString::to_string));
            return;
        }
    };
    tell_cautions(config, &templates, reading, findings);
    let report = check::check(&templates, &Sender::from(&config.messages));
    let others = report.faults.len() - report.cautions.len();
    if others > 0 {
        let faults = counted(others, "fault", "faults");
        findings.warnings.push(format!("messages: {faults} of wording, told by `treebell message check`"));
    }
}

/// Cautions that are missing from what goes out are a fault.
fn tell_cautions(config: &Config, templates: &Templates, reading: &mut Reading, findings: &mut Findings) {
    let cautions = check::missing_cautions(templates, &Sender::from(&config.messages));
    let sends_texts = config.sms.url.is_some() || config.sms.smpp.is_some();
    let sends_mails = config.email.host.is_some();
    let goes_out = |file: &str| if file.contains(".sms.") { sends_texts } else { sends_mails };
    let lacking: Vec<&TemplateFault> = cautions.iter().filter(|fault| goes_out(&fault.file)).collect();
    if config.messages.public_url.text().is_empty() && !lacking.is_empty() {
        // The page that a link leads to has the cautions: one line mends them all.
        let files: Vec<&str> = lacking.iter().map(|fault| fault.file.as_str()).collect();
        let what = "is not set, and these messages have neither the cautions nor a link to them";
        let mend = "write the address of your pages, or the cautions into files of your own (messages.folder)";
        reading.add("messages.public_url", format!("{what}: {}; {mend}", files.join(", ")));
    } else {
        findings.elsewhere.extend(lacking.into_iter().map(ToString::to_string));
    }
}

/// What works and is seldom meant.
fn warn(config: &Config, findings: &mut Findings) {
    for warning in config.schedule.cycle.warnings() {
        findings.warnings.push(format!("schedule.cycle: {}", warning.0));
    }
    findings.warnings.extend(config.files_open_to_others().iter().map(ToString::to_string));
    findings.warnings.extend(config.watch.warning());
    findings.warnings.extend(config.desk_warnings());
    findings.warnings.extend(config.policy.warning());
    for path in config.open_secrets() {
        findings.warnings.push(format!(
            "{path}: holds a secret, which whoever reads the settings reads: keep it in a file or a variable and name that"
        ));
    }
    let unheard = config.alarms.told_to_nobody(config.sms.reach);
    if !unheard.is_empty() {
        let kinds: Vec<&str> = unheard.iter().map(|kind| kind.name()).collect();
        findings.warnings.push(format!(
            "alarms.recipients: nobody is told of {}: these alarms stand in the log alone; add the kinds to somebody's `kinds`",
            kinds.join(", ")
        ));
    }
    for (what, missing) in [
        ("email: neither `host` nor `folder` is set, so e-mail waits unsent", !config.email.is_set_up()),
        ("sms: none of `url`, `smpp` and `folder` is set, so texts wait unsent", !config.sms.is_set_up()),
        (
            "keys: none are named, so the key of the address hashes lies in the store beside them, unless it was moved out: \
             `treebell key move --to FILE`",
            config.keys.addresses.is_empty(),
        ),
        ("alarms: nobody is named, so only the log tells what goes wrong", config.alarms.recipients.is_empty()),
        ("feeds.contact: not set; public weather services ask who calls", config.feeds.contact == "contact-not-set"),
    ] {
        if missing {
            findings.warnings.push(what.to_owned());
        }
    }
}
