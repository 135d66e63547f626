//! Asks those who were told to inspect what they saw, and takes their answers.

use chrono::{DateTime, Days, NaiveTime, TimeDelta, Utc};
use tracing::info;
use url::Url;

use crate::links;
use crate::message::{Sender, TransactionalFacts, TransactionalKind};
use crate::people::Language;
use crate::people::keywords::ScaleAnswer;
use crate::region::Region;
use crate::season::follow_up::{Facts, FollowUp, decide};
use crate::season::{NoticeKind, Profile};
use crate::service::app::App;
use crate::service::subscribe::SignUpError;
use crate::service::subscribe::tokens;
use crate::service::subscribe::tokens::Purpose;
use crate::store::field_reports::Seen;
use crate::store::follow_ups::{self, Answer, Question};
use crate::store::notices::Notice;
use crate::store::transactional;
use crate::store::transactional::NewTransactional;
use crate::store::{StoreError, Tx};
use crate::text::is_hidden;
use crate::timetable::place;

/// Asks after every notice whose time has come. A second run asks nobody again. Gives how many are asked.
///
/// # Errors
/// When the store fails or a question cannot be worded; regions before that one are done.
pub async fn ask_due(app: &App) -> Result<u64, SignUpError> {
    let now = app.clock.now();
    let mut asked = 0;
    for (notice, region) in told(app).await? {
        let mut tx = app.store.begin().await?;
        let Some(FollowUp::Ask { answers_to }) = verdict(app, &mut tx, &notice, &region).await? else { continue };
        let closes_at = place(answers_to.succ_opt().unwrap_or(answers_to).and_time(NaiveTime::MIN), region.time_zone);
        let people = follow_ups::to_ask(&mut tx, &notice.id).await?;
        for one in &people {
            follow_ups::put(&mut tx, &notice.id, one, closes_at, now).await?;
            let letter = TransactionalFacts {
                region_name: Some(region.name.clone()),
                seen_url: seen_url(app, one.language, &one.id).map(String::from),
                ..TransactionalFacts::of(Sender::from(&app.config.messages))
            };
            let kind = TransactionalKind::FollowUp;
            let message =
                app.templates.in_use().render_transactional(kind, one.language, one.address.channel(), &letter)?;
            let new = NewTransactional {
                kind,
                to: one.address.clone(),
                language: one.language,
                message,
                fact: one.id.clone(),
                expires_at: closes_at,
            };
            transactional::put_in(&mut tx, &new, region.time_zone, now).await?;
        }
        tx.commit().await?;
        info!(notice.id = %notice.id, people = people.len(), "asked what was seen");
        asked += people.len() as u64;
    }
    if asked > 0 {
        app.queued.notify_one();
    }
    Ok(asked)
}

/// Whether anybody is still to be asked on a later day, as far as notices have gone out.
///
/// # Errors
/// When the store fails.
pub async fn to_come(app: &App) -> Result<bool, StoreError> {
    for (notice, region) in told(app).await? {
        let mut tx = app.store.begin().await?;
        if let Some(FollowUp::TooSoon { .. }) = verdict(app, &mut tx, &notice, &region).await? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// The notices to inspect that went out so lately that a question may follow, each with its region.
async fn told(app: &App) -> Result<Vec<(Notice, Region)>, StoreError> {
    let policy = &app.config.policy;
    let reach = TimeDelta::days(i64::from(policy.follow_up_days) + i64::from(policy.useful_days.follow_up) + 2);
    let since = app.clock.now() - reach;
    let mut told = Vec::new();
    for notice in app.store.notices_released_since(NoticeKind::InspectNow, since).await? {
        match app.store.region(&notice.season.region).await {
            Ok(region) => told.push((notice, region)),
            // A retired region's people are not asked.
            Err(StoreError::Conflict(_)) => {}
            Err(why) => return Err(why),
        }
    }
    Ok(told)
}

/// What is decided now; `None` where nothing can be.
async fn verdict(app: &App, tx: &mut Tx, notice: &Notice, region: &Region) -> Result<Option<FollowUp>, StoreError> {
    let Some(profile) = app.profiles.get(&notice.season.profile) else { return Ok(None) };
    let profile = &*profile;
    let Some(released_at) = notice.released_at() else { return Ok(None) };
    let day = |at: DateTime<Utc>| at.with_timezone(&region.time_zone).date_naive();
    Ok(Some(decide(&Facts {
        profile,
        policy: &app.config.policy,
        kind: notice.kind,
        season: notice.season.year,
        told_on: day(released_at),
        asked: follow_ups::was_asked(tx, &notice.id).await?,
        today: day(app.clock.now()),
    })))
}

/// The page on which one tap answers; `None` without a public address.
fn seen_url(app: &App, language: Language, id: &str) -> Option<Url> {
    let base = app.config.messages.public_url.url()?;
    let token = tokens::make(app.store.address_hash(), Purpose::Seen, id);
    links::seen(base, language, &token)
}

/// The question of a link's token; `None` when it is not ours or not open any more. Changes nothing.
///
/// # Errors
/// When the store fails.
pub async fn question(app: &App, token: &str) -> Result<Option<Question>, StoreError> {
    let Some(id) = tokens::open(app.store.address_hash(), Purpose::Seen, token) else { return Ok(None) };
    let mut tx = app.store.begin().await?;
    let question = follow_ups::by_id(&mut tx, id).await?;
    tx.rollback().await?;
    Ok(question.filter(|question| question.closes_at > app.clock.now()))
}

/// What somebody answers, by text or on the page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    pub saw: ScaleAnswer,
    /// How many days ago they looked; `None`: they did not say.
    pub days_ago: Option<u8>,
    /// Whether the tree has the insect; `None`: they do not know, or did not say.
    pub infested: Option<bool>,
    /// Which tree it was, in their own words; see [`tree_words`].
    pub tree: Option<String>,
}

/// The longest words for a tree, in characters.
pub const LONGEST_TREE: usize = 60;

/// What somebody typed of which tree it was: `None` for nothing.
///
/// # Errors
/// When it is too long, or holds a character that is not seen.
pub fn tree_words(typed: &str) -> Result<Option<String>, OddTree> {
    let typed = typed.trim();
    if typed.chars().count() > LONGEST_TREE || typed.chars().any(is_hidden) {
        return Err(OddTree);
    }
    Ok(Some(typed).filter(|typed| !typed.is_empty()).map(str::to_owned))
}

/// Words for a tree that are not kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("at most {LONGEST_TREE} plain characters are wanted for a tree")]
pub struct OddTree;

/// Takes the answer of the page; gives whether the question was open.
///
/// # Errors
/// When the store fails.
pub async fn answer(app: &App, token: &str, reply: &Reply) -> Result<bool, StoreError> {
    let Some(question) = question(app, token).await? else { return Ok(false) };
    let mut tx = app.store.begin().await?;
    answer_in(&mut tx, app, &question, reply).await?;
    tx.commit().await?;
    Ok(true)
}

/// As [`answer`], inside a transaction of the caller.
///
/// # Errors
/// When the store fails.
pub async fn answer_in(tx: &mut Tx, app: &App, question: &Question, reply: &Reply) -> Result<(), StoreError> {
    let now = app.clock.now();
    let today = now.with_timezone(&question.zone).date_naive();
    let looked_on = reply.days_ago.and_then(|days| today.checked_sub_days(Days::new(u64::from(days))));
    let seen = seen(app.profiles.get(&question.profile).as_deref(), reply);
    let answer = Answer { saw: reply.saw, looked_on, infested: reply.infested, tree: reply.tree.clone(), seen };
    follow_ups::answer(tx, question, &answer, now).await
}

/// Takes whether the tree of an answer has the insect; all else of that stays. Gives what was answered before; `None`, and
/// nothing changes, where nothing was, or they had not looked.
///
/// # Errors
/// When the store fails.
pub async fn beans_in(
    tx: &mut Tx,
    app: &App,
    question: &Question,
    infested: bool,
) -> Result<Option<ScaleAnswer>, StoreError> {
    let Some(saw) = question.answer.filter(|saw| *saw != ScaleAnswer::NotLooked) else { return Ok(None) };
    let today = app.clock.now().with_timezone(&question.zone).date_naive();
    let days_ago = question.looked_on.and_then(|day| u8::try_from(today.signed_duration_since(day).num_days()).ok());
    let reply = Reply { saw, days_ago, infested: Some(infested), tree: question.tree.clone() };
    answer_in(tx, app, question, &reply).await?;
    Ok(Some(saw))
}

/// The answers that the page offers: those that any profile can take, and those whose sight this one has.
pub fn offered(app: &App, question: &Question) -> Vec<ScaleAnswer> {
    let profile = app.profiles.get(&question.profile);
    let is_known = |answer: &ScaleAnswer| match answer {
        ScaleAnswer::Females | ScaleAnswer::Eyespots | ScaleAnswer::OldLint => {
            profile.as_ref().is_some_and(|profile| profile.sight(answer.name()).is_some())
        }
        ScaleAnswer::Eggs | ScaleAnswer::Crawlers | ScaleAnswer::None | ScaleAnswer::NotLooked => true,
    };
    ScaleAnswer::ALL.into_iter().filter(is_known).collect()
}

/// The sight that an answer stands for, or its stage where the profile has no such sight.
fn seen(profile: Option<&Profile>, reply: &Reply) -> Seen {
    let opens = profile.map_or("egg-laying-begins", |profile| profile.window.opens.0.as_str());
    let (sight, stage) = match reply.saw {
        ScaleAnswer::Eggs | ScaleAnswer::Eyespots => (reply.saw.name(), opens),
        ScaleAnswer::Crawlers => ("crawlers", profile.map_or("eggs-hatch", |profile| profile.window.closes.0.as_str())),
        ScaleAnswer::Females | ScaleAnswer::OldLint => (reply.saw.name(), ""),
        ScaleAnswer::None => ("nothing", ""),
        ScaleAnswer::NotLooked => return Seen::default(),
    };
    match profile.and_then(|profile| profile.sight(sight)) {
        Some(sight) => Seen::at(sight, reply.infested),
        // Who sees a stage sees it on a tree that has the insect.
        None if !stage.is_empty() => Seen::stage(Some(stage.into()), Some(true)),
        None => Seen::stage(None, reply.infested),
    }
}
