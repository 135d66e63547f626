//! Tries what the settings name on the network: feeds, relay, gateway, store. Nothing is sent and nothing is written.

use std::collections::BTreeSet;
use std::time::Duration;

use futures::StreamExt;
use futures::stream;
use url::Url;

use super::{Findings, NO_STORE, store_setting};
use crate::config::{Config, Reading};
use crate::dispatch::channels::smpp::SmppTransport;
use crate::dispatch::channels::sms_http::SmsGateway;
use crate::dispatch::channels::smtp::SmtpTransport;
use crate::net::http_client_builder;
use crate::randomness::Randomness;
use crate::service::app::open_store_if_current;
use crate::text::root_cause;
use crate::weather::FeedKind;

/// Nobody waits longer for a check.
pub(super) const PATIENCE: Duration = Duration::from_secs(20);

/// What answers is told, what does not is a fault of its setting.
pub(super) async fn try_all(config: &Config, reading: &mut Reading, findings: &mut Findings) {
    let mut tried: Vec<(&str, Result<String, String>)> = Vec::new();
    let mut used = None;
    tried.push((store_setting(config), within(try_store(config, &mut used)).await));
    tried.extend(try_feeds(config, used.as_ref()).await);
    if config.email.host.is_some() {
        tried.push(("email.host", within(try_relay(config)).await));
    }
    if config.sms.smpp.is_some() {
        tried.push(("sms.smpp", within(try_message_centre(config)).await));
    }
    if config.sms.url.is_some() {
        tried.push(("sms.url", within(try_gateway(config)).await));
    }
    for (path, outcome) in tried {
        match outcome {
            Ok(said) => findings.told.push(format!("{path}: {said}")),
            Err(why) => reading.add(path, why),
        }
    }
}

async fn within(trial: impl Future<Output = Result<String, String>>) -> Result<String, String> {
    let late = |_| format!("does not answer within {} s", PATIENCE.as_secs());
    tokio::time::timeout(PATIENCE, trial).await.map_err(late)?
}

/// Puts the feeds that stations use into `used` when the store can tell.
async fn try_store(config: &Config, used: &mut Option<BTreeSet<FeedKind>>) -> Result<String, String> {
    match open_store_if_current(config, &Randomness::of_system()).await {
        Ok(Some(store)) => {
            let stations = store.stations().await;
            store.close().await;
            let stations = stations.map_err(|why| crate::text::Chain(&why).to_string())?;
            *used = Some(stations.iter().flat_map(|station| &station.sources).map(|source| source.feed).collect());
            Ok("the store answers".into())
        }
        Ok(None) => Ok(NO_STORE.into()),
        Err(why) => Err(crate::text::Chain(&why).to_string()),
    }
}

/// Each service at its base address: any answer shows that it is there. One that no station uses may stay away.
async fn try_feeds(config: &Config, used: Option<&BTreeSet<FeedKind>>) -> Vec<(&'static str, Result<String, String>)> {
    use FeedKind::{Acis, Awdb, DailySummaries, GhcnDaily, NwsForecast, NwsObservations};
    let feeds = &config.feeds;
    let all: [(_, _, &[FeedKind]); 5] = [
        ("feeds.ghcn_daily.base_url", &feeds.ghcn_daily.base_url, &[GhcnDaily]),
        ("feeds.daily_summaries.base_url", &feeds.daily_summaries.base_url, &[DailySummaries]),
        ("feeds.acis.base_url", &feeds.acis.base_url, &[Acis]),
        ("feeds.nws.base_url", &feeds.nws.base_url, &[NwsObservations, NwsForecast]),
        ("feeds.awdb.base_url", &feeds.awdb.base_url, &[Awdb]),
    ];
    let trials = all.map(|(path, address, kinds)| async move {
        let Ok(url) = address.url() else { return (path, Err("is no address".into())) };
        match within(ask(config, url.clone())).await {
            Err(why) if used.is_some_and(|used| !kinds.iter().any(|kind| used.contains(kind))) => {
                (path, Ok(format!("{why}; no station uses it")))
            }
            outcome => (path, outcome),
        }
    });
    stream::iter(trials).buffered(all.len()).collect().await
}

/// Asks for an address and does not read what it says.
async fn ask(config: &Config, url: Url) -> Result<String, String> {
    let user_agent = format!("treebell/{} ({})", env!("CARGO_PKG_VERSION"), config.feeds.contact.trim());
    let client = http_client_builder(&user_agent).build().map_err(|why| root_cause(&why))?;
    let host = url.host_str().unwrap_or_default().to_owned();
    let answer = client.get(url).send().await.map_err(|why| format!("{host} does not answer: {}", root_cause(&why)))?;
    match answer.status() {
        status if status.is_server_error() => Err(format!("{host} answers, but with status {}", status.as_u16())),
        status => Ok(format!("{host} answers (status {})", status.as_u16())),
    }
}

async fn try_relay(config: &Config) -> Result<String, String> {
    let relay = SmtpTransport::new(&config.email).map_err(|fault| fault.what)?;
    relay.try_log_in().await.map_err(|why| why.to_string())?;
    let user = config.email.user.as_ref().map_or_else(String::new, |user| format!(" and lets `{user}` in"));
    Ok(format!("the relay answers{user}"))
}

async fn try_message_centre(config: &Config) -> Result<String, String> {
    let told =
        |faults: Vec<crate::config::ConfigFault>| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
    SmppTransport::new(&config.sms).map_err(told)?.try_bind().await?;
    Ok("the message centre answers and takes the log-in".into())
}

/// The gateway's host alone: a call of its own address could be taken as an order to send.
async fn try_gateway(config: &Config) -> Result<String, String> {
    let gateway = SmsGateway::with_webhooks(&config.sms, config.hooks.path.as_ref(), "treebell");
    let root = gateway.ok().and_then(|gateway| gateway.root()).ok_or("is no address that could be tried")?;
    ask(config, root).await.map(|said| format!("{said}; whether it takes the log-in shows with the first text"))
}
