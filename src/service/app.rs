//! The parts a service is made of, put together from the settings.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::{Mutex, Notify};

use crate::clock::Clock;
use crate::config::Config;
use crate::files;
use crate::message::{Sender, TemplateFaults, Templates};
use crate::metrics::Metrics;
use crate::progress::Progress;
use crate::randomness::Randomness;
use crate::season::profile::{Profile, ProfileFault, Profiles};
use crate::service::keys;
use crate::service::profile_shelf::{ProfileShelf, ShelfError};
use crate::service::reached_days::ReachedDays;
use crate::service::skill_cache::SkillCache;
use crate::service::wording_shelf::WordingShelf;
use crate::store::{Store, StoreError};

/// Everything the cycle, the dispatcher and replay share. Cheap to clone.
#[derive(Clone)]
pub struct App {
    pub config: Arc<Config>,
    pub store: Store,
    pub clock: Arc<dyn Clock>,
    pub profiles: ProfileShelf,
    /// The words of messages.
    pub templates: WordingShelf,
    /// What this process knows already of how good projections have been.
    pub skills: Arc<SkillCache>,
    /// … and of when stations reached the heat of a stage in past seasons.
    pub reached_days: Arc<ReachedDays>,
    /// Held by whoever works out what the pages show: a second one would do the same work.
    pub views_turn: Arc<Mutex<()>>,
    /// Told when something was put into the queue, so that it leaves at once and not at the dispatcher's next look.
    pub queued: Arc<Notify>,
    /// What this process counts of itself.
    pub metrics: Metrics,
    /// Where its parts say that they go on.
    pub progress: Progress,
}

#[derive(Debug, thiserror::Error)]
pub enum AppError {
    #[error("the folder of profiles `{}` cannot be read", .folder.display())]
    ProfileFolder { folder: PathBuf, source: std::io::Error },
    #[error("{}", .faults.iter().map(|fault| format!("{}: {fault}", .file.display())).collect::<Vec<_>>().join("\n"))]
    Profile { file: PathBuf, faults: Vec<ProfileFault> },
    #[error("the profile in `{}` cannot be read", .file.display())]
    ProfileFile { file: PathBuf, source: std::io::Error },
    #[error(transparent)]
    Templates(#[from] TemplateFaults),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Adopted(ShelfError),
    // A fault of the settings is text at a place, not an error that could be linked.
    #[error("store.address_secret: {0}")]
    Secret(crate::config::ConfigFault),
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Keys(Vec<crate::config::ConfigFault>),
}

impl From<ShelfError> for AppError {
    fn from(why: ShelfError) -> Self {
        match why {
            ShelfError::Store(why) => Self::Store(why),
            adopted @ ShelfError::Adopted { .. } => Self::Adopted(adopted),
        }
    }
}

impl App {
    /// Opens the store that the settings name and reads profiles and templates.
    ///
    /// # Errors
    /// The first part that cannot be had, with the place and the mend.
    pub async fn open(config: &Config, clock: Arc<dyn Clock>, randomness: &Randomness) -> Result<Self, AppError> {
        // Files first: a fault in them is no reason to bring a store's schema up to date.
        let (profiles, templates) = (load_profiles(config)?, Templates::load(config.messages.folder.as_deref())?);
        let store = open_store(config, randomness).await?;
        let app = Self::with_store(config, clock, store, profiles, templates);
        app.profiles.renew(&app.store).await?;
        app.renew_words().await?;
        Ok(app)
    }

    /// Takes up what staff wrote of messages, if any of it has changed.
    ///
    /// # Errors
    /// When the store fails: then the words in use stay.
    pub async fn renew_words(&self) -> Result<(), StoreError> {
        self.templates.renew(&self.store, &Sender::from(&self.config.messages)).await
    }

    pub fn with_store(
        config: &Config,
        clock: Arc<dyn Clock>,
        store: Store,
        profiles: Profiles,
        templates: Templates,
    ) -> Self {
        Self {
            config: Arc::new(config.clone()),
            store,
            clock,
            profiles: ProfileShelf::new(profiles),
            templates: WordingShelf::new(templates),
            skills: Arc::default(),
            reached_days: Arc::default(),
            views_turn: Arc::default(),
            queued: Arc::new(Notify::new()),
            metrics: Metrics::default(),
            progress: Progress::default(),
        }
    }
}

/// The store that the settings name.
///
/// # Errors
/// When there is none, or the address or its secret cannot be used.
pub async fn open_store(config: &Config, randomness: &Randomness) -> Result<Store, AppError> {
    let keys = keys::read(config).await.map_err(AppError::Keys)?;
    Ok(Store::open(&store_address(config).await?, &config.store.trust(), keys.as_ref(), randomness).await?)
}

/// As [`open_store`], and makes it where there is none: for `store init` and the demo.
///
/// # Errors
/// When the address, its secret or a key cannot be used.
pub async fn make_store(config: &Config, randomness: &Randomness) -> Result<Store, AppError> {
    let keys = keys::read(config).await.map_err(AppError::Keys)?;
    Ok(Store::make(&store_address(config).await?, &config.store.trust(), keys.as_ref(), randomness).await?)
}

/// As [`open_store`], of a store with the schema of this program; `None` of any other, which is left as it is.
///
/// # Errors
/// As [`open_store`].
pub async fn open_store_if_current(config: &Config, randomness: &Randomness) -> Result<Option<Store>, AppError> {
    let keys = keys::read(config).await.map_err(AppError::Keys)?;
    let (address, trust) = (store_address(config).await?, config.store.trust());
    Ok(Store::open_if_current(&address, &trust, keys.as_ref(), randomness).await?)
}

/// The address of the store, with its password if it has one.
///
/// # Errors
/// When its secret cannot be read.
pub async fn store_address(config: &Config) -> Result<String, AppError> {
    match &config.store.address_secret {
        Some(secret) => Ok(secret.read().await.map_err(AppError::Secret)?.expose().to_owned()),
        None => Ok(config.store.address.clone()),
    }
}

/// The built-in profiles and those of the settings' folder, without what was adopted.
///
/// # Errors
/// Every fault of the first file that has any.
pub fn load_profiles(config: &Config) -> Result<Profiles, AppError> {
    let (profiles, faults) = read_profiles(config);
    faults.into_iter().next().map_or(Ok(profiles), Err)
}

/// As [`load_profiles`], with the faults of every file.
#[expect(clippy::disallowed_methods, reason = "profiles are read before anything is served")]
pub fn read_profiles(config: &Config) -> (Profiles, Vec<AppError>) {
    let (mut profiles, mut faults) = (Profiles::default(), Vec::new());
    let Some(folder) = &config.profiles.folder else { return (profiles, faults) };
    let mut found = match std::fs::read_dir(folder).and_then(Iterator::collect::<Result<Vec<_>, _>>) {
        Ok(entries) => entries.into_iter().map(|entry| entry.path()).collect(),
        Err(source) => {
            faults.push(AppError::ProfileFolder { folder: folder.clone(), source });
            Vec::new()
        }
    };
    found.retain(|file| file.extension().is_some_and(|extension| extension == "toml"));
    found.sort();
    for file in found {
        match files::read_text(&file, LARGEST_PROFILE).map(|text| Profile::parse(&text)) {
            Ok(Ok(profile)) => profiles.put(profile),
            Ok(Err(faulty)) => faults.push(AppError::Profile { file, faults: faulty }),
            Err(source) => faults.push(AppError::ProfileFile { file, source }),
        }
    }
    (profiles, faults)
}

/// Longest file of a profile, bytes: ours has eight thousand.
const LARGEST_PROFILE: u64 = 1 << 20;
