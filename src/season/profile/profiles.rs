//! Profiles by id: the built-in one, files that add to it or stand in its place, and beliefs adopted over both.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::Profile;

/// The profiles in use, by id.
#[derive(Clone, Debug)]
pub struct Profiles(BTreeMap<String, Held>);

#[derive(Clone, Debug)]
struct Held {
    profile: Arc<Profile>,
    built_in: bool,
}

impl Default for Profiles {
    fn default() -> Self {
        let built_in = Profile::pinyon_needle_scale();
        Self(BTreeMap::from([(built_in.id.clone(), Held { profile: Arc::new(built_in), built_in: true })]))
    }
}

impl Profiles {
    pub fn get(&self, id: &str) -> Option<&Profile> {
        self.0.get(id).map(|held| held.profile.as_ref())
    }

    /// As [`Profiles::get`], to be kept.
    pub fn shared(&self, id: &str) -> Option<Arc<Profile>> {
        self.0.get(id).map(|held| Arc::clone(&held.profile))
    }

    /// In the order of their ids.
    pub fn iter(&self) -> impl Iterator<Item = &Profile> {
        self.0.values().map(|held| held.profile.as_ref())
    }

    /// Adds a profile, in place of one of the same id.
    pub fn put(&mut self, profile: Profile) {
        self.0.insert(profile.id.clone(), Held { profile: Arc::new(profile), built_in: false });
    }

    /// Puts a profile that staff adopted over the one of the same id. Only a file with a higher version holds against it:
    /// somebody wrote that one later and knew what they did, while the built-in one may be new with the program alone.
    pub fn adopt(&mut self, profile: Profile) -> Holds {
        match self.0.get(&profile.id) {
            Some(there) if !there.built_in && there.profile.version > profile.version => Holds::File,
            _ => {
                self.put(profile);
                Holds::Adopted
            }
        }
    }
}

/// Which of two profiles of one id is in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// The one that staff adopted.
    Adopted,
    /// The file's.
    File,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn version(version: u32) -> Profile {
        Profile { version, ..Profile::pinyon_needle_scale() }
    }

    #[test]
    fn an_adopted_profile_holds_against_the_built_in_one_and_against_files_that_are_not_newer() {
        let mut profiles = Profiles::default();
        assert_eq!(profiles.adopt(version(1)), Holds::Adopted);

        for (file, adopted, holds) in [(1, 2, Holds::Adopted), (2, 2, Holds::Adopted), (3, 2, Holds::File)] {
            let mut profiles = Profiles::default();
            profiles.put(version(file));
            assert_eq!(profiles.adopt(version(adopted)), holds, "file {file}, adopted {adopted}");
            let kept = profiles.get("pinyon-needle-scale").map(|profile| profile.version);
            assert_eq!(kept, Some(file.max(adopted)));
        }
    }
}
