//! What this process counts of itself, in the text format of Prometheus.
//!
//! Names and units: <https://prometheus.io/docs/practices/naming/>. Seconds and bytes only; what only grows ends in `_total`;
//! an instant is a Unix timestamp, so that its age is worked out by who reads it.
//! No label may hold what somebody outside of the settings can choose: each value is a series that stays.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use prometheus::proto::MetricFamily;
use prometheus::{
    Gauge, Histogram, HistogramOpts, HistogramVec, IntCounter, IntCounterVec, IntGauge, Opts, Registry, TextEncoder,
};

/// What became of a message that was handed to a channel, or would have been.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SendResult {
    Accepted,
    NotNow,
    Refused,
    Uncertain,
    Withdrawn,
}

impl SendResult {
    pub const ALL: [SendResult; 5] =
        [SendResult::Accepted, SendResult::NotNow, SendResult::Refused, SendResult::Uncertain, SendResult::Withdrawn];

    pub fn name(self) -> &'static str {
        match self {
            SendResult::Accepted => "accepted",
            SendResult::NotNow => "not-now",
            SendResult::Refused => "refused",
            SendResult::Uncertain => "uncertain",
            SendResult::Withdrawn => "withdrawn",
        }
    }
}

/// How a cycle ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CycleResult {
    /// Every station was heard, every region served.
    Succeeded,
    /// Some were not.
    Partly,
    /// None was, or the store failed.
    Failed,
}

impl CycleResult {
    pub const ALL: [CycleResult; 3] = [CycleResult::Succeeded, CycleResult::Partly, CycleResult::Failed];

    pub fn name(self) -> &'static str {
        match self {
            CycleResult::Succeeded => "succeeded",
            CycleResult::Partly => "partly",
            CycleResult::Failed => "failed",
        }
    }
}

/// Why a connection was not served to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turned {
    /// Its address has as many as one may have.
    Address,
    /// There is room for nobody.
    Full,
    /// Only webhooks have room.
    Reserved,
    /// It did not send its request in time.
    Header,
    /// It did not read its answer in time.
    Write,
    /// It lasted too long.
    Total,
}

impl Turned {
    pub const ALL: [Turned; 6] =
        [Turned::Address, Turned::Full, Turned::Reserved, Turned::Header, Turned::Write, Turned::Total];

    pub fn name(self) -> &'static str {
        match self {
            Turned::Address => "address",
            Turned::Full => "full",
            Turned::Reserved => "reserved",
            Turned::Header => "header",
            Turned::Write => "write",
            Turned::Total => "total",
        }
    }
}

/// What became of a step of a sign-in at the desk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SignInResult {
    /// Somebody is signed in.
    Whole,
    /// The password was right; a second factor is asked for.
    Password,
    Refused,
    CodeRefused,
    /// Not looked at: too many were wrong before.
    Slowed,
    /// Not looked at: too many at this moment.
    Busy,
}

impl SignInResult {
    pub const ALL: [SignInResult; 6] = [
        SignInResult::Whole,
        SignInResult::Password,
        SignInResult::Refused,
        SignInResult::CodeRefused,
        SignInResult::Slowed,
        SignInResult::Busy,
    ];

    pub fn name(self) -> &'static str {
        match self {
            SignInResult::Whole => "whole",
            SignInResult::Password => "password",
            SignInResult::Refused => "refused",
            SignInResult::CodeRefused => "code-refused",
            SignInResult::Slowed => "slowed",
            SignInResult::Busy => "busy",
        }
    }
}

/// The counters of this process. Cheap to clone; all clones count together.
#[derive(Clone)]
pub struct Metrics(Arc<Counters>);

struct Counters {
    registry: Registry,
    sends: IntCounterVec,
    send_seconds: HistogramVec,
    cycles: IntCounterVec,
    cycle_seconds: Histogram,
    http_seconds: HistogramVec,
    connections: IntGauge,
    turned: IntCounterVec,
    sign_ins: IntCounterVec,
    store_alarm: AtomicBool,
}

/// From a cached page to the longest that an answer may take, seconds.
const HTTP_BUCKETS: [f64; 9] = [0.002, 0.005, 0.01, 0.025, 0.1, 0.25, 1.0, 2.5, 10.0];

/// From a relay beside us to the longest time-out for a mail's last answer, seconds.
const SEND_BUCKETS: [f64; 9] = [0.05, 0.1, 0.25, 0.5, 1.0, 5.0, 15.0, 60.0, 600.0];

/// From a few regions with all sources at hand to many with sources that make us wait, seconds.
const CYCLE_BUCKETS: [f64; 8] = [1.0, 5.0, 15.0, 60.0, 180.0, 600.0, 1800.0, 7200.0];

/// The names of channels, as [`crate::people`] has them: plain files do not look into rooms.
const CHANNELS: [&str; 2] = ["email", "sms"];

impl Default for Metrics {
    fn default() -> Self {
        Self(Arc::new(Counters::new().expect("every name is sound and told once: a check reads them all")))
    }
}

impl Counters {
    fn new() -> prometheus::Result<Self> {
        let registry = Registry::new();
        let counters = |name: &str, help: &str, labels: &[&str]| {
            let made = IntCounterVec::new(Opts::new(name, help), labels)?;
            registry.register(Box::new(made.clone()))?;
            Ok::<_, prometheus::Error>(made)
        };
        let histograms = |name: &str, help: &str, buckets: &[f64], labels: &[&str]| {
            let made = HistogramVec::new(HistogramOpts::new(name, help).buckets(buckets.to_vec()), labels)?;
            registry.register(Box::new(made.clone()))?;
            Ok::<_, prometheus::Error>(made)
        };
        let sends = counters(
            "treebell_sends_total",
            "Messages that this process took in hand, by channel and what became of them.",
            &["channel", "result"],
        )?;
        let send_seconds = histograms(
            "treebell_send_duration_seconds",
            "Time from a message's claim to the answer of its channel.",
            &SEND_BUCKETS,
            &["channel"],
        )?;
        let cycles = counters(
            "treebell_cycles_total",
            "Cycles that this process ended, by how: partly means that some stations were silent or some regions not served.",
            &["result"],
        )?;
        let cycle_seconds = Histogram::with_opts(
            HistogramOpts::new("treebell_cycle_duration_seconds", "Time that a cycle took.")
                .buckets(CYCLE_BUCKETS.to_vec()),
        )?;
        registry.register(Box::new(cycle_seconds.clone()))?;
        let http_seconds = histograms(
            "treebell_http_request_duration_seconds",
            "Time to the head of an answer, by kind of page and class of status.",
            &HTTP_BUCKETS,
            &["page", "code"],
        )?;
        let connections = IntGauge::new("treebell_http_connections", "Connections to the pages that are open.")?;
        registry.register(Box::new(connections.clone()))?;
        let turned = counters(
            "treebell_http_connections_turned_away_total",
            "Connections that were refused or cut off, by reason.",
            &["reason"],
        )?;
        let sign_ins = counters(
            "treebell_desk_sign_ins_total",
            "Steps of sign-ins at the staff's desk, by what became of each.",
            &["result"],
        )?;
        // What has not happened yet stands at 0, so that the first time is seen as a rise.
        for channel in CHANNELS {
            send_seconds.with_label_values(&[channel]);
            for result in SendResult::ALL {
                sends.with_label_values(&[channel, result.name()]);
            }
        }
        for result in CycleResult::ALL {
            cycles.with_label_values(&[result.name()]);
        }
        for reason in Turned::ALL {
            turned.with_label_values(&[reason.name()]);
        }
        for result in SignInResult::ALL {
            sign_ins.with_label_values(&[result.name()]);
        }
        let store_alarm = AtomicBool::new(false);
        Ok(Self {
            registry,
            sends,
            send_seconds,
            cycles,
            cycle_seconds,
            http_seconds,
            connections,
            turned,
            sign_ins,
            store_alarm,
        })
    }
}

impl Metrics {
    /// Somebody tried to sign in at the desk.
    pub fn sign_in(&self, result: SignInResult) {
        self.0.sign_ins.with_label_values(&[result.name()]).inc();
    }

    /// A message came back from its channel; `took` is `None` when no channel was asked.
    pub fn sent(&self, channel: &str, result: SendResult, took: Option<Duration>) {
        self.0.sends.with_label_values(&[channel, result.name()]).inc();
        if let Some(took) = took {
            self.0.send_seconds.with_label_values(&[channel]).observe(took.as_secs_f64());
        }
    }

    pub fn cycle_ended(&self, result: CycleResult, took: Duration) {
        self.0.cycles.with_label_values(&[result.name()]).inc();
        self.0.cycle_seconds.observe(took.as_secs_f64());
    }

    /// `page` is a kind of page, never a path; `status` an HTTP status.
    pub fn answered(&self, page: &'static str, status: u16, took: Duration) {
        let class = match status / 100 {
            1 => "1xx",
            2 => "2xx",
            3 => "3xx",
            4 => "4xx",
            _ => "5xx",
        };
        self.0.http_seconds.with_label_values(&[page, class]).observe(took.as_secs_f64());
    }

    /// A connection was opened; it counts until what is given is dropped.
    pub fn connection(&self) -> OpenConnection {
        self.0.connections.inc();
        OpenConnection(self.0.connections.clone())
    }

    pub fn turned_away(&self, why: Turned) {
        self.0.turned.with_label_values(&[why.name()]).inc();
    }

    /// How many were turned away for a reason since the start.
    pub fn count_turned_away(&self, why: Turned) -> u64 {
        self.0.turned.with_label_values(&[why.name()]).get()
    }

    /// Whether this process has raised the alarm that the store takes no write: one that the store cannot keep.
    pub fn set_store_alarm(&self, is_raised: bool) {
        self.0.store_alarm.store(is_raised, Ordering::Relaxed);
    }

    /// See [`Metrics::set_store_alarm`].
    pub fn store_alarm(&self) -> bool {
        self.0.store_alarm.load(Ordering::Relaxed)
    }

    /// All of it with `more` in the text format, version 0.0.4.
    ///
    /// # Errors
    /// When a name stands twice: a fault of the program.
    pub fn text(&self, more: Reading) -> Result<String, prometheus::Error> {
        let mut families = self.0.registry.gather();
        families.extend(more.families);
        TextEncoder::new().encode_to_string(&families)
    }
}

/// See [`Metrics::connection`].
pub struct OpenConnection(IntGauge);

impl Drop for OpenConnection {
    fn drop(&mut self) {
        self.0.dec();
    }
}

/// Figures that are read at the moment of asking, from the store and elsewhere. A metric that has no value at the moment
/// is left out.
#[derive(Default)]
pub struct Reading {
    families: Vec<MetricFamily>,
}

/// One sample: names and values of its labels, and its value.
pub type Sample<'a> = (Vec<(&'static str, &'a str)>, f64);

impl Reading {
    /// What may rise and fall.
    ///
    /// # Errors
    /// When the name is not sound or the samples differ in their labels: a fault of the program.
    pub fn gauge(&mut self, name: &str, help: &str, samples: &[Sample<'_>]) -> Result<(), prometheus::Error> {
        let registry = Registry::new();
        for (labels, value) in samples {
            let gauge = Gauge::with_opts(labelled(name, help, labels))?;
            gauge.set(*value);
            registry.register(Box::new(gauge))?;
        }
        self.families.extend(registry.gather());
        Ok(())
    }

    /// What only grows while the process lives.
    ///
    /// # Errors
    /// As [`Reading::gauge`].
    pub fn counter(&mut self, name: &str, help: &str, samples: &[Sample<'_>]) -> Result<(), prometheus::Error> {
        let registry = Registry::new();
        for (labels, value) in samples {
            let counter = IntCounter::with_opts(labelled(name, help, labels))?;
            counter.inc_by(*value as u64);
            registry.register(Box::new(counter))?;
        }
        self.families.extend(registry.gather());
        Ok(())
    }
}

fn labelled(name: &str, help: &str, labels: &[(&'static str, &str)]) -> Opts {
    labels.iter().fold(Opts::new(name, help), |opts, (label, value)| opts.const_label(*label, *value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_not_happened_stands_at_nought_and_what_has_is_counted() {
        let metrics = Metrics::default();
        metrics.sent("sms", SendResult::Refused, Some(Duration::from_millis(300)));
        metrics.answered("home", 503, Duration::from_millis(4));
        let open = metrics.connection();
        let mut reading = Reading::default();
        reading.gauge("treebell_alarms_open", "Alarms.", &[(vec![("kind", "a\"b\n")], 2.0)]).unwrap();
        let text = metrics.text(reading).unwrap();
        for line in [
            "# TYPE treebell_sends_total counter",
            "treebell_sends_total{channel=\"sms\",result=\"refused\"} 1",
            "treebell_sends_total{channel=\"email\",result=\"accepted\"} 0",
            "treebell_send_duration_seconds_bucket{channel=\"sms\",le=\"0.5\"} 1",
            "treebell_http_request_duration_seconds_count{code=\"5xx\",page=\"home\"} 1",
            "treebell_http_connections 1",
            "treebell_alarms_open{kind=\"a\\\"b\\n\"} 2",
        ] {
            assert!(text.lines().any(|one| one == line), "{line} is missing in\n{text}");
        }
        drop(open);
        assert!(metrics.text(Reading::default()).unwrap().contains("\ntreebell_http_connections 0\n"));
    }

    #[test]
    fn channels_have_the_names_that_people_have() {
        assert_eq!(CHANNELS, crate::people::Channel::ALL.map(crate::people::Channel::name));
    }
}
