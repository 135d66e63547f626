//! `treebell bounce`: takes a report of undelivered mail from a mail server's pipe.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use sha2::{Digest, Sha256};
use url::Url;

use super::error::{CommandError, with_causes};
use super::format::print_out;
use super::open::open_store;
use crate::clock::{Clock, SystemClock};
use crate::config::{Config, Secret};
use crate::dispatch::bounces;
use crate::dispatch::bounces::BounceOutcome;
use crate::net::{http_client_builder, is_this_machine};
use crate::secret::hook_key;
use crate::web::{LARGEST_CALL, sign_call};

/// Take in a report of undelivered mail, as a mail server pipes it
///
/// Exit code 0: taken in, or of no concern. 75: it could not be taken in now; the mail server keeps it and tries again.
#[derive(Debug, clap::Args)]
pub struct Bounce {
    /// File with the whole report; `-` for standard input
    #[arg(default_value = "-")]
    file: PathBuf,
    /// Hand it to the service that answers here, such as http://127.0.0.1:8480, for a user who may not read store and settings
    #[arg(long, value_name = "URL", requires = "secret_file")]
    to: Option<Url>,
    /// File with the key of `hooks.bounce_secret`, which signs what is handed on
    #[arg(long, value_name = "FILE", requires = "to")]
    secret_file: Option<PathBuf>,
}

/// Reports are short; what returns a large mail whole says the needed in its beginning.
const AT_MOST: u64 = 16 * 1024 * 1024;

/// A mail server waits longer; the service answers at once or not.
const PATIENCE: Duration = Duration::from_secs(30);

/// # Errors
/// When the report cannot be read or the store cannot take it in.
pub async fn run(args: &Bounce, config: &Config) -> Result<(), CommandError> {
    let raw = report(&args.file, AT_MOST)?;
    let store = open_store(config).await?;
    let taken = bounces::take(&store, &raw, config.email.bounces_until_dead, SystemClock.now()).await;
    store.close().await;
    print_out(&match taken? {
        BounceOutcome::Nothing(why) => format!("nothing done: {why}\n"),
        BounceOutcome::Unknown => "nothing done: it is about no mail of ours\n".into(),
        BounceOutcome::Booked(bounced) if bounced.deactivated => {
            format!("delivery {} came back; its address is given up\n", bounced.delivery)
        }
        BounceOutcome::Booked(bounced) => format!("delivery {} came back\n", bounced.delivery),
    })
}

/// Hands the report to a running service, where the call says so; needs neither settings nor store. `None`: it does not.
pub async fn hand_on(args: &Bounce) -> Option<Result<(), CommandError>> {
    match (&args.to, &args.secret_file) {
        (Some(to), Some(secret)) => Some(post(&args.file, to, secret).await),
        _ => None,
    }
}

async fn post(file: &Path, to: &Url, secret: &Path) -> Result<(), CommandError> {
    let host = to.host_str().unwrap_or_default();
    if to.scheme() != "https" && !(to.scheme() == "http" && is_this_machine(host)) {
        let what = "is no address for reports: http:// only to this machine (127.0.0.1, localhost), https:// elsewhere";
        return Err(CommandError::Usage(format!("--to {to}: {what}")));
    }
    let key = Secret::File(secret.to_owned()).read().await.map_err(|why| why.what);
    let key =
        key.and_then(|text| hook_key(&text)).map_err(|what| CommandError::Usage(format!("--secret-file: {what}")))?;
    let raw = report(file, LARGEST_CALL as u64)?;
    // The same report brought again is the same call, and counts once.
    let id = format!("bounce-{}", hex::encode(Sha256::digest(&raw)));
    let stamp = SystemClock.now().timestamp();
    let mut address = to.clone();
    address.set_path(&format!("{}/hooks/bounce", to.path().trim_end_matches('/')));
    let failed = |why: &dyn std::error::Error| CommandError::Failed(format!("{address}: {}", with_causes(why)));
    let client = http_client_builder(concat!("treebell/", env!("CARGO_PKG_VERSION")))
        .timeout(PATIENCE)
        .no_proxy()
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .map_err(|why| failed(&why))?;
    let answer = client
        .post(address.clone())
        .header("content-type", "message/rfc822")
        .header("webhook-id", &id)
        .header("webhook-timestamp", stamp)
        .header("webhook-signature", sign_call(&key, &id, stamp, &raw))
        .body(raw)
        .send()
        .await
        .map_err(|why| failed(&why))?;
    let status = answer.status();
    let said = answer.text().await.unwrap_or_default();
    if status.is_success() {
        return print_out(&said);
    }
    let mend = match status.as_u16() {
        401 => ": the key is not that of hooks.bounce_secret, or a clock is wrong",
        404 => ": no service of ours answers there, or hooks.bounce_secret is not set",
        _ => "",
    };
    Err(CommandError::Failed(format!("{address} answered {status}{mend} ({})", said.trim())))
}

/// The first bytes of a report.
#[expect(clippy::disallowed_methods, reason = "a command serves nobody else")]
fn report(file: &Path, at_most: u64) -> Result<Vec<u8>, CommandError> {
    let mut raw = Vec::new();
    let unread = |why| CommandError::Failed(format!("the report cannot be read: {why}"));
    if file.as_os_str() == "-" {
        std::io::stdin().lock().take(at_most).read_to_end(&mut raw).map_err(unread)?;
    } else {
        std::fs::File::open(file).and_then(|file| file.take(at_most).read_to_end(&mut raw)).map_err(unread)?;
    }
    Ok(raw)
}
