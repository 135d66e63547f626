//! What a service was started with, for the audit: settings, profiles and wording, each known by a digest.

use sha2::{Digest, Sha256};

use crate::service::app::App;
use crate::store::acts::{Act, Actor};
use crate::store::audit::AuditFilter;
use crate::store::{Store, StoreError};

/// Notes settings, profiles and the wording of program and folder that differ from those noted last; with `begins`, as of a service that starts, the
/// settings in any case.
///
/// # Errors
/// When the store fails.
pub async fn note_loaded(app: &App, actor: Actor, begins: bool) -> Result<(), StoreError> {
    let store = app.store.acting(actor);
    // The address may hold a password, which could be guessed from a digest.
    let mut config = (*app.config).clone();
    config.store.address = store.shown().to_owned();
    let text = toml::to_string(&config).unwrap_or_default();
    note(&store, Act::SettingsLoaded, "settings", &digest(text.as_bytes()), begins).await?;
    for profile in app.profiles.all().iter() {
        let detail = format!("version {}, {}", profile.version, digest(profile.to_toml().as_bytes()));
        note(&store, Act::SettingsLoaded, &format!("profile/{}", profile.id), &detail, false).await?;
    }
    note(&store, Act::WordingLoaded, "wording", &digest(app.templates.given().sources().as_bytes()), false).await
}

async fn note(store: &Store, act: Act, subject: &str, detail: &str, always: bool) -> Result<(), StoreError> {
    let same =
        AuditFilter { act: Some(act), about: Some(subject.to_owned()), limit: Some(1), ..AuditFilter::default() };
    let last = store.audit(&same).await?;
    if always || last.first().is_none_or(|entry| entry.detail != detail) {
        store.note_act(act, subject, detail).await?;
    }
    Ok(())
}

fn digest(bytes: &[u8]) -> String {
    format!("sha256 {}", hex::encode(&Sha256::digest(bytes)[..8]))
}
