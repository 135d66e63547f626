//! The question how high up somebody's trees stand: asked where a ZIP code has several regions, and what an answer does.

use chrono::{DateTime, TimeDelta, Utc};

use super::SignUpError;
use super::preference_link;
use crate::links;
use crate::message::{Sender, TransactionalFacts, TransactionalKind};
use crate::people::keywords::HeightAnswer;
use crate::people::{Address, Channel, Language, Zip};
use crate::region::{Band, HeightChoice};
use crate::service::app::App;
use crate::store::Tx;
use crate::store::heights::{self, HeightQuestion};
use crate::store::transactional::{self, NewTransactional, Put};

/// A question that did not get through in a week is not sent any more.
const OF_USE: TimeDelta = TimeDelta::days(7);

/// Asks everybody who lives at a ZIP code that staff have parted into heights and has not been asked about these: once, in open
/// hours, after all notices. Gives how many.
///
/// # Errors
/// When the store fails or a message cannot be worded; then nobody was asked.
pub async fn ask_due(app: &App) -> Result<u64, SignUpError> {
    let now = app.clock.now();
    let mut tx = app.store.begin().await?;
    let mut asked = 0;
    for one in heights::to_ask(&mut tx).await? {
        let to = To { subscriber: &one.subscriber, address: &one.address, language: one.language };
        let letter = question(&mut tx, app, to, &one.zip, &one.choices, "", now).await?;
        asked += u64::from(matches!(transactional::put_in(&mut tx, &letter, one.zone, now).await?, Put::Queued { .. }));
        heights::note_asked(&mut tx, &one.subscriber, &one.zip, &one.choices, now).await?;
    }
    tx.commit().await?;
    Ok(asked)
}

/// Who is asked.
#[derive(Clone, Copy)]
pub(crate) struct To<'a> {
    pub subscriber: &'a str,
    pub address: &'a Address,
    pub language: Language,
}

/// Asks at once about the first of these ZIP codes whose height matters and is not known; with `again` also where it is. `fact`
/// names what asks for it, such as the id of a text. Gives whether there was anything to ask.
pub(crate) async fn ask_now(
    tx: &mut Tx,
    app: &App,
    to: To<'_>,
    zips: &[Zip],
    again: bool,
    fact: &str,
    now: DateTime<Utc>,
) -> Result<bool, SignUpError> {
    let Some((zip, choices)) = heights::first_open(tx, to.subscriber, zips, again).await? else { return Ok(false) };
    let letter = question(tx, app, to, &zip, &choices, fact, now).await?;
    transactional::put_reply(tx, &letter, now).await?;
    heights::note_asked(tx, to.subscriber, &zip, &choices, now).await?;
    Ok(true)
}

async fn question(
    tx: &mut Tx,
    app: &App,
    to: To<'_>,
    zip: &Zip,
    choices: &[HeightChoice],
    fact: &str,
    now: DateTime<Utc>,
) -> Result<NewTransactional, SignUpError> {
    let kind = TransactionalKind::HowHigh;
    let mut facts = TransactionalFacts {
        zips: vec![zip.clone()],
        heights: choices.to_vec(),
        ..TransactionalFacts::of(Sender::from(&app.config.messages))
    };
    let channel = to.address.channel();
    if channel == Channel::Email {
        let key = tx.address_id(to.address).await?;
        let token = preference_link::make(tx.hash(), &key, now);
        let base = app.config.messages.public_url.url();
        facts.preferences_url = base.and_then(|base| links::preferences(base, to.language, &token)).map(String::from);
    }
    let message = app.templates.in_use().render_transactional(kind, to.language, channel, &facts)?;
    let fact = format!("{zip} {} {fact}", HeightChoice::layout(choices));
    Ok(NewTransactional {
        kind,
        to: to.address.clone(),
        language: to.language,
        message,
        fact,
        expires_at: now + OF_USE,
    })
}

/// The height that an answer by text stands for; `None` when the question has no such choice, or named other ones.
pub(crate) fn answered(question: &HeightQuestion, answer: HeightAnswer) -> Option<Band> {
    match answer {
        HeightAnswer::Choice(nth) if question.is_current => {
            question.choices.get(nth.checked_sub(1)?).map(|choice| choice.band)
        }
        HeightAnswer::Choice(_) => None,
        HeightAnswer::Metres(height_m) => {
            question.choices.iter().any(|choice| choice.band.holds(height_m)).then(|| Band::at(height_m))
        }
    }
}
