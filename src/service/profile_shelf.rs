//! The profiles in use: those of the program and of files, and over them what staff adopted, which may change while the
//! service runs.

use std::sync::{Arc, PoisonError, RwLock};

use crate::season::profile::{Holds, Profile, ProfileFault, Profiles};
use crate::store::learning::AdoptedProfile;
use crate::store::{Store, StoreError};

/// Why the profiles in use could not be read anew.
#[derive(Debug, thiserror::Error)]
pub enum ShelfError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(
        "version {version} of profile `{profile}`, which was adopted, cannot be read by this program: {}",
        .faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
    )]
    Adopted { profile: String, version: u32, faults: Vec<ProfileFault> },
}

/// Cheap to clone; all clones show the same profiles.
#[derive(Clone)]
pub struct ProfileShelf {
    /// Without what was adopted.
    given: Arc<Profiles>,
    in_use: Arc<RwLock<Arc<Profiles>>>,
    held: bool,
}

impl ProfileShelf {
    /// With the profiles of the program and of files; what was adopted comes with [`ProfileShelf::renew`].
    pub fn new(given: Profiles) -> Self {
        let given = Arc::new(given);
        Self { in_use: Arc::new(RwLock::new(Arc::clone(&given))), given, held: false }
    }

    /// With these and never others, whatever a store says: for what is played or tried.
    pub fn held(profiles: Profiles) -> Self {
        Self { held: true, ..Self::new(profiles) }
    }

    pub fn all(&self) -> Arc<Profiles> {
        Arc::clone(&self.in_use.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// The profile as it is now; who keeps it keeps that version.
    pub fn get(&self, id: &str) -> Option<Arc<Profile>> {
        self.all().shared(id)
    }

    /// Reads what was adopted.
    ///
    /// # Errors
    /// When the store fails or holds a profile that cannot be read: then those in use stay.
    pub async fn renew(&self, store: &Store) -> Result<(), ShelfError> {
        if self.held {
            return Ok(());
        }
        let (profiles, _) = with_adopted(&self.given, store).await?;
        *self.in_use.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(profiles);
        Ok(())
    }
}

/// Profiles with the newest of those that were adopted over them, and which of the two holds.
///
/// # Errors
/// See [`ShelfError`].
pub async fn with_adopted(
    given: &Profiles,
    store: &Store,
) -> Result<(Profiles, Vec<(AdoptedProfile, Holds)>), ShelfError> {
    let mut newest: Vec<AdoptedProfile> = Vec::new();
    for adopted in store.adopted_profiles().await? {
        newest.retain(|before| before.profile != adopted.profile);
        newest.push(adopted);
    }
    let mut profiles = given.clone();
    let mut told = Vec::with_capacity(newest.len());
    for adopted in newest {
        let profile = Profile::parse(&adopted.text).map_err(|faults| ShelfError::Adopted {
            profile: adopted.profile.clone(),
            version: adopted.version,
            faults,
        })?;
        let holds = profiles.adopt(profile);
        told.push((adopted, holds));
    }
    Ok((profiles, told))
}
