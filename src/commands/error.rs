//! Why a command ended early, and the exit code that says so.

use std::process::ExitCode;

use crate::config::ConfigError;
use crate::service::app::AppError;
use crate::service::region_fault::RegionFault;
use crate::store::{Conflict, StoreError};
use crate::text::Chain;

/// What each exit code means, as `treebell --help` tells it: the one place that says so.
pub const EXIT_CODES: &str = "\
Exit codes:
  0   done
  1   a fault of this machine or of ours, such as a full disk or output that cannot be written
  2   what was asked for cannot be had: arguments, names that are unknown or taken, settings, files
  3   the store cannot be opened, read or written, or another process keeps it
  4   a check said no: of a profile, of the messages, of a fit, of a belief
  5   sources outside gave nothing, while all else was done (`once`, `weather pull`,
      `weather backfill`, `station add-grid`)
  75  try again (`bounce` alone: whatever went wrong, the mail server keeps the report)";

/// EX_TEMPFAIL of sysexits: a mail server keeps what it brought and brings it again.
pub const TRY_AGAIN: u8 = 75;

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
    /// Sources outside gave nothing: all else was done.
    #[error("{0}")]
    SourcesFailed(String),
    /// For a mail server: see [`TRY_AGAIN`].
    #[error("{0}")]
    BringAgain(String),
}

/// What was wished for cannot be had, or the store cannot be used: told apart for whoever reads exit codes.
impl From<StoreError> for CommandError {
    fn from(why: StoreError) -> Self {
        match &why {
            // The store knows no commands, and pages have other ways.
            StoreError::Conflict(Conflict::UnknownStation { near: None, .. }) => Self::Usage(format!(
                "{}: `treebell station list` shows those there are, `station add` and `station import` bring others",
                with_causes(&why)
            )),
            StoreError::Conflict(_)
            | StoreError::BadAddress { .. }
            | StoreError::NoFolder { .. }
            | StoreError::NoStore { .. }
            | StoreError::Keys { .. } => Self::Usage(with_causes(&why)),
            _ => Self::Store(with_causes(&why)),
        }
    }
}

impl From<AppError> for CommandError {
    fn from(why: AppError) -> Self {
        match why {
            AppError::Store(why) => why.into(),
            other => Self::Usage(with_causes(&other)),
        }
    }
}

impl From<RegionFault> for CommandError {
    fn from(why: RegionFault) -> Self {
        match why {
            RegionFault::Store(why) => why.into(),
            other => Self::Failed(with_causes(&other)),
        }
    }
}

/// A fault with the faults behind it, one sentence each.
pub(super) fn with_causes(why: &dyn std::error::Error) -> String {
    Chain(why).to_string()
}

impl CommandError {
    pub fn exit_code(&self) -> ExitCode {
        ExitCode::from(match self {
            CommandError::Failed(_) => 1,
            CommandError::Usage(_) | CommandError::Config(_) => 2,
            CommandError::Store(_) => 3,
            CommandError::CheckSaidNo(_) => 4,
            CommandError::SourcesFailed(_) => 5,
            CommandError::BringAgain(_) => TRY_AGAIN,
        })
    }
}
