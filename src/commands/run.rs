//! `treebell run` and `treebell once`: the service itself.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use futures::FutureExt;
use sd_notify::NotifyState;
use tracing::{info, warn};

use super::args::Why;
use super::error::{CommandError, with_causes};
use super::format::print_out;
use super::open::actor;
use crate::clock::SystemClock;
use crate::config::Config;
use crate::dispatch::channels;
use crate::randomness::Randomness;
use crate::service::alarms::AlarmParts;
use crate::service::app::App;
use crate::service::daemon::{self, DaemonError, Manager, OnceReport, Outside, Role};
use crate::service::subscribe::stop;
use crate::service::watchdog;
use crate::text::counted;
use crate::watch::{self, Readiness};
use crate::weather::fetch::Fetcher;
use crate::web::limits::Limits;
use crate::web::server::Doors;
use crate::web::{self, Site, server, serving};

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
    let pages = pages(&app, args.only).await?;
    let readiness = Readiness::new(app.clone(), pages.as_ref().map(|(router, _)| router.clone()));
    outside.servers.extend(pages.map(|(_, server)| server));
    outside.servers.extend(watchers(&app, &readiness).await?);
    let every = sd_notify::watchdog_enabled().map_or(watchdog::LOOK_EVERY, |within| within / 3);
    let manager = Manager {
        until_ready: readiness.until_ready().boxed(),
        ready: Box::new(|| tell_systemd(NotifyState::Ready)),
        alive_every: every.min(watchdog::LOOK_EVERY),
        alive: Box::new(|| tell_systemd(NotifyState::Watchdog)),
    };
    let drained = daemon::run(&app, outside, args.only, manager, told_to_stop()?).await.map_err(daemon_error)?;
    if args.only.is_none_or(|role| role == Role::Deliver) {
        info!("since the start: {drained}");
    }
    app.store.close().await;
    Ok(())
}

/// Without systemd there is nobody to tell, which is no fault.
fn tell_systemd(state: NotifyState<'_>) {
    let told = state.to_string();
    if let Err(why) = sd_notify::notify(&[state]) {
        warn!("systemd could not be told {told}: {why}");
    }
}

/// One cycle, then the queue.
///
/// # Errors
/// As [`run`]; regions that could not be served end it with code 1 after all others were done, stations of which no source
/// gave anything with code 5.
pub async fn once(args: Once, config: &Config) -> Result<(), CommandError> {
    let (app, outside) = gather(config).await?;
    let patience = Duration::from_secs(args.patience);
    let OnceReport { cycle: report, pulled, drained, .. } =
        daemon::once(&app, outside, patience, told_to_stop()?).await.map_err(daemon_error)?;
    app.store.close().await;
    print_out(&format!(
        "{} assessed, {}, {} decided, {} queued\n",
        counted(report.regions, "region", "regions"),
        counted(pulled.new_values(), "new temperature", "new temperatures"),
        counted(report.decided.len(), "notice", "notices"),
        counted(report.deliveries, "delivery", "deliveries")
    ))?;
    print_out(&format!(
        "{} sent, {} to be tried again, {} refused for good, {} uncertain\n",
        counted(drained.sent, "message", "messages"),
        drained.later,
        drained.failed,
        drained.uncertain
    ))?;
    let silent = pulled.silent_words();
    let mut faults = report.faults;
    faults.extend(report.failed_work);
    let regions_failed = !faults.is_empty();
    faults.extend(silent.into_iter().map(|(_, said)| format!("{said}; `treebell weather status` says why")));
    match (regions_failed, faults.is_empty()) {
        (_, true) => Ok(()),
        (true, _) => Err(CommandError::Failed(faults.join("\n"))),
        (false, _) => Err(CommandError::SourcesFailed(faults.join("\n"))),
    }
}

async fn gather(config: &Config) -> Result<(App, Outside), CommandError> {
    let faults = |faults: Vec<crate::config::ConfigFault>| {
        CommandError::Usage(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    };
    for open in config.files_open_to_others() {
        warn!("{open}");
    }
    let channels = channels::from_settings(&config.email, &config.sms, config.hooks.path.as_ref()).map_err(faults)?;
    let alarms = AlarmParts::of(config.alarms.ping.as_ref()).map_err(|fault| faults(vec![fault]))?;
    let randomness = Randomness::of_system();
    let fetcher = Fetcher::new(&config.feeds, Arc::new(SystemClock), randomness.clone())
        .map_err(|why| CommandError::Usage(crate::weather::feeds::chain(&why)))?;
    let app = App::open(config, Arc::new(SystemClock), &randomness).await?;
    // Before anything is listened to or written.
    daemon::refuse_practice(&app.store).await.map_err(daemon_error)?;
    if app.store.key_lies_inside() {
        warn!(
            "the key of the address hashes lies in the store beside them: whoever copies the store can find out which phone numbers \
             stopped, and make links. `treebell key move --to FILE` moves it out"
        );
    }
    let starter = Some(actor(&Why::default()));
    let stop = stop::personaliser(&config.messages.public_url, app.store.address_hash().clone());
    Ok((app, Outside { fetcher, channels, personaliser: Arc::new(stop), alarms, starter, servers: Vec::new() }))
}

/// What serves the pages, when this process is to serve any: listening already, so that an address in use is told at once.
async fn pages(app: &App, only: Option<Role>) -> Result<Option<(Router, daemon::Server)>, CommandError> {
    let listen = match (only, app.config.web.listen) {
        (None | Some(Role::Web), Some(listen)) => listen,
        (Some(Role::Web), None) => {
            return Err(CommandError::Usage("--only web needs an address to listen on: set web.listen".into()));
        }
        _ => return Ok(None),
    };
    let faults = app.config.hooks.faults();
    if !faults.is_empty() {
        return Err(CommandError::Usage(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")));
    }
    for warning in app.config.desk_warnings() {
        warn!("{warning}");
    }
    let site = Site::new(app.clone()).map_err(|why| CommandError::Failed(with_causes(&why)))?;
    let listener = server::listen(listen).await.map_err(|why| CommandError::Usage(why.to_string()))?;
    if let Ok(address) = listener.local_addr() {
        info!("pages are served on http://{address}");
    }
    let router = web::router(&site);
    site.warm();
    let doors = Doors {
        limits: Limits::of_this_process().await,
        trusted_proxies: app.config.web.trusted_proxies.clone(),
        base: site.base().to_owned(),
        metrics: app.metrics.clone(),
        progress: app.progress.clone(),
    };
    let served = router.clone();
    let server: daemon::Server =
        Box::new(move |shutdown| async move { serving::serve(&site, doors, listener, served, shutdown).await }.boxed());
    Ok(Some((router, server)))
}

/// What serves metrics, health and readiness, when the settings name an address for them. Its connections are few and
/// counted nowhere.
async fn watchers(app: &App, readiness: &Readiness) -> Result<Option<daemon::Server>, CommandError> {
    let Some(address) = app.config.watch.listen else { return Ok(None) };
    if let Some(warning) = app.config.watch.warning() {
        warn!("{warning}");
    }
    let listener =
        server::listen_as("watch.listen", address).await.map_err(|why| CommandError::Usage(why.to_string()))?;
    let router = watch::router(readiness.clone());
    if let Ok(address) = listener.local_addr() {
        info!("metrics, health and readiness are told on http://{address}");
    }
    let limits = Limits { connections: 32, for_webhooks: 1, per_address: 16, ..Limits::default() };
    let doors = Doors { limits, ..Doors::default() };
    Ok(Some(Box::new(move |shutdown| server::serve_behind(doors, listener, router, shutdown).boxed())))
}

fn daemon_error(why: DaemonError) -> CommandError {
    match why {
        DaemonError::Schedule(_) | DaemonError::Practice { .. } => CommandError::Usage(with_causes(&why)),
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
