//! How often somebody may be asked to confirm: the one place that says it, for forms and for texts.
//!
//! A request to confirm is itself a message to somebody who may not want it. So a stranger's form can cause one a day and
//! three a month to an address, a network can ask a few times an hour, and when far more is asked than is usual only
//! networks that had not asked before are served: the honest ask once, a flood asks again and again.

use serde::{Deserialize, Serialize};

/// Set in the configuration's section `limits`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default)]
pub struct Limits {
    /// Askings by form from one network (IPv4 /24, IPv6 /64) in an hour.
    pub asks_per_network_per_hour: u32,
    /// Askings by form from all networks in an hour that are usual. From there on a network is served once an hour, and at
    /// ten times as many nobody is.
    pub asks_per_hour: u32,
    /// Texts that ask for confirmation, in a day, whoever asked: they cost money.
    pub confirmation_texts_per_day: u32,
    /// Of the last fifty texts that forms asked for in a day, at least this share (percent) must have been confirmed, or
    /// somebody makes money from them, or plays: then a network causes one a day by form, and all together half of the
    /// day's, so that the honest and those who text from their phone still get theirs.
    pub confirmed_percent: u32,
    /// Texts from phones that are answered by text in a day, from all phones together: they cost money, and whoever has many
    /// numbers could have us send as many. Beyond, what a text asks for is done and only stops of subscribers are answered.
    pub answers_per_day: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            asks_per_network_per_hour: 5,
            asks_per_hour: 200,
            confirmation_texts_per_day: 300,
            confirmed_percent: 20,
            answers_per_day: 300,
        }
    }
}

/// Requests that a stranger's form may cause to one address in a day, and in thirty days.
pub const FORMS_PER_DAY: u64 = 1;
pub const FORMS_PER_MONTH: u64 = 3;

/// Requests that texts from the phone itself may cause in a day.
pub const TEXTS_PER_DAY: u64 = 3;

/// So many texts are looked at for their share of confirmed ones.
pub const SHARE_OF: u64 = 50;

/// Wrong codes after which a code is worthless.
pub const TRIES: i64 = 5;

/// Who asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RequestedBy {
    /// Anybody, by a form.
    Form,
    /// The owner, by a text from the phone itself.
    Phone,
}

/// What was asked for before, at this moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RequestCounts {
    /// Requests to confirm that went to this address in the last day, and in thirty days.
    pub address_day: u64,
    pub address_month: u64,
    /// Askings by form from this network in the last hour, and from all, without those refused as [`Refusal::Network`] or
    /// [`Refusal::Flood`].
    pub network_hour: u64,
    pub forms_hour: u64,
    /// Requests to confirm by text in the last day.
    pub texts_day: u64,
    /// Of those, the ones that this network caused by form.
    pub network_texts_day: u64,
    /// Of the newest [`SHARE_OF`] texts that forms asked for in the last day: how many there are, how many were confirmed.
    pub form_texts: u64,
    pub form_texts_confirmed: u64,
}

/// Why no request to confirm goes out. Whoever asked is not told, or could learn who is subscribed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Refusal {
    /// The address said stop.
    Suppressed,
    AddressToday,
    AddressThisMonth,
    Network,
    /// Far more is asked than is usual, and this network asked before.
    Flood,
    TextsToday,
    FewConfirm,
}

impl Refusal {
    pub fn name(self) -> &'static str {
        match self {
            Refusal::Suppressed => "suppressed",
            Refusal::AddressToday => "address-today",
            Refusal::AddressThisMonth => "address-this-month",
            Refusal::Network => "network",
            Refusal::Flood => "flood",
            Refusal::TextsToday => "texts-today",
            Refusal::FewConfirm => "few-confirm",
        }
    }

    /// What staff are told, once a day; `None` where it is everyday business.
    pub fn alarm(self) -> Option<&'static str> {
        match self {
            Refusal::Flood => Some("far more sign-ups than usual: each network is served once an hour"),
            Refusal::TextsToday => {
                Some("the day's texts that ask for confirmation are used up (limits.confirmation_texts_per_day)")
            }
            Refusal::FewConfirm => Some(
                "hardly anybody confirms the texts that forms ask for: a network causes one a day, and all half of the day's",
            ),
            Refusal::Network => Some("one network asks again and again: it is not served for an hour"),
            Refusal::Suppressed | Refusal::AddressToday | Refusal::AddressThisMonth => None,
        }
    }
}

impl Limits {
    /// Whether a request to confirm may go out.
    ///
    /// # Errors
    /// The first limit that refuses it.
    pub fn may_request(&self, by: RequestedBy, is_text: bool, counts: &RequestCounts) -> Result<(), Refusal> {
        let refuse = |beyond: bool, why: Refusal| if beyond { Err(why) } else { Ok(()) };
        let usual = u64::from(self.asks_per_hour);
        match by {
            RequestedBy::Form => {
                refuse(counts.network_hour >= u64::from(self.asks_per_network_per_hour), Refusal::Network)?;
                refuse(counts.forms_hour >= usual && counts.network_hour > 0, Refusal::Flood)?;
                refuse(counts.forms_hour >= usual.saturating_mul(10), Refusal::Flood)?;
                refuse(counts.address_day >= FORMS_PER_DAY, Refusal::AddressToday)?;
                refuse(counts.address_month >= FORMS_PER_MONTH, Refusal::AddressThisMonth)?;
                let few = counts.form_texts_confirmed * 100 < counts.form_texts * u64::from(self.confirmed_percent);
                let few = is_text && few && counts.form_texts >= SHARE_OF;
                refuse(few && counts.network_texts_day > 0, Refusal::FewConfirm)?;
                refuse(few && counts.texts_day * 2 >= u64::from(self.confirmation_texts_per_day), Refusal::FewConfirm)?;
            }
            RequestedBy::Phone => refuse(counts.address_day >= TEXTS_PER_DAY, Refusal::AddressToday)?,
        }
        refuse(is_text && counts.texts_day >= u64::from(self.confirmation_texts_per_day), Refusal::TextsToday)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(by: RequestedBy, change: impl Fn(&mut RequestCounts), wanted: Result<(), Refusal>) {
        let mut counts = RequestCounts::default();
        change(&mut counts);
        assert_eq!(Limits::default().may_request(by, true, &counts), wanted);
    }

    #[test]
    fn each_limit_holds_at_its_number_and_not_before() {
        check(RequestedBy::Form, |_| {}, Ok(()));
        check(RequestedBy::Form, |c| c.address_day = 1, Err(Refusal::AddressToday));
        check(RequestedBy::Form, |c| c.address_month = 2, Ok(()));
        check(RequestedBy::Form, |c| c.address_month = 3, Err(Refusal::AddressThisMonth));
        check(RequestedBy::Form, |c| c.network_hour = 4, Ok(()));
        check(RequestedBy::Form, |c| c.network_hour = 5, Err(Refusal::Network));
        check(RequestedBy::Form, |c| c.forms_hour = 200, Ok(()));
        check(RequestedBy::Form, |c| (c.forms_hour, c.network_hour) = (199, 1), Ok(()));
        check(RequestedBy::Form, |c| (c.forms_hour, c.network_hour) = (200, 1), Err(Refusal::Flood));
        check(RequestedBy::Form, |c| c.forms_hour = 2000, Err(Refusal::Flood));
        check(RequestedBy::Form, |c| c.texts_day = 300, Err(Refusal::TextsToday));
        let texts = |form_texts, form_texts_confirmed, network_texts_day, texts_day| {
            move |c: &mut RequestCounts| {
                *c = RequestCounts {
                    form_texts,
                    form_texts_confirmed,
                    network_texts_day,
                    texts_day,
                    ..RequestCounts::default()
                };
            }
        };
        check(RequestedBy::Form, texts(50, 9, 1, 60), Err(Refusal::FewConfirm));
        check(RequestedBy::Form, texts(50, 9, 0, 60), Ok(()));
        check(RequestedBy::Form, texts(50, 10, 1, 60), Ok(()));
        check(RequestedBy::Form, texts(49, 0, 1, 60), Ok(()));
        check(RequestedBy::Form, texts(50, 9, 0, 149), Ok(()));
        check(RequestedBy::Form, texts(50, 9, 0, 150), Err(Refusal::FewConfirm));
        check(RequestedBy::Form, texts(50, 10, 0, 150), Ok(()));
        check(RequestedBy::Phone, |c| c.address_day = 2, Ok(()));
        check(RequestedBy::Phone, |c| c.address_day = 3, Err(Refusal::AddressToday));
        check(RequestedBy::Phone, |c| (c.address_month, c.forms_hour, c.form_texts) = (9, 9999, 50), Ok(()));
        check(RequestedBy::Phone, |c| c.texts_day = 300, Err(Refusal::TextsToday));
    }

    #[test]
    fn e_mails_do_not_use_up_the_texts() {
        let counts = RequestCounts { texts_day: 9999, form_texts: 50, ..RequestCounts::default() };
        assert_eq!(Limits::default().may_request(RequestedBy::Form, false, &counts), Ok(()));
    }
}
