//! What is said to the public of a notice that staff recalled after messages of it had gone out.

use super::Site;
use super::views::RegionView;
use crate::language::Language;
use crate::season::phrases;
use crate::store::notices::{Notice, Recall};

/// The newest notice that went out, where staff recalled it and somebody has or may have its message. Once a later one went
/// out, that one tells what stands.
pub(super) fn newest(view: &RegionView) -> Option<(&Notice, &Recall)> {
    let notice = view.notices.last()?;
    let recall = notice.recall.as_ref().filter(|recall| recall.gone + recall.maybe > 0)?;
    Some((notice, recall))
}

/// For the page of a region: that a message went out, that it was recalled, and what stands now. `words`: the name of a
/// notice's words.
pub(super) fn of_page(
    site: &Site,
    language: Language,
    view: &RegionView,
    words: impl Fn(&Notice) -> &'static str,
) -> Option<String> {
    let (notice, recall) = newest(view)?;
    let key = if recall.gone > 0 { "recalled" } else { "recalled_maybe" };
    let title = site.word(language, "region", &["news", words(notice), "title"]);
    let zone = view.region.time_zone;
    let sent = notice.released_at().unwrap_or(notice.decided_at).with_timezone(&zone).date_naive();
    let said = site
        .word(language, "region", &["backing", key])
        .replace("{sent}", &phrases::date(language, sent))
        .replace("{recalled}", &day(language, view, recall))
        .replace("{title}", &title.replace("{place}", &view.region.name));
    Some(said)
}

/// For an entry of the feed and for an alert: that staff recalled the notice, if they did.
pub(super) fn of_notice(site: &Site, language: Language, view: &RegionView, notice: &Notice) -> Option<String> {
    let recall = notice.recall.as_ref()?;
    let said = site.word(language, "region", &["backing", "recalled_notice"]);
    Some(said.replace("{recalled}", &day(language, view, recall)))
}

fn day(language: Language, view: &RegionView, recall: &Recall) -> String {
    phrases::date(language, recall.at.with_timezone(&view.region.time_zone).date_naive())
}
