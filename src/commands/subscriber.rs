//! `treebell subscriber`: who is told, and who asked not to be.

use std::collections::BTreeSet;
use std::path::PathBuf;

use chrono::{DateTime, Utc};

use super::args::{TreeHeight, Why};
use super::error::CommandError;
use super::files::{in_file, read_bytes};
use super::format::{counted, print_json, print_out, progress_bar, ruled_table};
use super::open::open_store_for;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::people::csv;
use crate::people::csv::{LineFault, evidence};
use crate::people::{Address, EmailAddress, Language, PhoneNumber, Reach};
use crate::people::{Consent, NewSubscriber};
use crate::region::{RegionId, Zip};
use crate::service::photographs;
use crate::service::subscribe::places::places;
use crate::service::subscribe::stop::{StopRequest, stop};
use crate::store::acts::Act;
use crate::store::bands::Home;
use crate::store::enrol_many::Enrolling;
use crate::store::enrolment::Enrolled;
use crate::store::heights::Said;
use crate::store::subscriptions::Subscriber;
use crate::store::{Conflict, Store, StoreError};

/// Keep the subscribers: people who want to be told
#[derive(Debug, clap::Subcommand)]
pub enum SubscriberCommand {
    /// Subscribe somebody who agreed on paper or in person
    ///
    /// Given again, it changes nothing; with another ZIP code or address it adds that.
    Add(Add),
    /// Subscribe people from a CSV file with the columns zip, email, phone, language, consent and, if known, height_ft
    ///
    /// All lines or none, unless --skip-bad is given. Every bad line is named with its mend. Reading the same file
    /// again changes nothing.
    Import(Import),
    /// Keep how high up somebody's trees stand, where their ZIP code has several regions
    Height(HeightArgs),
    /// Print subscribers, their addresses masked
    List(List),
    /// Erase somebody: nothing more is sent, the addresses are erased, and can only be given again by their owner
    Erase {
        /// E-mail address or phone number
        address: String,
        /// How the owner asked for it
        #[arg(long, default_value = "asked staff")]
        evidence: String,
        #[command(flatten)]
        why: Why,
    },
    /// Print all that is kept about the owner of an address, as JSON
    Export {
        /// E-mail address or phone number
        address: String,
        #[command(flatten)]
        why: Why,
    },
}

#[derive(Debug, clap::Args)]
pub struct Add {
    /// ZIP code of the trees; give it several times or with commas
    #[arg(long = "zip", value_delimiter = ',', required = true, value_parser = Zip::parse, value_name = "ZIP")]
    zips: Vec<Zip>,
    /// E-mail address
    #[arg(long, required_unless_present = "phone")]
    email: Option<String>,
    /// Phone number for texts
    #[arg(long)]
    phone: Option<String>,
    #[command(flatten)]
    height: TreeHeight,
    /// en or es
    #[arg(long, default_value = "en", value_parser = language)]
    language: Language,
    /// How its owner agreed, such as "signed form, county fair 2026-02-01"
    #[arg(long, value_name = "EVIDENCE")]
    consent: String,
    /// The owner had said stop and now asks to be told again
    #[arg(long)]
    after_stop: bool,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct Import {
    /// CSV file
    file: PathBuf,
    /// Take the good lines and name the others
    #[arg(long)]
    skip_bad: bool,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct HeightArgs {
    /// E-mail address or phone number
    address: String,
    /// ZIP code of the trees
    #[arg(long, value_parser = Zip::parse, value_name = "ZIP")]
    zip: Zip,
    #[command(flatten)]
    height: TreeHeight,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct List {
    /// Only those with a ZIP code in this region
    #[arg(long, value_name = "REGION")]
    region: Option<RegionId>,
    /// Only those who have not said how high up their trees stand, where their ZIP code has several regions
    #[arg(long)]
    height_unknown: bool,
    /// Show addresses in full
    #[arg(long)]
    show: bool,
    #[command(flatten)]
    why: Why,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// # Errors
/// Addresses and codes that are none, people who said stop, a list with faults, a store that cannot be opened.
pub async fn run(command: SubscriberCommand, config: &Config) -> Result<(), CommandError> {
    let now = SystemClock.now();
    match command {
        SubscriberCommand::Add(args) => add(args, config, now).await,
        SubscriberCommand::Import(args) => import(&args, config, now).await,
        SubscriberCommand::Height(args) => height(args, config, now).await,
        SubscriberCommand::List(args) => list(&args, config).await,
        SubscriberCommand::Erase { address, evidence: words, why } => {
            let address = any_address(&address)?;
            let words = evidence(&words, None).map_err(|why| CommandError::Usage(format!("--evidence: {why}")))?;
            let store = open_store_for(config, &why).await?;
            let stopped = stop(&store, &SystemClock, StopRequest::Erase(&address), &words).await?;
            photographs::sweep_after_erasure(config, &store, SystemClock.now()).await;
            let what = match stopped.addresses {
                0 => "what somebody asked for in their name is erased; they had not confirmed it".to_owned(),
                n => format!("erased with {}", counted(n, "address", "addresses")),
            };
            eprintln!("{what}; {} cancelled", counted(stopped.cancelled, "message", "messages"));
            Ok(())
        }
        SubscriberCommand::Export { address, why } => {
            print_json(&open_store_for(config, &why).await?.export_subscriber(&any_address(&address)?).await?)
        }
    }
}

async fn add(args: Add, config: &Config, now: DateTime<Utc>) -> Result<(), CommandError> {
    let mut addresses = Vec::new();
    if let Some(text) = &args.email {
        let email = EmailAddress::parse(text).map_err(|why| CommandError::Usage(format!("--email: {why}")))?;
        addresses.push(Address::Email(email));
    }
    if let Some(text) = &args.phone {
        let phone =
            PhoneNumber::parse(text, config.sms.reach).map_err(|why| CommandError::Usage(format!("--phone: {why}")))?;
        addresses.push(Address::Phone(phone));
    }
    let evidence = evidence(&args.consent, None).map_err(|why| CommandError::Usage(format!("--consent: {why}")))?;
    let consent = if args.after_stop { Consent::GivenAgain { evidence } } else { Consent::Given { evidence } };
    let store = open_store_for(config, &args.why).await?;
    let heights = args.height.band().map(|height| args.zips.iter().map(|zip| (zip.clone(), height)).collect());
    let heights = heights.unwrap_or_default();
    let new = NewSubscriber { zips: args.zips, heights, addresses, language: args.language, consent };
    match store.add_subscriber(&new, now).await {
        Ok(Enrolled::Added { subscriber }) => eprintln!("subscriber {subscriber} is added"),
        Ok(Enrolled::Extended { subscriber, zips, addresses, heights }) => eprintln!(
            "subscriber {subscriber} was known; added {}, {} and {}",
            counted(zips, "ZIP code", "ZIP codes"),
            counted(addresses, "address", "addresses"),
            counted(heights, "height", "heights")
        ),
        Ok(Enrolled::Unchanged { subscriber }) => eprintln!("subscriber {subscriber} was known; nothing is new"),
        Err(why @ StoreError::Conflict(Conflict::Suppressed { .. })) => {
            return Err(CommandError::Usage(format!("{why}; with that, add --after-stop")));
        }
        Err(why) => return Err(why.into()),
    }
    say_homeless(&store, &new.zips).await?;
    if new.heights.is_empty() {
        for place in places(&store, &new.zips).await?.iter().filter(|place| !place.choices.is_empty()) {
            let choices: Vec<String> = place.choices.iter().map(|choice| choice.words(Language::En)).collect();
            eprintln!(
                "note: ZIP code {} has a region for trees {}: its owner is asked, and until they answer they are told of the \
                 lowest; if you know it, give --height-ft",
                place.zip,
                choices.join(", one for trees ")
            );
        }
    }
    Ok(())
}

async fn height(args: HeightArgs, config: &Config, now: DateTime<Utc>) -> Result<(), CommandError> {
    let height = args
        .height
        .band()
        .ok_or_else(|| CommandError::Usage("the height of the trees is wanted: --height-ft or --height-m".into()))?;
    let address = any_address(&args.address)?;
    let store = open_store_for(config, &args.why).await?;
    let owner = store.subscriber_of(&address).await?;
    let owner = owner.ok_or_else(|| StoreError::from(Conflict::UnknownAddress { masked: address.to_string() }))?;
    let key = store.address_id(&address).await?;
    match store.say_height(&key, &args.zip, height, now).await? {
        Said::Lives(home) => {
            eprintln!("subscriber {} is told of region `{}` ({}) from now on", owner.id, home.region, home.band)
        }
        Said::Kept => {
            eprintln!("kept; ZIP code {} has not several regions, so that it makes no difference today", args.zip)
        }
        Said::NotTheirs => {
            let zips = owner.zips.iter().map(Zip::as_str).collect::<Vec<_>>().join(", ");
            return Err(CommandError::Usage(format!("--zip {}: they do not have it; theirs: {zips}", args.zip)));
        }
    }
    Ok(())
}

/// A ZIP code of no region is kept: its region may come. But nobody there is told anything until then.
async fn say_homeless<'a>(store: &Store, zips: impl IntoIterator<Item = &'a Zip>) -> Result<(), CommandError> {
    let zips: BTreeSet<&Zip> = zips.into_iter().collect();
    let places = places(store, zips).await?;
    let homeless: Vec<&str> =
        places.iter().filter(|place| place.region.is_none()).map(|place| place.zip.as_str()).collect();
    if !homeless.is_empty() {
        eprintln!("note: no region has ZIP code {} yet, so nobody there is told anything", homeless.join(", "));
    }
    Ok(())
}

/// After so many lines it is shown how far the import is.
const LINES_AT_ONCE: usize = 4000;

async fn import(args: &Import, config: &Config, now: DateTime<Utc>) -> Result<(), CommandError> {
    let bytes = read_bytes(&args.file)?;
    let source = args.file.file_name().map_or_else(|| "list".into(), |name| name.to_string_lossy().into_owned());
    let list = csv::read(&bytes, &source, config.sms.reach)
        .map_err(|why| CommandError::Usage(format!("{}: {why}", args.file.display())))?;
    let store = open_store_for(config, &args.why).await?;
    let mut faults = list.faults;
    let (mut added, mut extended, mut unchanged) = (0_u64, 0_u64, 0_u64);

    let bar = progress_bar(list.lines.len() as u64, "{bar:30} {pos} of {len} lines, {eta} left");
    // One transaction for all: a reader sees the list whole or not at all.
    let mut tx = store.begin_large().await?;
    let enrolling = Enrolling::begin(&mut tx, now).await?;
    for lines in list.lines.chunks(LINES_AT_ONCE) {
        let people: Vec<_> = lines.iter().map(|line| &line.subscriber).collect();
        for (line, outcome) in lines.iter().zip(enrolling.enrol(&mut tx, &people).await?) {
            match outcome {
                Ok(Enrolled::Added { .. }) => added += 1,
                Ok(Enrolled::Extended { .. }) => extended += 1,
                Ok(Enrolled::Unchanged { .. }) => unchanged += 1,
                Err(why) => faults.push(LineFault { number: line.number, what: why.to_string() }),
            }
        }
        bar.inc(lines.len() as u64);
    }
    bar.finish_and_clear();
    faults.sort_by_key(|fault| fault.number);
    let named = in_file(&args.file, &faults);
    if !faults.is_empty() && !args.skip_bad {
        tx.rollback().await?;
        return Err(CommandError::Usage(format!(
            "{named}\nnothing was taken; mend the {} or give --skip-bad",
            if faults.len() == 1 { "line" } else { "lines" }
        )));
    }
    let detail = format!("{source}: {added} added, {extended} extended, {unchanged} unchanged");
    tx.note_act(Act::SubscribersImported, "subscribers", &detail).await?;
    tx.commit().await?;
    if !faults.is_empty() {
        eprintln!("{named}");
    }
    let lines: BTreeSet<u64> = faults.iter().map(|fault| fault.number).collect();
    eprintln!("{added} added, {extended} known and extended, {unchanged} unchanged, {} bad", lines.len());
    say_homeless(&store, list.lines.iter().flat_map(|line| &line.subscriber.zips)).await
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store_for(config, &args.why).await?;
    if let Some(region) = &args.region {
        store.region(region).await?;
    }
    let mut subscribers = store.subscribers(args.region.as_ref()).await?;
    let parted = store.parted_zips().await?;
    let is_open = |home: &Home| home.said.is_none() && parted.contains(&home.zip);
    if args.height_unknown {
        subscribers.retain(|subscriber| subscriber.homes.iter().any(is_open));
    }
    if args.show {
        // Before anything is shown: what cannot be noted is not done.
        let subject = args.region.as_ref().map_or_else(|| "subscribers".into(), |region| format!("region/{region}"));
        let detail = format!("{} shown in full", counted(subscribers.len(), "subscriber", "subscribers"));
        store.note_act(Act::SubscribersListed, &subject, &detail).await?;
    }
    let shown = |address: &Address| if args.show { address.expose().to_owned() } else { address.to_string() };
    if args.json {
        let rows: Vec<_> = subscribers.iter().map(|subscriber| row_of(subscriber, &parted, &shown)).collect();
        return print_json(&rows);
    }
    if subscribers.is_empty() {
        eprintln!(
            "there are no subscribers{}",
            args.region.as_ref().map_or("".into(), |id| format!(" in region `{id}`"))
        );
        return Ok(());
    }
    let mut table = ruled_table(["subscriber", "ZIP codes", "language", "since", "addresses"]);
    for subscriber in &subscribers {
        table.add_row([
            subscriber.id.clone(),
            subscriber.homes.iter().map(|home| home_words(home, &parted)).collect::<Vec<_>>().join(" "),
            subscriber.language.code().to_owned(),
            subscriber.created_at.format("%Y-%m-%d").to_string(),
            subscriber
                .addresses
                .iter()
                .map(|known| format!("{} ({})", shown(&known.address), known.status.name()))
                .collect::<Vec<_>>()
                .join("\n"),
        ]);
    }
    print_out(&format!("{table}\n"))?;
    eprintln!("{}", counted(subscribers.len(), "subscriber", "subscribers"));
    Ok(())
}

/// `00101`; where the ZIP code has several regions `00101 (high-mesa)`, with a word where they have not said their height.
fn home_words(home: &Home, parted: &BTreeSet<Zip>) -> String {
    match &home.region {
        Some(region) if parted.contains(&home.zip) && home.said.is_none() => {
            format!("{} ({region}, height not said)", home.zip)
        }
        Some(region) if parted.contains(&home.zip) => format!("{} ({region})", home.zip),
        _ => home.zip.to_string(),
    }
}

fn row_of(subscriber: &Subscriber, parted: &BTreeSet<Zip>, shown: &impl Fn(&Address) -> String) -> serde_json::Value {
    let addresses: Vec<_> = subscriber
        .addresses
        .iter()
        .map(|known| {
            serde_json::json!({
                "channel": known.address.channel(),
                "address": shown(&known.address),
                "status": known.status,
                "since": known.status_at,
            })
        })
        .collect();
    serde_json::json!({
        "id": subscriber.id,
        "language": subscriber.language,
        "since": subscriber.created_at,
        "zips": subscriber.zips,
        "places": subscriber.homes.iter().map(|home| serde_json::json!({
            "zip": home.zip,
            "region": home.region,
            "height": home.said,
            "height_unknown": home.said.is_none() && parted.contains(&home.zip),
        })).collect::<Vec<_>>(),
        "addresses": addresses,
    })
}

/// An address that is only looked for may come from anywhere.
fn any_address(text: &str) -> Result<Address, CommandError> {
    Address::parse(text, Reach::World).map_err(|why| CommandError::Usage(why.to_string()))
}

fn language(code: &str) -> Result<Language, String> {
    Language::parse(code).ok_or_else(|| format!("`{code}` is not en or es"))
}
