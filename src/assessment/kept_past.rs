//! A station's past as one season sees it, as a compact run of bytes: exactly what was made of its record, or nothing.
//!
//! A temperature that is tenths of a degree to the last bit takes two bytes; the others, which were made up, follow
//! whole. What is looked for in vain, cut short or changed reads as `None` and is made anew.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, NaiveDate, Utc};
use sha2::{Digest, Sha256};

use super::bytes::{Reader, opened, sealed};
use super::past::{Asked, OwnPast, StationHistory};
use super::skill;
use crate::heat::DayTemperatures;
use crate::heat::projection::PastSeason;
use crate::weather::normals::{Normals, Usual};
use crate::weather::settled::{PastDays, PastUse, Settled};

/// Of this layout: raise it with every change below.
const LAYOUT: u8 = 1;

/// Of the way in which normals and past seasons are made of a record: raise it with every change in `weather/` or
/// [`past`](super::past) that may change a figure, so that what was kept by an older program is made anew.
const METHOD: u32 = 1;

/// In the place of tenths: the value stands whole behind the season.
const WHOLE: i16 = i16::MIN;

/// A station's past as a season sees it.
#[derive(Debug, PartialEq)]
pub struct KeptPast {
    /// When what is known of the days it comes from was and will be the same.
    pub settled: Settled,
    /// When the station was first pulled, by the days before those that are read for the season itself.
    pub earlier_live: Option<DateTime<Utc>>,
    /// Around the season.
    pub normals: Normals,
    /// Where its past seasons are asked for.
    pub own: Option<KeptSeasons>,
}

/// A station's own past seasons, enough of them.
#[derive(Debug, PartialEq)]
pub struct KeptSeasons {
    pub past: OwnPast,
    /// [`OwnPast::skill_digest`] of them.
    pub skill_digest: [u8; 32],
}

impl KeptPast {
    /// Of a whole record, of which the days from `reads_from` on are read for the season itself. `None` where past
    /// seasons are asked for and are few: then what else is on record has a say.
    pub fn of(
        history: &StationHistory,
        asked: &Asked<'_>,
        at: DateTime<Utc>,
        used: PastUse,
        reads_from: NaiveDate,
    ) -> Option<Self> {
        let StationHistory { station, record } = history;
        let normals = Normals::around(record, asked.known, &station.sources, asked.season);
        let own = match used {
            PastUse::Normals => None,
            PastUse::Years => {
                let past = OwnPast::earlier(history, asked, &normals);
                if !past.is_enough() {
                    return None;
                }
                let skill_digest = past.skill_digest(asked.profile);
                Some(KeptSeasons { past, skill_digest })
            }
        };
        let days = PastDays::of(asked.season, used, record.last_day());
        let settled = record.settled(days, at, asked.rules.bulk_latency_days);
        Some(Self { settled, earlier_live: record.first_live_before(reads_from), normals, own })
    }
}

/// The same for the same past: of the station's own facts, the settings, the profile where past seasons are asked for,
/// how often the days before `reads_from` were written to, and the versions since then. `since`: the station with the
/// record from that day on.
pub fn digest(
    since: &StationHistory,
    asked: &Asked<'_>,
    used: PastUse,
    reads_from: NaiveDate,
    writes: i64,
) -> [u8; 32] {
    digest_by([METHOD, skill::METHOD], since, asked, used, reads_from, writes)
}

fn digest_by(
    methods: [u32; 2],
    since: &StationHistory,
    asked: &Asked<'_>,
    used: PastUse,
    reads_from: NaiveDate,
    writes: i64,
) -> [u8; 32] {
    let StationHistory { station, record } = since;
    let profile = (used == PastUse::Years).then_some(asked.profile);
    let mut digest = Sha256::new();
    digest.update(format!(
        "{methods:?} {used:?} {} {reads_from} {writes} {:?} {station:?} {:?} {profile:?}",
        asked.season,
        record.first_live(),
        asked.rules
    ));
    for version in record.versions_of(PastDays::of(asked.season, used, record.last_day())) {
        digest.update([u8::from(version.bulk), u8::from(version.sampled), version.element as u8]);
        for day in [version.day, version.day_reported] {
            digest.update(day.num_days_from_ce().to_le_bytes());
        }
        digest.update(version.value.0.to_le_bytes());
        digest.update(version.received_at.timestamp_millis().to_le_bytes());
        for text in [Some(version.feed.name()), version.rejected.as_deref()] {
            digest.update(text.map_or(u64::MAX, |text| text.len() as u64).to_le_bytes());
            digest.update(text.unwrap_or_default());
        }
    }
    digest.finalize().into()
}

pub fn to_bytes(kept: &KeptPast) -> Vec<u8> {
    let KeptPast { settled, earlier_live, normals, own } = kept;
    let mut to = vec![LAYOUT];
    for instant in [settled.from, settled.until, *earlier_live] {
        to.push(u8::from(instant.is_some()));
        to.extend(instant.map_or(0, |instant| instant.timestamp_millis()).to_le_bytes());
    }
    for day in [settled.from_day, settled.until_day] {
        to.push(u8::from(day.is_some()));
        to.extend(day.map_or(0, |day| day.num_days_from_ce()).to_le_bytes());
    }
    to.extend((normals.slots().len() as u32).to_le_bytes());
    for usual in normals.slots().iter().flatten() {
        to.push(u8::from(usual.is_some()));
        if let Some(Usual { mean_c, centre_c, spread_c, samples }) = usual {
            [mean_c, centre_c, spread_c].into_iter().for_each(|value| to.extend(value.to_le_bytes()));
            to.extend(samples.to_le_bytes());
        }
    }
    to.push(u8::from(own.is_some()));
    if let Some(KeptSeasons { past, skill_digest }) = own {
        to.extend(skill_digest);
        to.extend((past.made_up.len() as u32).to_le_bytes());
        past.made_up.iter().for_each(|day| to.extend(day.num_days_from_ce().to_le_bytes()));
        to.extend((past.seasons.len() as u32).to_le_bytes());
        past.seasons.iter().for_each(|season| put_season(&mut to, season));
    }
    sealed(to)
}

/// `None` for anything but what [`to_bytes`] gives.
pub fn from_bytes(bytes: &[u8]) -> Option<KeptPast> {
    let mut from = opened(bytes)?;
    if from.byte()? != LAYOUT {
        return None;
    }
    let instants = [instant(&mut from)?, instant(&mut from)?, instant(&mut from)?];
    let days = [day_if_any(&mut from)?, day_if_any(&mut from)?];
    let ([from_instant, until, earlier_live], [from_day, until_day]) = (instants, days);
    let settled = Settled { from: from_instant, until, from_day, until_day };
    let slots = (0..from.number()?).map(|_| Some([usual(&mut from)?, usual(&mut from)?]));
    let normals = Normals::from_slots(slots.collect::<Option<_>>()?)?;
    let own = match from.byte()? {
        0 => None,
        _ => {
            let skill_digest = from.array()?;
            let made_up = (0..from.number()?).map(|_| day(&mut from)).collect::<Option<BTreeSet<_>>>()?;
            let seasons = (0..from.number()?).map(|_| season(&mut from)).collect::<Option<Vec<_>>>()?;
            Some(KeptSeasons { past: OwnPast::kept(seasons, made_up), skill_digest })
        }
    };
    from.is_at_end().then_some(KeptPast { settled, earlier_live, normals, own })
}

fn put_season(to: &mut Vec<u8>, season: &PastSeason) {
    to.extend(season.season.to_le_bytes());
    to.extend(season.first.num_days_from_ce().to_le_bytes());
    to.extend((season.days.len() as u32).to_le_bytes());
    let mut whole = Vec::new();
    for value in season.days.iter().flat_map(|day| [day.min_c, day.max_c]) {
        let tenths = tenths_of(value).unwrap_or_else(|| {
            whole.extend(value.to_le_bytes());
            WHOLE
        });
        to.extend(tenths.to_le_bytes());
    }
    to.extend(whole);
}

/// Of what is tenths of a degree to the last bit.
fn tenths_of(value: f64) -> Option<i16> {
    // What lies beyond is cut off, and then not the same.
    let tenths = (value * 10.0).round() as i16;
    (tenths != WHOLE && celsius(tenths).to_bits() == value.to_bits()).then_some(tenths)
}

/// As [`TenthsC::c`](crate::weather::TenthsC::c).
fn celsius(tenths: i16) -> f64 {
    f64::from(tenths) / 10.0
}

fn season(from: &mut Reader<'_>) -> Option<PastSeason> {
    let (season, first) = (from.signed()?, day(from)?);
    let count = from.number()? as usize;
    let tenths = from.take(count.checked_mul(4)?)?;
    let mut value = |bytes: &[u8]| match i16::from_le_bytes(bytes.try_into().ok()?) {
        WHOLE => from.value(),
        tenths => Some(celsius(tenths)),
    };
    let of_day = |day: &[u8]| {
        let (min, max) = day.split_at_checked(2)?;
        Some(DayTemperatures { min_c: value(min)?, max_c: value(max)? })
    };
    let days = tenths.chunks_exact(4).map(of_day).collect::<Option<Vec<_>>>()?;
    Some(PastSeason { season, first, days })
}

fn usual(from: &mut Reader<'_>) -> Option<Option<Usual>> {
    if from.byte()? == 0 {
        return Some(None);
    }
    let (mean_c, centre_c, spread_c) = (from.value()?, from.value()?, from.value()?);
    Some(Some(Usual { mean_c, centre_c, spread_c, samples: from.number()? }))
}

fn instant(from: &mut Reader<'_>) -> Option<Option<DateTime<Utc>>> {
    let is_there = from.byte()? != 0;
    let instant = DateTime::from_timestamp_millis(from.array().map(i64::from_le_bytes)?)?;
    Some(is_there.then_some(instant))
}

fn day(from: &mut Reader<'_>) -> Option<NaiveDate> {
    NaiveDate::from_num_days_from_ce_opt(from.signed()?)
}

fn day_if_any(from: &mut Reader<'_>) -> Option<Option<NaiveDate>> {
    let is_there = from.byte()? != 0;
    let days = from.signed()?;
    if is_there { NaiveDate::from_num_days_from_ce_opt(days).map(Some) } else { Some(None) }
}

#[cfg(test)]
mod tests {
    use super::super::bytes::SUM;
    use super::*;
    use crate::season::Profile;
    use crate::weather::invented::{at, day, index, station, version, versions};
    use crate::weather::record::{Known, RecordIndex};
    use crate::weather::settings::WeatherConfig;
    use crate::weather::{Element, FeedKind, TenthsC, Version};

    const NOW: &str = "2026-03-01T12:00:00Z";

    /// Years of weather with gaps, so that some days are drawn over and some are usual ones.
    fn record() -> Vec<Version> {
        let days = (day(2026, 2, 20) - day(2011, 1, 1)).num_days() as usize;
        let of = |nth: usize| {
            let wave = ((nth % 365) as f64 / 58.0).sin() * 110.0 + ((nth * 37) % 61) as f64;
            let (max, min) = (90 + wave as i32, wave as i32 - 60);
            ((nth % 97 > 2).then_some(max), (nth % 1301 > 12).then_some(min))
        };
        versions(day(2011, 1, 1), &(0..days).map(of).collect::<Vec<_>>())
    }

    fn history(versions: Vec<Version>) -> StationHistory {
        StationHistory { station: station("A", 2000.0), record: index(versions) }
    }

    fn with_asked<T>(of: impl FnOnce(&Asked<'_>) -> T) -> T {
        let (profile, rules) = (Profile::pinyon_needle_scale(), WeatherConfig::default());
        let known = Known::At { instant: at(NOW), bulk_latency_days: rules.bulk_latency_days };
        of(&Asked { profile: &profile, season: 2026, rules: &rules, known })
    }

    fn reads_from() -> NaiveDate {
        crate::weather::prepare::season_reads_from(day(2026, 1, 1))
    }

    fn kept(used: PastUse) -> KeptPast {
        with_asked(|asked| KeptPast::of(&history(record()), asked, at(NOW), used, reads_from()).unwrap())
    }

    #[test]
    fn what_is_kept_is_what_was_made_to_the_last_bit() {
        let kept = kept(PastUse::Years);
        let own = kept.own.as_ref().unwrap();
        let values = || own.past.seasons.iter().flat_map(|season| &season.days).flat_map(|day| [day.min_c, day.max_c]);
        let whole = values().filter(|value| tenths_of(*value).is_none()).count();
        assert!(whole > 100 && !own.past.made_up.is_empty(), "{whole} values are not tenths");
        let bytes = to_bytes(&kept);
        let again = from_bytes(&bytes).unwrap();
        assert_eq!(again, kept);
        let past = again.own.unwrap().past;
        let read = past.seasons.iter().flat_map(|season| &season.days).flat_map(|day| [day.min_c, day.max_c]);
        assert!(read.map(f64::to_bits).eq(values().map(f64::to_bits)));
        assert!(bytes.len() < values().count() * 3 + 30_000, "{} bytes", bytes.len());

        let normals = self::kept(PastUse::Normals);
        assert_eq!((normals.own.is_none(), &normals.normals), (true, &kept.normals));
        assert_eq!(from_bytes(&to_bytes(&normals)), Some(normals));
    }

    #[test]
    fn every_value_comes_back_as_it_was() {
        let values = [0.0, -0.0, 0.1, -12.3, 0.1 + 0.2, 3276.7, -3276.8, 3276.8, 1e300, f64::MIN_POSITIVE, 25.0 / 3.0];
        let days: Vec<_> = values.iter().map(|value| DayTemperatures { min_c: *value, max_c: -value }).collect();
        let written = PastSeason { season: -4, first: day(2000, 2, 29), days };
        let mut to = Vec::new();
        put_season(&mut to, &written);
        let to = sealed(to);
        let read = season(&mut opened(&to).unwrap()).unwrap();
        assert_eq!((read.season, read.first), (written.season, written.first));
        let bits = |season: &PastSeason| {
            season.days.iter().flat_map(|day| [day.min_c.to_bits(), day.max_c.to_bits()]).collect::<Vec<u64>>()
        };
        assert_eq!(bits(&read), bits(&written));
    }

    #[test]
    fn what_was_cut_or_changed_reads_as_nothing() {
        let whole = to_bytes(&kept(PastUse::Years));
        for at in (0..whole.len()).step_by(1009).chain([1, whole.len() - 1]) {
            assert_eq!(from_bytes(&whole[..at]), None, "{at} bytes");
            let mut changed = whole.clone();
            changed[at] ^= 0x40;
            assert_eq!(from_bytes(&changed), None, "byte {at}");
        }
        // Right to its sum, but of another layout, or with something behind its end.
        let content = || whole[..whole.len() - SUM].to_vec();
        let mut other = content();
        other[0] += 1;
        assert_eq!(from_bytes(&sealed(other)), None);
        assert_eq!(from_bytes(&sealed([content(), vec![0]].concat())), None);
        assert!(from_bytes(&sealed(content())).is_some());
    }

    #[test]
    fn few_seasons_are_not_kept_since_others_have_a_say() {
        with_asked(|asked| {
            let few: Vec<Version> = record().into_iter().filter(|version| version.day >= day(2020, 1, 1)).collect();
            let of = |used| KeptPast::of(&history(few.clone()), asked, at(NOW), used, reads_from());
            assert!(of(PastUse::Years).is_none() && of(PastUse::Normals).is_some());
        });
    }

    #[test]
    fn a_digest_changes_with_each_thing_that_a_past_comes_from() {
        let all = || record().into_iter().filter(|version| version.day >= reads_from()).collect::<Vec<_>>();
        let of = |versions, asked: &Asked<'_>, used| digest(&history(versions), asked, used, reads_from(), 7);
        with_asked(|asked| {
            let plain = of(all(), asked, PastUse::Years);
            assert_eq!(of(all(), asked, PastUse::Years), plain);
            // A day of the season itself is no past, and it moves no edge of it.
            let next = version(day(2026, 2, 27), Element::Max, 3);
            assert_eq!(of([all(), vec![next]].concat(), asked, PastUse::Years), plain);

            let changed = |change: &dyn Fn(&mut Version)| {
                let mut versions = all();
                change(&mut versions[90]);
                of(versions, asked, PastUse::Years)
            };
            let of_station = |change: &dyn Fn(&mut StationHistory)| {
                let mut history = history(all());
                change(&mut history);
                digest(&history, asked, PastUse::Years, reads_from(), 7)
            };
            let by = |methods| digest_by(methods, &history(all()), asked, PastUse::Years, reads_from(), 7);
            let (mut profile, mut rules) = (asked.profile.clone(), asked.rules.clone());
            profile.stages.pop();
            rules.bulk_latency_days += 1;
            let mut others = vec![
                of(all(), asked, PastUse::Normals),
                of(all(), &Asked { season: 2025, ..*asked }, PastUse::Years),
                of(all(), &Asked { profile: &profile, ..*asked }, PastUse::Years),
                of(all(), &Asked { rules: &rules, ..*asked }, PastUse::Years),
                digest(&history(all()), asked, PastUse::Years, reads_from(), 8),
                digest(&history(all()), asked, PastUse::Years, day(2025, 8, 4), 7),
                by([METHOD + 1, skill::METHOD]),
                by([METHOD, skill::METHOD + 1]),
                of([all(), vec![version(day(2026, 2, 11), Element::Max, 3)]].concat(), asked, PastUse::Years),
                of([all(), vec![version(day(2027, 1, 1), Element::Max, 3)]].concat(), asked, PastUse::Years),
                of(all()[1..].to_vec(), asked, PastUse::Years),
                changed(&|version| version.value = TenthsC(-77)),
                changed(&|version| version.bulk = true),
                changed(&|version| version.sampled = true),
                changed(&|version| version.rejected = Some(String::new())),
                changed(&|version| version.feed = FeedKind::GhcnDaily),
                changed(&|version| version.received_at += chrono::TimeDelta::milliseconds(1)),
                changed(&|version| version.day_reported = version.day + chrono::Days::new(1)),
                of_station(&|history| history.station.elevation_m += 1.0),
                of_station(&|history| history.station.place.latitude += 0.1),
                of_station(&|history| history.station.time_zone = chrono_tz::America::Phoenix),
                of_station(&|history| history.station.observation_hour = Some(7)),
                of_station(&|history| {
                    history.station.sources.pop();
                }),
            ];
            // A station that was first pulled in a day of the season itself.
            let bulk = || all().into_iter().map(|version| Version { bulk: true, ..version });
            others.push(of(bulk().collect(), asked, PastUse::Years));
            let live = version(day(2026, 2, 27), Element::Max, 3);
            others.push(of(bulk().chain([live]).collect(), asked, PastUse::Years));
            let count = others.len();
            assert!(others.iter().all(|other| *other != plain));
            assert_eq!(others.into_iter().collect::<BTreeSet<_>>().len(), count, "each of its own");
        });
    }

    #[test]
    fn what_is_kept_of_the_last_days_is_a_record_that_says_the_same_of_the_season() {
        with_asked(|asked| {
            let whole = history(record());
            let tail: Vec<Version> = record().into_iter().filter(|version| version.day >= reads_from()).collect();
            let kept = kept(PastUse::Years);
            let tail = index(tail).after(kept.earlier_live);
            let member = |record: &RecordIndex| {
                let member =
                    crate::weather::prepare::Member { station: &whole.station, record, normals: &kept.normals };
                let (first, today) = (day(2026, 1, 1), day(2026, 3, 1));
                crate::weather::prepare::season_days(&member, &[], asked.rules, asked.known, first, today)
            };
            let days = member(&tail);
            assert_eq!((days.days.len(), &days), (50, &member(&whole.record)));
        });
    }
}
