//! The parts a service is made of, put together from the settings.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::Notify;

use crate::clock::Clock;
use crate::config::Config;
use crate::message::{TemplateFaults, Templates};
use crate::randomness::Randomness;
use crate::season::profile::{Profile, ProfileFault, Profiles};
use crate::service::profile_shelf::{ProfileShelf, ShelfError};
use crate::service::skill_cache::SkillCache;
use crate::store::{Store, StoreError};

/// Everything the cycle, the dispatcher and replay share. Cheap to clone.
#[derive(Clone)]
pub struct App {
    pub config: Arc<Config>,
    pub store: Store,
    pub clock: Arc<dyn Clock>,
    pub profiles: ProfileShelf,
    pub templates: Arc<Templates>,
    /// What this process knows already of how good projections have been.
    pub skills: Arc<SkillCache>,
    /// Told when something was put into the queue, so that it leaves at once and not at the dispatcher's next look.
    pub queued: Arc<Notify>,
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
        // Files first: a fault in them should not leave an empty database behind.
        let (profiles, templates) = (load_profiles(config)?, Templates::load(config.messages.folder.as_deref())?);
        let store = open_store(config, randomness).await?;
        let app = Self::with_store(config, clock, store, profiles, templates);
        app.profiles.renew(&app.store).await?;
        Ok(app)
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
            templates: Arc::new(templates),
            skills: Arc::default(),
            queued: Arc::new(Notify::new()),
        }
    }
}

/// # Errors
/// When the address or its secret cannot be used.
pub async fn open_store(config: &Config, randomness: &Randomness) -> Result<Store, AppError> {
    match &config.store.address_secret {
        Some(secret) => {
            let address = secret.read().await.map_err(AppError::Secret)?;
            Ok(Store::open(address.expose(), randomness).await?)
        }
        None => Ok(Store::open(&config.store.address, randomness).await?),
    }
}

/// The built-in profiles and those of the settings' folder, without what was adopted.
///
/// # Errors
/// Every fault of the first file that has any.
#[expect(clippy::disallowed_methods, reason = "profiles are read before anything is served")]
pub fn load_profiles(config: &Config) -> Result<Profiles, AppError> {
    let mut profiles = Profiles::default();
    let Some(folder) = &config.profiles.folder else { return Ok(profiles) };
    let unreadable = |source| AppError::ProfileFolder { folder: folder.clone(), source };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let file = entry.map_err(unreadable)?.path();
        if file.extension().is_some_and(|extension| extension == "toml") {
            files.push(file);
        }
    }
    files.sort();
    for file in files {
        let text =
            std::fs::read_to_string(&file).map_err(|source| AppError::ProfileFile { file: file.clone(), source })?;
        profiles.put(Profile::parse(&text).map_err(|faults| AppError::Profile { file, faults })?);
    }
    Ok(profiles)
}
