//! One thin file a command: parse, call, print. Data goes to standard output, talk to standard error.
//!
//! What several commands share stands beside them: `args` (how texts of the command line are read), `select` (the regions
//! and stations that they name), `files`, `open` (the store and the app), `ask` (what is asked before something is done),
//! `format` (how things are printed), `dates`, `new_version` and `why` (what several of them show) and `error`.
//!
//! What the exit codes mean stands in [`error::EXIT_CODES`], which the help shows.

/// As the standard one, but a standard error that cannot be written, such as a full disk behind it, ends nothing: there is
/// nobody left to tell.
macro_rules! eprintln {
    ($($words:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), $($words)*);
    }};
}

pub mod error;

mod args;
mod ask;
pub mod candidates;
mod dates;
mod files;
mod format;
mod new_version;
mod open;
mod select;
mod why;

pub mod account;
pub mod alarms;
pub mod audit;
pub mod belief;
pub mod bounce;
pub mod chart;
pub mod check_config;
pub mod degree_days;
pub mod deliveries;
pub mod demo;
pub mod field_report;
pub mod fit;
pub mod key;
pub mod message;
pub mod notices;
pub mod outlook;
pub mod place;
pub mod policy;
pub mod profile;
pub mod region;
pub mod replay;
pub mod run;
pub mod station;
pub mod store;
pub mod subscriber;
pub mod token;
pub mod verify;
pub mod weather;

use std::ffi::OsString;
use std::io::IsTerminal;
use std::path::PathBuf;

use clap::{CommandFactory, Parser, Subcommand};

use self::error::EXIT_CODES;
pub use self::error::{CommandError, TRY_AGAIN};
use crate::config::{Config, ConfigError, filter_of};
use crate::store::Store;

/// Watches public temperatures and tells pinyon owners when to inspect their trees for needle scale eggs.
#[derive(Debug, Parser)]
#[command(name = "treebell", version, propagate_version = true, after_help = EXIT_CODES)]
pub struct Cli {
    /// Settings file; without it `treebell.toml` in this folder if there is one, else the defaults.
    #[arg(long, global = true, value_name = "FILE")]
    pub config: Option<PathBuf>,

    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the service: keep the schedule and work the queue until told to stop.
    Run(run::Run),
    /// One cycle now and the queue after it, for those who have a cron already.
    Once(run::Once),
    /// Where every region's season stands, in the order of their windows.
    Outlook(outlook::OutlookArgs),
    Chart(chart::Chart),
    /// What would have been sent in a past season, to whom and when; sends nothing.
    Replay(replay::Replay),
    CheckConfig(check_config::CheckConfig),
    DegreeDays(degree_days::DegreeDays),
    Verify(verify::Verify),
    Policy(policy::PolicyArgs),
    /// Play a season in an invented state: no network, no account.
    Demo(demo::Demo),
    Deliveries(deliveries::Deliveries),
    Notices(notices::Notices),
    Alarms(alarms::Alarms),
    Message(message::MessageArgs),
    Profile(profile::ProfileCommand),
    #[command(subcommand)]
    Store(store::StoreCommand),
    #[command(subcommand)]
    Region(region::RegionCommand),
    #[command(subcommand)]
    Station(station::StationCommand),
    #[command(subcommand)]
    Place(place::PlaceCommand),
    #[command(subcommand)]
    Subscriber(subscriber::SubscriberCommand),
    #[command(subcommand)]
    FieldReport(field_report::FieldReportCommand),
    #[command(subcommand)]
    Belief(belief::BeliefCommand),
    #[command(subcommand)]
    Account(account::AccountCommand),
    #[command(subcommand)]
    Token(token::TokenCommand),
    #[command(subcommand)]
    Audit(audit::AuditCommand),
    #[command(subcommand)]
    Key(key::KeyCommand),
    Weather(weather::Weather),
    Fit(fit::Fit),
    Bounce(bounce::Bounce),
}

impl Cli {
    /// The settings this call works with.
    ///
    /// # Errors
    /// When a named file is missing or any file has faults.
    pub fn settings(&self) -> Result<Config, ConfigError> {
        self.settings_file().map_or_else(|| Ok(Config::default()), |file| Config::load(&file))
    }

    /// The file that was named, or the one in this folder if there is one. A link there that leads nowhere counts: with the
    /// defaults instead, another store would be used in silence.
    fn settings_file(&self) -> Option<PathBuf> {
        let here = || Some(PathBuf::from("treebell.toml")).filter(|here| here.symlink_metadata().is_ok());
        self.config.clone().or_else(here)
    }
}

/// Runs one command to its end. Not async, and here: async code is compiled where it is waited for, and the binary would compile
/// most of the library once more.
///
/// # Errors
/// See [`CommandError`].
pub fn run(runtime: &tokio::runtime::Runtime, cli: Cli) -> Result<(), CommandError> {
    let is_bounce = matches!(cli.command, Command::Bounce(_));
    let done = runtime.block_on(run_one(cli));
    if is_bounce { done.map_err(|why| CommandError::BringAgain(why.to_string())) } else { done }
}

/// Whether a call that cannot be read was meant to bring a report of undelivered mail: then the mail server is to keep it.
pub fn means_bounce(arguments: impl Iterator<Item = OsString>) -> bool {
    let cli = Cli::command();
    let names: Vec<&str> = cli.get_subcommands().map(clap::Command::get_name).collect();
    let mut named = arguments.filter_map(|one| names.iter().copied().find(|name| *name == one));
    named.next() == Some("bounce")
}

async fn run_one(cli: Cli) -> Result<(), CommandError> {
    if let Command::CheckConfig(args) = &cli.command {
        // It tells more than the first faults, so it reads the settings itself.
        return check_config::run(args, cli.settings_file().as_deref()).await;
    }
    if let Command::Bounce(args) = &cli.command
        && let Some(done) = bounce::hand_on(args).await
    {
        return done;
    }
    if let Command::Key(key::KeyCommand::New { to }) = &cli.command {
        // Settings that lack the key have a fault until it is made.
        return key::make(to);
    }
    let config = cli.settings()?;
    if matches!(cli.command, Command::Run(_) | Command::Once(_)) {
        check_config::before_work(cli.settings_file().as_deref())?;
    }
    // A played season logs what a real one would; that is not news to whoever watches it.
    let is_play = matches!(cli.command, Command::Demo(_) | Command::Replay(_));
    start_log(&config, if is_play && config.log.level == "info" { "error" } else { &config.log.level })?;
    run_with(cli.command, &config).await.map_err(|why| in_store(why, &config))
}

/// A fault of the store names the store.
fn in_store(why: CommandError, config: &Config) -> CommandError {
    let CommandError::Store(what) = why else { return why };
    let (place, name) = match &config.store.address_secret {
        Some(_) => ("the store that store.address_secret names".to_owned(), None),
        None => {
            let shown = Store::shown_address(&config.store.address);
            (format!("the store {shown}"), Some(shown.rsplit(['/', ':']).next().unwrap_or_default().to_owned()))
        }
    };
    let is_named = name.is_some_and(|name| what.contains(&name));
    CommandError::Store(if is_named { what } else { format!("{place}: {what}") })
}

async fn run_with(command: Command, config: &Config) -> Result<(), CommandError> {
    match command {
        Command::Run(args) => run::run(args, config).await,
        Command::Once(args) => run::once(args, config).await,
        Command::Outlook(args) => outlook::run(&args, config).await,
        Command::Chart(args) => chart::run(&args, config).await,
        Command::Replay(args) => replay::run(args, config).await,
        // Done above.
        Command::CheckConfig(_) => Ok(()),
        Command::DegreeDays(args) => degree_days::run(&args),
        Command::Verify(args) => verify::run(&args, config).await,
        Command::Policy(args) => policy::run(&args, config).await,
        Command::Demo(args) => demo::run(args).await,
        Command::Deliveries(args) => deliveries::run(args, config).await,
        Command::Notices(args) => notices::run(args, config).await,
        Command::Alarms(args) => alarms::run(args, config).await,
        Command::Message(args) => message::run(&args, config).await,
        Command::Profile(args) => profile::run(&args, config).await,
        Command::Store(args) => store::run(args, config).await,
        Command::Region(args) => region::run(args, config).await,
        Command::Station(args) => station::run(args, config).await,
        Command::Place(args) => place::run(args, config).await,
        Command::Subscriber(args) => subscriber::run(args, config).await,
        Command::FieldReport(args) => field_report::run(args, config).await,
        Command::Belief(args) => belief::run(args, config).await,
        Command::Account(args) => account::run(args, config).await,
        Command::Token(args) => token::run(args, config).await,
        Command::Audit(args) => audit::run(args, config).await,
        Command::Key(args) => key::run(args, config).await,
        Command::Weather(args) => weather::run(&args, config).await,
        Command::Fit(args) => fit::run(args, config).await,
        Command::Bounce(args) => bounce::run(&args, config).await,
    }
}

/// Talk goes to standard error, at the level the settings ask for.
fn start_log(config: &Config, level: &str) -> Result<(), CommandError> {
    let filter = filter_of(level).map_err(|why| CommandError::Usage(format!("log.level: {why}")))?;
    // Colours are for eyes: in a file or a journal their codes are noise. https://no-color.org says how to do without.
    let colours = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|set| set.is_empty());
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(colours)
        .with_target(false);
    // A second start, as tests do, keeps the first.
    let _ = if config.log.json { log.json().try_init() } else { log.compact().try_init() };
    Ok(())
}
