//! What programs do at the desk, and the tokens that let them: they read where the regions stand and enter field reports. A
//! report of a program waits for a word of staff; nothing that a token opens lets a message out.

use chrono::{DateTime, TimeDelta, Utc};

use super::secrets::{digest, new_token};
use super::{DeskError, Hand, reports, today};
use crate::people::access_token::Scope;
use crate::people::account::AccountName;
use crate::region::RegionId;
use crate::service::app::App;
use crate::store::accounts::access_tokens::{AccessToken, token_subject};
use crate::store::acts::Actor;
use crate::store::field_reports::NewFieldReport;
use crate::store::{Conflict, Store, StoreError};

/// Field reports that one program may enter in a day: more than staff can judge are a program gone wrong. Our own choice.
pub const REPORTS_A_DAY: u64 = 200;

/// What a token is made for.
#[derive(Clone, Debug)]
pub struct NewAccessToken {
    pub name: AccountName,
    pub scope: Scope,
    /// Empty: all regions.
    pub regions: Vec<RegionId>,
    pub good_for: TimeDelta,
}

/// Makes a token. Gives it: it is kept nowhere.
///
/// # Errors
/// When the name was given before, or a region is unknown or retired.
pub async fn make_token(store: &Store, new: &NewAccessToken, now: DateTime<Utc>) -> Result<String, StoreError> {
    for region in &new.regions {
        if store.region(region).await?.retired {
            return Err(Conflict::RetiredRegion { id: region.clone() }.into());
        }
    }
    let mut tx = store.begin().await?;
    let token = new_token(tx.randomness());
    let kept = AccessToken {
        name: new.name.clone(),
        scope: new.scope,
        regions: new.regions.clone(),
        made_at: now,
        expires_at: now + new.good_for,
        used_at: None,
        ended_at: None,
    };
    tx.add_access_token(&kept, &digest(&token)).await?;
    tx.commit().await?;
    Ok(token)
}

/// Ends a token. Gives whether it was good until now.
///
/// # Errors
/// When there is none of this name.
pub async fn end_token(store: &Store, name: &AccountName, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let mut tx = store.begin().await?;
    let was_good = tx.end_access_token(name, now).await?;
    tx.commit().await?;
    Ok(was_good)
}

/// Whose token this is; `None` where it is none of ours, or over.
///
/// # Errors
/// When the store fails.
pub async fn program(app: &App, token: &str) -> Result<Option<AccessToken>, StoreError> {
    app.store.access_token(&digest(token), app.clock.now()).await
}

/// Today, of the regions that a token is for; see [`today::today_beside`].
///
/// # Errors
/// When the store fails.
pub async fn regions_for(
    app: &App,
    token: &AccessToken,
    on_page: today::OnPage<'_>,
) -> Result<today::Today, DeskError> {
    let reach = |region: &crate::region::Region| token.reaches(&region.id);
    let hand = Hand { by: token.name.as_str(), reach: &reach };
    today::today_beside(app, hand, &today::Filters::default(), on_page).await
}

/// What came of a report that a program entered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ReportEntered {
    /// Its id; the same report twice has the same.
    Kept(String),
    /// The program has entered [`REPORTS_A_DAY`] within a day.
    TooMany,
}

/// Keeps a report that waits for a word of staff, whatever `new` says of that.
///
/// # Errors
/// [`DeskError::NotYours`] of a region that the token is not for.
pub async fn enter_report(
    app: &App,
    token: &AccessToken,
    user: &str,
    new: &NewFieldReport,
) -> Result<ReportEntered, DeskError> {
    if !token.reaches(&new.region) {
        return Err(DeskError::NotYours { region: new.region.to_string() });
    }
    let now = app.clock.now();
    if app.store.reports_entered_by(&token.name, now - TimeDelta::days(1)).await? >= REPORTS_A_DAY {
        return Ok(ReportEntered::TooMany);
    }
    let by = token_subject(&token.name);
    let actor = Actor { user: user.to_owned(), account: Some(by.clone()), why: None, clock: app.clock.clone() };
    let acting = App { store: app.store.acting(actor), ..app.clone() };
    let new = NewFieldReport { confirmed: false, person: Some(token.name.to_string()), ..new.clone() };
    let hand = Hand { by: &by, reach: &|_| false };
    reports::enter(&acting, hand, &new, None).await.map(ReportEntered::Kept)
}
