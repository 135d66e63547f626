//! By code: the second step, how a second factor is set up, and what lets in when the phone is lost.

use chrono::{DateTime, Utc};
use data_encoding::BASE32_NOPAD;
use tracing::error;

use super::codes::{SECRET_BYTES, spelled, step_of_code};
use super::secrets::{Credentials, digest};
use super::sessions::{PasswordGiven, by_own_password};
use super::sign_in::{
    Begun, Place, acting, buckets, device_of, hold, hold_unchanged, note_failures, start, turn_of, with_session,
};
use crate::metrics::SignInResult;
use crate::people::sign_in_limits::CODES_PER_SIGN_IN;
use crate::randomness::Randomness;
use crate::service::app::App;
use crate::store::accounts::sessions::{Stage, StoredSession};
use crate::store::accounts::tries::Turn;
use crate::store::accounts::{StoredAccount, account_subject};
use crate::store::acts::Act;
use crate::store::staff_log::{StaffKind, tell_staff};
use crate::store::{StoreError, Tx};

/// Recovery codes that are made at once, and the random bytes of each. NIST SP 800-63B-4, section 3.1.2.2, from memory: of 112 bits
/// and more a plain hash is enough.
const CODES: usize = 10;
const CODE_BYTES: usize = 15;

/// What came of a code.
#[derive(Debug)]
pub enum CodeGiven {
    Right(Begun),
    Wrong,
    /// So many were wrong that the sign-in is over.
    Over,
    Wait(chrono::TimeDelta),
}

/// What came of the first code of a new second factor.
#[derive(Debug)]
pub enum FactorSet {
    /// Recovery codes, to be shown this once, and the session that goes on.
    Done {
        begun: Begun,
        codes: Vec<String>,
    },
    Wrong,
    Over,
}

/// A code of the app, or a recovery code, for a sign-in that waits for one.
///
/// # Errors
/// When the store fails.
pub async fn by_code(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    given: &str,
    place: Place<'_>,
) -> Result<CodeGiven, StoreError> {
    let now = app.clock.now();
    let name = &account.account.name;
    let device = device_of(credentials, Some(account), place);
    let buckets = buckets("code", name.as_str(), device.as_deref(), place.network);
    let (wrong, spent) = match turn_of(app, &buckets, now).await? {
        Turn::Taken { wrong, spent } => (wrong, spent),
        Turn::Wait(wait) => {
            app.metrics.sign_in(SignInResult::Slowed);
            return Ok(CodeGiven::Wait(wait));
        }
    };
    let mut tx = acting(app, credentials, name).begin().await?;
    let held = hold(&mut tx, name).await?;
    // Two answers to one question: the second finds nothing to answer.
    let Some(account) = with_session(&mut tx, held, session).await? else {
        tx.rollback().await?;
        return Ok(CodeGiven::Over);
    };
    let account = &account;
    let Some(how) = take(&mut tx, app, credentials, account, given, now).await? else {
        let over = count_wrong(&mut tx, session).await?;
        tx.commit().await?;
        app.metrics.sign_in(SignInResult::CodeRefused);
        note_failures(app, credentials, Some(account), "second factor, after the right password", (wrong, spent))
            .await?;
        return Ok(if over { CodeGiven::Over } else { CodeGiven::Wrong });
    };
    tx.was_right(&buckets).await?;
    let token = start(&mut tx, app, name, (Stage::Whole, None), place, Some(&session.id), now).await?;
    let known = if device.is_some() { "; browser known" } else { "; browser not known before" };
    tx.note_act(Act::SignedIn, &account_subject(name), &format!("by password and {how}{known}")).await?;
    if how == RECOVERY_CODE {
        let key = format!("recovery-code/{name}/{}", now.timestamp_millis());
        let text = format!("the account `{name}` signed in with a recovery code instead of its app{known}");
        tell_staff(&mut tx, &key, None, StaffKind::SignIn, &text, now).await?;
    }
    tx.commit().await?;
    app.metrics.sign_in(SignInResult::Whole);
    let device = Some(credentials.device(app.store.randomness(), account));
    Ok(CodeGiven::Right(Begun { token, stage: Stage::Whole, device }))
}

/// As the audit names it.
const RECOVERY_CODE: &str = "recovery code";

/// Uses up a code of either kind. `None`: it is not right, or was used before.
pub(super) async fn take(
    tx: &mut Tx,
    app: &App,
    credentials: &Credentials,
    account: &StoredAccount,
    given: &str,
    now: DateTime<Utc>,
) -> Result<Option<&'static str>, StoreError> {
    let name = &account.account.name;
    if let Some(code) = recovery_code(given) {
        return Ok(tx.take_recovery_code(name, &digest(&code)).await?.then_some(RECOVERY_CODE));
    }
    let Some(sealed) = account.factor.as_deref() else { return Ok(None) };
    let Some(secret) = credentials.open(name, sealed) else {
        error!(account = %name, "the second factor cannot be read: the key that sealed it is not in desk.keys any more");
        return Ok(None);
    };
    let Some(step) = step_of_code(&secret, given, account.factor_step, now) else { return Ok(None) };
    // Under the newest key from now on.
    let sealed = credentials.seal(app.store.randomness(), name, &secret);
    Ok(tx.take_step(name, &sealed, step).await?.then_some("code"))
}

/// Gives whether the sign-in is over with it.
async fn count_wrong(tx: &mut Tx, session: &StoredSession) -> Result<bool, StoreError> {
    let over = tx.count_wrong_code(&session.id).await?.is_none_or(|wrong| wrong >= CODES_PER_SIGN_IN);
    if over && session.stage != Stage::Whole {
        tx.forget_desk_session(&session.id).await?;
    }
    Ok(over)
}

/// The secret that is being set up in a session: its bytes, and as it is typed in.
pub fn pending_secret(
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
) -> Option<(Vec<u8>, String)> {
    let secret = credentials.open(&account.account.name, session.pending.as_deref()?)?;
    let shown = spelled(&secret);
    Some((secret, shown))
}

/// Takes the second factor that is being set up, if `given` is a code of it.
///
/// # Errors
/// When the store fails.
pub async fn set_factor(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    given: &str,
    place: Place<'_>,
) -> Result<FactorSet, StoreError> {
    let (now, randomness) = (app.clock.now(), app.store.randomness());
    let name = &account.account.name;
    let mut tx = acting(app, credentials, name).begin().await?;
    let held = hold(&mut tx, name).await?;
    let held = with_session(&mut tx, held, session).await?;
    let pending = pending_secret(credentials, (session, account));
    let (Some(account), Some((secret, _))) = (held, pending) else {
        tx.rollback().await?;
        return Ok(FactorSet::Over);
    };
    let Some(step) = step_of_code(&secret, given, 0, now) else {
        let over = count_wrong(&mut tx, session).await?;
        tx.commit().await?;
        app.metrics.sign_in(SignInResult::CodeRefused);
        return Ok(if over && session.stage != Stage::Whole { FactorSet::Over } else { FactorSet::Wrong });
    };
    // A first factor that a role wants is set up by invitation only, and uses it up.
    if !tx.use_invitation_up(name).await? && session.stage == Stage::SetUp {
        tx.rollback().await?;
        return Ok(FactorSet::Over);
    }
    tx.set_factor(name, &credentials.seal(randomness, name, &secret), step).await?;
    let codes = make_codes(&mut tx, &account, randomness).await?;
    // Whoever is signed in without it, or with the one before, is not any more.
    tx.end_desk_sessions(name, Some(&session.id)).await?;
    let token = start(&mut tx, app, name, (Stage::Whole, None), place, Some(&session.id), now).await?;
    if session.stage != Stage::Whole {
        tx.note_act(Act::SignedIn, &account_subject(name), "by password, with a new second factor").await?;
        app.metrics.sign_in(SignInResult::Whole);
    }
    tx.commit().await?;
    let device = Some(credentials.device(randomness, &account));
    Ok(FactorSet::Done { begun: Begun { token, stage: Stage::Whole, device }, codes })
}

/// Begins to set up a first second factor in a whole session. The password is asked for: whoever finds a browser open must not
/// bind the account to a phone of their own.
///
/// # Errors
/// When the store fails.
pub async fn start_first(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    password: &str,
    place: Place<'_>,
) -> Result<PasswordGiven, StoreError> {
    let given = by_own_password(app, credentials, account, password, place).await?;
    if !matches!(given, PasswordGiven::Right) {
        return Ok(given);
    }
    let name = &account.account.name;
    let mut tx = acting(app, credentials, name).begin().await?;
    let held = hold_unchanged(&mut tx, account).await?.filter(|account| account.factor.is_none());
    if with_session(&mut tx, held, session).await?.is_none() {
        tx.rollback().await?;
        return Ok(PasswordGiven::Wrong);
    }
    begin_factor(&mut tx, app, credentials, session).await?;
    tx.commit().await?;
    Ok(PasswordGiven::Right)
}

async fn begin_factor(
    tx: &mut Tx,
    app: &App,
    credentials: &Credentials,
    session: &StoredSession,
) -> Result<(), StoreError> {
    let randomness = app.store.randomness();
    let sealed = credentials.seal(randomness, &session.account, &randomness.bytes::<SECRET_BYTES>());
    tx.set_pending_factor(&session.id, Some(&sealed)).await
}

/// Begins to set up another second factor in a whole session, for who gives a code of the one in use. Gives whether it was right.
///
/// # Errors
/// When the store fails.
pub async fn start_anew(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    given: &str,
) -> Result<bool, StoreError> {
    let mut tx = acting(app, credentials, &account.account.name).begin().await?;
    let right = checked(&mut tx, app, credentials, (session, account), given, app.clock.now()).await?;
    if right {
        begin_factor(&mut tx, app, credentials, session).await?;
    }
    tx.commit().await?;
    Ok(right)
}

/// New recovery codes in the place of all others, for who gives a code; `None`: it was not right.
///
/// # Errors
/// When the store fails.
pub async fn new_recovery_codes(
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    given: &str,
) -> Result<Option<Vec<String>>, StoreError> {
    let mut tx = acting(app, credentials, &account.account.name).begin().await?;
    let right = checked(&mut tx, app, credentials, (session, account), given, app.clock.now()).await?;
    let codes = if right { Some(make_codes(&mut tx, account, app.store.randomness()).await?) } else { None };
    tx.commit().await?;
    Ok(codes)
}

/// Whether a code is right, asked in a whole session. Where too many are wrong the session ends: whoever holds it is not its owner.
pub(super) async fn checked(
    tx: &mut Tx,
    app: &App,
    credentials: &Credentials,
    (session, account): (&StoredSession, &StoredAccount),
    given: &str,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let held = hold(tx, &account.account.name).await?;
    let Some(account) = with_session(tx, held, session).await? else { return Ok(false) };
    if take(tx, app, credentials, &account, given, now).await?.is_some() {
        return Ok(true);
    }
    if count_wrong(tx, session).await? {
        tx.end_desk_session(&account.account.name, &session.id, "too many wrong codes").await?;
    }
    Ok(false)
}

async fn make_codes(tx: &mut Tx, account: &StoredAccount, randomness: &Randomness) -> Result<Vec<String>, StoreError> {
    let codes: Vec<String> = (0..CODES).map(|_| BASE32_NOPAD.encode(&randomness.bytes::<CODE_BYTES>())).collect();
    let hashes: Vec<String> = codes.iter().map(|code| digest(code)).collect();
    tx.set_recovery_codes(&account.account.name, &hashes).await?;
    Ok(codes.iter().map(|code| in_sixes(code)).collect())
}

fn in_sixes(code: &str) -> String {
    (0..code.len()).step_by(6).map(|at| &code[at..code.len().min(at + 6)]).collect::<Vec<_>>().join("-")
}

/// What was typed, if it has the form of a recovery code. Base32 has no 0, 1 and 8, which people take for O, I and B.
fn recovery_code(given: &str) -> Option<String> {
    let plain: String = given
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '-')
        .map(|c| match c.to_ascii_uppercase() {
            '0' => 'O',
            '1' => 'I',
            '8' => 'B',
            other => other,
        })
        .collect();
    BASE32_NOPAD.decode(plain.as_bytes()).is_ok_and(|bytes| bytes.len() == CODE_BYTES).then_some(plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recovery_code_is_read_as_people_type_it() {
        let code = "ABCDEF-GHIJKL-MNOPQR-STUVWX";
        let plain = "ABCDEFGHIJKLMNOPQRSTUVWX";
        for typed in [code, plain, "abcdef ghijkl mnopqr stuvwx", "A8CDEF-GH1JKL-MN0PQR-STUVWX"] {
            assert_eq!(recovery_code(typed).as_deref(), Some(plain), "{typed}");
        }
        for typed in ["", "123456", "ABCDEF", &format!("{plain}A"), "ABCDEF-GHIJKL-MNOPQR-STUVW9"] {
            assert_eq!(recovery_code(typed), None, "{typed}");
        }
        assert_eq!(in_sixes(plain), code);
    }
}
