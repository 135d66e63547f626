//! People at the desk: found by a whole address or by a ZIP code, and what staff do for them. Staff see those who have trees in a
//! region within their reach; where a person has trees elsewhere too, of that no more is told than how many places.

use std::collections::{BTreeMap, BTreeSet};

use super::DeskError;
use crate::people::csv::kept_reason;
use crate::people::{Address, AddressId, NewSubscriber};
use crate::region::{Region, RegionId, Zip};
use crate::service::app::App;
use crate::service::photographs;
use crate::service::subscribe::stop::{erase_for_staff, stop_for_staff};
use crate::store::acts::Act;
use crate::store::audit::address_subject;
use crate::store::bands::Home;
use crate::store::enrolment::Enrolled;
use crate::store::export::Export;
use crate::store::people_found::ConsentNote;
use crate::store::stops::Stopped;
use crate::store::subscriptions::Subscriber;

/// People of one page of a list.
pub const ON_A_PAGE: u32 = 50;

/// Whose people somebody may see.
pub struct PeopleReach {
    /// With their names.
    regions: BTreeMap<RegionId, String>,
    /// All, and those of whose ZIP codes no region has any.
    everywhere: bool,
}

impl PeopleReach {
    /// `sees`: whether a region is one of theirs.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn of(app: &App, everywhere: bool, sees: impl Fn(&Region) -> bool) -> Result<Self, DeskError> {
        let regions = app.store.all_regions().await?;
        let regions =
            regions.into_iter().filter(|region| everywhere || sees(region)).map(|region| (region.id, region.name));
        Ok(Self { regions: regions.collect(), everywhere })
    }

    pub fn is_empty(&self) -> bool {
        !self.everywhere && self.regions.is_empty()
    }

    pub fn is_everywhere(&self) -> bool {
        self.everywhere
    }

    /// The name of one of these regions.
    pub fn name_of(&self, region: &RegionId) -> Option<&str> {
        self.regions.get(region).map(String::as_str)
    }

    fn holds_home(&self, home: &Home) -> bool {
        self.everywhere || home.region.as_ref().is_some_and(|region| self.regions.contains_key(region))
    }

    fn holds(&self, person: &Subscriber) -> bool {
        self.everywhere || person.homes.iter().any(|home| self.holds_home(home))
    }

    /// Those of somebody's places that lie in these regions, and how many lie elsewhere.
    pub fn places<'a>(&self, person: &'a Subscriber) -> (Vec<&'a Home>, usize) {
        let (here, elsewhere): (Vec<&Home>, Vec<&Home>) = person.homes.iter().partition(|home| self.holds_home(home));
        (here, elsewhere.len())
    }

    /// Whether a new person may have these ZIP codes.
    ///
    /// # Errors
    /// [`DeskError::ZipNotYours`] with the first that lies elsewhere.
    pub async fn check_zips(&self, app: &App, zips: &[Zip]) -> Result<(), DeskError> {
        if self.everywhere {
            return Ok(());
        }
        let own = self.zips(app).await?;
        match zips.iter().find(|zip| !own.contains(zip)) {
            Some(zip) => Err(DeskError::ZipNotYours { zip: zip.to_string() }),
            None => Ok(()),
        }
    }

    /// The ZIP codes of these regions.
    ///
    /// # Errors
    /// When the store fails.
    pub async fn zips(&self, app: &App) -> Result<BTreeSet<Zip>, DeskError> {
        let regions = app.store.regions().await?;
        Ok(regions
            .into_iter()
            .filter(|region| self.regions.contains_key(&region.id))
            .flat_map(|region| region.zips)
            .collect())
    }
}

/// Some of the people of a ZIP code.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    pub people: Vec<Subscriber>,
    /// After whom the next page begins, if there is one.
    pub next: Option<String>,
}

/// People with a ZIP code, after the one whose id is `after`.
///
/// # Errors
/// [`DeskError::ZipNotYours`].
pub async fn at_zip(app: &App, reach: &PeopleReach, zip: &Zip, after: &str) -> Result<Found, DeskError> {
    reach.check_zips(app, std::slice::from_ref(zip)).await?;
    let mut people = app.store.subscribers_at(zip, after, ON_A_PAGE + 1).await?;
    let is_more = people.len() > ON_A_PAGE as usize;
    people.truncate(ON_A_PAGE as usize);
    let next = people.last().filter(|_| is_more).map(|last| last.id.clone());
    // Where a ZIP code has several regions, some of its people are another's.
    people.retain(|person| person.homes.iter().any(|home| home.zip == *zip && reach.holds_home(home)));
    Ok(Found { people, next })
}

/// The owner of an address; of somebody elsewhere it is not told that there is one.
///
/// # Errors
/// When the store fails.
pub async fn by_address(app: &App, reach: &PeopleReach, address: &Address) -> Result<Option<Subscriber>, DeskError> {
    Ok(app.store.subscriber_of(address).await?.filter(|person| reach.holds(person)))
}

/// Somebody by their id, as commands name them; of somebody elsewhere it is not told that there is one.
///
/// # Errors
/// When the store fails.
pub async fn by_id(app: &App, reach: &PeopleReach, id: &str) -> Result<Option<Subscriber>, DeskError> {
    Ok(app.store.subscriber(id).await?.filter(|person| reach.holds(person)))
}

/// One person, and what they agreed to.
#[derive(Clone, Debug, PartialEq)]
pub struct PersonInDepth {
    pub person: Subscriber,
    pub consents: Vec<ConsentNote>,
}

/// # Errors
/// [`DeskError::NoSuchPerson`].
pub async fn person_in_depth(app: &App, reach: &PeopleReach, id: &str) -> Result<PersonInDepth, DeskError> {
    let person = person(app, reach, id).await?;
    let consents = app.store.consents_of_subscriber(id).await?;
    Ok(PersonInDepth { person, consents })
}

async fn person(app: &App, reach: &PeopleReach, id: &str) -> Result<Subscriber, DeskError> {
    by_id(app, reach, id).await?.ok_or(DeskError::NoSuchPerson)
}

/// A reason that is kept for years.
///
/// # Errors
/// [`DeskError::Reason`] where none was given, or it holds an address.
pub fn reason(why: &str) -> Result<String, DeskError> {
    kept_reason(why).map_err(DeskError::Reason)
}

/// A person whose addresses are shown in full. The store of `app` acts for whoever looks, with their reason; what cannot be noted is
/// not shown.
///
/// # Errors
/// [`DeskError::NoSuchPerson`].
pub async fn in_clear(app: &App, reach: &PeopleReach, id: &str) -> Result<Subscriber, DeskError> {
    let person = person(app, reach, id).await?;
    app.store.note_act(Act::SubscribersListed, &subject(&person), "1 subscriber shown in full").await?;
    Ok(person)
}

fn subject(person: &Subscriber) -> String {
    let subjects: Vec<String> = person.addresses.iter().map(|known| address_subject(&known.id)).collect();
    subjects.join(" ")
}

/// Subscribes somebody who agreed on paper, by telephone or in person; as `subscriber add`.
///
/// # Errors
/// [`DeskError::ZipNotYours`]; as [`Store::add_subscriber`](crate::store::Store::add_subscriber).
pub async fn add(app: &App, reach: &PeopleReach, new: &NewSubscriber) -> Result<Enrolled, DeskError> {
    reach.check_zips(app, &new.zips).await?;
    let enrolled = app.store.add_subscriber(new, app.clock.now()).await?;
    app.queued.notify_one();
    Ok(enrolled)
}

/// Ends messages to somebody, who stays on the list: to one of their addresses, or to all.
///
/// # Errors
/// [`DeskError::NoSuchPerson`], also of an address that is not theirs; [`DeskError::Reason`].
pub async fn stop(
    app: &App,
    reach: &PeopleReach,
    id: &str,
    only: Option<&AddressId>,
    how: &str,
) -> Result<Stopped, DeskError> {
    let how = reason(how)?;
    let person = person(app, reach, id).await?;
    let keys: Vec<AddressId> = person
        .addresses
        .iter()
        .filter(|known| only.is_none_or(|only| known.id == *only))
        .map(|known| known.id.clone())
        .collect();
    if keys.is_empty() {
        return Err(DeskError::NoSuchPerson);
    }
    Ok(stop_for_staff(&app.store, &*app.clock, &keys, &how).await?)
}

/// All that is kept of somebody, for them; photographs of their trees too, where their files are there.
///
/// # Errors
/// [`DeskError::NoSuchPerson`], [`DeskError::Photograph`].
pub async fn export(app: &App, reach: &PeopleReach, id: &str) -> Result<Export, DeskError> {
    let person = person(app, reach, id).await?;
    let first = person.addresses.first().ok_or(DeskError::NoSuchPerson)?;
    let mut export = app.store.export_subscriber(&first.address).await?;
    let filled = photographs::fill(&app.config, &mut export).await;
    filled.map_err(|why| DeskError::Photograph(why.to_string()))?;
    Ok(export)
}

/// Erases somebody: nothing more is sent, and the addresses can only be given again by their owner.
///
/// # Errors
/// [`DeskError::NoSuchPerson`], [`DeskError::Reason`].
pub async fn erase(app: &App, reach: &PeopleReach, id: &str, how: &str) -> Result<Stopped, DeskError> {
    let how = reason(how)?;
    let person = person(app, reach, id).await?;
    let first = person.addresses.first().ok_or(DeskError::NoSuchPerson)?;
    Ok(erase_for_staff(&app.config, &app.store, &*app.clock, &first.address, &how).await?)
}
