//! One notice in depth: what, why, whom, how it reads, when it leaves and when all have it.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use url::Url;

use super::held::{hold_note, said_of_ended};
use super::left::{OF_REPORT, OF_REPORT_ASIDE, left_because_of, left_by_itself, left_from, left_words};
use super::nobody::{left_to_nobody, signed_up_now};
use super::old_words::Words;
use super::rests_on::{RestsOn, is_of, report_of, rests_on};
use super::stands::{HowFar, deleted, gone, recalled, stands, stands_left};
use super::why::{self, Why};
use super::{DeskError, local, overtaken, regions};
use crate::chart::HeatUnit;
use crate::delivery::pace::{Estimate, Waiting};
use crate::delivery::quiet_hours::QuietHours;
use crate::delivery::state::DeliveryState;
use crate::dispatch::estimate::all_sent_by_with;
use crate::links;
use crate::message::document::Document;
use crate::message::readability::Ease;
use crate::message::sms::{self, Segments};
use crate::message::templates::{STOP_LINK, chart_of, notation_of};
use crate::message::{EmailChart, Message, Personal, personalise};
use crate::people::{Channel, Language};
use crate::region::Region;
use crate::season::{NoticeId, NoticeStatus};
use crate::service::app::App;
use crate::store::field_reports::{ReportStanding, StoredReport};
use crate::store::notices::{Notice, NoticeState, OwnText};

pub use super::stands::{Goes, leaves_by_itself, messages};

/// A notice as staff look at it.
#[derive(Clone, Debug, PartialEq)]
pub struct NoticeInDepth {
    pub notice: Notice,
    pub region: Region,
    /// Where it stands, in a sentence with local times.
    pub stands: String,
    /// That its words are of an earlier day, or go by days that hold no more, while it has not left.
    pub old_words: Option<String>,
    /// Its words go by a day that holds no more.
    pub days_moved: bool,
    /// What has become of a report that it rests on; of one that has left, that the report was set aside.
    pub rests_on: Option<RestsOn>,
    /// A sentence for each notice that staff held and that this one overtook.
    pub overtook: Vec<String>,
    /// While it has not left, a sentence for each notice that waits beside it and ends it by leaving, or is ended by it.
    pub beside: Vec<String>,
    pub why: Why,
    /// Whom it would go to now, or was queued for; of one that was called off or skipped, whom it would have gone to.
    pub whom: BTreeMap<(Channel, Language), u64>,
    /// Of one that left and had nobody to go to: the addresses that are signed up now.
    pub signed_up_since: Option<u64>,
    pub reads: Vec<Reading>,
    pub goes: Goes,
    /// Where its deliveries stand.
    pub progress: BTreeMap<DeliveryState, u64>,
    /// It has left, and nothing of it waits any more.
    pub all_out: bool,
    /// For how many days it is kept which messages went to whom.
    pub kept_days: u32,
    /// Of one that has left and was not recalled, when its first message might leave.
    pub left_from: Option<DateTime<Utc>>,
    /// It has left in quiet hours, and its messages wait for their end.
    pub is_to_come: bool,
    pub may: May,
}

impl NoticeInDepth {
    /// When all have it, by channel. Of one that is out there is nothing: the queue is that of other notices then, and an estimate
    /// of an empty one has no end and would read as if none could be sent.
    pub fn all_sent_by(&self) -> impl Iterator<Item = (Channel, &Estimate)> {
        let queued = self.progress.get(&DeliveryState::Queued).copied().unwrap_or(0);
        let has_left = self.notice.status() == NoticeStatus::Released;
        let is_out = has_left && (self.all_out || queued == 0);
        let is_told = move |of: &Estimate| !is_out && (!has_left || of.all_sent_by.is_some() || of.too_late > 0);
        self.goes.all_sent_by.iter().filter(move |&(_, of)| is_told(of)).map(|(channel, of)| (*channel, of))
    }

    pub fn recipients(&self) -> u64 {
        self.whom.values().sum()
    }

    /// Why nobody gets it, whoever is signed up.
    pub fn to_nobody(&self) -> Option<&'static str> {
        match self.notice.state {
            NoticeState::Cancelled => Some("it was called off"),
            NoticeState::Skipped => Some("it was skipped"),
            _ => None,
        }
    }

    /// That nobody gets it, or got it, in a sentence; `None` where somebody does, or where [`to_nobody`](Self::to_nobody) says why.
    pub fn nobody(&self) -> Option<String> {
        if self.to_nobody().is_some() || !self.whom.is_empty() {
            return None;
        }
        Some(match (self.notice.status(), self.signed_up_since) {
            (NoticeStatus::Released, Some(now)) => {
                let now = signed_up_now(now);
                format!("It went to nobody: no address was signed up here when it left{now}.")
            }
            (NoticeStatus::Released, None) if self.all_out => {
                format!("To whom it went is no longer kept: {}.", deleted(self.kept_days))
            }
            (NoticeStatus::Released, None) => "To whom it goes is still being queued.".to_owned(),
            _ => "Nobody: no address is signed up here.".to_owned(),
        })
    }

    /// It is of no use from then on; `None` of one that was skipped for a reason: that says until when it was of use, and its terms
    /// may say something else.
    pub fn useless_from(&self) -> Option<DateTime<Utc>> {
        let is_reason = self.notice.status() == NoticeStatus::Skipped && why::has_skip_reason(&self.notice);
        (!is_reason).then_some(self.goes.useless_from)
    }

    /// Messages that have gone out.
    pub fn gone(&self) -> u64 {
        gone(&self.progress)
    }
}

/// One message as its readers get it, with a made-up link to stop in the place of their own.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    pub language: Language,
    pub message: Message,
    /// Of text messages.
    pub segments: Option<Segments>,
    /// Of e-mails: the body as it is read.
    pub document: Option<Document>,
    /// Of e-mails that show one.
    pub chart: Option<EmailChart>,
    /// How easy it reads.
    pub ease: String,
}

impl Reading {
    pub fn channel(&self) -> Channel {
        match self.message {
            Message::Sms { .. } => Channel::Sms,
            Message::Email { .. } => Channel::Email,
        }
    }
}

/// What can be done with it now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct May {
    pub send: bool,
    pub hold: bool,
    pub call_off: bool,
    pub reword: bool,
    pub undo: bool,
    pub recall: bool,
}

impl May {
    pub fn of(notice: &Notice, now: DateTime<Utc>) -> Self {
        let of_use = notice.expires_at > now;
        let leaving = matches!(notice.state, NoticeState::Leaving { .. });
        let open = of_use && matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held);
        let stopped = matches!(notice.status(), NoticeStatus::Held | NoticeStatus::Cancelled);
        Self {
            send: open && !leaving,
            hold: open,
            call_off: open,
            reword: open,
            undo: of_use && notice.undoable && (leaving || stopped),
            recall: of_use && notice.status() == NoticeStatus::Released && notice.recall.is_none(),
        }
    }
}

/// A notice in depth. `undo`: how long a word can be taken back.
///
/// # Errors
/// When there is none of this id, or the store fails.
pub async fn notice_in_depth(app: &App, id: &NoticeId, undo: TimeDelta) -> Result<NoticeInDepth, DeskError> {
    let now = app.clock.now();
    let notice = app.store.notice(id).await?;
    let region = app.store.region(&notice.season.region).await?;
    let (profile, store) = (app.profiles.get(&notice.season.profile), &app.store);
    let outlook = store.outlook(&notice.season.profile, &region.id, notice.decided_on).await?;
    let today = now.with_timezone(&region.time_zone).date_naive();
    let mut why = why::of(&notice, outlook.as_ref(), profile.as_deref(), today);
    let unit = HeatUnit::of_house(app.config.units.fahrenheit);
    why.numbers = why::numbers(&notice, outlook.as_ref(), profile.as_deref(), unit);
    let whom = match notice.status() {
        NoticeStatus::Released => store.delivery_words(id).await?,
        _ => store.count_recipients_by_words(&region.id).await?,
    };
    let (progress, has_ended) = store.notice_progress(id, now).await?;
    let all_out = notice.status() == NoticeStatus::Released
        && has_ended
        && store.half_queued().await?.iter().all(|waiting| waiting.id != *id);
    let signed_up_since: Option<u64> = match all_out && whom.is_empty() && left_to_nobody(app).await?.contains(id) {
        true => Some(store.count_recipients(&region.id).await?.values().sum()),
        false => None,
    };
    let base = app.config.messages.public_url.url();
    let words = store.notice_words(id).await?;
    let reads = words.into_iter().map(|own| reading(own, base)).collect::<Result<_, _>>()?;
    let goes = goes(app, &notice, &region, &whom, undo).await?;
    let may = May::of(&notice, now);
    let rests_on = rests_on(app, &notice, region.time_zone).await?;
    // Of one that has left, nothing else is told of the report because of which it left.
    let is_of_it = rests_on.as_ref().is_some_and(|of| of.report.is_some() && of.report == report_of(&notice));
    let is_aside = is_of_it && notice.status() == NoticeStatus::Released;
    if is_aside {
        why.waits = why.waits.replacen(OF_REPORT, OF_REPORT_ASIDE, 1);
    }
    let (had_nobody, kept_days) = (signed_up_since.is_some(), app.config.retention.messages_days);
    let how_far = HowFar { all_out, had_nobody, is_aside, progress: &progress, kept_days };
    let quiet = QuietHours::from(&app.config.delivery);
    let left = left_from(&notice, quiet, region.time_zone).filter(|_| notice.recall.is_none());
    let mut stands = match left {
        Some(from) => stands_left(&notice, &region, &goes, how_far, (from, now)),
        None => stands(&notice, &region, &goes, now),
    };
    match said_of_ended(app, &notice, region.time_zone).await? {
        Some(held) if notice.status() == NoticeStatus::Skipped => why.waits = held,
        Some(held) => stands = format!("{stands} {held}"),
        None => {}
    }
    let overtook = overtaken::by(app, &notice, &region).await?;
    let beside = overtaken::beside(&notice, &store.notices_of_region(&notice.season).await?, now);
    let old = match notice.status() {
        NoticeStatus::Waiting | NoticeStatus::Held => {
            let row = regions::row_of(app, &region, now).await?;
            Words::of(&notice, region.time_zone).old(app, Some(&row), today)
        }
        _ => None,
    };
    Ok(NoticeInDepth {
        rests_on,
        notice,
        region,
        stands,
        days_moved: old.as_ref().is_some_and(|old| old.days_moved),
        old_words: old.map(|old| old.words),
        overtook,
        beside,
        why,
        whom,
        signed_up_since,
        reads,
        goes,
        progress,
        all_out,
        kept_days,
        left_from: left,
        is_to_come: left.is_some_and(|from| from > now),
        may,
    })
}

/// A message as it reads; links stand below `public_url`.
///
/// # Errors
/// When it holds a place that no reader's link fits.
pub fn reading(OwnText { text, source }: OwnText, public_url: Option<&Url>) -> Result<Reading, DeskError> {
    let language = text.language;
    let sample = Personal { stop_url: stop_sample(public_url) };
    let stop = sample.stop_url.as_ref().map_or("", Url::as_str);
    let message = personalise(text.message, &sample).map_err(|why| DeskError::Unreadable(why.to_string()))?;
    let chart = chart_of(&message);
    let (segments, document, ease) = match &message {
        Message::Sms { text } => (Some(sms::count(text)), None, Ease::of([text.as_str()], language)),
        Message::Email { subject, text, .. } => {
            let pieces = Document::parse(text).pieces();
            let ease = Ease::of(pieces.iter().map(String::as_str).chain([subject.as_str()]), language);
            // As it was written, where that is kept: the plain part shows the address behind a link.
            let notation = source.map_or_else(|| notation_of(text.trim()), |own| own.replace(STOP_LINK, stop));
            (None, Some(Document::parse(&notation)), ease)
        }
    };
    Ok(Reading { language, message, segments, document, chart, ease: ease.to_string() })
}

/// In the place of each reader's own link to stop: where theirs stand, or made up whole while no public address is set.
pub fn stop_sample(public_url: Option<&Url>) -> Option<Url> {
    let web = public_url.filter(|url| matches!(url.scheme(), "http" | "https"));
    web.and_then(|url| links::stop(url, "sample")).or_else(|| Url::parse(STOP_SAMPLE).ok())
}

const STOP_SAMPLE: &str = "https://pinyon.example.org/stop/sample";

async fn goes(
    app: &App,
    notice: &Notice,
    region: &Region,
    whom: &BTreeMap<(Channel, Language), u64>,
    undo: TimeDelta,
) -> Result<Goes, DeskError> {
    let (now, zone) = (app.clock.now(), region.time_zone);
    let quiet = QuietHours::from(&app.config.delivery);
    let from = leaves_from(notice, quiet, zone, now);
    let is_open = matches!(notice.status(), NoticeStatus::Waiting | NoticeStatus::Held) && notice.expires_at > now;
    let if_sent_now = is_open.then(|| quiet.next_allowed(now + undo, zone));
    let mut all_sent_by = BTreeMap::new();
    for channel in Channel::ALL {
        let messages: u64 = whom.iter().filter(|((of, _), _)| *of == channel).map(|(_, count)| count).sum();
        let extra = if_sent_now.map(|now| Waiting {
            zone,
            messages,
            not_before: from.unwrap_or(now),
            expires_at: notice.expires_at,
        });
        let is_under_way = notice.status() == NoticeStatus::Released && notice.expires_at > now;
        if messages > 0 && (extra.is_some() || is_under_way) {
            let estimate = all_sent_by_with(&app.store, &app.config.delivery, channel, now, extra)
                .await
                .map_err(|why| DeskError::Unreadable(why.to_string()))?;
            all_sent_by.insert(channel, estimate);
        }
    }
    Ok(Goes { from, if_sent_now, all_sent_by, useless_from: notice.expires_at })
}

/// As [`leaves_by_itself`], when its first message may leave: not before now, and not in quiet hours.
pub fn leaves_from(notice: &Notice, quiet: QuietHours, zone: Tz, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
    leaves_by_itself(notice).map(|at| quiet.next_allowed(at.max(now), zone))
}

/// What became of it, in a few words: `leaves by itself on Mon, Mar 16, 9:00 AM MDT, unless it is held`, `needs a word`. `zone` is
/// the region's.
pub fn fate(notice: &Notice, quiet: QuietHours, zone: Tz, now: DateTime<Utc>) -> String {
    if let Some(recall) = &notice.recall {
        return recalled(recall, zone);
    }
    match (&notice.state, leaves_from(notice, quiet, zone, now)) {
        (NoticeState::Released { at, by }, _) => {
            let from = left_from(notice, quiet, zone).unwrap_or(*at);
            match (left_by_itself(notice), report_of(notice)) {
                (Some(_), Some(_)) => left_words(&format!(" {OF_REPORT},"), from, zone, now),
                (Some(_), None) => left_words(" by itself", from, zone, now),
                (None, _) => format!("{}, on the word of {by}", left_words("", from, zone, now)),
            }
        }
        (NoticeState::Waiting, Some(at)) => format!("leaves by itself on {}, unless it is held", local(at, zone)),
        (NoticeState::Waiting, None) => "needs a word".to_owned(),
        (NoticeState::Skipped, _) => match hold_note(notice) {
            Some(note) if overtaken::ran_out_held(notice) => {
                format!("ended unsent, of use until {}; it had been {note}", overtaken::of_use_until(notice, zone))
            }
            Some(note) => format!("skipped; it had been {note}"),
            None => notice.standing_word().to_owned(),
        },
        _ => notice.standing_word().to_owned(),
    }
}

/// As [`fate`], beside a report: what left because of it names whoever confirmed it.
pub fn fate_beside(notice: &Notice, quiet: QuietHours, zone: Tz, now: DateTime<Utc>, report: &StoredReport) -> String {
    let is_of_it = is_of(notice, report);
    let leaves = leaves_from(notice, quiet, zone, now);
    if let (NoticeState::Waiting, Some(at), true) = (&notice.state, leaves, is_of_it) {
        return format!("leaves on {}; until then it can be held or called off", local(at, zone));
    }
    let by_it = left_by_itself(notice).filter(|_| is_of_it && notice.recall.is_none());
    match by_it.and_then(|_| left_from(notice, quiet, zone)) {
        Some(from) if report.standing == ReportStanding::Confirmed => left_because_of(report, from, zone, now),
        // The newest word on it is not that of who confirmed it.
        Some(from) => left_words(&format!(" {OF_REPORT_ASIDE},"), from, zone, now),
        None => fate(notice, quiet, zone, now),
    }
}

/// Why a notice was skipped, or who called it off and why, as its own page says it; `None`: neither. `held`: what is said of its
/// hold, where that is known.
pub fn why_ended(notice: &Notice, zone: Tz, held: Option<&str>) -> Option<String> {
    let Why { sentence, waits, .. } = why::of(notice, None, None, notice.decided_on);
    match notice.status() {
        NoticeStatus::Skipped => {}
        NoticeStatus::Cancelled => return Some(waits),
        _ => return None,
    }
    let waits = held.map_or(waits, str::to_owned);
    // One whose time ran out keeps the reason for which it was decided; that does not say why it was skipped.
    let ended = || format!("It was of use until {}.", local(notice.expires_at, zone));
    Some(match (why::has_skip_reason(notice), waits.is_empty()) {
        (true, true) => sentence,
        (true, false) => format!("{sentence} {waits}"),
        (false, true) => ended(),
        (false, false) if overtaken::ran_out_held(notice) => format!("{} {waits}", ended()),
        (false, false) => waits,
    })
}

/// Where a notice stands, in one word for people. Staff *send* a notice, or it goes by itself; with that it has *left*, and of its
/// messages it is said when they are *sent*. Programs read [`Notice::standing_word`].
pub fn standing_shown(notice: &Notice) -> &'static str {
    match notice.standing_word() {
        "released" => "left",
        "cancelled" => "called off",
        other => other,
    }
}
