//! One thin file a command: parse, call, print. Data goes to standard output, talk to standard error.
//!
//! What several commands share stands beside them: `args` (how texts of the command line are read), `select` (the regions
//! and stations that they name), `files`, `open` (the store and the app), `format` (how things are printed) and `error`.
//!
//! Exit codes: 0 done, 1 our own fault or a fault of the machine, 2 usage or configuration, 3 store, 4 a check said no, 75 try
//! again (only of `bounce`, whatever went wrong: the mail server keeps the report).

pub mod error;

mod args;
mod files;
mod format;
mod open;
mod select;

pub mod belief;
pub mod bounce;
pub mod chart;
pub mod check_config;
pub mod degree_days;
pub mod deliveries;
pub mod demo;
pub mod field_report;
pub mod fit;
pub mod message;
pub mod notices;
pub mod outlook;
pub mod policy;
pub mod profile;
pub mod region;
pub mod replay;
pub mod run;
pub mod station;
pub mod subscriber;
pub mod verify;
pub mod weather;

use std::path::PathBuf;

use clap::{Parser, Subcommand};

pub use self::error::CommandError;
use crate::config::{Config, ConfigError};

/// Watches public temperatures and tells pinyon owners when to inspect their trees for needle scale eggs.
#[derive(Debug, Parser)]
#[command(name = "treebell", version, propagate_version = true)]
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
    /// Check the settings and say when the cycle runs next.
    CheckConfig(check_config::CheckConfig),
    DegreeDays(degree_days::DegreeDays),
    Verify(verify::Verify),
    Policy(policy::PolicyArgs),
    /// Play a season in an invented state: no network, no account.
    Demo(demo::Demo),
    Deliveries(deliveries::Deliveries),
    Notices(notices::Notices),
    Message(message::MessageArgs),
    Profile(profile::ProfileCommand),
    #[command(subcommand)]
    Region(region::RegionCommand),
    #[command(subcommand)]
    Station(station::StationCommand),
    #[command(subcommand)]
    Subscriber(subscriber::SubscriberCommand),
    #[command(subcommand)]
    FieldReport(field_report::FieldReportCommand),
    #[command(subcommand)]
    Belief(belief::BeliefCommand),
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
        match &self.config {
            Some(path) => Config::load(path),
            None => {
                let here = PathBuf::from("treebell.toml");
                if here.exists() { Config::load(&here) } else { Ok(Config::default()) }
            }
        }
    }
}

/// Runs one command to its end.
///
/// # Errors
/// See [`CommandError`].
pub async fn run(cli: Cli) -> Result<(), CommandError> {
    let is_bounce = matches!(cli.command, Command::Bounce(_));
    let done = run_one(cli).await;
    if is_bounce { done.map_err(|why| CommandError::BringAgain(why.to_string())) } else { done }
}

async fn run_one(cli: Cli) -> Result<(), CommandError> {
    let config = cli.settings()?;
    // A played season logs what a real one would; that is not news to whoever watches it.
    let is_play = matches!(cli.command, Command::Demo(_) | Command::Replay(_));
    start_log(&config, if is_play && config.log.level == "info" { "error" } else { &config.log.level })?;
    match cli.command {
        Command::Run(args) => run::run(args, &config).await,
        Command::Once(args) => run::once(args, &config).await,
        Command::Outlook(args) => outlook::run(&args, &config).await,
        Command::Chart(args) => chart::run(&args, &config).await,
        Command::Replay(args) => replay::run(args, &config).await,
        Command::CheckConfig(args) => check_config::run(&args, &config).await,
        Command::DegreeDays(args) => degree_days::run(&args),
        Command::Verify(args) => verify::run(&args, &config).await,
        Command::Policy(args) => policy::run(&args, &config).await,
        Command::Demo(args) => demo::run(args).await,
        Command::Deliveries(args) => deliveries::run(args, &config).await,
        Command::Notices(args) => notices::run(args, &config).await,
        Command::Message(args) => message::run(&args, &config),
        Command::Profile(args) => profile::run(&args, &config).await,
        Command::Region(args) => region::run(args, &config).await,
        Command::Station(args) => station::run(args, &config).await,
        Command::Subscriber(args) => subscriber::run(args, &config).await,
        Command::FieldReport(args) => field_report::run(args, &config).await,
        Command::Belief(args) => belief::run(args, &config).await,
        Command::Weather(args) => weather::run(&args, &config).await,
        Command::Fit(args) => fit::run(args, &config).await,
        Command::Bounce(args) => bounce::run(&args, &config).await,
    }
}

/// Talk goes to standard error, at the level the settings ask for.
fn start_log(config: &Config, level: &str) -> Result<(), CommandError> {
    let filter = tracing_subscriber::EnvFilter::try_new(level)
        .map_err(|why| CommandError::Usage(format!("log.level: `{level}` is not a filter: {why}")))?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    // A second start, as tests do, keeps the first.
    let _ = if config.log.json { log.json().try_init() } else { log.compact().try_init() };
    Ok(())
}
