//! A region's notices as CAP 1.2 alerts: one document a notice that went out, each naming those before it.
//!
//! Common Alerting Protocol Version 1.2, OASIS Standard, 1 July 2010: namespace, order of the elements, and the rules of
//! its section 3 (no blank, comma, `<` or `&` in an identifier; times with a numeric offset, never `Z`, UTC as `-00:00`).

use axum::Router;
use axum::extract::Path;
use axum::http::HeaderMap;
use axum::response::Response;
use axum::routing::get;
use chrono::{DateTime, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;

use super::views::RegionView;
use super::{Fault, Site, Visit};
use crate::language::Language;
use crate::links::region_path;
use crate::message::dates::{self, DateStyle};
use crate::message::facts::{Basis, NoticeFacts};
use crate::region::RegionId;
use crate::season::{NoticeKind, phrases};
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
    let cached = views.answer(&format!("{}/alert/{name}", region_path(id)), Language::En, || {
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

/// When a notice comes, in a sentence; empty for one whose facts cannot be read.
pub(super) fn when(site: &Site, language: Language, notice: &Notice) -> String {
    let Ok(facts) = serde_json::from_value::<NoticeFacts>(notice.facts.clone()) else { return String::new() };
    let spread = |of: crate::message::facts::StageDates| match of.reached {
        Some(on) => dates::spread(None, on, None, language, DateStyle::Full),
        None => dates::spread(of.early, of.likely, of.late, language, DateStyle::Full),
    };
    site.word(language, "region", &["news", notice.kind.name(), "when"])
        .replace("{laying}", &spread(facts.laying))
        .replace("{hatch}", &spread(facts.hatch))
        .replace("{wash_by}", &phrases::date(language, facts.wash_by))
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
    let facts = serde_json::from_value::<NoticeFacts>(notice.facts.clone()).ok();
    let said =
        |key: &str| site.word(language, "region", &["news", notice.kind.name(), key]).replace("{place}", &region.name);
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
            NoticeKind::InspectNow | NoticeKind::LastDaysToWash => "Execute",
            NoticeKind::TooLateToWash => "None",
        },
    );
    // To be acted on in days or weeks, not in an hour; trees are at stake, nobody's life.
    xml.element("urgency", if notice.kind == NoticeKind::TooLateToWash { "Past" } else { "Future" });
    xml.element("severity", "Minor");
    let observed = facts.as_ref().is_some_and(|facts| match notice.kind {
        NoticeKind::InspectNow => facts.basis != Basis::Chance,
        NoticeKind::TooLateToWash => facts.hatch.reached.is_some(),
        NoticeKind::GetReady | NoticeKind::LastDaysToWash => false,
    });
    xml.element("certainty", if observed { "Observed" } else { "Likely" });
    if let Some(facts) = &facts {
        let of = if notice.kind < NoticeKind::LastDaysToWash { facts.laying } else { facts.hatch };
        xml.element("onset", &time(zone, begin(zone, of.reached.unwrap_or(of.likely))));
    }
    xml.element("expires", &time(zone, notice.expires_at));
    xml.element("senderName", &messages.sender_name);
    xml.element("headline", &said("title"));
    xml.element("description", &when(site, language, notice));
    xml.element("instruction", &said("what"));
    if let Some(page) = site.address(language, &region_path(&region.id)) {
        xml.element("web", page.as_str());
    }
    xml.element("contact", &messages.help_contact);
    xml.text.push_str("<area>\n");
    xml.element("areaDesc", &region.name);
    for zip in &region.zips {
        xml.text.push_str("<geocode>");
        xml.inline("valueName", "ZIP");
        xml.inline("value", zip.as_str());
        xml.text.push_str("</geocode>\n");
    }
    xml.text.push_str("</area>\n</info>\n");
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
