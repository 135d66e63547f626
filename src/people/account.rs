//! Accounts of staff: their names, their roles, and what each role may do where. Pure.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::region::{Region, RegionId};

/// What an account is called: by this name its holder signs in, and the audit names it for seven years. So it is a short name
/// and never an e-mail address, which is personal.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct AccountName(String);

/// Shortest and longest name, characters.
const NAME_LENGTH: std::ops::RangeInclusive<usize> = 2..=32;

#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AccountNameError {
    #[error("an account has a short name, not an e-mail address, since the audit keeps it for years: such as `maria`")]
    Address,
    #[error("a name has 2 to 32 characters: a letter first, then letters, digits, `.`, `-` and `_`, such as `maria`")]
    Form,
}

impl AccountName {
    /// Capital letters become small ones.
    ///
    /// # Errors
    /// What the name must be like.
    pub fn parse(text: &str) -> Result<Self, AccountNameError> {
        let name = text.trim().to_ascii_lowercase();
        if name.contains('@') {
            return Err(AccountNameError::Address);
        }
        let is_sound = NAME_LENGTH.contains(&name.len())
            && name.starts_with(|c: char| c.is_ascii_lowercase())
            && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '.' | '-' | '_'));
        if is_sound { Ok(Self(name)) } else { Err(AccountNameError::Form) }
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for AccountName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl TryFrom<String> for AccountName {
    type Error = AccountNameError;

    fn try_from(text: String) -> Result<Self, AccountNameError> {
        Self::parse(&text)
    }
}

impl From<AccountName> for String {
    fn from(name: AccountName) -> Self {
        name.0
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Sees everything that staff see and enters what was seen at trees.
    Observer,
    /// As an observer, and acts on the regions within reach.
    Staff,
    /// As staff of every region, and changes what holds for all.
    Administrator,
}

/// What somebody at the desk wants to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Deed {
    /// Read pages.
    See,
    /// Enter a field report.
    Report,
    /// Release, hold, call off, change: of a region within reach.
    Act,
    /// What holds for all regions: wordings, profiles, accounts.
    Administer,
}

impl Role {
    pub const ALL: [Role; 3] = [Role::Observer, Role::Staff, Role::Administrator];

    /// As the store keeps it.
    pub fn name(self) -> &'static str {
        match self {
            Role::Observer => "observer",
            Role::Staff => "staff",
            Role::Administrator => "administrator",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.name() == name)
    }

    /// Whether the role allows it anywhere at all; of [`Deed::Act`] see also [`Account::may_act_on`].
    pub fn may(self, deed: Deed) -> bool {
        match deed {
            Deed::See | Deed::Report => true,
            Deed::Act => self != Role::Observer,
            Deed::Administer => self == Role::Administrator,
        }
    }

    /// Who may let messages out wants more than a password.
    pub fn needs_second_factor(self) -> bool {
        self.may(Deed::Act)
    }
}

/// A county, as regions name it; with a state where two states have one of this name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct County {
    pub name: String,
    pub state: Option<String>,
}

impl County {
    /// `Name` or `Name, State`; `None` when there is no name, or one that is too long.
    pub fn parse(text: &str) -> Option<Self> {
        const LONGEST: usize = 120;
        if text.chars().count() > LONGEST || text.chars().any(char::is_control) {
            return None;
        }
        let (name, state) = text.split_once(',').map_or((text, None), |(name, state)| (name, Some(state)));
        let given = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        Some(Self { name: given(name)?, state: state.and_then(given) })
    }

    /// Whether a region says that it lies there.
    pub fn holds(&self, region: &Region) -> bool {
        let same = |ours: &str, theirs: Option<&String>| theirs.is_some_and(|theirs| bare(theirs) == bare(ours));
        same(&self.name, region.county.as_ref())
            && self.state.as_ref().is_none_or(|state| same(state, region.state.as_ref()))
    }
}

/// `Vista County` and `vista` are one.
fn bare(name: &str) -> String {
    let name = name.trim().to_lowercase();
    name.strip_suffix(" county").unwrap_or(&name).trim_end().to_owned()
}

impl fmt::Display for County {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.state {
            Some(state) => write!(f, "{}, {state}", self.name),
            None => f.write_str(&self.name),
        }
    }
}

/// Which regions staff may act on. Empty: none. An administrator needs none.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct RegionReach {
    pub regions: Vec<RegionId>,
    pub counties: Vec<County>,
}

impl RegionReach {
    pub fn is_empty(&self) -> bool {
        self.regions.is_empty() && self.counties.is_empty()
    }

    pub fn holds(&self, region: &Region) -> bool {
        self.regions.contains(&region.id) || self.counties.iter().any(|county| county.holds(region))
    }
}

impl fmt::Display for RegionReach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counties = self.counties.iter().map(|county| format!("county {county}"));
        let all: Vec<String> = self.regions.iter().map(ToString::to_string).chain(counties).collect();
        f.write_str(&all.join("; "))
    }
}

/// Whoever is at the desk, and what they may do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Account {
    pub name: AccountName,
    pub role: Role,
    pub reach: RegionReach,
}

impl Account {
    pub fn may(&self, deed: Deed) -> bool {
        self.role.may(deed)
    }

    pub fn may_act_on(&self, region: &Region) -> bool {
        match self.role {
            Role::Observer => false,
            Role::Staff => self.reach.holds(region),
            Role::Administrator => true,
        }
    }

    /// Whether they may add a region anywhere at all. Whoever keeps a county keeps the regions that come in it; whoever keeps
    /// single regions keeps no place for a new one.
    pub fn may_add_regions(&self) -> bool {
        self.may(Deed::Administer) || (self.may(Deed::Act) && !self.reach.counties.is_empty())
    }

    /// Whether they may add this one. Its county is then to be one that somebody else told, not the account itself.
    pub fn may_add(&self, region: &Region) -> bool {
        self.may(Deed::Administer)
            || (self.may(Deed::Act) && self.reach.counties.iter().any(|county| county.holds(region)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_short_and_no_address() {
        for (text, name) in [("maria", "maria"), (" Maria.Lopez ", "maria.lopez"), ("a1", "a1"), ("j_doe-2", "j_doe-2")]
        {
            assert_eq!(AccountName::parse(text).unwrap().as_str(), name);
        }
        for text in ["", "a", "1a", ".a", "máría", "a b", "a/b", "a\nb", &"a".repeat(33)] {
            assert_eq!(AccountName::parse(text), Err(AccountNameError::Form), "{text}");
        }
        assert_eq!(AccountName::parse("maria@example.org"), Err(AccountNameError::Address));
    }

    #[test]
    fn counties_are_one_however_they_are_written() {
        for (text, name, state) in [("Vista", "Vista", None), ("Vista County, Demo ", "Vista County", Some("Demo"))] {
            assert_eq!(County::parse(text), Some(County { name: name.into(), state: state.map(str::to_owned) }));
        }
        assert_eq!((County::parse(" "), County::parse(", Demo"), County::parse("a\nb")), (None, None, None));
        assert_eq!(bare("Vista County"), bare(" vista"));
        assert_ne!(bare("Vista"), bare("Alta Vista"));
    }

    #[test]
    fn roles_have_one_name_everywhere_and_each_may_what_the_one_before_may() {
        for role in Role::ALL {
            assert_eq!(serde_json::to_value(role).unwrap(), role.name());
            assert_eq!(Role::parse(role.name()), Some(role));
        }
        for deed in [Deed::See, Deed::Report, Deed::Act, Deed::Administer] {
            let may = Role::ALL.map(|role| role.may(deed));
            assert!(may.is_sorted(), "{deed:?}: {may:?}");
        }
        assert!(!Role::Observer.needs_second_factor() && Role::Staff.needs_second_factor());
    }

    fn region(id: &str, county: &str) -> Region {
        Region { county: Some(county.into()), ..Region::bare(id) }
    }

    #[test]
    fn an_observer_acts_on_no_region_whatever_is_within_reach() {
        let (by_id, by_county, other) = (region("north", "Mesa"), region("south", "Vista"), region("east", "Mesa"));
        let reach =
            RegionReach { regions: vec!["north".into()], counties: County::parse("Vista").into_iter().collect() };
        for (role, may) in [
            (Role::Observer, [false, false, false]),
            (Role::Staff, [true, true, false]),
            (Role::Administrator, [true, true, true]),
        ] {
            let account = Account { name: AccountName::parse("maria").unwrap(), role, reach: reach.clone() };
            assert_eq!([&by_id, &by_county, &other].map(|region| account.may_act_on(region)), may, "{role:?}");
        }
    }
}
