//! What was known of a station's temperatures at a moment.
//!
//! Nothing is ever overwritten: each value has versions, and a question names the moment it is asked from.

use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;

use super::reading::{Element, StationRecord, TenthsC, Version};
use super::rejection::{Reason, Refused, Rejected};
use super::station::{FeedKind, SourceRef};

/// The moment a question is asked from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// What this installation knew at `instant`. Bulk history that came in later counts as known from
    /// `bulk_latency_days` after the day its source filed it under (and never before its own day was over), unless this
    /// installation was already pulling that station then: what it did not have, it did not know.
    At { instant: DateTime<Utc>, bulk_latency_days: u32 },
    /// All versions, the newest first.
    Everything,
}

/// A station's versions, ordered so that a window of days is found at once. Build it once, ask it often.
#[derive(Clone, Debug)]
pub struct RecordIndex {
    pub(super) zone: Tz,
    /// Sorted by (day, element, received_at).
    pub(super) versions: Vec<Version>,
    /// Sorted by day; only days that have a version.
    days: Vec<DaySpan>,
    /// The first receipt that was not a bulk import, with its local day.
    pub(super) first_live: Option<(DateTime<Utc>, NaiveDate)>,
}

/// Where a day's versions lie: maxima in `start..middle`, minima in `middle..end`.
#[derive(Clone, Copy, Debug)]
struct DaySpan {
    day: NaiveDate,
    start: usize,
    middle: usize,
    end: usize,
}

/// One value as chosen among versions and feeds, not yet judged by our own checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawValue {
    pub value: TenthsC,
    pub feed: FeedKind,
    /// Made of hourly samples: the true extreme may lie beyond.
    pub sampled: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RawDay {
    pub max: Option<RawValue>,
    pub min: Option<RawValue>,
}

/// Chosen values of a run of days: `days[i]` belongs to `first + i`.
#[derive(Clone, Debug, PartialEq)]
pub struct RawSeries {
    pub first: NaiveDate,
    pub days: Vec<RawDay>,
    /// Values that were refused when they came in (a source's flag), whether or not another feed stood in for them.
    pub rejected: Vec<Rejected>,
}

impl StationRecord {
    /// Orders the record for questions; `zone` is the station's.
    pub fn index(self, zone: Tz) -> RecordIndex {
        RecordIndex::new(self, zone)
    }
}

impl RecordIndex {
    pub fn new(record: StationRecord, zone: Tz) -> Self {
        let mut versions = record.versions;
        versions.retain(|version| !version.feed.is_forecast());
        versions.sort_by_key(|version| (version.day, version.element, version.received_at));
        let mut days: Vec<DaySpan> = Vec::new();
        for (at, version) in versions.iter().enumerate() {
            match days.last_mut() {
                Some(span) if span.day == version.day => span.end = at + 1,
                _ => days.push(DaySpan { day: version.day, start: at, middle: at, end: at + 1 }),
            }
            if let (Some(span), Element::Max) = (days.last_mut(), version.element) {
                span.middle = at + 1;
            }
        }
        let first_live = versions
            .iter()
            .filter(|version| !version.bulk)
            .map(|version| version.received_at)
            .min()
            .map(|instant| (instant, instant.with_timezone(&zone).date_naive()));
        Self { zone, versions, days, first_live }
    }

    pub fn zone(&self) -> Tz {
        self.zone
    }

    /// The first and the last day that have any version, accepted or not.
    pub fn span(&self) -> Option<(NaiveDate, NaiveDate)> {
        Some((self.days.first()?.day, self.days.last()?.day))
    }

    /// The last day in `from..=to` that has any version, accepted or not.
    pub fn last_day_between(&self, from: NaiveDate, to: NaiveDate) -> Option<NaiveDate> {
        let end = self.days.partition_point(|span| span.day <= to);
        self.days.get(..end)?.last().map(|span| span.day).filter(|day| *day >= from)
    }

    /// Calendar years that have any version, ascending.
    pub fn years(&self) -> Vec<i32> {
        use chrono::Datelike;
        let mut years: Vec<i32> = self.days.iter().map(|span| span.day.year()).collect();
        years.dedup();
        years
    }

    /// The values of `from..=to` as they were known: for each day and element the newest version of the first feed, in
    /// the order of `sources`, that has an accepted one. Bulk imports of a feed that is not among `sources` come last;
    /// what was *pulled* from such a feed is not used, so that taking a feed off the list takes it out of the sum.
    ///
    /// A reading that was first attributed to one day and later to the day before (its observation hour became known)
    /// counts on the newer day only. Where two readings of one feed claim the same maximum, the one filed under the day
    /// itself wins: it saw that day's afternoon.
    pub fn as_of(&self, known: Known, sources: &[SourceRef], from: NaiveDate, to: NaiveDate) -> RawSeries {
        self.as_of_without(known, sources, from, to, &Refused::new())
    }

    /// As [`RecordIndex::as_of`], passing over the values named in `refused`.
    pub(super) fn as_of_without(
        &self,
        known: Known,
        sources: &[SourceRef],
        from: NaiveDate,
        to: NaiveDate,
        refused: &Refused,
    ) -> RawSeries {
        let moment = Moment::new(known, self);
        let feeds = feed_order(sources);
        let count = usize::try_from((to - from).num_days() + 1).unwrap_or(0);
        let mut series = RawSeries { first: from, days: vec![RawDay::default(); count], rejected: Vec::new() };
        let start = self.days.partition_point(|span| span.day < from);
        for (at, span) in self.days.iter().enumerate().skip(start).take_while(|(_, span)| span.day <= to) {
            let Some(day) = usize::try_from((span.day - from).num_days()).ok().and_then(|at| series.days.get_mut(at))
            else {
                continue;
            };
            for element in [Element::Max, Element::Min] {
                let mut chosen = None;
                for (feed, listed) in &feeds {
                    let Some(version) = self.newest(&moment, at, element, *feed, *listed) else { continue };
                    match &version.rejected {
                        Some(reason) => series.rejected.push(Rejected {
                            day: version.day,
                            element,
                            value: version.value,
                            feed: version.feed,
                            reason: Reason::AtReceipt(reason.clone()),
                        }),
                        None if chosen.is_none() && !refused.contains(&(span.day, element, *feed)) => {
                            let (value, feed, sampled) = (version.value, version.feed, version.sampled);
                            chosen = Some(RawValue { value, feed, sampled });
                        }
                        None => {}
                    }
                }
                match element {
                    Element::Max => day.max = chosen,
                    Element::Min => day.min = chosen,
                }
            }
        }
        series
    }

    /// The version of one feed that stood at the moment for a day and element.
    fn newest(&self, moment: &Moment, at: usize, element: Element, feed: FeedKind, listed: bool) -> Option<&Version> {
        let known = |version: &&Version| version.feed == feed && (listed || version.bulk);
        let mut best: Option<(&Version, (bool, Receipt))> = None;
        for version in self.versions_at(at, element).iter().filter(known) {
            let Some(receipt) = moment.receipt(version) else { continue };
            if self.moved_away(moment, at, version, receipt) {
                continue;
            }
            // The reading filed under the day itself comes before one shifted onto it, whichever came in later.
            let rank = (version.day_reported == version.day, receipt);
            if best.is_none_or(|(_, best_rank)| rank >= best_rank) {
                best = Some((version, rank));
            }
        }
        best.map(|(version, _)| version)
    }

    /// Whether the same reading was attributed to the day beside this one by a version that came in later.
    fn moved_away(&self, moment: &Moment, at: usize, version: &Version, receipt: Receipt) -> bool {
        let (other_at, other_day) = if version.day == version.day_reported {
            (at.checked_sub(1), version.day.pred_opt())
        } else {
            (at.checked_add(1), version.day.succ_opt())
        };
        let Some(other_at) = other_at.filter(|at| self.days.get(*at).map(|span| span.day) == other_day) else {
            return false;
        };
        self.versions_at(other_at, version.element).iter().any(|other| {
            other.feed == version.feed
                && other.day_reported == version.day_reported
                && moment.receipt(other).is_some_and(|theirs| theirs > receipt)
        })
    }

    fn versions_at(&self, at: usize, element: Element) -> &[Version] {
        let Some(span) = self.days.get(at) else { return &[] };
        let range = match element {
            Element::Max => span.start..span.middle,
            Element::Min => span.middle..span.end,
        };
        self.versions.get(range).unwrap_or(&[])
    }
}

impl RawSeries {
    pub fn get(&self, day: NaiveDate) -> RawDay {
        self.at(day).and_then(|at| self.days.get(at).copied()).unwrap_or_default()
    }

    pub fn value(&self, day: NaiveDate, element: Element) -> Option<RawValue> {
        self.get(day).get(element)
    }

    /// Days with their values, in order.
    pub fn iter(&self) -> impl Iterator<Item = (NaiveDate, RawDay)> + '_ {
        self.days.iter().enumerate().map(|(at, day)| (self.first + Days::new(at as u64), *day))
    }

    pub(super) fn at(&self, day: NaiveDate) -> Option<usize> {
        usize::try_from((day - self.first).num_days()).ok()
    }
}

impl RawDay {
    pub fn get(self, element: Element) -> Option<RawValue> {
        match element {
            Element::Max => self.max,
            Element::Min => self.min,
        }
    }

    pub(super) fn slot(&mut self, element: Element) -> &mut Option<RawValue> {
        match element {
            Element::Max => &mut self.max,
            Element::Min => &mut self.min,
        }
    }

    pub fn is_complete(self) -> bool {
        self.max.is_some() && self.min.is_some()
    }
}

/// How a version came to be known: what truly came in outranks what is only assumed to have been known.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Receipt {
    Assumed(DateTime<Utc>),
    True(DateTime<Utc>),
}

/// [`Known`] worked out for one station.
struct Moment {
    at: Option<(DateTime<Utc>, NaiveDate, Days)>,
    /// From this day on the installation was pulling, so nothing is assumed.
    pulling_since: Option<NaiveDate>,
    zone: Tz,
}

impl Moment {
    fn new(known: Known, index: &RecordIndex) -> Self {
        let zone = index.zone;
        match known {
            Known::Everything => Self { at: None, pulling_since: None, zone },
            Known::At { instant, bulk_latency_days } => Self {
                at: Some((instant, instant.with_timezone(&zone).date_naive(), Days::new(u64::from(bulk_latency_days)))),
                pulling_since: index.first_live.filter(|(first, _)| *first <= instant).map(|(_, day)| day),
                zone,
            },
        }
    }

    fn receipt(&self, version: &Version) -> Option<Receipt> {
        let Some((instant, today, latency)) = self.at else { return Some(Receipt::True(version.received_at)) };
        if version.received_at <= instant && (!version.bulk || came_after_its_day(version, self.zone)) {
            return Some(Receipt::True(version.received_at));
        }
        if !version.bulk || self.pulling_since.is_some_and(|since| version.day >= since) {
            return None;
        }
        (assumed_from(version, latency)? <= today).then_some(Receipt::Assumed(version.received_at))
    }
}

/// The local day from which a bulk import counts as known that came in later.
pub(super) fn assumed_from(version: &Version, latency: Days) -> Option<NaiveDate> {
    Some(version.day_reported.checked_add_days(latency)?.max(version.day.succ_opt()?))
}

/// A bulk import may hold days still to come on the clock in use (an invented season played through); its receipt says
/// nothing about those.
pub(super) fn came_after_its_day(version: &Version, zone: Tz) -> bool {
    // The zone is asked only where a day more or less could matter: it costs more than the rest of the question.
    let apart = (version.received_at.date_naive() - version.day).num_days();
    apart > 1 || (apart >= 0 && version.received_at.with_timezone(&zone).date_naive() > version.day)
}

/// The feeds to ask, in order, and whether the station lists each.
fn feed_order(sources: &[SourceRef]) -> Vec<(FeedKind, bool)> {
    let mut order: Vec<(FeedKind, bool)> = Vec::with_capacity(FeedKind::ALL.len());
    let listed = sources.iter().map(|source| (source.feed, true));
    for (feed, listed) in listed.chain(FeedKind::ALL.into_iter().map(|feed| (feed, false))) {
        if !feed.is_forecast() && !order.iter().any(|(known, _)| *known == feed) {
            order.push((feed, listed));
        }
    }
    order
}

#[cfg(test)]
mod tests {
    use super::super::invented::{at, day, index, station, version};
    use super::*;

    fn max_at(index: &RecordIndex, instant: &str, on: NaiveDate) -> Option<i32> {
        let known = Known::At { instant: at(instant), bulk_latency_days: 2 };
        max(index, known, on)
    }

    fn max(index: &RecordIndex, known: Known, on: NaiveDate) -> Option<i32> {
        index.as_of(known, &station("A", 2000.0).sources, on, on).get(on).max.map(|raw| raw.value.0)
    }

    const D: fn() -> NaiveDate = || day(2026, 3, 10);

    #[test]
    fn the_newest_version_known_at_the_moment_counts_and_a_later_one_does_not() {
        let first = version(D(), Element::Max, 150);
        let revised = Version { value: TenthsC(160), received_at: at("2026-03-14T12:00:00Z"), ..first.clone() };
        let index = index(vec![revised, first]);
        assert_eq!(max_at(&index, "2026-03-11T11:59:59Z", D()), None);
        assert_eq!(max_at(&index, "2026-03-11T12:00:00Z", D()), Some(150));
        assert_eq!(max_at(&index, "2026-03-14T11:00:00Z", D()), Some(150));
        assert_eq!(max_at(&index, "2026-03-14T12:00:00Z", D()), Some(160));
        assert_eq!(max(&index, Known::Everything, D()), Some(160));
    }

    #[test]
    fn the_first_feed_of_the_station_that_has_an_accepted_value_is_taken() {
        let acis = version(D(), Element::Max, 150);
        let ghcn = Version { value: TenthsC(152), feed: FeedKind::GhcnDaily, ..acis.clone() };
        let flagged = Version { rejected: Some("quality flag I".into()), ..acis.clone() };
        assert_eq!(max(&index(vec![ghcn.clone(), acis]), Known::Everything, D()), Some(150));
        let index = index(vec![ghcn, flagged]);
        let series = index.as_of(Known::Everything, &station("A", 2000.0).sources, D(), D());
        assert_eq!(series.get(D()).max.map(|raw| (raw.value.0, raw.feed)), Some((152, FeedKind::GhcnDaily)));
        assert_eq!(series.rejected.len(), 1);
        assert_eq!(series.rejected[0].reason.to_string(), "quality flag I");
    }

    #[test]
    fn a_value_that_is_flagged_later_is_no_longer_used() {
        let good = version(D(), Element::Max, 461);
        let flagged = Version {
            rejected: Some("quality flag O".into()),
            received_at: at("2026-03-12T12:00:00Z"),
            ..good.clone()
        };
        let index = index(vec![good, flagged]);
        assert_eq!(max_at(&index, "2026-03-11T13:00:00Z", D()), Some(461));
        assert_eq!(max_at(&index, "2026-03-12T13:00:00Z", D()), None);
    }

    #[test]
    fn bulk_history_is_known_its_latency_after_the_local_day_it_was_filed_under() {
        let bulk = Version { bulk: true, received_at: at("2027-01-01T00:00:00Z"), ..version(D(), Element::Max, 150) };
        let shifted = Version { day_reported: day(2026, 3, 11), ..bulk.clone() };
        let (bulk, shifted) = (index(vec![bulk]), index(vec![shifted]));
        // 12 March begins in Denver at 06:00 UTC (daylight time since 8 March).
        assert_eq!(max_at(&bulk, "2026-03-12T05:59:59Z", D()), None);
        assert_eq!(max_at(&bulk, "2026-03-12T06:00:00Z", D()), Some(150));
        assert_eq!(max_at(&shifted, "2026-03-12T06:00:00Z", D()), None);
        assert_eq!(max_at(&shifted, "2026-03-13T06:00:00Z", D()), Some(150));
        let at_once = Known::At { instant: at("2026-03-11T05:59:59Z"), bulk_latency_days: 0 };
        assert_eq!(max(&bulk, at_once, D()), None, "a day is not known before it is over");
    }

    #[test]
    fn what_was_imported_is_known_from_then_on_even_if_it_is_younger_than_the_latency() {
        let bulk = Version { bulk: true, received_at: at("2026-03-11T12:00:00Z"), ..version(D(), Element::Max, 150) };
        assert_eq!(max_at(&index(vec![bulk]), "2026-03-11T12:00:00Z", D()), Some(150));
    }

    #[test]
    fn a_bulk_import_that_holds_days_still_to_come_reveals_them_only_as_they_pass() {
        let ahead = Version { bulk: true, received_at: at("2026-01-01T12:00:00Z"), ..version(D(), Element::Max, 150) };
        let index = index(vec![ahead]);
        assert_eq!(max_at(&index, "2026-02-01T12:00:00Z", D()), None);
        assert_eq!(max_at(&index, "2026-03-11T12:00:00Z", D()), None);
        assert_eq!(max_at(&index, "2026-03-12T12:00:00Z", D()), Some(150));
    }

    #[test]
    fn an_installation_that_was_pulling_then_did_not_know_what_was_imported_later() {
        let live = version(day(2026, 3, 1), Element::Max, 100);
        let before = Version {
            bulk: true,
            received_at: at("2027-01-01T00:00:00Z"),
            ..version(day(2026, 2, 1), Element::Max, 90)
        };
        let hole = Version { day: D(), day_reported: D(), ..before.clone() };
        let index = index(vec![before, live, hole]);
        assert_eq!(max_at(&index, "2026-03-20T12:00:00Z", D()), None);
        assert_eq!(max_at(&index, "2026-03-20T12:00:00Z", day(2026, 2, 1)), Some(90));
        assert_eq!(max_at(&index, "2027-01-02T00:00:00Z", D()), Some(90));
    }

    #[test]
    fn what_truly_came_in_outranks_an_import_that_is_only_assumed_to_have_been_known() {
        let live = version(D(), Element::Max, 150);
        let import =
            Version { bulk: true, value: TenthsC(170), received_at: at("2027-01-01T00:00:00Z"), ..live.clone() };
        let index = index(vec![live, import]);
        assert_eq!(max_at(&index, "2026-03-20T12:00:00Z", D()), Some(150));
        assert_eq!(max_at(&index, "2027-01-01T00:00:00Z", D()), Some(170));
    }

    #[test]
    fn a_feed_off_the_list_gives_its_imports_last_and_its_pulls_never() {
        let pulled = Version { feed: FeedKind::PlainCsv, ..version(D(), Element::Max, 150) };
        let imported = Version { bulk: true, ..pulled.clone() };
        let listed = version(D(), Element::Max, 140);
        assert_eq!(max(&index(vec![pulled]), Known::Everything, D()), None);
        assert_eq!(max(&index(vec![imported.clone()]), Known::Everything, D()), Some(150));
        assert_eq!(max(&index(vec![imported, listed]), Known::Everything, D()), Some(140));
    }

    #[test]
    fn a_reading_attributed_anew_leaves_its_old_day() {
        // First taken as it was filed; then staff learned that the observer reads at seven.
        let old = version(D(), Element::Max, 150);
        let anew = Version { day: day(2026, 3, 9), received_at: at("2026-03-20T12:00:00Z"), ..old.clone() };
        let index = index(vec![old, anew]);
        assert_eq!(max_at(&index, "2026-03-15T12:00:00Z", D()), Some(150));
        assert_eq!(max_at(&index, "2026-03-20T12:00:00Z", D()), None);
        assert_eq!(max_at(&index, "2026-03-20T12:00:00Z", day(2026, 3, 9)), Some(150));
    }

    #[test]
    fn of_two_readings_of_one_day_the_one_filed_under_it_wins_whichever_came_later() {
        let evening = version(D(), Element::Max, 150);
        let morning_after = Version {
            value: TenthsC(80),
            day_reported: day(2026, 3, 11),
            received_at: at("2026-03-15T12:00:00Z"),
            ..evening.clone()
        };
        assert_eq!(max(&index(vec![evening, morning_after]), Known::Everything, D()), Some(150));
    }

    #[test]
    fn an_empty_or_backward_window_is_empty() {
        let index = index(vec![version(D(), Element::Max, 150)]);
        assert!(index.as_of(Known::Everything, &[], D(), day(2026, 3, 8)).days.is_empty());
        assert!(self::index(Vec::new()).as_of(Known::Everything, &[], D(), D()).get(D()).max.is_none());
        assert_eq!(index.span(), Some((D(), D())));
    }
}
