//! `treebell message list`, `set`, `history` and `restore`: whose words the messages have, and others in their place.

use std::path::PathBuf;
use std::sync::Arc;

use chrono::{DateTime, Utc};

use crate::commands::ask::{Go, Said};
use crate::commands::error::CommandError;
use crate::commands::files::read_text;
use crate::commands::format::{fitted, paragraph, print_json, print_out, ruled_table};
use crate::commands::open::open_app;
use crate::config::Config;
use crate::language::Language;
use crate::message::difference::{Piece, difference};
use crate::message::templates::TextName;
use crate::message::{Sender, Templates};
use crate::randomness::Randomness;
use crate::service::app;
use crate::service::desk::messages::{Draft, origin_words, restore_words, set_words, text, texts, tried, usual_sample};
use crate::service::desk::{DeskError, Word, local_with_year, text_fault_words};
use crate::service::wording_shelf::{SetAside, WordingShelf};
use crate::text::{did_you_mean, near_spelling};

#[derive(Debug, clap::Args)]
pub struct Set {
    /// Name of the text, such as wash-now.sms or care.part (`treebell message list` has all)
    #[arg(value_parser = text_name, value_name = "TEXT")]
    text: TextName,
    /// File with its English words; as they are if left out
    #[arg(long, value_name = "FILE", required_unless_present = "es")]
    en: Option<PathBuf>,
    /// File with its Spanish words; as they are if left out
    #[arg(long, value_name = "FILE")]
    es: Option<PathBuf>,
    #[command(flatten)]
    said: Said,
    #[command(flatten)]
    go: Go,
}

#[derive(Debug, clap::Args)]
pub struct History {
    /// Name of the text
    #[arg(value_parser = text_name, value_name = "TEXT")]
    text: TextName,
    /// Show what this version changed
    #[arg(long, value_name = "VERSION", value_parser = clap::value_parser!(u32).range(1..))]
    show: Option<u32>,
}

#[derive(Debug, clap::Args)]
pub struct Restore {
    /// Name of the text
    #[arg(value_parser = text_name, value_name = "TEXT")]
    text: TextName,
    /// Take the words of this version again; the shipped ones if left out
    #[arg(long, value_name = "VERSION", value_parser = clap::value_parser!(u32).range(1..))]
    to: Option<u32>,
    #[command(flatten)]
    said: Said,
}

/// The words in use, and those of staff that are set aside. A store that is not there, or waits for this program's schema, is left
/// as it is and has none of staff.
///
/// # Errors
/// Faults of the folder's files; a store that cannot be read.
pub async fn in_use(config: &Config) -> Result<(Arc<Templates>, Vec<SetAside>), CommandError> {
    let given =
        Templates::load(config.messages.folder.as_deref()).map_err(|faults| CommandError::Usage(faults.to_string()))?;
    let shelf = WordingShelf::new(given);
    if let Some(store) = app::open_store_if_current(config, &Randomness::of_system()).await? {
        let renewed = shelf.renew(&store, &Sender::from(&config.messages)).await;
        store.close().await;
        renewed?;
    }
    Ok((shelf.in_use(), shelf.set_aside()))
}

/// # Errors
/// When the store fails.
pub async fn list(json: bool, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let rows = texts(&app).await.map_err(failed)?;
    app.store.close().await;
    if json {
        let rows: Vec<serde_json::Value> = rows
            .iter()
            .map(|row| {
                let of = |language: Language| row.origins.iter().find(|(of, _)| *of == language);
                serde_json::json!({
                    "text": row.name.as_str(),
                    "en": of(Language::En).map(|(_, origin)| origin_words(origin)),
                    "es": of(Language::Es).map(|(_, origin)| origin_words(origin)),
                    "changed_by": row.changed.as_ref().map(|(by, _)| by),
                    "changed_at": row.changed.as_ref().map(|(_, at)| at),
                    "faults": row.set_aside,
                })
            })
            .collect();
        return print_json(&rows);
    }
    let zone = config.schedule.time_zone;
    let mut table = ruled_table(["text", "English", "Spanish", "changed"]);
    for row in &rows {
        let of = |language: Language| {
            let found = row.origins.iter().find(|(of, _)| *of == language);
            found.map_or_else(String::new, |(_, origin)| origin_words(origin))
        };
        let said = |(by, at): &(String, DateTime<Utc>)| format!("{} by {by}", local_with_year(*at, zone));
        let changed = row.changed.as_ref().map(said).unwrap_or_default();
        table.add_row([row.name.to_string(), of(Language::En), of(Language::Es), changed]);
    }
    let mut out = fitted(table, &[]);
    for row in rows.iter().filter(|row| !row.set_aside.is_empty()) {
        let unused = format!("`{}` has words of staff that are not used: {}", row.name, row.set_aside.join("; "));
        out += &paragraph(0, &unused);
    }
    print_out(&out)
}

/// # Errors
/// A file that cannot be read, everything that is wrong with the words, a store that fails.
pub async fn set(args: &Set, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let now = text(&app, &args.text).await.map_err(failed)?;
    let read = |file: &Option<PathBuf>, now: &str| match file {
        Some(file) => read_text(file),
        None => Ok(now.to_owned()),
    };
    let draft = Draft { en: read(&args.en, &now.words.en)?, es: read(&args.es, &now.words.es)? };
    let looked = tried(&app, &args.text, &draft, usual_sample(&args.text)).await.map_err(failed)?;
    if !looked.faults.is_empty() {
        let faults: Vec<String> = looked.faults.iter().map(text_fault_words).collect();
        app.store.close().await;
        return Err(CommandError::CheckSaidNo(format!(
            "these words of `{}` cannot be kept:\n  {}",
            args.text,
            faults.join("\n  ")
        )));
    }
    let mut out = String::new();
    for language in Language::ALL {
        out += &changes(language, now.words.words(language), draft.words(language));
    }
    print_out(&out)?;
    if args.go.is_wanted(&format!("keep these words of `{}`?", args.text))? {
        let word = Word { by: &args.said.by, why: Some(&args.said.why) };
        let version = set_words(&app, &args.text, &draft, Some(now.version()), word).await.map_err(failed)?;
        eprintln!("version {version} of `{}` is kept; a running service takes it up within a minute", args.text);
    }
    app.store.close().await;
    Ok(())
}

/// # Errors
/// A version that is not there, a store that fails.
pub async fn history(args: &History, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let seen = text(&app, &args.text).await.map_err(failed)?;
    app.store.close().await;
    if let Some(version) = args.show {
        let missing = || failed(DeskError::NoSuchVersion { text: args.text.to_string(), version });
        let (before, after) = seen.of_version(version - 1).zip(seen.of_version(version)).ok_or_else(missing)?;
        let all = Language::ALL.map(|language| changes(language, before.words(language), after.words(language)));
        return print_out(&all.concat());
    }
    if seen.history.is_empty() {
        return print_out(&format!("`{}` was never changed\n", args.text));
    }
    let mut table = ruled_table(["version", "when", "by", "own words", "why"]);
    for kept in &seen.history {
        let own: Vec<&str> =
            Language::ALL.into_iter().filter(|of| kept.words(*of).is_some()).map(Language::english_name).collect();
        let own = if own.is_empty() { "none".to_owned() } else { own.join(", ") };
        let at = local_with_year(kept.changed_at, config.schedule.time_zone);
        let version = kept.version.to_string();
        table.add_row([version, at, kept.changed_by.clone(), own, kept.why.clone()]);
    }
    print_out(&fitted(table, &[]))
}

/// # Errors
/// A version that is not there or breaks a rule by now, a store that fails.
pub async fn restore(args: &Restore, config: &Config) -> Result<(), CommandError> {
    let app = open_app(config).await?;
    let word = Word { by: &args.said.by, why: Some(&args.said.why) };
    let done = restore_words(&app, &args.text, args.to.unwrap_or(0), None, word).await;
    app.store.close().await;
    let version = done.map_err(failed)?;
    eprintln!("version {version} of `{}` is kept; a running service takes it up within a minute", args.text);
    Ok(())
}

/// What is taken out in `[-…-]`, what is put in in `{+…+}`.
fn changes(language: Language, before: &str, after: &str) -> String {
    let pieces = difference(before, after);
    if pieces.iter().all(|piece| matches!(piece, Piece::Same(_))) {
        return format!("== {}: nothing changes\n", language.english_name());
    }
    let mut out = format!("== {}\n", language.english_name());
    for piece in pieces {
        out += &match piece {
            Piece::Same(text) => text.to_owned(),
            Piece::Gone(text) => format!("[-{text}-]"),
            Piece::New(text) => format!("{{+{text}+}}"),
        };
    }
    if out.ends_with('\n') { out } else { out + "\n" }
}

fn failed(why: DeskError) -> CommandError {
    match why {
        DeskError::Store(why) => why.into(),
        why => CommandError::CheckSaidNo(why.to_string()),
    }
}

fn text_name(name: &str) -> Result<TextName, String> {
    TextName::parse(name).ok_or_else(|| {
        let all = TextName::all();
        let near = did_you_mean(near_spelling(name, all.iter().map(TextName::as_str)));
        format!("no text has this name{near}; `treebell message list` has all")
    })
}
