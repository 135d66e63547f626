//! `treebell account`: who may sign in at the staff's desk, and what each may do there.

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;

use super::args::Why;
use super::error::CommandError;
use super::format::{counted, print_fitted, print_json, print_out, ruled_table};
use super::open::{open_store, open_store_for};
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::people::account::{Account, AccountName, County, RegionReach, Role};
use crate::region::RegionId;
use crate::service::desk::{self, local_with_year};
use crate::store::Store;
use crate::store::accounts::ListedAccount;

/// Keep the accounts of the staff's desk
#[derive(Debug, clap::Subcommand)]
pub enum AccountCommand {
    /// Make an account and print the link by which its holder chooses a password
    ///
    /// The link works until its holder is signed in, and for as long as desk.invitation_hours says. Hand it over yourself, by a way that you trust: it is
    /// shown this once and kept nowhere.
    Add(Add),
    /// Print all accounts
    List {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Give an account another role, or staff other regions
    ///
    /// What is given takes the place of what was there. It holds from the next click on. An observer without a second factor who
    /// becomes staff or administrator gets a new invitation, whose link is printed: by it the second factor is set up.
    Change(Change),
    /// Let nobody sign in by an account, and end its sessions
    Lock(One),
    /// Let its holder sign in again
    Unlock(One),
    /// Take password, second factor and sessions away, and print a new invitation
    ///
    /// For who has lost a phone, a password or an invitation.
    Reset(One),
    /// End every session of an account
    EndSessions(One),
    /// Take an account away for good
    ///
    /// The audit goes on naming it, so nobody gets its name again.
    Remove(One),
}

#[derive(Debug, clap::Args)]
pub struct Add {
    /// Short name by which its holder signs in, such as maria; not an e-mail address
    #[arg(value_parser = AccountName::parse)]
    name: AccountName,
    #[command(flatten)]
    may: May,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct Change {
    #[arg(value_parser = AccountName::parse)]
    name: AccountName,
    #[command(flatten)]
    may: May,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct One {
    #[arg(value_parser = AccountName::parse)]
    name: AccountName,
    #[command(flatten)]
    why: Why,
}

#[derive(Debug, clap::Args)]
pub struct May {
    /// observer sees all and enters field reports; staff also act on their regions; an administrator acts on all
    #[arg(long, value_enum)]
    role: Role,
    /// Region that staff act on; give it several times or with commas
    #[arg(long = "region", value_delimiter = ',', value_name = "REGION")]
    regions: Vec<RegionId>,
    /// County whose regions staff act on, as `Name` or `Name, State`; may be given several times
    #[arg(long = "county", value_name = "COUNTY", value_parser = county)]
    counties: Vec<County>,
}

fn county(text: &str) -> Result<County, String> {
    County::parse(text).ok_or_else(|| "write `Name` or `Name, State`".to_owned())
}

impl May {
    fn account(self, name: AccountName) -> Result<Account, CommandError> {
        let reach = RegionReach { regions: self.regions, counties: self.counties };
        match (self.role, reach.is_empty()) {
            (Role::Staff, true) => Err(CommandError::Usage(
                "staff act on regions: name them with --region or --county; who only looks is an observer".into(),
            )),
            (Role::Observer, false) => {
                Err(CommandError::Usage("an observer acts on no region: leave --region and --county out".into()))
            }
            (Role::Administrator, false) => Err(CommandError::Usage(
                "an administrator acts on every region: leave --region and --county out".into(),
            )),
            _ => Ok(Account { name, role: self.role, reach }),
        }
    }
}

/// # Errors
/// Names that are none or unknown, a store that cannot be opened.
pub async fn run(command: AccountCommand, config: &Config) -> Result<(), CommandError> {
    let now = SystemClock.now();
    match command {
        AccountCommand::Add(Add { name, may, why }) => {
            let account = may.account(name)?;
            let store = open_store_for(config, &why).await?;
            let token = desk::add(&store, &account, good_for(config), now).await?;
            tell_counties(&store, &account).await?;
            store.close().await;
            print_invitation(config, &account.name, &token, now)
        }
        AccountCommand::List { json } => list(json, config, now).await,
        AccountCommand::Change(Change { name, may, why }) => {
            let account = may.account(name)?;
            let store = open_store_for(config, &why).await?;
            let token = desk::change(&store, &account, good_for(config), now).await?;
            tell_counties(&store, &account).await?;
            store.close().await;
            eprintln!("account {} is changed", account.name);
            match token {
                Some(token) => print_invitation(config, &account.name, &token, now),
                None => Ok(()),
            }
        }
        AccountCommand::Lock(One { name, why }) => {
            let changed = desk::lock(&open_store_for(config, &why).await?, &name, now).await?;
            eprintln!("account {name} {} locked", if changed { "is" } else { "was already" });
            Ok(())
        }
        AccountCommand::Unlock(One { name, why }) => {
            let changed = desk::unlock(&open_store_for(config, &why).await?, &name).await?;
            eprintln!("account {name} {}", if changed { "is open again" } else { "was not locked" });
            Ok(())
        }
        AccountCommand::Reset(One { name, why }) => {
            let store = open_store_for(config, &why).await?;
            let token = desk::invite_anew(&store, &name, good_for(config), now).await?;
            let locked = store.account(&name).await?.is_some_and(|account| account.locked_at.is_some());
            store.close().await;
            if locked {
                eprintln!(
                    "account {name} is locked: the invitation works once you have given `treebell account unlock {name}`"
                );
            }
            print_invitation(config, &name, &token, now)
        }
        AccountCommand::EndSessions(One { name, why }) => {
            let ended = desk::end_all(&open_store_for(config, &why).await?, &name).await?;
            eprintln!("{} of account {name} ended", counted(ended, "session", "sessions"));
            Ok(())
        }
        AccountCommand::Remove(One { name, why }) => {
            desk::remove(&open_store_for(config, &why).await?, &name, now).await?;
            eprintln!("account {name} is removed");
            Ok(())
        }
    }
}

/// A county stands in no table, so a slip in its name would give somebody nothing, in silence.
async fn tell_counties(store: &Store, account: &Account) -> Result<(), CommandError> {
    if account.reach.counties.is_empty() {
        return Ok(());
    }
    let regions = store.regions().await?;
    for county in &account.reach.counties {
        match regions.iter().filter(|region| county.holds(region)).count() {
            0 => eprintln!(
                "warning: no region lies in county {county}, so {} acts on none by it: is it written as the regions write it?",
                account.name
            ),
            held => eprintln!("county {county}: {held} region{}", if held == 1 { "" } else { "s" }),
        }
    }
    Ok(())
}

fn good_for(config: &Config) -> TimeDelta {
    TimeDelta::hours(i64::from(config.desk.invitation_hours))
}

/// The link goes to standard output, what is to be known of it to standard error.
fn print_invitation(config: &Config, name: &AccountName, token: &str, now: DateTime<Utc>) -> Result<(), CommandError> {
    let until = local_with_year(now + good_for(config), config.schedule.time_zone);
    let public = config.messages.public_url.url();
    let link = public.and_then(|public| desk::invitation_link(public, token)).map(String::from);
    let link = link.unwrap_or_else(|| format!("/desk/invitation/{token}"));
    print_out(&format!("{link}\n"))?;
    eprintln!(
        "by this link {name} chooses a password, and sets up a second factor where the role wants one: until {until}; it is shown only now"
    );
    if public.is_none() {
        eprintln!("messages.public_url is not set: put the address of your pages before it");
    }
    if !config.desk.enabled {
        eprintln!("the desk is off: set desk.enabled, and start the service anew");
    }
    Ok(())
}

async fn list(json: bool, config: &Config, now: DateTime<Utc>) -> Result<(), CommandError> {
    let store = open_store(config).await?;
    let accounts = store.accounts().await?;
    store.close().await;
    if json {
        return print_json(&accounts);
    }
    if accounts.is_empty() {
        eprintln!("there is no account yet: `treebell account add NAME --role administrator` makes one");
        return Ok(());
    }
    let mut table = ruled_table(["account", "role", "acts on", "stands", "second factor", "sessions"]);
    for listed in &accounts {
        let factor = match (listed.has_second_factor, listed.recovery_codes) {
            (false, _) => "none".to_owned(),
            (true, left) => format!("yes, {} left", counted(left, "recovery code", "recovery codes")),
        };
        table.add_row([
            listed.account.name.to_string(),
            listed.account.role.name().to_owned(),
            acts_on(&listed.account),
            stands(listed, config.schedule.time_zone, now),
            factor,
            listed.sessions.to_string(),
        ]);
    }
    print_fitted(table, &[5, 4, 1, 3])
}

fn acts_on(account: &Account) -> String {
    match account.role {
        Role::Observer => String::new(),
        Role::Staff => account.reach.to_string(),
        Role::Administrator => "every region".into(),
    }
}

fn stands(listed: &ListedAccount, zone: Tz, now: DateTime<Utc>) -> String {
    let invited = match listed.invited_until {
        Some(until) if until > now => format!("invited until {}", local_with_year(until, zone)),
        Some(_) => "invitation is over: reset".into(),
        None => "cannot sign in: reset".into(),
    };
    let can_sign_in = listed.has_password && (listed.has_second_factor || !listed.account.role.needs_second_factor());
    match (listed.locked_at, can_sign_in) {
        (Some(at), _) => format!("locked since {}", local_with_year(at, zone)),
        (None, true) => "open".into(),
        (None, false) => invited,
    }
}
