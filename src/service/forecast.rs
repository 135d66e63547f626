//! A station's forecast as the store has it, fitted to the station.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};

use crate::assessment::past::StationHistory;
use crate::config::WeatherConfig;
use crate::heat::projection::forecast_bias;
use crate::season::ForecastFit;
use crate::store::{Store, StoreError};
use crate::weather::record::Known;
use crate::weather::{DayOrigin, DayTemperatures, Element, FilledDay};

/// A forecast older than this says too little of the days ahead (common practice, no source).
pub(super) const FORECAST_GOOD_HOURS: i64 = 36;

/// Days back over which past forecasts are held against what came: so long that chance evens out, and short enough to
/// stay within the time of year (common practice, no source).
const FORECAST_FIT_DAYS: u64 = 30;
/// With fewer days to go by a forecast is taken as it came: a mean of four is mostly chance.
const FORECAST_FIT_NEEDS: usize = 5;

/// The newest forecast of a station as it stood then, whole days only, fitted to the station, and how; empty when
/// there is none or it is stale.
///
/// `history`: the station with at least the last days of its record, to fit the forecast by.
///
/// # Errors
/// When the store fails.
pub(super) async fn fitted(
    store: &Store,
    history: &StationHistory,
    now: DateTime<Utc>,
    rules: &WeatherConfig,
) -> Result<(Vec<FilledDay>, Option<ForecastFit>), StoreError> {
    let station = &history.station;
    let nothing = || Ok((Vec::new(), None));
    let Some(forecast) = store.forecast(&station.id, now).await? else { return nothing() };
    if now - forecast.received_at > chrono::Duration::hours(FORECAST_GOOD_HOURS) {
        return nothing();
    }
    let today = now.with_timezone(&station.time_zone).date_naive();
    let from = today - Days::new(FORECAST_FIT_DAYS);
    let past = whole_days(store.past_forecasts(station, from, today, now).await?);
    let fit = fit_to(history, &past, now, rules);
    // The days that the record does not have yet, before the newest forecast begins, were forecast before.
    let mut days = past;
    days.extend(whole_days(forecast.values.iter().map(|value| (value.day, value.element, value.value.c()))));
    let fitted = days.into_iter().map(|(day, said)| {
        let (a, b) = (said.min_c + fit.added_min_c, said.max_c + fit.added_max_c);
        let temperatures = DayTemperatures { min_c: a.min(b), max_c: a.max(b) };
        FilledDay { day, temperatures, origin: DayOrigin::Forecast }
    });
    Ok((fitted.collect(), Some(fit)))
}

/// What past forecasts of the station were off by, on the days that both they and the record have.
fn fit_to(
    history: &StationHistory,
    said: &BTreeMap<NaiveDate, DayTemperatures>,
    now: DateTime<Utc>,
    rules: &WeatherConfig,
) -> ForecastFit {
    let known = Known::At { instant: now, bulk_latency_days: rules.bulk_latency_days };
    let (first, last) = (said.keys().next().copied(), said.keys().next_back().copied());
    let came = first.zip(last).map(|(first, last)| history.record.as_of(known, &history.station.sources, first, last));
    let pairs: Vec<_> = said
        .iter()
        .filter_map(|(day, said)| {
            let of_day = came.as_ref()?.get(*day);
            let (max_c, min_c) = (of_day.max?.value.c(), of_day.min?.value.c());
            Some((*said, DayTemperatures { min_c, max_c }))
        })
        .collect();
    let [added_min_c, added_max_c] = if pairs.len() < FORECAST_FIT_NEEDS { [0.0; 2] } else { forecast_bias(&pairs) };
    ForecastFit { common_days: pairs.len() as u32, added_min_c, added_max_c }
}

/// The days of which both extremes are there, °C.
fn whole_days(values: impl IntoIterator<Item = (NaiveDate, Element, f64)>) -> BTreeMap<NaiveDate, DayTemperatures> {
    let mut by_day: BTreeMap<NaiveDate, (Option<f64>, Option<f64>)> = BTreeMap::new();
    for (day, element, value_c) in values {
        let (max, min) = by_day.entry(day).or_default();
        *(if element == Element::Max { max } else { min }) = Some(value_c);
    }
    let whole = by_day.into_iter().filter_map(|(day, values)| {
        let (Some(max_c), Some(min_c)) = values else { return None };
        Some((day, DayTemperatures { min_c: min_c.min(max_c), max_c }))
    });
    whole.collect()
}
