//! `treebell key`: the keys of hashes, by which addresses are known after their erasure and links are sealed, and those of the desk.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::args::Why;
use super::error::CommandError;
use super::files::{create_private, read_text};
use super::format::{print_fitted, print_json, ruled_table};
use super::open::{actor, open_store};
use crate::config::{Config, Secret};
use crate::people::Key;
use crate::randomness::Randomness;
use crate::secret::is_open_to_others;
use crate::service::app::store_address;
use crate::store::{KnownKey, Store};

/// Make and move the keys by which addresses and links are hashed, and secrets of the desk are sealed
#[derive(Debug, clap::Subcommand)]
pub enum KeyCommand {
    /// Make a key and write it to a new file that only its owner can read
    ///
    /// Addresses (keys.addresses), links (keys.links) and the desk (desk.keys) want one each. A new key goes first in its list of
    /// the settings. Older ones of addresses and links stay behind it for ever, since what was erased cannot be hashed anew and stop
    /// links never end; one of the desk may go when all have signed in since. Keep copies of the files apart from copies of the
    /// store.
    New {
        /// The file to make
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Move the key that lies in the store to a file, and take it out of the store
    ///
    /// Ids of addresses and links in messages that were sent stay good. Copies of the store that were made before hold the key
    /// still: whoever has one can read who stopped by then.
    Move {
        /// The file to make
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
        #[command(flatten)]
        why: Why,
    },
    /// Print which keys the store has been used with, by their fingerprints
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
}

/// # Errors
/// A file that cannot be made, a store that cannot be opened or holds no key.
pub async fn run(command: KeyCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        KeyCommand::New { to } => make(&to),
        KeyCommand::Move { to, why } => move_out(&to, &why, config).await,
        KeyCommand::List { json } => list(json, config).await,
    }
}

/// Makes a key. It asks for no settings, since sound ones may want the key first.
///
/// # Errors
/// A file that is there already or cannot be made.
pub fn make(to: &Path) -> Result<(), CommandError> {
    let key = Key::draw(&Randomness::of_system());
    create_private(to, &format!("{}\n", key.expose()))?;
    let file = to.display();
    eprintln!(
        "a key is in `{file}` (fingerprint {}). Put it in one place of the settings, first in its list:
  keys.addresses, in [keys]:  addresses = [{{ file = \"{file}\" }}]
  keys.links, in [keys]:      links = [{{ file = \"{file}\" }}]
  desk.keys, in [desk]:       keys = [{{ file = \"{file}\" }}]
Each of the three wants a key of its own, and the first two go together.",
        key.fingerprint()
    );
    Ok(())
}

async fn move_out(to: &Path, why: &Why, config: &Config) -> Result<(), CommandError> {
    // Whatever the settings name: the store is opened with the key that lies in it.
    let store = Store::open(&store_address(config).await?, &config.store.trust(), None, &Randomness::of_system())
        .await?
        .acting(actor(why));
    let key = store.inside_key().await?;
    let text = format!("{}\n", key.expose());
    // A file that holds this key is left of a move that was cut off.
    if !(to.exists() && Key::parse(&read_text(to)?).is_ok_and(|there| there == key)) {
        create_private(to, &text)?;
    }
    if Key::parse(&read_text(to)?).ok() != Some(key.clone()) {
        return Err(CommandError::Failed(format!(
            "`{}` does not hold what was written to it; the key stays",
            to.display()
        )));
    }
    store.take_key_out(&key).await?;
    store.close().await;
    eprintln!(
        "the key is in `{0}` (fingerprint {1}) and no longer in the store. Now
  1. make a key for links: treebell key new --to LINK-KEY-FILE
  2. put in the settings:
       [keys]
       addresses = [{{ file = \"{0}\" }}]
       links = [{{ file = \"LINK-KEY-FILE\" }}]
  3. start the service anew; links in messages that were sent still stop
Copies of the store that were made before hold the key still: whoever has one can find out from it who had stopped by then.
To protect those who stop from now on against such a copy as well, put one more new key first in keys.addresses.",
        to.display(),
        key.fingerprint()
    );
    Ok(())
}

async fn list(json: bool, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let (known, inside) = (store.known_keys().await?, store.key_lies_inside());
    store.close().await;
    let open = open_files(config, &known).await;
    if json {
        let listed = known.iter().zip(&open).map(|(key, file_open_to_others)| Listed { key, file_open_to_others });
        return print_json(&listed.collect::<Vec<_>>());
    }
    if inside {
        eprintln!("the key lies in the store, beside what it protects: `treebell key move --to FILE` moves it out");
        return Ok(());
    }
    let mut table = ruled_table(["purpose", "number", "fingerprint", "remark"]);
    for (key, open) in known.iter().zip(&open) {
        let once = key.lay_inside.then(|| "lay in the store once".to_owned());
        let open = open.as_ref().map(|file| {
            let file = file.display();
            format!("its file can be read or changed by every user of this machine: chmod o-rwx '{file}'")
        });
        let remark = once.into_iter().chain(open).collect::<Vec<_>>().join("; ");
        table.add_row([key.purpose.clone(), key.number.to_string(), key.fingerprint.clone(), remark]);
    }
    print_fitted(table, &[3])
}

#[derive(Serialize)]
struct Listed<'a> {
    #[serde(flatten)]
    key: &'a KnownKey,
    file_open_to_others: &'a Option<PathBuf>,
}

/// Of each key, its file where every user of this machine can read or change that.
async fn open_files(config: &Config, known: &[KnownKey]) -> Vec<Option<PathBuf>> {
    let mut open = vec![None; known.len()];
    for (purpose, secrets) in [("address", &config.keys.addresses), ("link", &config.keys.links)] {
        for secret in secrets {
            let Secret::File(path) = secret else { continue };
            if !is_open_to_others(path) {
                continue;
            }
            // Opening the store has read it already.
            let Ok(text) = secret.read().await else { continue };
            let Ok(fingerprint) = Key::parse(text.expose()).map(|key| key.fingerprint()) else { continue };
            for (key, open) in known.iter().zip(&mut open) {
                if key.purpose == purpose && key.fingerprint == fingerprint {
                    *open = Some(path.clone());
                }
            }
        }
    }
    open
}
