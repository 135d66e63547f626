//! What is asked of whoever types, and the options that answer beforehand.

use std::io::{BufRead, IsTerminal, Write};

use super::error::CommandError;

/// Whether what was shown is done.
#[derive(Debug, Default, clap::Args)]
pub struct Go {
    /// Show what would change and write nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Do not ask
    #[arg(long, conflicts_with = "dry_run")]
    pub yes: bool,
}

impl Go {
    /// After something was shown: `true` when it is to be done. Says so when it is not.
    ///
    /// # Errors
    /// When nobody is there to be asked and nothing was answered beforehand.
    pub fn is_wanted(&self, question: &str) -> Result<bool, CommandError> {
        let wanted = match self {
            Self { dry_run: true, .. } => false,
            Self { yes: true, .. } => true,
            _ => ask(question)?.ok_or_else(nobody_is_there)?,
        };
        if !wanted {
            eprintln!("nothing is written");
        }
        Ok(wanted)
    }
}

/// Whether somebody types.
pub fn is_somebody_there() -> bool {
    std::io::stdin().is_terminal()
}

/// What a command that asks says where nobody can answer and nothing was answered beforehand.
pub fn nobody_is_there() -> CommandError {
    CommandError::Usage("nobody is there to be asked: say --yes, or --dry-run to look only".into())
}

/// Asks on standard error and waits for `y`. `None` when nobody is there to be asked.
///
/// # Errors
/// When the answer cannot be read.
pub fn ask(question: &str) -> Result<Option<bool>, CommandError> {
    if !is_somebody_there() {
        return Ok(None);
    }
    let _ = write!(std::io::stderr(), "{question} [y/N] ");
    let mut answer = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut answer)
        .map_err(|why| CommandError::Failed(format!("the answer cannot be read: {why}")))?;
    Ok(Some(matches!(answer.trim(), "y" | "Y" | "yes")))
}

/// Who says so, and why.
#[derive(Debug, clap::Args)]
pub struct Said {
    /// Why, in a few words; it is kept
    #[arg(long, value_name = "REASON", value_parser = reason)]
    pub why: String,
    /// Who says so; it is kept
    #[arg(long, value_name = "NAME", default_value = "staff", value_parser = reason)]
    pub by: String,
}

fn reason(text: &str) -> Result<String, String> {
    let sound = !text.trim().is_empty() && text.chars().count() <= 300 && !text.chars().any(crate::text::is_hidden);
    if sound { Ok(text.trim().to_owned()) } else { Err("1 to 300 plain characters are wanted".into()) }
}
