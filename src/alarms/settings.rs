//! Who is told of what, as the settings say it.

use std::collections::BTreeSet;

use chrono::{NaiveDate, TimeDelta};
use serde::{Deserialize, Serialize};

use super::kind::{AlarmGroup, AlarmKind};
use super::lifecycle::{Alarm, Pauses};
use crate::config_fault::ConfigFault;
use crate::people::{Address, Channel, EmailAddress, PhoneNumber, Reach};
use crate::region::RegionId;
use crate::secret::Secret;
use crate::text::is_hidden;

/// The section `alarms`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default)]
pub struct AlarmsConfig {
    pub recipients: Vec<RecipientConfig>,
    /// Pauses before an alarm that lasts is told again, minutes; the last one goes on.
    pub repeat_after_min: Vec<u32>,
    /// Kinds that no quiet hours hold.
    pub urgent: BTreeSet<AlarmKind>,
    /// So long after a run was due with none that succeeded since.
    pub cycle_hours: u32,
    /// So long a station's sources may fail.
    pub station_hours: u32,
    /// How long before its time runs out a waiting notice is told once more.
    pub notice_last_hours: u32,
    /// Of the messages of the last hours that were answered, refused or came back.
    pub failing_percent: u32,
    /// Age at which a message should have gone, within open hours.
    pub queue_min: u32,
    /// So long a channel may take nothing.
    pub channel_min: u32,
    /// Free space on the disk of the store and of folders that are written to.
    pub disk_free_mib: u64,
    /// A URL that is called after each good cycle; whoever waits there tells when no call comes.
    pub ping: Option<Secret>,
    /// Dates to be reminded of.
    pub dates: Vec<DateConfig>,
}

impl Default for AlarmsConfig {
    fn default() -> Self {
        Self {
            recipients: Vec::new(),
            repeat_after_min: vec![60, 240, 720, 1440],
            urgent: AlarmKind::ALL.into_iter().filter(|kind| kind.urgent_by_default()).collect(),
            cycle_hours: 6,
            station_hours: 24,
            notice_last_hours: 24,
            failing_percent: 20,
            queue_min: 120,
            channel_min: 30,
            disk_free_mib: 1024,
            ping: None,
            dates: Vec::new(),
        }
    }
}

/// One who is told.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(default)]
pub struct RecipientConfig {
    pub name: String,
    pub email: Option<String>,
    pub phone: Option<String>,
    /// Kinds, or `season` and `service` for all kinds of a group; empty = all.
    pub kinds: Vec<Topic>,
    /// Of alarms about a region, those of these; empty = all.
    pub regions: BTreeSet<RegionId>,
    pub texts: Texts,
}

/// What goes to a recipient's phone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Texts {
    All,
    #[default]
    Urgent,
    None,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(untagged)]
pub enum Topic {
    Group(AlarmGroup),
    Kind(AlarmKind),
}

/// A day by which something must be renewed.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
pub struct DateConfig {
    /// What, such as `certificate of alerts.example.org`.
    pub name: String,
    pub on: NaiveDate,
    /// So many days before.
    #[serde(default = "thirty")]
    pub days: u32,
}

fn thirty() -> u32 {
    30
}

/// A recipient whose addresses were read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recipient {
    pub name: String,
    pub email: Option<Address>,
    pub phone: Option<Address>,
    kinds: Vec<Topic>,
    regions: BTreeSet<RegionId>,
    texts: Texts,
}

impl Recipient {
    /// Whether an alarm is theirs to know.
    pub fn is_told(&self, alarm: &Alarm) -> bool {
        let region = alarm.region.as_ref();
        alarm.kind == AlarmKind::Test
            || self.takes(alarm.kind)
                && (self.regions.is_empty() || region.is_none_or(|region| self.regions.contains(region)))
    }

    /// Whether alarms of a kind are theirs to know, of some region at least.
    fn takes(&self, kind: AlarmKind) -> bool {
        let is_meant = |topic: &Topic| match topic {
            Topic::Group(group) => *group == kind.group(),
            Topic::Kind(one) => *one == kind,
        };
        self.kinds.is_empty() || self.kinds.iter().any(is_meant)
    }

    /// The regions that they asked for; none = all.
    pub fn regions(&self) -> &BTreeSet<RegionId> {
        &self.regions
    }

    /// Where an alarm goes. Urgent ones go both ways, others by e-mail where there is one; of a channel that is known not to
    /// work nothing is hoped for while there is another.
    pub fn addresses(&self, alarm: &Alarm, broken: &BTreeSet<Channel>) -> Vec<&Address> {
        let by_text = alarm.kind == AlarmKind::Test
            || match self.texts {
                Texts::All => true,
                Texts::Urgent => alarm.urgent || self.email.is_none(),
                Texts::None => self.email.is_none(),
            };
        let email_works = !broken.contains(&Channel::Email);
        let by_text = by_text || !email_works;
        let mut ways: Vec<&Address> = self.email.iter().chain(self.phone.iter().filter(|_| by_text)).collect();
        if alarm.kind != AlarmKind::Test && ways.iter().any(|way| !broken.contains(&way.channel())) {
            ways.retain(|way| !broken.contains(&way.channel()));
        }
        ways
    }
}

impl AlarmsConfig {
    /// Those who are told, with their addresses read.
    ///
    /// # Errors
    /// Every fault of the section, with its place.
    pub fn recipients(&self, reach: Reach) -> Result<Vec<Recipient>, Vec<ConfigFault>> {
        let mut faults = Vec::new();
        let mut recipients: Vec<Recipient> = Vec::new();
        for (nth, one) in self.recipients.iter().enumerate() {
            let place = format!("alarms.recipients[{nth}]");
            let mut read = |part: &str, text: &Option<String>, parse: &dyn Fn(&str) -> Result<Address, String>| {
                text.as_ref().and_then(|text| match parse(text) {
                    Ok(address) => Some(address),
                    Err(why) => {
                        faults.push(ConfigFault::new(format!("{place}.{part}"), why));
                        None
                    }
                })
            };
            let email = read("email", &one.email, &|text| {
                EmailAddress::parse(text).map(Address::Email).map_err(|why| why.to_string())
            });
            let phone = read("phone", &one.phone, &|text| {
                PhoneNumber::parse(text, reach).map(Address::Phone).map_err(|why| why.to_string())
            });
            if one.name.trim().is_empty() || one.name.chars().any(is_hidden) {
                let what = "say in one line who this is, without characters that are not seen";
                faults.push(ConfigFault::new(format!("{place}.name"), what));
            }
            if recipients.iter().any(|other| other.name == one.name.trim()) {
                faults
                    .push(ConfigFault::new(format!("{place}.name"), format!("there are two of `{}`", one.name.trim())));
            }
            if one.email.is_none() && one.phone.is_none() {
                faults.push(ConfigFault::new(&place, "give `email`, `phone` or both"));
            }
            recipients.push(Recipient {
                name: one.name.trim().to_owned(),
                email,
                phone,
                kinds: one.kinds.clone(),
                regions: one.regions.clone(),
                texts: one.texts,
            });
        }
        if faults.is_empty() { Ok(recipients) } else { Err(faults) }
    }

    /// The kinds of which nobody is told, though there are recipients.
    pub fn told_to_nobody(&self, reach: Reach) -> Vec<AlarmKind> {
        let Ok(recipients) = self.recipients(reach) else { return Vec::new() };
        let lacks = |kind: &AlarmKind| {
            *kind != AlarmKind::Test && !recipients.is_empty() && !recipients.iter().any(|one| one.takes(*kind))
        };
        AlarmKind::ALL.into_iter().filter(lacks).collect()
    }

    /// Every value that cannot be meant.
    pub fn faults(&self, reach: Reach) -> Vec<ConfigFault> {
        let mut faults = self.recipients(reach).err().unwrap_or_default();
        if self.repeat_after_min.is_empty() || self.repeat_after_min.iter().any(|pause| !(5..=10_080).contains(pause)) {
            faults.push(ConfigFault::new("alarms.repeat_after_min", "wants pauses of 5 to 10080 minutes (a week)"));
        }
        for (name, value, most) in [
            ("cycle_hours", self.cycle_hours, 168),
            ("station_hours", self.station_hours, 720),
            ("notice_last_hours", self.notice_last_hours, 720),
            ("failing_percent", self.failing_percent, 100),
            ("queue_min", self.queue_min, 10_080),
            ("channel_min", self.channel_min, 10_080),
        ] {
            if !(1..=most).contains(&value) {
                faults
                    .push(ConfigFault::new(format!("alarms.{name}"), format!("{value} must lie between 1 and {most}")));
            }
        }
        if self.disk_free_mib == 0 {
            faults.push(ConfigFault::new("alarms.disk_free_mib", "0 must be at least 1"));
        }
        for (nth, date) in self.dates.iter().enumerate() {
            if date.days > 366 {
                let what = format!("{} must be at most 366", date.days);
                faults.push(ConfigFault::new(format!("alarms.dates[{nth}].days"), what));
            }
            if date.name.trim().is_empty() {
                faults.push(ConfigFault::new(format!("alarms.dates[{nth}].name"), "say what must be renewed"));
            }
        }
        faults
    }

    /// How alarms are repeated; see [`Pauses::open_hours`].
    pub fn pauses(&self, open_hours: bool) -> Pauses {
        let growing = self.repeat_after_min.iter().map(|pause| TimeDelta::minutes(i64::from(*pause))).collect();
        Pauses { growing, urgent: self.urgent.clone(), open_hours }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipient(toml: &str) -> Recipient {
        let config: AlarmsConfig = toml::from_str(toml).unwrap();
        config.recipients(Reach::NorthAmerica).unwrap().remove(0)
    }

    fn alarm(kind: AlarmKind, region: Option<&str>) -> Alarm {
        let now = chrono::DateTime::UNIX_EPOCH;
        Alarm {
            id: String::new(),
            kind,
            subject: String::new(),
            machine: String::new(),
            region: region.map(RegionId::from),
            urgent: kind.urgent_by_default(),
            what: String::new(),
            mend: String::new(),
            raised_at: now,
            told_at: None,
            times_told: 0,
            believed: false,
            seen_at: now,
            ended_at: None,
        }
    }

    #[test]
    fn a_recipient_gets_their_kinds_and_regions_and_nothing_else() {
        let agent = recipient(
            "[[recipients]]\nname = \"Agent\"\nemail = \"agent@example.org\"\nkinds = [\"season\", \"disk\"]\nregions = [\"north\"]\n",
        );
        for (kind, region, wanted) in [
            (AlarmKind::NoticeWaits, Some("north"), true),
            (AlarmKind::NoticeWaits, Some("south"), false),
            (AlarmKind::Remarks, None, true),
            (AlarmKind::Disk, None, true),
            (AlarmKind::Queue, None, false),
            (AlarmKind::Test, None, true),
        ] {
            assert_eq!(agent.is_told(&alarm(kind, region)), wanted, "{kind} {region:?}");
        }
    }

    #[test]
    fn urgent_alarms_go_both_ways_others_by_e_mail_and_none_by_a_broken_channel() {
        let admin =
            recipient("[[recipients]]\nname = \"Admin\"\nemail = \"admin@example.org\"\nphone = \"505-555-0100\"\n");
        let ways = |kind, broken: &[Channel]| {
            let broken = broken.iter().copied().collect();
            admin.addresses(&alarm(kind, None), &broken).iter().map(|way| way.channel()).collect::<Vec<_>>()
        };
        assert_eq!(ways(AlarmKind::Disk, &[]), [Channel::Email, Channel::Sms]);
        assert_eq!(ways(AlarmKind::Station, &[]), [Channel::Email]);
        assert_eq!(ways(AlarmKind::Channel, &[Channel::Email]), [Channel::Sms]);
        assert_eq!(ways(AlarmKind::Station, &[Channel::Email]), [Channel::Sms]);
        assert_eq!(ways(AlarmKind::Channel, &[Channel::Sms]), [Channel::Email]);
        let both = [Channel::Email, Channel::Sms];
        assert_eq!(ways(AlarmKind::Station, &both), both, "better than nothing");
        let phone = recipient("[[recipients]]\nname = \"Phone\"\nphone = \"505-555-0100\"\n");
        assert_eq!(phone.addresses(&alarm(AlarmKind::Station, None), &BTreeSet::new()).len(), 1);
    }

    #[test]
    fn a_kind_that_nobody_takes_is_named() {
        let lacking = |toml: &str| toml::from_str::<AlarmsConfig>(toml).unwrap().told_to_nobody(Reach::NorthAmerica);
        let one = |kinds: &str| format!("[[recipients]]\nname = \"A\"\nemail = \"a@example.org\"\nkinds = {kinds}\n");
        assert_eq!(lacking(""), [], "that nobody is named is told by another word");
        assert_eq!(lacking(&one("[]")), []);
        let of_season = lacking(&one("[\"service\", \"station\", \"notice-waits\"]"));
        assert_eq!(
            of_season,
            [
                AlarmKind::NoticeLeaves,
                AlarmKind::NoticeRunsOut,
                AlarmKind::NoticeMissed,
                AlarmKind::Addresses,
                AlarmKind::Wording,
                AlarmKind::Remarks
            ]
        );
    }

    #[test]
    fn faults_name_the_recipient_and_the_mend() {
        let config: AlarmsConfig = toml::from_str(
            "repeat_after_min = []\nqueue_min = 0\n[[recipients]]\nname = \"A\"\nemail = \"nobody\"\n[[recipients]]\nname = \"A\"\n\
             [[recipients]]\nname = \"A\\u202e\"\nemail = \"a@example.org\"\n",
        )
        .unwrap();
        let faults: Vec<String> = config.faults(Reach::NorthAmerica).iter().map(ToString::to_string).collect();
        for start in [
            "alarms.recipients[0].email: ",
            "alarms.recipients[1].name: there are two of `A`",
            "alarms.recipients[1]: give `email`, `phone` or both",
            "alarms.recipients[2].name: say in one line",
            "alarms.repeat_after_min: ",
            "alarms.queue_min: 0 must lie between 1 and",
        ] {
            assert!(faults.iter().any(|fault| fault.starts_with(start)), "{start} in {faults:#?}");
        }
        assert!(AlarmsConfig::default().faults(Reach::NorthAmerica).is_empty());
    }
}
