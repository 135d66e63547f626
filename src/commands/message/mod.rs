//! `treebell message`: the wording as people will read it, whether it keeps the rules, and other words in its place.

mod words;

use std::fmt::Write as _;
use std::path::PathBuf;

use crate::commands::error::CommandError;
use crate::commands::files::write_file;
use crate::commands::format::{bare_table, counted, fitted, print_out};
use crate::config::Config;
use crate::message::check;
use crate::message::document::Document;
use crate::message::readability::Ease;
use crate::message::samples::{self, Sample};
use crate::message::templates::most_segments;
use crate::message::{Message, Personal, Sender, Templates, TransactionalFacts, TransactionalKind, personalise, sms};
use crate::people::{Channel, Language};
use crate::season::NoticeKind;
use crate::service::desk::notice::stop_sample;
use crate::service::wording_shelf::SetAside;

/// Show, check and change the wording of the messages
#[derive(Debug, clap::Args)]
pub struct MessageArgs {
    #[command(subcommand)]
    command: MessageCommand,
}

#[derive(Debug, clap::Subcommand)]
enum MessageCommand {
    /// Show messages as people will read them, with the parts a text takes and how easy it reads
    ///
    /// Sender and templates are those of the settings; dates and weather come from an invented sample.
    Preview(Box<Preview>),

    /// Check every text in use, your own and the built-in ones, with the longest names allowed
    ///
    /// Length, reading ease, the five things each message must tell, cautions, and that both languages tell the same.
    Check,

    /// Every text with whose words it has: those of the program, of a file of the settings' folder, or of staff
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Give a text other words, if they keep the rules; the change is shown first
    Set(words::Set),
    /// Who changed a text, when and what
    History(words::History),
    /// Give a text the words of an older version again, or the shipped ones
    Restore(words::Restore),
}

#[derive(Debug, clap::Args)]
struct Preview {
    /// A notice, such as get-ready or inspect-now, or a letter, such as confirm, welcome, help or stopped; all if left out
    #[arg(value_parser = what, value_name = "KIND")]
    kind: Option<What>,

    /// en or es; both if left out
    #[arg(long, value_parser = language, value_name = "LANGUAGE")]
    language: Option<Language>,

    /// sms or email; both if left out
    #[arg(long, value_parser = channel, value_name = "CHANNEL")]
    channel: Option<Channel>,

    /// Name of the region to put in
    #[arg(long, value_name = "NAME")]
    region: Option<String>,

    /// Which invented facts to use: typical, plain, seen, cooler, warmer, reported, hatching, open-ended, unmeasured, longest or accented
    #[arg(long, value_parser = sample, default_value = "typical", value_name = "SAMPLE")]
    sample: Sample,

    /// Keep the invented sender of the sample instead of the one of the settings
    #[arg(long)]
    sample_sender: bool,

    /// Write the HTML part here; needs one kind and one language
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug)]
enum What {
    Notice(NoticeKind),
    Letter(TransactionalKind),
}

impl What {
    fn all() -> Vec<What> {
        NoticeKind::ALL
            .into_iter()
            .map(What::Notice)
            .chain(TransactionalKind::ALL.into_iter().map(What::Letter))
            .collect()
    }

    fn name(self) -> &'static str {
        match self {
            What::Notice(kind) => kind.name(),
            What::Letter(kind) => kind.name(),
        }
    }
}

/// # Errors
/// Usage errors, faults of the templates (exit code 4 in `check`, 2 in `preview`), a file that cannot be written.
pub async fn run(args: &MessageArgs, config: &Config) -> Result<(), CommandError> {
    let sender = Sender::from(&config.messages);
    match &args.command {
        MessageCommand::Preview(args) => preview(args, config, sender).await,
        MessageCommand::Check => check_all(config, &sender).await,
        MessageCommand::List { json } => words::list(*json, config).await,
        MessageCommand::Set(args) => words::set(args, config).await,
        MessageCommand::History(args) => words::history(args, config).await,
        MessageCommand::Restore(args) => words::restore(args, config).await,
    }
}

async fn preview(args: &Preview, config: &Config, sender: Sender) -> Result<(), CommandError> {
    let (templates, set_aside) = words::in_use(config).await?;
    tell_set_aside(&set_aside);
    let mut facts = args.sample.facts.clone();
    if !args.sample_sender {
        facts.sender = sender;
    }
    if let Some(region) = &args.region {
        facts.region_name.clone_from(region);
    }
    let kinds = args.kind.map_or_else(What::all, |kind| vec![kind]);
    let languages = args.language.map_or_else(|| Language::ALL.to_vec(), |language| vec![language]);
    let channels = args.channel.map_or_else(|| Channel::ALL.to_vec(), |channel| vec![channel]);
    // A made-up subscriber's link, so that the preview shows where it stands.
    let base = facts.sender.public_url.as_deref().and_then(|url| url::Url::parse(url).ok());
    let person = Personal { stop_url: stop_sample(base.as_ref()) };
    let mut out = String::new();
    let mut pages = Vec::new();
    for kind in &kinds {
        for language in &languages {
            for channel in &channels {
                let cannot = |why: String| CommandError::Failed(why);
                let message = match kind {
                    What::Notice(kind) => templates.render_notice(*kind, *language, *channel, &facts),
                    What::Letter(kind) if kind.channels().contains(channel) => {
                        let letter = TransactionalFacts::sample_for(*kind, &facts.sender, &facts.region_name);
                        templates.render_transactional(*kind, *language, *channel, &letter)
                    }
                    // Answers to texts go to telephones only.
                    What::Letter(_) => continue,
                };
                let message = message.map_err(|why| cannot(why.to_string()))?;
                let message = personalise(message, &person).map_err(|why| cannot(why.to_string()))?;
                describe(&mut out, kind.name(), *language, &message);
                if let Message::Email { html, .. } = message {
                    pages.push(html);
                }
            }
        }
    }
    print_out(&out)?;
    match (&args.html, pages.as_slice()) {
        (None, _) => Ok(()),
        (Some(path), [html]) => {
            write_file(path, html.as_bytes())?;
            eprintln!("HTML part written to {}", path.display());
            Ok(())
        }
        (Some(_), []) => Err(CommandError::Usage("--html: only e-mails have an HTML part".into())),
        (Some(_), more) => Err(CommandError::Usage(format!(
            "--html: {} e-mails were shown and one is wanted: name a kind and a --language",
            more.len()
        ))),
    }
}

fn describe(out: &mut String, name: &str, language: Language, message: &Message) {
    // Writing to a string cannot fail.
    let _ = match message {
        Message::Sms { text } => {
            let segments = sms::count(text);
            let room = if segments.parts > most_segments(language) { " (too long)" } else { "" };
            let ease = Ease::of([text.as_str()], language);
            let parts = if segments.parts == 1 { "part" } else { "parts" };
            let head = format!(
                "{name}, {}, sms: {} {parts}{room}, {} units {}, {ease}",
                language.code(),
                segments.parts,
                segments.units,
                segments.encoding.name()
            );
            let body = segments.texts.join("\n| ");
            writeln!(out, "== {head}\n\n| {body}\n")
        }
        Message::Email { subject, text, calendar, .. } => {
            let pieces = Document::parse(text).pieces();
            let ease = Ease::of(pieces.iter().map(String::as_str).chain([subject.as_str()]), language);
            let body =
                text.lines().map(|line| format!("| {line}").trim_end().to_owned()).collect::<Vec<_>>().join("\n");
            let attached = if calendar.is_some() { ", with a calendar entry" } else { "" };
            writeln!(out, "== {name}, {}, email{attached}: {ease}\n\nSubject: {subject}\n\n{body}\n", language.code())
        }
    };
}

fn tell_set_aside(set_aside: &[SetAside]) {
    for SetAside { text, version, faults } in set_aside {
        eprintln!("version {version} of `{text}`, words of staff, is not used: {}", faults.join("; "));
    }
}

async fn check_all(config: &Config, sender: &Sender) -> Result<(), CommandError> {
    let said_no =
        |faults: usize| CommandError::CheckSaidNo(format!("{} in the messages", counted(faults, "fault", "faults")));
    if let Err(faults) = Templates::load(config.messages.folder.as_deref()) {
        print_out(&format!("{faults}\n"))?;
        return Err(said_no(faults.0.len()));
    }
    let (templates, set_aside) = words::in_use(config).await?;
    let report = check::check(&templates, sender);
    let mut table = bare_table(["file", "parts", "units", "alphabet", "reads"]);
    for row in &report.rows {
        let [parts, units, alphabet] = match &row.segments {
            Some(segments) => {
                [segments.parts.to_string(), segments.units.to_string(), segments.encoding.name().to_owned()]
            }
            None => Default::default(),
        };
        let ease = row.ease.map(|ease| ease.to_string()).unwrap_or_default();
        table.add_row([row.file.clone(), parts, units, alphabet, ease]);
    }
    let mut text = fitted(table, &[]) + "\n";
    for SetAside { text: name, version, faults } in &set_aside {
        text += &format!("version {version} of `{name}`, words of staff, is not used: {}\n", faults.join("; "));
    }
    if report.faults.is_empty() && set_aside.is_empty() {
        text += "no faults; sizes are those of the longest sample, ease that of the hardest\n";
        return print_out(&text);
    }
    for fault in &report.faults {
        text += &format!("{fault}\n");
    }
    print_out(&text)?;
    Err(said_no(report.faults.len() + set_aside.len()))
}

fn what(name: &str) -> Result<What, String> {
    What::all().into_iter().find(|what| what.name() == name).ok_or_else(|| {
        let names = What::all().into_iter().map(What::name).collect::<Vec<_>>();
        format!("wanted is one of {}", names.join(", "))
    })
}

fn language(code: &str) -> Result<Language, String> {
    Language::parse(code).ok_or_else(|| "wanted is en or es".to_owned())
}

fn channel(name: &str) -> Result<Channel, String> {
    Channel::parse(name).ok_or_else(|| "wanted is sms or email".to_owned())
}

fn sample(name: &str) -> Result<Sample, String> {
    samples::all().into_iter().find(|sample| sample.name == name).ok_or_else(|| {
        let names = samples::all().into_iter().map(|sample| sample.name).collect::<Vec<_>>();
        format!("wanted is one of {}", names.join(", "))
    })
}
