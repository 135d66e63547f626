//! `treebell audit`: who did what, when and why.

use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, Utc};
use chrono_tz::Tz;

use super::args::{Why, date};
use super::error::CommandError;
use super::files::create_private;
use super::format::{counted, instant, paragraph, print_json, print_out};
use super::open::{open_store, open_store_for};
use crate::config::Config;
use crate::people::{Address, Reach};
use crate::service::desk::local_with_year;
use crate::store::Store;
use crate::store::acts::Act;
use crate::store::audit::{AuditEntry, AuditFilter, address_subject};

/// Read the audit: who did what, when and why, kept for seven years
#[derive(Debug, clap::Subcommand)]
pub enum AuditCommand {
    /// Print acts, the newest first
    List(List),
    /// Write acts as CSV, the oldest first; that is an act as well
    ///
    /// A cell that begins with = + - or @ gets an apostrophe before it, so that no spreadsheet takes it for a formula.
    Export(Export),
}

#[derive(Debug, clap::Args)]
pub struct Which {
    /// Only from this day on (UTC)
    #[arg(long, value_name = "DATE", value_parser = date)]
    since: Option<NaiveDate>,
    /// Only up to this day, included (UTC)
    #[arg(long, value_name = "DATE", value_parser = date)]
    until: Option<NaiveDate>,
    /// Only this act
    #[arg(long, value_enum)]
    act: Option<Act>,
    /// Only of whose name holds this
    #[arg(long, value_name = "NAME")]
    who: Option<String>,
    /// Only of what this is part of the name of, such as region/north or notice/
    #[arg(long, value_name = "SUBJECT", conflicts_with = "address")]
    about: Option<String>,
    /// Only what was done to this e-mail address or phone number; the audit knows it by its keyed hash
    #[arg(long, value_name = "ADDRESS")]
    address: Option<String>,
}

#[derive(Debug, clap::Args)]
pub struct List {
    #[command(flatten)]
    which: Which,
    /// Print at most so many
    #[arg(long, default_value_t = 100)]
    limit: u32,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
pub struct Export {
    #[command(flatten)]
    which: Which,
    /// A new file, which only its owner can read; standard output if left out
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// When the store cannot be opened or read, or the file cannot be made.
pub async fn run(command: AuditCommand, config: &Config) -> Result<(), CommandError> {
    match command {
        AuditCommand::List(args) => list(&args, config).await,
        AuditCommand::Export(args) => export(&args, config).await,
    }
}

impl Which {
    async fn filter(&self, store: &Store, limit: Option<u32>) -> Result<AuditFilter, CommandError> {
        let midnight = |day: NaiveDate| -> DateTime<Utc> { day.and_time(NaiveTime::MIN).and_utc() };
        let about = match &self.address {
            Some(text) => {
                let address = Address::parse(text, Reach::World)
                    .map_err(|why| CommandError::Usage(format!("--address: {why}")))?;
                Some(address_subject(&store.address_id(&address).await?))
            }
            None => self.about.clone(),
        };
        Ok(AuditFilter {
            since: self.since.map(midnight),
            until: self.until.and_then(|day| day.succ_opt()).map(midnight),
            act: self.act,
            who: self.who.clone(),
            about,
            limit,
        })
    }
}

async fn list(args: &List, config: &Config) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let entries = store.audit(&args.which.filter(&store, Some(args.limit)).await?).await?;
    store.close().await;
    if args.json {
        return print_json(&entries);
    }
    if entries.is_empty() {
        eprintln!("no such acts");
        return Ok(());
    }
    let zone = config.schedule.time_zone;
    print_out(&entries.iter().map(|entry| entry_words(entry, zone)).collect::<String>())?;
    if entries.len() as u64 == u64::from(args.limit) {
        eprintln!("only the newest {} are shown: --limit shows more", args.limit);
    }
    Ok(())
}

async fn export(args: &Export, config: &Config) -> Result<(), CommandError> {
    let store = open_store_for(config, &args.why).await?;
    let mut entries = store.audit(&args.which.filter(&store, None).await?).await?;
    entries.reverse();
    let text = csv_of(&entries)?;
    let rows = counted(entries.len(), "row", "rows");
    store.note_act(Act::AuditExported, "audit", &rows).await?;
    store.close().await;
    match &args.output {
        None => print_out(&text),
        Some(file) => {
            create_private(file, &text)?;
            eprintln!("{rows} written to `{}`", file.display());
            Ok(())
        }
    }
}

/// An act in lines and not in a row of a table: of what it was is often longer than any cell could be.
fn entry_words(entry: &AuditEntry, zone: Tz) -> String {
    let at = local_with_year(entry.at, zone);
    let mut text = paragraph(0, &format!("{}, {at}, {}, by {}", entry.number, entry.act, who(entry)));
    // Lists stand in it without blanks, and a line ends only at one.
    let detail = times_in(&entry.detail, zone).replace(",\"", ", \"");
    for line in [entry.subject.as_str(), &detail].into_iter().flat_map(str::lines) {
        text += &paragraph(2, line);
    }
    if let Some(why) = &entry.why {
        text += &paragraph(2, &format!("why: {why}"));
    }
    text
}

/// With its instants, `2026-03-14 15:00 UTC` and `2026-03-14T15:00:00Z`, told in this zone. What the audit keeps stays as it is.
fn times_in(detail: &str, zone: Tz) -> String {
    /// Of both, bytes.
    const LENGTH: usize = 20;
    let instant_in = |text: &str| {
        let parsed = |form: &str| NaiveDateTime::parse_from_str(text, form).ok();
        let is_one = text.starts_with(|first: char| first.is_ascii_digit());
        is_one.then(|| parsed("%Y-%m-%d %H:%M UTC").or_else(|| parsed("%Y-%m-%dT%H:%M:%SZ"))).flatten()
    };
    let (mut told, mut rest) = (String::with_capacity(detail.len()), detail);
    while let Some(first) = rest.chars().next() {
        let read = match rest.get(..LENGTH).and_then(instant_in) {
            Some(at) => {
                told += &local_with_year(at.and_utc(), zone);
                LENGTH
            }
            None => {
                told.push(first);
                first.len_utf8()
            }
        };
        rest = rest.get(read..).unwrap_or_default();
    }
    told
}

fn who(entry: &AuditEntry) -> String {
    entry.account.as_ref().map_or_else(|| entry.actor.clone(), |account| format!("{account}, {}", entry.actor))
}

fn csv_of(entries: &[AuditEntry]) -> Result<String, CommandError> {
    let failed = |why: csv::Error| CommandError::Failed(format!("no CSV: {why}"));
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["number", "at", "actor", "account", "act", "subject", "detail", "why"]).map_err(failed)?;
    for entry in entries {
        let at = instant(entry.at);
        let number = entry.number.to_string();
        let optional = |text: &Option<String>| safe(text.as_deref().unwrap_or(""));
        writer
            .write_record([
                number,
                at,
                safe(&entry.actor),
                optional(&entry.account),
                safe(&entry.act),
                safe(&entry.subject),
                safe(&entry.detail),
                optional(&entry.why),
            ])
            .map_err(failed)?;
    }
    let bytes = writer.into_inner().map_err(|why| CommandError::Failed(format!("no CSV: {why}")))?;
    String::from_utf8(bytes).map_err(|why| CommandError::Failed(format!("no CSV: {why}")))
}

/// OWASP, CSV Injection: a cell that begins with one of these is taken for a formula.
fn safe(cell: &str) -> String {
    if cell.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{cell}") } else { cell.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Before, an invitation was told to be good until `2026-12-03 23:11 UTC` below a time where people live.
    #[test]
    fn instants_in_a_detail_are_told_where_people_live() {
        for (detail, told) in [
            ("good until 2026-12-03 23:11 UTC", "good until Thu, Dec 3, 2026, 4:11 PM MST"),
            (r#"é {"until":"2026-03-14T15:00:00Z"}"#, r#"é {"until":"Sat, Mar 14, 2026, 9:00 AM MDT"}"#),
            ("looked on 2026-03-14; 2026-13-14T15:00:00Z", "looked on 2026-03-14; 2026-13-14T15:00:00Z"),
        ] {
            assert_eq!(times_in(detail, chrono_tz::America::Denver), told);
        }
    }

    /// Seen failing before: a table of 277 columns.
    #[test]
    fn an_act_fits_a_page_and_no_name_in_it_is_cut() {
        let key = format!("address/{}", "0123456789abcdef".repeat(4));
        let entry = AuditEntry {
            number: 12,
            at: DateTime::UNIX_EPOCH,
            actor: "maria (uid 1000)".into(),
            account: Some("a-name-of-two-and-thirty-letters".into()),
            act: "subscriber-changed".into(),
            subject: format!("{key} {key}"),
            detail: format!("zips: [{}] \u{2192} []", vec!["\"00101\""; 60].join(",")),
            why: Some("asked by phone ".repeat(20)),
        };
        let text = entry_words(&entry, chrono_tz::America::Denver);
        assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        assert!(
            text.contains(&key) && text.contains("Wed, Dec 31, 1969, 5:00 PM MST") && text.contains("why: asked"),
            "{text}"
        );
    }

    #[test]
    fn a_cell_is_no_formula() {
        assert_eq!(safe("=1+1"), "'=1+1");
        assert_eq!(safe("-2 °C"), "'-2 °C");
        assert_eq!(safe("a=b"), "a=b");
    }
}
