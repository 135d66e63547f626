//! Which whole numbers can be meant: every one of the settings has its range, since what is multiplied, added to a day or
//! kept as a limit must stay within what a computer and a calendar hold.

use crate::config::{Config, Faults};

/// A year and a day.
const YEAR: u64 = 366;
const WEEK_S: u64 = 7 * 86_400;

/// Setting, least and most; of settings that may be missing, when they are there.
pub(super) const WHOLE_NUMBERS: [(&str, u64, u64); 67] = [
    ("schedule.catch_up_days", 0, 10 * YEAR),
    ("feeds.timeout_s", 1, 3600),
    ("feeds.tries", 1, 20),
    ("feeds.longest_wait_s", 0, 86_400),
    ("feeds.per_host", 1, 64),
    ("feeds.largest_body_mib", 1, 1024),
    ("feeds.largest_json_mib", 1, 1024),
    ("feeds.again_days", 0, YEAR),
    ("watch.stalled_after_s", 1, WEEK_S),
    ("web.preferences_link_days", 1, YEAR),
    ("desk.invitation_hours", 1, 14 * 24),
    ("desk.undo_min", 1, 60),
    ("alarms.cycle_hours", 1, 24 * YEAR),
    ("alarms.station_hours", 1, 24 * YEAR),
    ("alarms.notice_last_hours", 1, 24 * YEAR),
    ("alarms.failing_percent", 1, 100),
    ("alarms.queue_min", 1, 1440 * YEAR),
    ("alarms.channel_min", 1, 1440 * YEAR),
    ("alarms.disk_free_mib", 0, 1 << 30),
    ("weather.interpolate_days", 0, 30),
    ("weather.bias_days", 0, 10 * YEAR),
    ("weather.bulk_latency_days", 0, YEAR),
    // No window is longer than 120 days.
    ("policy.get_ready_days", 1, 120),
    ("policy.wash_days", 0, 120),
    ("policy.rake_days", 0, 120),
    ("policy.last_days", 0, 120),
    ("policy.between_washes_days", 0, 120),
    ("policy.deadline_moves_days", 1, 120),
    ("policy.hatch_reports", 1, 1000),
    ("policy.real_day_age_limit_days", 0, YEAR),
    ("policy.past_years_needed", 0, 200),
    ("policy.early_by_days", 0, YEAR),
    ("policy.follow_up_days", 0, 120),
    ("policy.useful_days.get-ready", 0, YEAR),
    ("policy.useful_days.inspect-now", 0, YEAR),
    ("policy.useful_days.wash-now", 0, YEAR),
    ("policy.useful_days.deadline-moved", 0, YEAR),
    ("policy.useful_days.last-days-to-wash", 0, YEAR),
    ("policy.useful_days.too-late-to-wash", 0, YEAR),
    ("policy.useful_days.follow-up", 0, YEAR),
    ("delivery.lease_s", 5, 3600),
    ("delivery.batch", 1, 10_000),
    ("delivery.retry_first_s", 1, 86_400),
    ("delivery.retry_longest_s", 1, WEEK_S),
    ("delivery.uncertain_wait_min", 0, WEEK_S / 60),
    ("delivery.email.in_flight", 1, 1000),
    ("delivery.email.per_minute", 1, 1_000_000),
    ("delivery.email.per_day", 1, 1_000_000_000),
    ("delivery.sms.in_flight", 1, 1000),
    ("delivery.sms.per_minute", 1, 1_000_000),
    ("delivery.sms.per_day", 1, 1_000_000_000),
    ("email.port", 1, 65_535),
    ("email.timeout_s", 1, 3600),
    ("email.final_timeout_s", 1, 7200),
    ("email.bounces_until_dead", 1, 1000),
    ("sms.timeout_s", 1, 3600),
    ("sms.smpp.port", 1, 65_535),
    ("sms.smpp.source_ton", 0, 255),
    ("sms.smpp.source_npi", 0, 255),
    ("sms.smpp.dest_ton", 0, 255),
    ("sms.smpp.dest_npi", 0, 255),
    ("sms.smpp.enquire_link_s", 1, 3600),
    ("limits.asks_per_network_per_hour", 0, 1_000_000),
    ("limits.asks_per_hour", 0, 1_000_000),
    ("limits.confirmation_texts_per_day", 0, 1_000_000),
    ("limits.answers_per_day", 0, 1_000_000),
    ("limits.confirmed_percent", 0, 100),
];

pub(super) fn check(config: &Config, faults: &mut Faults) {
    // As JSON, so that one table has them all by the names that people write.
    let all = serde_json::to_value(config).unwrap_or_default();
    for (path, least, most) in WHOLE_NUMBERS {
        let pointer = format!("/{}", path.replace('.', "/"));
        match all.pointer(&pointer).and_then(serde_json::Value::as_u64) {
            Some(value) if value < least => faults.add(path, format!("{value} must be at least {least}")),
            Some(value) if value > most => faults.add(path, format!("{value} must be at most {most}")),
            _ => {}
        }
    }
    for (path, statuses) in [
        ("sms.refused_statuses", &config.sms.refused_statuses),
        ("sms.uncertain_statuses", &config.sms.uncertain_statuses),
    ] {
        for (at, status) in statuses.iter().enumerate().filter(|(_, status)| !(100..=599).contains(*status)) {
            faults.add(format!("{path}[{at}]"), format!("{status} is no HTTP status: those are from 100 to 599"));
        }
    }
}
