//! One thin file a command: parse, call, print. Data goes to standard output, talk to standard error.
//!
//! Exit codes: 0 done, 1 our own fault or a fault of the machine, 2 usage or configuration, 3 store, 4 a check said no.

pub mod check_config;
pub mod degree_days;
pub mod deliveries;
pub mod message;
pub mod notices;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

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
    /// Check the settings and say when the cycle runs next.
    CheckConfig(check_config::CheckConfig),
    DegreeDays(degree_days::DegreeDays),
    Deliveries(deliveries::Deliveries),
    Notices(notices::Notices),
    Message(message::MessageArgs),
}

/// Why a command ended early, sorted by exit code.
#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    #[error("{0}")]
    Usage(String),
    #[error(transparent)]
    Config(#[from] ConfigError),
    #[error("{0}")]
    Store(String),
    #[error("{0}")]
    CheckSaidNo(String),
    #[error("{0}")]
    Failed(String),
}

impl CommandError {
    pub fn exit_code(&self) -> ExitCode {
        ExitCode::from(match self {
            CommandError::Failed(_) => 1,
            CommandError::Usage(_) | CommandError::Config(_) => 2,
            CommandError::Store(_) => 3,
            CommandError::CheckSaidNo(_) => 4,
        })
    }
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
    let config = cli.settings()?;
    start_log(&config)?;
    match cli.command {
        Command::CheckConfig(args) => check_config::run(&args, &config),
        Command::DegreeDays(args) => degree_days::run(args).await,
        Command::Deliveries(args) => deliveries::run(args, &config).await,
        Command::Notices(args) => notices::run(args, &config).await,
        Command::Message(args) => message::run(&args, &config),
    }
}

/// Talk goes to standard error, at the level the settings ask for.
fn start_log(config: &Config) -> Result<(), CommandError> {
    let filter = tracing_subscriber::EnvFilter::try_new(&config.log.level)
        .map_err(|why| CommandError::Usage(format!("log.level: `{}` is not a filter: {why}", config.log.level)))?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_target(false);
    // A second start, as tests do, keeps the first.
    let _ = if config.log.json { log.json().try_init() } else { log.compact().try_init() };
    Ok(())
}
