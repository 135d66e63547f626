//! A region's notices as CAP 1.2 alerts: one document a notice that went out, each naming those before it.
//!
//! Common Alerting Protocol Version 1.2, OASIS Standard, 1 July 2010: namespace, order of the elements, and the rules of
//! its section 3 (no blank, comma, `<` or `&` in an identifier; times with a numeric offset, never `Z`, UTC as `-00:00`).

use axum::Router;
use axum::extract::Path;
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;

use super::views::RegionView;
use super::window::hatch_words;
use super::{Fault, Site, Visit, recalled};
use crate::language::Language;
use crate::links::region_path;
use crate::message::facts::{Basis, NoticeFacts, StageDates};
use crate::region::RegionId;
use crate::season::decide::MovedBy;
use crate::season::window::DeadlineRule;
use crate::season::{DateSpread, DaySpan, NoticeKind, WindowDays, phrases};
use crate::store::notices::Notice;
use crate::text::escape;
use crate::timetable;
use crate::web::cache::CachedAnswer;

pub(super) const KIND: &str = "application/cap+xml";
const KIND_UTF8: &str = "application/cap+xml; charset=utf-8";

pub(super) fn routes() -> Router<Site> {
    Router::new().route("/region/{id}/alert.cap", get(newest)).route("/region/{id}/alert/{file}", get(one))
}

/// The notice that went out last; no such page while none has.
async fn newest(visit: Visit, Path(id): Path<RegionId>, asked: HeaderMap) -> Result<Response, Fault> {
    answer(&visit, &id, |notices| notices.last().map(file), &asked).await
}

async fn one(visit: Visit, Path((id, name)): Path<(RegionId, String)>, asked: HeaderMap) -> Result<Response, Fault> {
    answer(&visit, &id, |notices| notices.iter().map(file).find(|file| *file == name), &asked).await
}

async fn answer(
    visit: &Visit,
    id: &RegionId,
    wanted: impl FnOnce(&[Notice]) -> Option<String>,
    asked: &HeaderMap,
) -> Result<Response, Fault> {
    let views = visit.site.views().get().await?;
    let view = views.region(id).ok_or(Fault::NotFound)?;
    let name = wanted(&view.notices).ok_or(Fault::NotFound)?;
    let at = view.notices.iter().position(|notice| file(notice) == name).ok_or(Fault::NotFound)?;
    // Both languages stand in each document.
    let cached = view.answer(&format!("{}/alert/{name}", region_path(id)), Language::En, || {
        Ok(CachedAnswer::new(KIND_UTF8, document(&visit.site, view, at)).embeddable())
    })?;
    Ok(cached.answer(asked))
}

/// The name of a notice's document below its region.
fn file(notice: &Notice) -> String {
    format!("{}-{}.cap", notice.season.year, notice.kind.name())
}

/// The path of a notice's document.
pub(super) fn path(view: &RegionView, notice: &Notice) -> String {
    format!("{}/alert/{}", region_path(&view.region.id), file(notice))
}

/// The name of a notice's words.
pub(super) fn words(notice: &Notice) -> &'static str {
    match notice.kind {
        // Where nothing was known of the best days, looking and washing were one.
        NoticeKind::InspectNow if facts(notice).is_some_and(|facts| best(&facts).is_none()) => "inspect-and-wash",
        kind => kind.name(),
    }
}

/// When a notice comes, in a sentence; empty for one whose facts cannot be read.
pub(super) fn when(site: &Site, language: Language, notice: &Notice) -> String {
    let Some(facts) = facts(notice) else { return String::new() };
    let said = |keys: &[&str]| site.word(language, "region", keys);
    let date = |day| phrases::date(language, day);
    let hatch = facts.days.as_ref().and_then(|days| hatch_words(language, days));
    let look_from = facts.days.map_or(facts.laying.reached.unwrap_or(facts.laying.likely), |days| days.look_from);
    let best = best(&facts).map(|best| said(&["best"]).replace("{best}", &phrases::span(language, best)));
    said(&["news", words(notice), "when"])
        .replace("{begun}", &said(&["news", "begun", facts.begun()]))
        .replace("{look_from}", &date(look_from))
        .replace("{best}", &best.unwrap_or_default())
        .replace("{hatch}", &hatch.unwrap_or_else(|| stage_words(language, facts.hatch)))
        .replace("{wash_by}", &date(facts.wash_by))
        .replace("{was}", &facts.days.and_then(|days| days.was).map(date).unwrap_or_default())
        .replace("{moved_by}", &facts.moved_by.map(MovedBy::name).map(|by| said(&["moved_by", by])).unwrap_or_default())
        .trim()
        .to_owned()
}

fn facts(notice: &Notice) -> Option<NoticeFacts> {
    serde_json::from_value(notice.facts.clone()).ok()
}

/// The best days to wash that a notice knew.
fn best(facts: &NoticeFacts) -> Option<DaySpan> {
    facts.days.and_then(|days| days.best.filter(|best| best.first <= days.deadline))
}

/// Dates of a notice from before the window's days were kept.
fn stage_words(language: Language, of: StageDates) -> String {
    match of.reached {
        Some(on) => phrases::date(language, on),
        None => phrases::wide_range(language, DateSpread { early: of.early, median: Some(of.likely), late: of.late }),
    }
}

fn document(site: &Site, view: &RegionView, at: usize) -> String {
    let notice = &view.notices[at];
    let zone = view.region.time_zone;
    let mut xml = Xml::default();
    xml.text.push_str(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<alert xmlns=\"urn:oasis:names:tc:emergency:cap:1.2\">\n",
    );
    let sender = sender(site);
    xml.element("identifier", &identifier(notice));
    xml.element("sender", &sender);
    xml.element("sent", &time(zone, went_out(notice)));
    xml.element("status", if site.is_exercise() { "Exercise" } else { "Actual" });
    xml.element("msgType", if at == 0 { "Alert" } else { "Update" });
    xml.element("scope", "Public");
    if site.is_exercise() {
        let note = Language::ALL.map(|language| site.word(language, "common", &["exercise"]));
        xml.element("note", &note.join(" "));
    }
    if at > 0 {
        let before = view.notices[..at].iter();
        let named = before.map(|one| format!("{sender},{},{}", identifier(one), time(zone, went_out(one))));
        xml.element("references", &named.collect::<Vec<_>>().join(" "));
    }
    for language in Language::ALL {
        info(&mut xml, site, view, notice, language);
    }
    xml.text.push_str("</alert>\n");
    xml.text
}

fn info(xml: &mut Xml, site: &Site, view: &RegionView, notice: &Notice, language: Language) {
    let (region, zone) = (&view.region, view.region.time_zone);
    let facts = facts(notice);
    let said =
        |key: &str| site.word(language, "region", &["news", words(notice), key]).replace("{place}", &region.name);
    let messages = &site.app().config.messages;
    xml.text.push_str("<info>\n");
    xml.element(
        "language",
        match language {
            Language::En => "en-US",
            Language::Es => "es-US",
        },
    );
    xml.element("category", "Env");
    xml.element("event", &phrases::capitalised(view.profile.names.get(language)));
    xml.element(
        "responseType",
        match notice.kind {
            NoticeKind::GetReady => "Prepare",
            NoticeKind::InspectNow => "Monitor",
            NoticeKind::WashNow | NoticeKind::DeadlineMoved | NoticeKind::LastDaysToWash => "Execute",
            NoticeKind::TooLateToWash => "None",
        },
    );
    // To be acted on in days or weeks, not in an hour; trees are at stake, nobody's life.
    xml.element("urgency", if notice.kind == NoticeKind::TooLateToWash { "Past" } else { "Future" });
    xml.element("severity", "Minor");
    let observed = facts.as_ref().is_some_and(|facts| is_observed(notice.kind, facts));
    // CAP 1.2, section 3.2.2: Likely is above one half, Possible up to it.
    let is_even = |facts: &NoticeFacts| facts.chance_of(notice.kind).is_some_and(|chance| chance <= 0.5);
    let certainty = match &facts {
        _ if observed => "Observed",
        Some(facts) if is_even(facts) => "Possible",
        _ => "Likely",
    };
    xml.element("certainty", certainty);
    if let Some(facts) = &facts {
        xml.element("onset", &time(zone, begin(zone, onset(notice.kind, facts))));
    }
    let end = facts.as_ref().and_then(|facts| end(notice.kind, facts)).map(|day| begin(zone, days_after(day, 1)));
    // What was recalled is of no use from then on, whatever days it tells.
    let end = notice.recall.as_ref().map(|recall| recall.at).or(end);
    xml.element("expires", &time(zone, end.unwrap_or(notice.expires_at)));
    xml.element("senderName", &messages.sender_name);
    xml.element("headline", &said("title"));
    let recalled = recalled::of_notice(site, language, view, notice);
    let description =
        [recalled, Some(when(site, language, notice))].into_iter().flatten().collect::<Vec<_>>().join(" ");
    xml.element("description", &description);
    xml.element("instruction", &said("what"));
    if let Some(page) = site.address(language, &region_path(&region.id)) {
        xml.element("web", page.as_str());
    }
    xml.element("contact", &messages.help_contact);
    xml.text.push_str("<area>\n");
    // In words: CAP's own `altitude` and `ceiling` cannot say a band that is open above.
    let area =
        region.band.map_or_else(|| region.name.clone(), |band| format!("{}, {}", region.name, band.words(language)));
    xml.element("areaDesc", &area);
    for zip in &region.zips {
        xml.text.push_str("<geocode>");
        xml.inline("valueName", "ZIP");
        xml.inline("value", zip.as_str());
        xml.text.push_str("</geocode>\n");
    }
    xml.text.push_str("</area>\n</info>\n");
}

/// Only what somebody saw is observed: eggs by the basis of a notice on them, the hatch by the rule of the last day.
fn is_observed(kind: NoticeKind, facts: &NoticeFacts) -> bool {
    match kind {
        NoticeKind::InspectNow | NoticeKind::WashNow => facts.basis == Basis::Seen,
        NoticeKind::LastDaysToWash | NoticeKind::TooLateToWash => {
            facts.days.is_some_and(|days| days.rule == DeadlineRule::HatchSeen)
        }
        NoticeKind::GetReady | NoticeKind::DeadlineMoved => false,
    }
}

/// The first day of what a notice speaks of, by the window's days that it knew.
fn onset(kind: NoticeKind, facts: &NoticeFacts) -> NaiveDate {
    let Some(WindowDays { look_from, deadline, last_from, .. }) = facts.days else {
        // From before the days were kept.
        let of = if kind < NoticeKind::LastDaysToWash { facts.laying } else { facts.hatch };
        return of.reached.unwrap_or(of.likely);
    };
    match kind {
        NoticeKind::GetReady | NoticeKind::InspectNow => look_from,
        NoticeKind::WashNow | NoticeKind::DeadlineMoved => best(facts).map_or(look_from, |best| best.first),
        NoticeKind::LastDaysToWash => last_from.min(facts.decided_on),
        NoticeKind::TooLateToWash => days_after(deadline, 1),
    }
}

/// The last day on which a notice holds, where it tells one: its last day to wash, or after that the day on which the young
/// insects have settled. The others hold as long as they are of use.
fn end(kind: NoticeKind, facts: &NoticeFacts) -> Option<NaiveDate> {
    let days = facts.days?;
    match kind {
        NoticeKind::GetReady => None,
        NoticeKind::InspectNow => best(facts).is_none().then_some(days.deadline),
        NoticeKind::WashNow | NoticeKind::DeadlineMoved | NoticeKind::LastDaysToWash => Some(days.deadline),
        NoticeKind::TooLateToWash => days.settled.filter(|settled| *settled > facts.decided_on),
    }
}

fn days_after(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_add_days(Days::new(days)).unwrap_or(day)
}

/// The same on every run, and this notice's alone.
fn identifier(notice: &Notice) -> String {
    plain(&format!("treebell-{}-{}-{}", notice.season.region, notice.season.year, notice.kind.name()))
}

fn sender(site: &Site) -> String {
    plain(site.public().and_then(|url| url.host_str()).unwrap_or("treebell.invalid"))
}

/// Without the signs that an identifier must not have.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_ascii_graphic() && !",<&".contains(c) { c } else { '-' }).collect()
}

/// The instant at which it went out: only such notices are shown.
fn went_out(notice: &Notice) -> DateTime<Utc> {
    notice.released_at().unwrap_or(notice.decided_at)
}

fn begin(zone: Tz, day: NaiveDate) -> DateTime<Utc> {
    timetable::place(day.and_time(NaiveTime::MIN), zone)
}

/// `2025-03-12T06:15:00-06:00`.
fn time<Z: TimeZone>(zone: Z, at: DateTime<Utc>) -> String
where
    Z::Offset: std::fmt::Display,
{
    at.with_timezone(&zone).format("%Y-%m-%dT%H:%M:%S%:z").to_string().replace("+00:00", "-00:00")
}

/// Elements one after the other.
#[derive(Default)]
struct Xml {
    text: String,
}

impl Xml {
    fn element(&mut self, name: &str, value: &str) {
        self.inline(name, value);
        self.text.push('\n');
    }

    /// An element without a value says nothing and is left out.
    fn inline(&mut self, name: &str, value: &str) {
        // What XML 1.0 cannot hold at all.
        let value: String =
            value.chars().filter(|c| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}')).collect();
        if !value.is_empty() {
            self.text.push_str(&format!("<{name}>{}</{name}>", escape(&value)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_carry_a_numeric_offset_and_utc_a_negative_one() {
        let at = "2025-03-12T13:15:00Z".parse().expect("an instant");
        assert_eq!(time(chrono_tz::America::Denver, at), "2025-03-12T07:15:00-06:00");
        assert_eq!(time(chrono_tz::Asia::Kolkata, at), "2025-03-12T18:45:00+05:30");
        assert_eq!(time(chrono_tz::UTC, at), "2025-03-12T13:15:00-00:00");
        assert_eq!(time(chrono_tz::Europe::London, at), "2025-03-12T13:15:00-00:00");
    }

    #[test]
    fn an_identifier_has_no_sign_that_parts_references() {
        assert_eq!(plain("treebell-a b,c<d&e"), "treebell-a-b-c-d-e");
    }
}
