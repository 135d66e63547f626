//! `treebell run` and `treebell once`: the service itself.

use std::sync::Arc;
use std::time::Duration;

use futures::FutureExt;
use tracing::info;

use super::error::{CommandError, with_causes};
use super::format::print_out;
use crate::clock::SystemClock;
use crate::config::Config;
use crate::dispatch::channels;
use crate::randomness::Randomness;
use crate::service::app::App;
use crate::service::daemon::{self, DaemonError, Outside, Role};
use crate::service::subscribe::stop;
use crate::weather::fetch::Fetcher;
use crate::web::{self, Site, server};

#[derive(Debug, clap::Args)]
pub struct Run {
    /// Only this part of the service: on PostgreSQL any number of processes may deliver, and one keeps the schedule.
    #[arg(long, value_enum)]
    only: Option<Role>,
}

#[derive(Debug, clap::Args)]
pub struct Once {
    /// How long to wait at the end for deliveries that are to be tried again soon, seconds.
    #[arg(long, default_value_t = 90)]
    patience: u64,
}

/// Runs until it is told to stop (SIGTERM or Ctrl-C).
///
/// # Errors
/// Settings that cannot be used, a store that is in use or cannot be opened.
pub async fn run(args: Run, config: &Config) -> Result<(), CommandError> {
    let (app, mut outside) = gather(config).await?;
    if args.only.is_some() && app.store.engine() == crate::store::Engine::Sqlite {
        return Err(CommandError::Usage(
            "--only needs a PostgreSQL store: an SQLite file has room for one service, which does it all".into(),
        ));
    }
    outside.pages = pages(&app, args.only).await?;
    let ready = || {
        // Without systemd there is nobody to tell.
        if let Err(why) = sd_notify::notify(&[sd_notify::NotifyState::Ready]) {
            info!("systemd could not be told that the service is ready: {why}");
        }
    };
    let drained = daemon::run(&app, outside, args.only, ready, told_to_stop()?).await.map_err(daemon_error)?;
    info!("messages since the start: {drained:?}");
    app.store.close().await;
    Ok(())
}

/// One cycle, then the queue.
///
/// # Errors
/// As [`run`]; regions that could not be served end it with code 1 after all others were done.
pub async fn once(args: Once, config: &Config) -> Result<(), CommandError> {
    let (app, outside) = gather(config).await?;
    let patience = Duration::from_secs(args.patience);
    let (report, pulled, drained) =
        daemon::once(&app, outside, patience, told_to_stop()?).await.map_err(daemon_error)?;
    app.store.close().await;
    print_out(&format!(
        "{} regions assessed, {} new temperatures, {} notices decided, {} deliveries queued\n",
        report.regions,
        pulled.new_values(),
        report.decided.len(),
        report.deliveries
    ))?;
    print_out(&format!(
        "{} messages sent, {} to be tried again, {} refused for good, {} uncertain\n",
        drained.sent, drained.later, drained.failed, drained.uncertain
    ))?;
    for silent in pulled.silent_stations() {
        eprintln!("no source of station {silent} answered; `treebell weather status` says why");
    }
    if report.faults.is_empty() { Ok(()) } else { Err(CommandError::Failed(report.faults.join("\n"))) }
}

async fn gather(config: &Config) -> Result<(App, Outside), CommandError> {
    let faults = |faults: Vec<crate::config::ConfigFault>| {
        CommandError::Usage(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    };
    let channels = channels::from_settings(&config.email, &config.sms, config.hooks.path.as_ref()).map_err(faults)?;
    let randomness = Randomness::of_system();
    let fetcher = Fetcher::new(&config.feeds, Arc::new(SystemClock), randomness.clone())
        .map_err(|why| CommandError::Usage(crate::weather::feeds::chain(&why)))?;
    let app = App::open(config, Arc::new(SystemClock), &randomness).await?;
    let stop = stop::personaliser(&config.messages.public_url, app.store.address_hash().clone());
    Ok((app, Outside { fetcher, channels, personaliser: Arc::new(stop), pages: None }))
}

/// What serves the pages, when this process is to serve any: listening already, so that an address in use is told at once.
async fn pages(app: &App, only: Option<Role>) -> Result<Option<daemon::Pages>, CommandError> {
    let listen = match (only, app.config.web.listen) {
        (None | Some(Role::Web), Some(listen)) => listen,
        (Some(Role::Web), None) => {
            return Err(CommandError::Usage("--only web needs an address to listen on: set web.listen".into()));
        }
        _ => return Ok(None),
    };
    let site = Site::new(app.clone()).map_err(|why| CommandError::Failed(with_causes(&why)))?;
    let listener = server::listen(listen).await.map_err(|why| CommandError::Usage(why.to_string()))?;
    let router = web::router(&site);
    site.warm();
    Ok(Some(Box::new(move |shutdown| server::serve(listener, router, shutdown).boxed())))
}

fn daemon_error(why: DaemonError) -> CommandError {
    match why {
        DaemonError::Schedule(_) => CommandError::Usage(with_causes(&why)),
        DaemonError::Store(_) | DaemonError::Dispatch(_) => CommandError::Store(why.to_string()),
    }
}

/// Comes true at SIGTERM, SIGINT or Ctrl-C.
pub(super) fn told_to_stop() -> Result<impl Future<Output = ()> + Send + 'static, CommandError> {
    let fault = |why: std::io::Error| CommandError::Failed(format!("signals cannot be listened to: {why}"));
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let mut term = signal(SignalKind::terminate()).map_err(fault)?;
        let mut int = signal(SignalKind::interrupt()).map_err(fault)?;
        Ok(async move {
            tokio::select! {
                _ = term.recv() => {}
                _ = int.recv() => {}
            }
            info!("told to stop: what is in flight is finished first");
        })
    }
    #[cfg(not(unix))]
    {
        let _ = fault;
        Ok(async {
            let _ = tokio::signal::ctrl_c().await;
        })
    }
}
