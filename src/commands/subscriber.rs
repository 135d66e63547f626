//! `treebell subscriber`: who is told, and who asked not to be.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::args::{TreeHeight, Why};
use super::error::CommandError;
use super::files::{in_file, read_bytes};
use super::format::{counted, print_fitted, print_json, progress_bar, ruled_table};
use super::open::{clock_of, now_of, open_store_for};
use crate::config::Config;
use crate::people::csv;
use crate::people::csv::evidence;
use crate::people::{Address, EmailAddress, Language, PhoneNumber, Reach};
use crate::people::{Consent, NewSubscriber};
use crate::region::{RegionId, Zip};
use crate::service::people_list::{Manner, Taken, lines_in_words, take_in};
use crate::service::photographs;
use crate::service::subscribe::places::places;
use crate::service::subscribe::stop::{erase_for_staff, stop_for_staff};
use crate::store::acts::Act;
use crate::store::bands::Home;
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
    /// End all messages to somebody, who stays on the list and may come back
    Stop(StopArgs),
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
    ///
    /// Photographs of their trees stand in it as JPEG files in base64, under `photograph.jpeg_base64` of their reports.
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
pub struct StopArgs {
    /// E-mail address or phone number
    address: String,
    /// Only to this address, not to the others of its owner
    #[arg(long)]
    only: bool,
    /// How the owner asked for it
    #[arg(long, default_value = "asked staff")]
    evidence: String,
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
    match command {
        SubscriberCommand::Add(args) => add(args, config).await,
        SubscriberCommand::Import(args) => import(&args, config).await,
        SubscriberCommand::Height(args) => height(args, config).await,
        SubscriberCommand::List(args) => list(&args, config).await,
        SubscriberCommand::Erase { address, evidence: words, why } => {
            let address = any_address(&address)?;
            let words = evidence(&words, None).map_err(|why| CommandError::Usage(format!("--evidence: {why}")))?;
            let store = open_store_for(config, &why).await?;
            let clock = clock_of(&store).await?;
            let stopped = erase_for_staff(config, &store, &*clock, &address, &words).await?;
            let what = match stopped.addresses {
                0 => "what somebody asked for in their name is erased; they had not confirmed it".to_owned(),
                n => format!("erased with {}", counted(n, "address", "addresses")),
            };
            eprintln!("{what}; {} called off", counted(stopped.cancelled, "message", "messages"));
            Ok(())
        }
        SubscriberCommand::Stop(args) => stop(&args, config).await,
        SubscriberCommand::Export { address, why } => {
            let address = any_address(&address)?;
            let store = open_store_for(config, &why).await?;
            let mut export = store.export_subscriber(&address).await?;
            store.close().await;
            let missing = photographs::fill(config, &mut export)
                .await
                .map_err(|why| CommandError::Failed(format!("a photograph cannot be read: {why}")))?;
            print_json(&export)?;
            if missing > 0 {
                eprintln!(
                    "{} not in it: no file is there under desk.photographs of these settings",
                    counted(missing, "photograph is", "photographs are")
                );
            }
            Ok(())
        }
    }
}

async fn add(args: Add, config: &Config) -> Result<(), CommandError> {
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
    match store.add_subscriber(&new, now_of(&store).await?).await {
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

async fn stop(args: &StopArgs, config: &Config) -> Result<(), CommandError> {
    let address = any_address(&args.address)?;
    let words = evidence(&args.evidence, None).map_err(|why| CommandError::Usage(format!("--evidence: {why}")))?;
    let store = open_store_for(config, &args.why).await?;
    let owner = store.subscriber_of(&address).await?;
    let owner = owner.ok_or_else(|| StoreError::from(Conflict::UnknownAddress { masked: address.to_string() }))?;
    let asked = store.address_id(&address).await?;
    let keys: Vec<_> =
        owner.addresses.into_iter().map(|known| known.id).filter(|id| !args.only || *id == asked).collect();
    let stopped = stop_for_staff(&store, &*clock_of(&store).await?, &keys, &words).await?;
    eprintln!(
        "{} {} stopped; {} called off",
        counted(stopped.addresses, "address", "addresses"),
        if stopped.addresses == 1 { "is" } else { "are" },
        counted(stopped.cancelled, "message", "messages")
    );
    Ok(())
}

async fn height(args: HeightArgs, config: &Config) -> Result<(), CommandError> {
    let height = args
        .height
        .band()
        .ok_or_else(|| CommandError::Usage("the height of the trees is wanted: --height-ft or --height-m".into()))?;
    let address = any_address(&args.address)?;
    let store = open_store_for(config, &args.why).await?;
    let owner = store.subscriber_of(&address).await?;
    let owner = owner.ok_or_else(|| StoreError::from(Conflict::UnknownAddress { masked: address.to_string() }))?;
    let key = store.address_id(&address).await?;
    match store.say_height(&key, &args.zip, height, now_of(&store).await?).await? {
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

async fn import(args: &Import, config: &Config) -> Result<(), CommandError> {
    let bytes = read_bytes(&args.file)?;
    let source = args.file.file_name().map_or_else(|| "list".into(), |name| name.to_string_lossy().into_owned());
    let list = csv::read(&bytes, &source, config.sms.reach)
        .map_err(|why| CommandError::Usage(format!("{}: {why}", args.file.display())))?;
    let store = open_store_for(config, &args.why).await?;
    let now = now_of(&store).await?;
    let manner = if args.skip_bad { Manner::GoodLines } else { Manner::AllOrNone };
    let bar = progress_bar(list.lines.len() as u64, "{bar:30} {pos} of {len} lines, {eta} left");
    let taken = take_in(&store, &list, (&source, manner), now, &|_| Ok(()), &|lines| bar.inc(lines)).await;
    bar.finish_and_clear();
    let Taken { added, extended, extended_lines, unchanged, faults, kept } = taken?;
    let named = in_file(&args.file, &faults);
    if !kept {
        return Err(CommandError::Usage(format!(
            "{named}\nnothing was taken; mend the {} or give --skip-bad",
            if faults.len() == 1 { "line" } else { "lines" }
        )));
    }
    if !faults.is_empty() {
        eprintln!("{named}");
    }
    let lines: BTreeSet<u64> = faults.iter().map(|fault| fault.number).collect();
    let named = match lines_in_words(&extended_lines) {
        none if none.is_empty() => none,
        words => format!(" ({words})"),
    };
    eprintln!("{added} added, {extended} known and extended{named}, {unchanged} unchanged, {} bad", lines.len());
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
    // Long ids and long addresses are not cut, so what is short stands below them and not beside.
    let mut table = ruled_table(["subscriber,\nlanguage and since when", "addresses\nand ZIP codes"]);
    for subscriber in &subscribers {
        let addresses =
            subscriber.addresses.iter().map(|known| format!("{} ({})", shown(&known.address), known.status.name()));
        let homes = subscriber.homes.iter().map(|home| home_words(home, &parted));
        let since = subscriber.created_at.with_timezone(&config.schedule.time_zone).format("%Y-%m-%d");
        table.add_row([
            format!("{}\n{}, {since}", subscriber.id, subscriber.language.code()),
            addresses.chain([homes.collect::<Vec<_>>().join(" ")]).collect::<Vec<_>>().join("\n"),
        ]);
    }
    print_fitted(table, &[])?;
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
