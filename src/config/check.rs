//! Values that are of the right type but cannot be meant. Each section has its function; what is wrong goes to
//! `faults.add(path, what)`.

use url::{Host, Url};

use crate::config::{
    Config, DeliveryConfig, EmailConfig, Faults, FeedsConfig, LONGEST_SENDER_SHORT, MessagesConfig, SmsConfig,
    SmtpSecurity, StoreConfig, ranges,
};
use crate::net::is_this_machine;
use crate::season::Policy;
use crate::text::{Chain, is_hidden};

/// Parts look for work every twenty seconds, and for alarms once a minute.
const LEAST_STALLED_S: u64 = 180;

impl Config {
    /// Every such value, with its path and the mend.
    pub(super) fn check(&self, faults: &mut Faults) {
        ranges::check(self, faults);
        check_store(&self.store, faults);
        if let Err(why) = self.schedule.timetable() {
            faults.add("schedule.cycle", why.to_string());
        }
        check_feeds(&self.feeds, faults);
        self.check_watch(faults);
        check_policy(&self.policy, faults);
        let detection = &self.reports.detection;
        for (path, chance) in
            [("reports.detection.staff", detection.staff), ("reports.detection.owner", detection.owner)]
        {
            if !(chance > 0.0 && chance <= 1.0) {
                let what = "must be above 0 and at most 1: the chance that one look sees what is there";
                faults.add(path, format!("{chance} {what}"));
            }
        }
        if !(-10.0..=15.0).contains(&self.weather.lapse_c_per_km) {
            let what = format!("{} must lie between -10 and 15 °C per km", self.weather.lapse_c_per_km);
            faults.add("weather.lapse_c_per_km", what);
        }
        check_delivery(&self.delivery, faults);
        check_email(&self.email, faults);
        check_sms(&self.sms, faults);
        check_messages(&self.messages, faults);
        self.check_desk(faults);
        if self.email.host.is_some() {
            check_who_writes(&self.messages, faults);
        }
        self.check_clear_text(faults);
        if self.keys.addresses.is_empty() != self.keys.links.is_empty() {
            let path = if self.keys.addresses.is_empty() { "keys.addresses" } else { "keys.links" };
            faults.add(path, "`addresses` and `links` belong together: `treebell key new --to FILE` makes a key");
        }
        for (path, what) in self.retention.faults() {
            faults.add(path, what);
        }
        for found in self.alarms.faults(self.sms.reach) {
            faults.add(found.path, found.what);
        }
    }

    fn check_watch(&self, faults: &mut Faults) {
        if let Err(why) = self.log.filter() {
            faults.add("log.level", why);
        }
        if let Some(why) = self.watch.fault(&self.web) {
            faults.add("watch.listen", why);
        }
        let feeds = &self.feeds;
        // A cycle shows that it goes on with each source that answered or was given up.
        let longest = u64::from(feeds.tries).saturating_mul(feeds.timeout_s.saturating_add(feeds.longest_wait_s));
        let least = longest.max(LEAST_STALLED_S);
        if self.watch.stalled_after_s < least {
            let value = self.watch.stalled_after_s;
            faults.add(
                "watch.stalled_after_s",
                format!(
                    "{value} must be at least {least}: one source may take {longest} s (feeds.tries times feeds.timeout_s and \
                     feeds.longest_wait_s)"
                ),
            );
        }
    }

    /// What is said to another machine without TLS can be read on the way: only by the administrator's own word.
    fn check_clear_text(&self, faults: &mut Faults) {
        let readable =
            |host: &str| format!("what is said to `{host}`, another machine, could be read and changed on the way");
        if let Some(host) = self.email.host.as_deref().filter(|host| !is_this_machine(host))
            && self.email.security == SmtpSecurity::Plain
            && !self.email.allow_clear_text
        {
            let mend = "use `starttls` or `tls`, or accept that with email.allow_clear_text = true";
            faults.add("email.security", format!("{}: {mend}", readable(host)));
        }
        if self.sms.allow_clear_text {
            return;
        }
        if let Some(smpp) = self.sms.smpp.as_ref().filter(|smpp| !smpp.tls && !is_this_machine(&smpp.host)) {
            let mend = "set `tls = true`, or accept that with sms.allow_clear_text = true";
            faults.add("sms.smpp.tls", format!("{}, the password too: {mend}", readable(&smpp.host)));
        }
        // A template: what is filled in stands behind the host, and what does not parse is told elsewhere.
        let url = self.sms.url.as_deref().and_then(|url| Url::parse(url.trim()).ok());
        if let Some(url) = url.filter(|url| url.scheme() == "http")
            && let Some(host) = url.host_str().filter(|host| !is_this_machine(host))
        {
            let mend = "use https://, or accept that with sms.allow_clear_text = true";
            faults.add("sms.url", format!("{}, the secret too: {mend}", readable(host)));
        }
    }
}

fn check_store(store: &StoreConfig, faults: &mut Faults) {
    if !["sqlite:", "postgres://", "postgresql://"].iter().any(|scheme| store.address.starts_with(scheme)) {
        faults.add("store.address", "must start with `sqlite:` or `postgres://`");
    }
    if store.ca_file.is_some() && store.allow_clear_text {
        faults.add("store.ca_file", "has no use beside `allow_clear_text = true`: leave one of them out");
    }
}

fn check_feeds(feeds: &FeedsConfig, faults: &mut Faults) {
    for (path, address) in [
        ("feeds.ghcn_daily.base_url", &feeds.ghcn_daily.base_url),
        ("feeds.daily_summaries.base_url", &feeds.daily_summaries.base_url),
        ("feeds.acis.base_url", &feeds.acis.base_url),
        ("feeds.nws.base_url", &feeds.nws.base_url),
        ("feeds.awdb.base_url", &feeds.awdb.base_url),
    ] {
        match address.url() {
            Err(why) => faults.add(path, Chain(&why).to_string()),
            Ok(url) if has_credentials(url) => faults.add(
                path,
                "holds a user or a password, which would stand in logs and errors: leave it out; public services need none",
            ),
            Ok(_) => {}
        }
    }
    if feeds.contact.chars().any(|c| c.is_control() || !c.is_ascii()) {
        faults.add("feeds.contact", "must be plain ASCII, since it travels in a header");
    }
}

fn has_credentials(url: &Url) -> bool {
    !url.username().is_empty() || url.password().is_some()
}

fn check_delivery(delivery: &DeliveryConfig, faults: &mut Faults) {
    for (path, pace) in [("delivery.email", &delivery.email), ("delivery.sms", &delivery.sms)] {
        if pace.per_second.is_some_and(|rate| !rate.is_finite() || rate <= 0.0 || rate > 10_000.0) {
            let what = "must be above 0 and at most 10000; leave it out for no limit";
            faults.add(format!("{path}.per_second"), what);
        }
    }
    if delivery.retry_longest_s < delivery.retry_first_s {
        let (longest, first) = (delivery.retry_longest_s, delivery.retry_first_s);
        let what = format!("{longest} must be at least retry_first_s ({first}): waits only grow");
        faults.add("delivery.retry_longest_s", what);
    }
    if delivery.quiet_until >= delivery.quiet_from {
        let (until, from) = (delivery.quiet_until, delivery.quiet_from);
        let what = format!("{until} must be earlier than quiet_from ({from}): messages leave between the two");
        faults.add("delivery.quiet_until", what);
    }
}

fn check_email(email: &EmailConfig, faults: &mut Faults) {
    if email.host.as_ref().is_some_and(|host| host.trim().is_empty()) {
        faults.add("email.host", "is empty: name the relay that takes the e-mail, or leave the line out");
    }
    if email.host.is_some() && email.folder.is_some() {
        faults.add("email.folder", "give either `host` or `folder`, not both");
    }
    if email.user.is_some() != email.password.is_some() {
        faults.add("email.user", "`user` and `password` belong together");
    }
    if email.security == SmtpSecurity::Plain && email.password.is_some() {
        faults.add("email.security", "a password is not sent over a plain connection: use `starttls` or `tls`");
    }
    if email.from.parse::<lettre::message::Mailbox>().is_err() {
        faults.add("email.from", format!("`{}` is not a sender: write `Name <local@example.org>`", email.from));
    }
    if let Some(reply_to) = &email.reply_to
        && reply_to.parse::<lettre::message::Mailbox>().is_err()
    {
        faults.add("email.reply_to", format!("`{reply_to}` is not an address: write `Name <local@example.org>`"));
    }
}

fn check_sms(sms: &SmsConfig, faults: &mut Faults) {
    if sms.smpp.is_some() && (sms.url.is_some() || sms.folder.is_some()) {
        faults.add("sms.smpp", "give one of `smpp`, `url` and `folder`");
    }
    if sms.url.is_some() && sms.folder.is_some() {
        faults.add("sms.folder", "give either `url` or `folder`, not both");
    }
    if sms.body.is_some() && !sms.form.is_empty() {
        faults.add("sms.form", "give either `body` or `form`, not both");
    }
}

fn check_messages(messages: &MessagesConfig, faults: &mut Faults) {
    for (path, name) in
        [("messages.sender_name", &messages.sender_name), ("messages.sender_short", &messages.sender_short)]
    {
        if name.trim().is_empty() {
            faults.add(path, "is empty, and every message says who speaks: write the name that people know");
        }
    }
    for (path, text) in [
        ("messages.sender_name", &messages.sender_name),
        ("messages.sender_short", &messages.sender_short),
        ("messages.postal_address", &messages.postal_address),
        ("messages.help_contact", &messages.help_contact),
    ] {
        if text.chars().any(|c| is_hidden(c) && c != '\n') {
            faults.add(
                path,
                "holds a character that is not seen, such as one that turns the direction of writing: type it anew",
            );
        }
    }
    let short = messages.sender_short.chars().count();
    if short > LONGEST_SENDER_SHORT {
        let what =
            format!("has {short} characters, and text messages have room for {LONGEST_SENDER_SHORT}: shorten it");
        faults.add("messages.sender_short", what);
    }
    if let Some(what) = fault_of_public_url(messages.public_url.text(), messages.public_url.url()) {
        faults.add("messages.public_url", what);
    }
}

/// `None` for none at all, which makes no links, and for one that links can stand below.
fn fault_of_public_url(written: &str, url: Option<&Url>) -> Option<String> {
    const WANTED: &str = "write an address such as https://pinyon.example.org";
    if written.is_empty() {
        return None;
    }
    if written.trim().is_empty() {
        return Some(format!("is blank: {WANTED}, or \"\" for no links"));
    }
    let Some(url) = url.filter(|url| url.has_host() && written.trim() == written) else {
        return Some(format!("`{written}` is no web address: {WANTED}"));
    };
    if has_credentials(url) {
        return Some(format!("holds a user or a password, which every message would tell: {WANTED}"));
    }
    if url.query().is_some() || url.fragment().is_some() {
        return Some(format!("`{written}` has a `?` or a `#`, and links stand below it: {WANTED}"));
    }
    let is_here = match url.host() {
        Some(Host::Domain(name)) => name == "localhost",
        Some(Host::Ipv4(address)) => address.is_loopback(),
        Some(Host::Ipv6(address)) => address.is_loopback(),
        None => false,
    };
    (url.scheme() != "https" && !(url.scheme() == "http" && is_here))
        .then(|| format!("`{written}` must start with https://; http:// is taken for this machine alone"))
}

/// E-mail to people must say who writes and from where (15 U.S.C. 7704(a)(5), from memory).
fn check_who_writes(messages: &MessagesConfig, faults: &mut Faults) {
    let unset = MessagesConfig::default();
    let told = |text: &str, unset: &str| match text.trim() {
        "" => Some("is empty"),
        text if text == unset => Some("is not set"),
        _ => None,
    };
    if let Some(is) = told(&messages.postal_address, &unset.postal_address) {
        let what = "and the law asks for it in every e-mail: write where mail reaches you";
        faults.add("messages.postal_address", format!("{is}, {what}"));
    }
    if let Some(is) = told(&messages.help_contact, &unset.help_contact) {
        let what = "and people who need help are sent there: write a telephone number, an e-mail address or a page";
        faults.add("messages.help_contact", format!("{is}, {what}"));
    }
}

fn check_policy(policy: &Policy, faults: &mut Faults) {
    let chances = [
        ("policy.get_ready_chance", policy.get_ready_chance),
        ("policy.inspect_chance", policy.inspect_chance),
        ("policy.too_late_chance", policy.too_late_chance),
    ];
    for (path, value) in chances.into_iter().chain([("policy.filled_share_limit", policy.filled_share_limit)]) {
        if !(0.0..=1.0).contains(&value) {
            faults.add(path, format!("{value} must lie between 0 and 1"));
        }
    }
    for (path, value) in chances {
        if value == 0.0 {
            faults.add(path, "a chance of 0 is there on every day of the year: write more than 0");
        }
    }
    if !(0.5..=1.0).contains(&policy.best_share) {
        let value = policy.best_share;
        faults.add(
            "policy.best_share",
            format!(
                "{value} must lie between 0.5 and 1: a wash that takes less than half of what it can is none of the best"
            ),
        );
    }
    let (rake, between) = (policy.rake_days, policy.between_washes_days);
    let least = between.saturating_add(rake).max(rake.saturating_add(1));
    if policy.wash_days < least {
        faults.add(
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
        faults.add(
            "policy.last_days",
            format!("{value} must be at least rake_days ({rake}): who washes last must rake too"),
        );
    }
}
