//! Settings of what is told to those who run the service: metrics, health, logs.

use std::net::SocketAddr;

use serde::{Deserialize, Serialize};
use tracing_subscriber::EnvFilter;

use super::web::WebConfig;
use crate::text;

/// Metrics, health and readiness, on a listener of their own.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct WatchConfig {
    /// Address and port to listen on; without it nothing is told. Never the address of the public pages.
    pub listen: Option<SocketAddr>,
    /// A part of the service that does nothing for so many seconds has stalled.
    pub stalled_after_s: u64,
}

impl Default for WatchConfig {
    fn default() -> Self {
        Self { listen: None, stalled_after_s: 900 }
    }
}

impl WatchConfig {
    /// What is wrong with listening there beside the public pages.
    pub(super) fn fault(&self, web: &WebConfig) -> Option<String> {
        let (watch, public) = (self.listen?, web.listen?);
        let is_same_host = watch.ip() == public.ip() || watch.ip().is_unspecified() || public.ip().is_unspecified();
        // Port 0 is another one each time.
        (is_same_host && watch.port() == public.port() && watch.port() != 0).then(|| {
            format!("{watch} is where the public pages are (web.listen = \"{public}\"): give it a port of its own")
        })
    }

    /// What should be thought about before it is used.
    pub fn warning(&self) -> Option<String> {
        let listen = self.listen.filter(|listen| !listen.ip().to_canonical().is_loopback())?;
        Some(format!(
            "watch.listen: {listen} can be reached from other machines, and whoever reaches it reads all metrics: let a firewall \
             pass your Prometheus alone, or listen on 127.0.0.1"
        ))
    }
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(default)]
pub struct LogConfig {
    /// `error`, `warn`, `info`, `debug`, `trace`, `off`, or a filter such as `info,treebell::dispatch=debug`.
    pub level: String,
    pub json: bool,
}

impl Default for LogConfig {
    fn default() -> Self {
        Self { level: "info".into(), json: false }
    }
}

/// From silence to all.
const LEVELS: [&str; 6] = ["off", "error", "warn", "info", "debug", "trace"];

/// What the libraries below us may say unless a filter names them: what goes on inside of TLS, HTTP and the database tells an
/// administrator nothing, and may hold what must not stand in a log.
const LIBRARIES: &str = "warn";

impl LogConfig {
    /// # Errors
    /// What is wrong with the level; never after the settings were checked.
    pub fn filter(&self) -> Result<EnvFilter, String> {
        filter_of(&self.level)
    }
}

/// The filter that a level stands for. A level alone is ours: libraries keep to warnings.
///
/// # Errors
/// What is not a level, with the nearest one; the library itself would take `inof` for the name of a module, and be silent.
pub fn filter_of(level: &str) -> Result<EnvFilter, String> {
    let mut ours = None;
    let mut others = Vec::new();
    for part in level.split(',').map(str::trim).filter(|part| !part.is_empty()) {
        let (target, word) = part.rsplit_once('=').map_or((None, part), |(target, word)| (Some(target.trim()), word));
        let word = word.trim().to_ascii_lowercase();
        if !LEVELS.contains(&word.as_str()) {
            let near = text::did_you_mean(text::near_key(&word, LEVELS));
            return Err(format!("`{part}` is not a level: use one of {}{near}", LEVELS.join(", ")));
        }
        match target {
            None if ours.is_some() => return Err(format!("`{level}` gives more than one level for everything")),
            None => ours = Some(word),
            Some(target) => {
                let name = target.split("::").next().unwrap_or(target);
                if name != "treebell" && text::is_slip(name, "treebell") {
                    return Err(format!("`{part}` names nothing of ours, did you mean `treebell`?"));
                }
                others.push(format!("{target}={word}"));
            }
        }
    }
    if ours.is_none() && others.is_empty() {
        return Err(format!("no level: use one of {}", LEVELS.join(", ")));
    }
    let ours = ours.unwrap_or_else(|| "info".to_owned());
    let place = |level: &str| LEVELS.iter().position(|one| *one == level);
    let libraries = if place(&ours) < place(LIBRARIES) { ours.as_str() } else { LIBRARIES };
    let whole = [format!("{libraries},treebell={ours}")].into_iter().chain(others).collect::<Vec<_>>().join(",");
    EnvFilter::try_new(whole).map_err(|why| format!("`{level}` is not a filter: {why}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_metrics_are_never_where_the_public_pages_are() {
        let of = |watch: &str, public: &str| {
            let watch = WatchConfig { listen: Some(watch.parse().unwrap()), ..WatchConfig::default() };
            watch.fault(&WebConfig { listen: Some(public.parse().unwrap()), ..WebConfig::default() }).is_some()
        };
        for (watch, public, is_fault) in [
            ("127.0.0.1:8480", "127.0.0.1:8480", true),
            ("127.0.0.1:8480", "0.0.0.0:8480", true),
            ("[::]:8480", "127.0.0.1:8480", true),
            ("127.0.0.1:9480", "127.0.0.1:8480", false),
            ("127.0.0.1:8480", "192.0.2.7:8480", false),
            ("127.0.0.1:0", "127.0.0.1:0", false),
        ] {
            assert_eq!(of(watch, public), is_fault, "{watch} beside {public}");
        }
        let warns = |listen: &str| {
            WatchConfig { listen: Some(listen.parse().unwrap()), ..WatchConfig::default() }.warning().is_some()
        };
        assert!(warns("0.0.0.0:9480") && warns("192.0.2.7:9480") && !warns("127.0.0.1:9480") && !warns("[::1]:9480"));
    }

    #[test]
    fn a_level_is_ours_and_libraries_keep_to_warnings() {
        for (level, filter) in [
            ("info", "treebell=info,warn"),
            ("debug", "treebell=debug,warn"),
            (" DEBUG ", "treebell=debug,warn"),
            ("error", "treebell=error,error"),
            ("off", "treebell=off,off"),
            ("info,treebell::dispatch=debug", "treebell::dispatch=debug,treebell=info,warn"),
            ("treebell::store=trace", "treebell::store=trace,treebell=info,warn"),
            ("debug,hyper=trace", "treebell=debug,hyper=trace,warn"),
        ] {
            assert_eq!(filter_of(level).unwrap().to_string(), filter, "{level}");
        }
    }

    #[test]
    fn what_is_no_level_is_refused_and_not_taken_for_silence() {
        for (level, told) in [
            ("inof", "`inof` is not a level: use one of off, error, warn, info, debug, trace, did you mean `info`?"),
            ("treebell", "`treebell` is not a level"),
            ("info,treebell::dispatch=debgu", "`treebell::dispatch=debgu` is not a level"),
            ("treebel::dispatch=debug", "did you mean `treebell`?"),
            ("info,debug", "more than one level"),
            ("", "no level"),
            (" , ", "no level"),
        ] {
            let why = filter_of(level).unwrap_err();
            assert!(why.contains(told), "{level}: {why}");
        }
    }
}
