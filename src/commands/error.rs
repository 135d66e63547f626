//! Why a command ended early, and the exit code that says so.

use std::process::ExitCode;

use crate::config::ConfigError;
use crate::service::app::AppError;
use crate::store::StoreError;
use crate::text::Chain;

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
    /// For a mail server, which keeps what it brought and brings it again (EX_TEMPFAIL of sysexits).
    #[error("{0}")]
    BringAgain(String),
}

/// What was wished for cannot be had, or the store cannot be used: told apart for whoever reads exit codes.
impl From<StoreError> for CommandError {
    fn from(why: StoreError) -> Self {
        match &why {
            StoreError::Conflict(_) | StoreError::BadAddress { .. } | StoreError::NoFolder { .. } => {
                Self::Usage(with_causes(&why))
            }
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
            CommandError::BringAgain(_) => 75,
        })
    }
}
