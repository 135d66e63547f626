//! Transactional messages: what one person is told about their own subscription, beside the notices that a whole region gets.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::message::facts::Sender;
use crate::people::{Channel, Zip};
use crate::region::{Band, HeightChoice};
use crate::season::NoticeKind;

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TransactionalKind {
    /// Asks the owner of an address whether they want to be told.
    Confirm,
    /// As `Confirm`, for a ZIP code that no region has yet: the request is kept once confirmed.
    NotCovered,
    /// After confirmation: what comes, how often, how to stop.
    Welcome,
    /// The one answer to a stop.
    Stopped,
    /// The answer to a start by somebody who had confirmed before.
    Resumed,
    Help,
    /// Somebody wants to join and has not said where their trees are.
    WhichZip,
    NotUnderstood,
    /// A ZIP code whose owner waited is in a region now.
    CoveredNow,
    /// The answer to what somebody saw.
    Thanks,
    /// Some days after "inspect now": what did you see?
    FollowUp,
    /// A subscriber's ZIP code that no region has yet is kept.
    KeptZip,
    /// The way to the page where a subscriber changes what they get, asked for on a page.
    Preferences,
    /// A subscriber's ZIP code has several regions: how high do the trees stand?
    HowHigh,
    /// The answer to what somebody said of that.
    HeightKept,
    /// To staff and administrators; it has no template and is in no list of kinds that have.
    Alarm,
}

impl TransactionalKind {
    /// The kinds that templates word.
    pub const ALL: [TransactionalKind; 15] = [
        TransactionalKind::Confirm,
        TransactionalKind::NotCovered,
        TransactionalKind::Welcome,
        TransactionalKind::Stopped,
        TransactionalKind::Resumed,
        TransactionalKind::Help,
        TransactionalKind::WhichZip,
        TransactionalKind::NotUnderstood,
        TransactionalKind::CoveredNow,
        TransactionalKind::Thanks,
        TransactionalKind::FollowUp,
        TransactionalKind::KeptZip,
        TransactionalKind::Preferences,
        TransactionalKind::HowHigh,
        TransactionalKind::HeightKept,
    ];

    pub fn name(self) -> &'static str {
        match self {
            TransactionalKind::Confirm => "confirm",
            TransactionalKind::NotCovered => "not-covered",
            TransactionalKind::Welcome => "welcome",
            TransactionalKind::Stopped => "stopped",
            TransactionalKind::Resumed => "resumed",
            TransactionalKind::Help => "help",
            TransactionalKind::WhichZip => "which-zip",
            TransactionalKind::NotUnderstood => "not-understood",
            TransactionalKind::CoveredNow => "covered-now",
            TransactionalKind::Thanks => "thanks",
            TransactionalKind::FollowUp => "follow-up",
            TransactionalKind::KeptZip => "kept-zip",
            TransactionalKind::Preferences => "preferences",
            TransactionalKind::HowHigh => "how-high",
            TransactionalKind::HeightKept => "height-kept",
            TransactionalKind::Alarm => "alarm",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().chain([TransactionalKind::Alarm]).find(|kind| kind.name() == name)
    }

    /// Whether it waits for the day and for its turn as notices do, since it answers nothing that somebody did just now.
    pub fn can_wait(self) -> bool {
        matches!(self, TransactionalKind::FollowUp | TransactionalKind::CoveredNow | TransactionalKind::HowHigh)
    }

    /// Where it can go: what answers a word in a text message goes to telephones only.
    pub fn channels(self) -> &'static [Channel] {
        match self {
            TransactionalKind::Help
            | TransactionalKind::WhichZip
            | TransactionalKind::NotUnderstood
            | TransactionalKind::HeightKept
            | TransactionalKind::Thanks => &[Channel::Sms],
            _ => &Channel::ALL,
        }
    }
}

/// The notice in force where somebody joins while a window is open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InForce {
    pub kind: NoticeKind,
    /// The deadline, where the notice tells one.
    pub wash_by: Option<NaiveDate>,
    /// The region's own page.
    pub region_url: Option<String>,
}

/// All that the templates of a transactional message may say.
#[derive(Clone, Debug, PartialEq)]
pub struct TransactionalFacts {
    pub sender: Sender,
    /// What the message is about; may be empty where the kind speaks of none.
    pub zips: Vec<Zip>,
    /// Of `CoveredNow` and `Welcome`: the region that has the first ZIP code; of `FollowUp` the one that was told.
    pub region_name: Option<String>,
    /// Six digits to type in, where they were asked for on a page.
    pub code: Option<String>,
    /// The link in an e-mail that leads to the button.
    pub confirm_url: Option<String>,
    /// Where a subscriber changes what they get; by text only when that is what was asked for.
    pub preferences_url: Option<String>,
    /// Where one tap tells what was seen; e-mail only.
    pub seen_url: Option<String>,
    /// Of `Welcome`: what the region was told last, while it still holds.
    pub in_force: Option<InForce>,
    /// Of `HowHigh`: what may be chosen, from the lowest up; of `HeightKept`: what was chosen.
    pub heights: Vec<HeightChoice>,
    /// Of `Thanks`: the digit of an answer that does not say when they looked.
    pub lacks_day: Option<u8>,
    /// Of `Thanks`: they saw nothing, and did not say whether the tree has the insect.
    pub lacks_beans: bool,
    /// Of `Thanks`: they saw nothing, on a tree that does not have the insect.
    pub clean_tree: bool,
}

impl TransactionalFacts {
    /// A message that needs nothing but its sender.
    pub fn of(sender: Sender) -> Self {
        Self {
            sender,
            zips: Vec::new(),
            region_name: None,
            code: None,
            confirm_url: None,
            preferences_url: None,
            seen_url: None,
            in_force: None,
            heights: Vec::new(),
            lacks_day: None,
            lacks_beans: false,
            clean_tree: false,
        }
    }

    /// Facts with which every template is rendered when it is loaded, checked and previewed: together they meet every
    /// branch.
    pub fn samples(sender: &Sender, region_name: &str) -> Vec<Self> {
        let zip = |text: &str| Zip::parse(text).ok();
        let full = Self {
            sender: sender.clone(),
            zips: ["00123", "00124", "00201"].into_iter().filter_map(zip).collect(),
            region_name: Some(region_name.to_owned()),
            code: Some("123456".into()),
            confirm_url: Some("https://pinyon.example.org/confirm/sample".into()),
            preferences_url: Some("https://pinyon.example.org/preferences/sample".into()),
            seen_url: Some("https://pinyon.example.org/seen/sample".into()),
            in_force: None,
            heights: Vec::new(),
            lacks_day: None,
            lacks_beans: false,
            clean_tree: false,
        };
        let undated = Self { lacks_day: Some(1), ..full.clone() };
        let beanless = Self { lacks_beans: true, ..full.clone() };
        let clean = Self { clean_tree: true, ..full.clone() };
        let bare = Self {
            zips: full.zips[..full.zips.len().min(1)].to_vec(),
            code: None,
            region_name: None,
            seen_url: None,
            ..full.clone()
        };
        let wash_by = NaiveDate::from_ymd_opt(2026, 4, 12);
        let joined = NoticeKind::ALL.map(|kind| {
            let told = match kind {
                NoticeKind::GetReady | NoticeKind::TooLateToWash => None,
                _ => wash_by,
            };
            let region_url = Some("https://pinyon.example.org/region/cedar-flat".into());
            Self { in_force: Some(InForce { kind, wash_by: told, region_url }), ..full.clone() }
        });
        let look = InForce { kind: NoticeKind::InspectNow, wash_by: None, region_url: None };
        let joined_to_look = Self { in_force: Some(look), ..full.clone() };
        let choice = |band: (Option<f64>, Option<f64>), landmarks: &[&str]| HeightChoice {
            region: "cedar-flat".into(),
            name: region_name.to_owned(),
            band: Band { from_m: band.0, to_m: band.1 },
            landmarks: landmarks.iter().map(|name| (*name).to_owned()).collect(),
        };
        let (low, high) = (Some(1981.2), Some(2286.0));
        let two = [choice((None, low), &["Cedar Flat", "Peñasco"]), choice((low, None), &["High Mesa"])];
        let three = [choice((None, low), &["Cedar Flat"]), choice((low, high), &[]), choice((high, None), &[])];
        let asked = [two.to_vec(), three.to_vec()].map(|heights| Self { heights, ..bare.clone() });
        [full, bare, joined_to_look, undated, beanless, clean].into_iter().chain(joined).chain(asked).collect()
    }

    /// The first sample facts that fit such a message.
    pub fn sample_for(kind: TransactionalKind, sender: &Sender, region_name: &str) -> Self {
        let mut samples = Self::samples(sender, region_name);
        let first = samples.iter().position(|sample| sample.fits(kind)).unwrap_or(0);
        samples.swap_remove(first)
    }

    /// Whether these sample facts open a branch of such a message.
    pub(super) fn fits(&self, kind: TransactionalKind) -> bool {
        let about_heights = matches!(kind, TransactionalKind::HowHigh | TransactionalKind::HeightKept);
        (self.in_force.is_none() || kind == TransactionalKind::Welcome)
            && ((self.lacks_day.is_none() && !self.lacks_beans && !self.clean_tree)
                || kind == TransactionalKind::Thanks)
            && about_heights != self.heights.is_empty()
    }

    /// The ZIP codes in words: all in an e-mail, the first and a count in a text.
    pub(super) fn zip_words(&self, channel: Channel) -> String {
        match (channel, self.zips.as_slice()) {
            (_, []) => String::new(),
            (Channel::Sms, [one]) => one.as_str().to_owned(),
            (Channel::Sms, [one, rest @ ..]) => format!("{} +{}", one.as_str(), rest.len()),
            (Channel::Email, all) => all.iter().map(Zip::as_str).collect::<Vec<_>>().join(", "),
        }
    }
}
