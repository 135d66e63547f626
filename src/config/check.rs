//! Values that are of the right type but cannot be meant.

use crate::config::{Config, ConfigFault, LONGEST_SENDER_SHORT, SmtpSecurity};
use crate::season::Policy;
use crate::text::Chain;

/// Longest span of a rule of the decision, in days: a window is not longer.
const LONGEST_DAYS: u32 = 120;

impl Config {
    /// Every such value, with its path and the mend.
    pub(super) fn check(&self, faults: &mut Vec<ConfigFault>) {
        let mut fault = |path: &str, what: String| faults.push(ConfigFault::new(path, what));
        let address = &self.store.address;
        if !["sqlite:", "postgres://", "postgresql://"].iter().any(|scheme| address.starts_with(scheme)) {
            fault("store.address", "must start with `sqlite:` or `postgres://`".into());
        }
        if let Err(why) = self.schedule.timetable() {
            fault("schedule.cycle", why.to_string());
        }
        for (path, url) in [
            ("feeds.ghcn_daily.base_url", &self.feeds.ghcn_daily.base_url),
            ("feeds.daily_summaries.base_url", &self.feeds.daily_summaries.base_url),
            ("feeds.acis.base_url", &self.feeds.acis.base_url),
            ("feeds.nws.base_url", &self.feeds.nws.base_url),
            ("feeds.awdb.base_url", &self.feeds.awdb.base_url),
        ] {
            if let Err(why) = url.url() {
                fault(path, Chain(&why).to_string());
            }
        }
        if self.feeds.contact.chars().any(|c| c.is_control() || !c.is_ascii()) {
            fault("feeds.contact", "must be plain ASCII, since it travels in a header".into());
        }
        check_policy(&self.policy, &mut fault);
        let detection = &self.reports.detection;
        for (path, chance) in
            [("reports.detection.staff", detection.staff), ("reports.detection.owner", detection.owner)]
        {
            if !(chance > 0.0 && chance <= 1.0) {
                let what = "must be above 0 and at most 1: the chance that one look sees what is there";
                fault(path, format!("{chance} {what}"));
            }
        }
        for (path, value, least) in [
            ("feeds.timeout_s", self.feeds.timeout_s, 1),
            ("feeds.tries", u64::from(self.feeds.tries), 1),
            ("feeds.per_host", self.feeds.per_host as u64, 1),
            ("feeds.largest_body_mib", self.feeds.largest_body_mib, 1),
            ("delivery.lease_s", self.delivery.lease_s, 5),
            ("delivery.batch", u64::from(self.delivery.batch), 1),
            ("delivery.retry_first_s", self.delivery.retry_first_s, 1),
            ("delivery.email.in_flight", self.delivery.email.in_flight as u64, 1),
            ("delivery.sms.in_flight", self.delivery.sms.in_flight as u64, 1),
            ("email.timeout_s", self.email.timeout_s, 1),
            ("email.final_timeout_s", self.email.final_timeout_s, 1),
            ("sms.timeout_s", self.sms.timeout_s, 1),
            ("email.bounces_until_dead", u64::from(self.email.bounces_until_dead), 1),
        ] {
            if value < least {
                fault(path, format!("{value} must be at least {least}"));
            }
        }
        for (path, pace) in [("delivery.email", &self.delivery.email), ("delivery.sms", &self.delivery.sms)] {
            if pace.per_second.is_some_and(|rate| !rate.is_finite() || rate <= 0.0) {
                fault(&format!("{path}.per_second"), "must be above 0; leave it out for no limit".into());
            }
            if pace.per_minute == Some(0) || pace.per_day == Some(0) {
                fault(path, "a limit of 0 a minute or a day sends nothing; leave it out for no limit".into());
            }
        }
        if !(-10.0..=15.0).contains(&self.weather.lapse_c_per_km) {
            fault(
                "weather.lapse_c_per_km",
                format!("{} must lie between -10 and 15 °C per km", self.weather.lapse_c_per_km),
            );
        }
        if self.delivery.quiet_until >= self.delivery.quiet_from {
            fault(
                "delivery.quiet_until",
                format!(
                    "{} must be earlier than quiet_from ({}): messages leave between the two",
                    self.delivery.quiet_until, self.delivery.quiet_from
                ),
            );
        }
        if self.email.host.is_some() && self.email.folder.is_some() {
            fault("email.folder", "give either `host` or `folder`, not both".into());
        }
        if self.email.user.is_some() != self.email.password.is_some() {
            fault("email.user", "`user` and `password` belong together".into());
        }
        if self.email.security == SmtpSecurity::Plain && self.email.password.is_some() {
            fault("email.security", "a password is not sent over a plain connection: use `starttls` or `tls`".into());
        }
        if let Err(why) = self.email.from.parse::<lettre::message::Mailbox>() {
            fault("email.from", format!("`{}` is not a sender: {why}", self.email.from));
        }
        if let Some(reply_to) = &self.email.reply_to
            && let Err(why) = reply_to.parse::<lettre::message::Mailbox>()
        {
            fault("email.reply_to", format!("`{reply_to}` is not an address: {why}"));
        }
        if self.sms.smpp.is_some() && (self.sms.url.is_some() || self.sms.folder.is_some()) {
            fault("sms.smpp", "give one of `smpp`, `url` and `folder`".into());
        }
        if self.sms.url.is_some() && self.sms.folder.is_some() {
            fault("sms.folder", "give either `url` or `folder`, not both".into());
        }
        if self.sms.body.is_some() && !self.sms.form.is_empty() {
            fault("sms.form", "give either `body` or `form`, not both".into());
        }
        let short = self.messages.sender_short.chars().count();
        if short > LONGEST_SENDER_SHORT {
            fault(
                "messages.sender_short",
                format!("has {short} characters, and text messages have room for {LONGEST_SENDER_SHORT}: shorten it"),
            );
        }
        if self.limits.confirmed_percent > 100 {
            fault("limits.confirmed_percent", format!("{} must lie between 0 and 100", self.limits.confirmed_percent));
        }
        let public = self.messages.public_url.text();
        if !public.is_empty() && !public.starts_with("https://") && !public.starts_with("http://127.0.0.1") {
            fault("messages.public_url", format!("`{public}` must start with https://"));
        }
    }
}

fn check_policy(policy: &Policy, fault: &mut impl FnMut(&str, String)) {
    let chances = [
        ("policy.get_ready_chance", policy.get_ready_chance),
        ("policy.inspect_chance", policy.inspect_chance),
        ("policy.too_late_chance", policy.too_late_chance),
    ];
    for (path, value) in chances.into_iter().chain([("policy.filled_share_limit", policy.filled_share_limit)]) {
        if !(0.0..=1.0).contains(&value) {
            fault(path, format!("{value} must lie between 0 and 1"));
        }
    }
    for (path, value) in chances {
        if value == 0.0 {
            fault(path, "a chance of 0 is there on every day of the year: write more than 0".into());
        }
    }
    if !(0.5..=1.0).contains(&policy.best_share) {
        let value = policy.best_share;
        fault(
            "policy.best_share",
            format!(
                "{value} must lie between 0.5 and 1: a wash that takes less than half of what it can is none of the best"
            ),
        );
    }
    for (path, value) in [
        ("policy.get_ready_days", policy.get_ready_days),
        ("policy.deadline_moves_days", policy.deadline_moves_days),
        ("policy.hatch_reports", policy.hatch_reports),
    ] {
        if value == 0 {
            fault(path, "0 must be at least 1".into());
        }
    }
    let (rake, between) = (policy.rake_days, policy.between_washes_days);
    let least = between.saturating_add(rake).max(rake.saturating_add(1));
    if policy.wash_days < least {
        fault(
            "policy.wash_days",
            format!(
                "{} must be at least {least}: a second wash comes {between} days after the first (between_washes_days) and \
                 {rake} days before the deadline (rake_days)",
                policy.wash_days
            ),
        );
    }
    if policy.last_days < rake {
        let value = policy.last_days;
        fault(
            "policy.last_days",
            format!("{value} must be at least rake_days ({rake}): who washes last must rake too"),
        );
    }
    for (path, days) in [
        ("policy.get_ready_days", policy.get_ready_days),
        ("policy.wash_days", policy.wash_days),
        ("policy.last_days", policy.last_days),
        ("policy.deadline_moves_days", policy.deadline_moves_days),
    ] {
        if days > LONGEST_DAYS {
            fault(path, format!("{days} must be at most {LONGEST_DAYS}"));
        }
    }
}
