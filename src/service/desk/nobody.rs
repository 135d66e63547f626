//! Notices that left and had nobody to go to.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};

use crate::season::NoticeId;
use crate::service::app::App;
use crate::store::StoreError;

/// Behind how one left.
pub const HAD_NOBODY: &str = "; it had nobody to go to";

/// Those that left and had nobody to go to, as far back as that can be told: of older ones the deliveries are gone whoever got them.
///
/// # Errors
/// When the store fails.
pub async fn left_to_nobody(app: &App) -> Result<BTreeSet<NoticeId>, StoreError> {
    let kept = TimeDelta::days(i64::from(app.config.retention.messages_days));
    let since = app.clock.now().checked_sub_signed(kept).unwrap_or(DateTime::<Utc>::MIN_UTC);
    app.store.left_to_nobody(since).await
}

/// `; 47 addresses are signed up now`, and nothing where there is none.
pub(super) fn signed_up_now(addresses: u64) -> String {
    match addresses {
        0 => String::new(),
        1 => "; 1 address is signed up now".to_owned(),
        n => format!("; {n} addresses are signed up now"),
    }
}
