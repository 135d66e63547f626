//! `treebell token`: what lets programs ask the desk.

use chrono::TimeDelta;
use chrono_tz::Tz;

use super::args::Why;
use super::error::CommandError;
use super::format::{print_fitted, print_json, print_out, ruled_table};
use super::open::{open_store, open_store_for};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::people::access_token::Scope;
use crate::people::account::AccountName;
use crate::region::RegionId;
use crate::service::desk::access_tokens::{NewAccessToken, end_token, make_token};
use crate::service::desk::local_with_year;
use crate::store::accounts::access_tokens::AccessToken;

/// Keep the tokens by which programs ask the desk
///
/// A program reads where regions stand (`GET /desk/programs/regions`) and may enter field reports, which wait for a word of staff
/// (`POST /desk/programs/reports`). No token ever lets a message out.
#[derive(Debug, clap::Subcommand)]
pub enum TokenCommand {
    /// Make a token and print it
    ///
    /// It is shown this once and kept nowhere: put it where the program reads its secrets.
    Add(Add),
    /// Print all tokens, without what lets in
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// End a token before its time
    End(End),
}

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Short name of the program, such as tree-survey; the audit tells by it what was done
    #[arg(value_parser = AccountName::parse)]
    name: AccountName,
    /// see reads where regions stand; report also enters field reports
    #[arg(long, value_enum)]
    scope: Scope,
    /// Region that it is for; give it several times or with commas, leave it out for all
    #[arg(long = "region", value_delimiter = ',', value_name = "REGION")]
    regions: Vec<RegionId>,
    /// Days after which it ends
    #[arg(long, value_name = "DAYS", default_value_t = 90, value_parser = clap::value_parser!(u16).range(1..=366))]
    days: u16,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct End {
    #[arg(value_parser = AccountName::parse)]
    name: AccountName,
    #[command(flatten)]
    why: Why,
}

/// # Errors
/// Names that are none, unknown or given before; a store that cannot be opened.
pub async fn run(command: TokenCommand, config: &Config) -> Result<(), CommandError> {
    let now = SystemClock.now();
    let zone = config.schedule.time_zone;
    match command {
        TokenCommand::Add(Add { name, scope, regions, days, why }) => {
            let new = NewAccessToken { name, scope, regions, good_for: TimeDelta::days(i64::from(days)) };
            let store = open_store_for(config, &why).await?;
            let token = make_token(&store, &new, now).await?;
            store.close().await;
            print_out(&format!("{token}\n"))?;
            let until = local_with_year(now + new.good_for, zone);
            eprintln!(
                "`{}` asks with the header `Authorization: Bearer TOKEN`, until {until}; the token is shown only now",
                new.name
            );
            if !config.desk.enabled {
                eprintln!("the desk is off: set desk.enabled, and start the service anew");
            }
            Ok(())
        }
        TokenCommand::List { json } => {
            let store = open_store(config).await?;
            let tokens = store.access_tokens().await?;
            store.close().await;
            if json {
                return print_json(&tokens);
            }
            if tokens.is_empty() {
                eprintln!("there is no token yet: `treebell token add NAME --scope see` makes one");
                return Ok(());
            }
            let mut table = ruled_table(["program\nand what it may", "regions", "stands", "last used"]);
            for token in &tokens {
                let regions: Vec<&str> = token.regions.iter().map(RegionId::as_str).collect();
                table.add_row([
                    format!("{}\n{}", token.name, token.scope.name()),
                    if regions.is_empty() { "all".to_owned() } else { regions.join(", ") },
                    stands(token, zone, now),
                    token.used_at.map_or_else(|| "never".to_owned(), |at| local_with_year(at, zone)),
                ]);
            }
            print_fitted(table, &[3, 1])
        }
        TokenCommand::End(End { name, why }) => {
            let was_good = end_token(&open_store_for(config, &why).await?, &name, now).await?;
            eprintln!("the token of `{name}` {}", if was_good { "is ended" } else { "was over already" });
            Ok(())
        }
    }
}

fn stands(token: &AccessToken, zone: Tz, now: chrono::DateTime<chrono::Utc>) -> String {
    match token.ended_at {
        Some(at) => format!("ended {}", local_with_year(at, zone)),
        None if token.is_good(now) => format!("good until {}", local_with_year(token.expires_at, zone)),
        None => format!("over since {}", local_with_year(token.expires_at, zone)),
    }
}
