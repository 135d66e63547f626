//! `treebell bounce`: takes a report of undelivered mail from a mail server's pipe.

use std::io::Read;
use std::path::PathBuf;

use super::error::CommandError;
use super::format::print_out;
use super::open::open_store;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::dispatch::bounces;
use crate::dispatch::bounces::BounceOutcome;

/// Take in a report of undelivered mail, as a mail server pipes it
///
/// Exit code 0: taken in, or of no concern. 75: it could not be taken in now; the mail server keeps it and tries again.
#[derive(Debug, clap::Args)]
pub struct Bounce {
    /// File with the whole report; `-` for standard input
    #[arg(default_value = "-")]
    file: PathBuf,
}

/// Reports are short; what returns a large mail whole says the needed in its beginning.
const AT_MOST: u64 = 16 * 1024 * 1024;

/// # Errors
/// When the report cannot be read or the store cannot take it in.
#[expect(clippy::disallowed_methods, reason = "a command serves nobody else")]
pub async fn run(args: &Bounce, config: &Config) -> Result<(), CommandError> {
    let mut raw = Vec::new();
    let unread = |why| CommandError::Failed(format!("the report cannot be read: {why}"));
    if args.file.as_os_str() == "-" {
        std::io::stdin().lock().take(AT_MOST).read_to_end(&mut raw).map_err(unread)?;
    } else {
        std::fs::File::open(&args.file).and_then(|file| file.take(AT_MOST).read_to_end(&mut raw)).map_err(unread)?;
    }
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
