//! The way to the page of one's own settings, sent to who asks for it on a page: only the owner of an address reads what
//! is sent there, so no password is needed.

use chrono::TimeDelta;

use super::SignUpError;
use super::preference_link;
use crate::language::Language;
use crate::links;
use crate::message::{Sender, TransactionalFacts, TransactionalKind};
use crate::people::Address;
use crate::service::app::App;
use crate::store::preferences::hour;
use crate::store::transactional;
use crate::store::transactional::NewTransactional;

/// Links that may be asked for in a day for one address.
const PER_DAY: u64 = 3;

/// A link that was not delivered within a day is not waited for any more.
const OF_USE: TimeDelta = TimeDelta::hours(24);

/// Sends the link, when somebody with this address is subscribed and not too many were sent. Whoever asks is not told
/// which it was.
///
/// # Errors
/// When the store fails or the message cannot be worded.
pub async fn send_link(app: &App, to: &Address) -> Result<(), SignUpError> {
    let now = app.clock.now();
    let mut tx = app.store.begin().await?;
    let key = tx.address_id(to).await?;
    let token = preference_link::make(tx.hash(), &key, now);
    let language = crate::store::addresses::standing(&mut tx, &key).await?.2.unwrap_or(Language::En);
    let sent =
        transactional::count_since(&mut tx, &key, &[TransactionalKind::Preferences], now - TimeDelta::days(1)).await?;
    // Worded also for nobody, so that the work is the same.
    let base = app.config.messages.public_url.url();
    let facts = TransactionalFacts {
        preferences_url: base.and_then(|base| links::preferences(base, language, &token)).map(String::from),
        ..TransactionalFacts::of(Sender::from(&app.config.messages))
    };
    let message =
        app.templates.in_use().render_transactional(TransactionalKind::Preferences, language, to.channel(), &facts)?;
    if sent < PER_DAY {
        let letter = NewTransactional {
            kind: TransactionalKind::Preferences,
            to: to.clone(),
            language,
            message,
            fact: format!("asked in hour {}", hour(now)),
            expires_at: now + OF_USE,
        };
        transactional::put(&mut tx, &letter, now).await?;
    }
    tx.commit().await?;
    app.queued.notify_one();
    Ok(())
}
