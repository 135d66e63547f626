//! What a fit found, for programs and for the eye: JSON, the error profile as CSV and as a picture.

use std::fmt::Write as _;

use chrono::{Days, NaiveDate};
use serde_json::{Value, json};

use super::report::{FitReport, named};
use crate::chart::error_profile::{ErrorProfile, ErrorProfilePoint};
use crate::heat::fit::{self as fitting, CrossValidation, LeftOut, Scores, SumRange};
use crate::season::profile::BiofixYear;
use crate::service::fit_data::{About, DatesSeen};

impl FitReport<'_> {
    pub(super) fn json(&self) -> Value {
        let (fit, search) = (self.fit, &self.setting.search);
        let biofix = &self.setting.frame.biofix;
        let records: Vec<Value> = self
            .gathered
            .about
            .iter()
            .zip(&self.gathered.site_years)
            .zip(&fit.predicted)
            .flat_map(|((about, site_year), predicted)| {
                about.reports.iter().zip(&site_year.seen).map(move |(report, seen)| {
                    let (date, not_seen, first_seen) = match report.seen {
                        DatesSeen::On(day) => (Some(day), None, None),
                        DatesSeen::Between(not_seen, seen) => (None, not_seen, seen),
                    };
                    json!({
                        "line": report.line,
                        "station": report.station,
                        "season": report.season,
                        "date": date,
                        "not_seen": not_seen,
                        "seen": first_seen,
                        "predicted": predicted.map(|day| date_of(about, day)),
                        "error_days": predicted.map(|day| seen.error(day)),
                    })
                })
            })
            .collect();
        let closed_forms: serde_json::Map<String, Value> = named(&self.closed_forms())
            .into_iter()
            .map(|(name, estimate)| {
                (
                    name.replace([' ', '-'], "_"),
                    estimate.map_or(Value::Null, |of| json!({"lower_c": of.lower, "sum_c": of.sum})),
                )
            })
            .collect();
        json!({
            "stage": self.args.stage,
            "based_on": self.base.id,
            "biofix": format!("{:02}-{:02}", biofix.month, biofix.day),
            "biofix_year": if biofix.year == BiofixYear::Before { "before" } else { "same" },
            "method": search.method,
            "cutoff": search.cutoff,
            "upper_c": search.upper_c,
            "thresholds_tried": search.lowers_c.len(),
            "lower_c": fit.best.lower_c,
            "sum_c": fit.best.sum.plain(),
            "sum_range_c": range_json(fit.best.sum),
            "alike": {
                "from_c": self.flat.from_c,
                "to_c": self.flat.to_c,
                "tolerance_days": self.flat.tolerance_days,
                "open": self.flat.open,
            },
            "in_sample": scores_json(&fit.best.scores),
            "floor_rmse_days": fit.floor_rmse_days,
            "calendar": {
                "day": fit.calendar.day,
                "scores": scores_json(&fit.calendar.scores),
            },
            "calendar_with_slope": fit.calendar_with_slope.map(|line| json!({
                "day_at_sea_level": line.day,
                "days_per_km": line.days_per_km,
                "scores": scores_json(&line.scores),
            })),
            "without_year": fit.without_year.as_ref().map(cross_json),
            "without_station": fit.without_site.as_ref().map(cross_json),
            "closed_forms": closed_forms,
            "filled_days": self.gathered.filled,
            "days": self.gathered.days,
            "left_out": self.gathered.unusable,
            "records": records,
            "notes": self.warnings(),
        })
    }

    pub(super) fn error_profile_csv(&self) -> String {
        let mut text =
            String::from("lower_c,sum_c,sum_above_c,sum_up_to_c,rmse_days,mae_days,bias_days,never_reached\n");
        for point in &self.fit.valley {
            let SumRange { above, up_to } = point.sum;
            let up_to = if up_to.is_finite() { format!("{up_to:.4}") } else { String::new() };
            let Scores { rmse_days, mae_days, bias_days, never_reached, .. } = point.scores;
            let _ = writeln!(
                text,
                "{},{},{above:.4},{up_to},{rmse_days:.6},{mae_days:.6},{bias_days:.6},{never_reached}",
                point.lower_c,
                point.sum.plain()
            );
        }
        text
    }

    pub(super) fn picture(&self) -> ErrorProfile {
        let dot = |point: &fitting::ErrorPoint| ErrorProfilePoint {
            lower_c: point.lower_c,
            rmse_days: point.scores.rmse_days,
            sum: point.sum.plain(),
        };
        let weather = if self.args.weather.is_empty() {
            "the weather record".to_owned()
        } else {
            self.args.weather.iter().map(|path| path.display().to_string()).collect::<Vec<_>>().join(", ")
        };
        ErrorProfile {
            title: format!("{}: error and heat sum by lower threshold", capital(self.what())),
            subtitle: format!("{}; {}", self.records_words(), self.method_words()),
            points: self.fit.valley.iter().map(dot).collect(),
            best: dot(&self.fit.best),
            alike_c: (self.flat.from_c, self.flat.to_c),
            calendar_days: self.fit.calendar.scores.rmse_days,
            source: format!(
                "Dates: {}. Temperatures: {weather}. Hatched (alike): within {:.2} days of the least error. Errors are in sample.",
                self.args.reports.display(),
                self.flat.tolerance_days
            ),
        }
    }
}

fn date_of(about: &About, day: i32) -> Option<NaiveDate> {
    about.first.checked_add_days(Days::new(u64::try_from(day).ok()?))
}

fn range_json(range: SumRange) -> Value {
    // Plain JSON has no infinity: null says that nothing bounds it.
    json!({ "above": range.above, "up_to": range.up_to.is_finite().then_some(range.up_to) })
}

fn scores_json(scores: &Scores) -> Value {
    let Scores { rmse_days, mae_days, bias_days, records, never_reached } = scores;
    json!({
        "rmse_days": rmse_days,
        "mae_days": mae_days,
        "bias_days": bias_days,
        "records": records,
        "never_reached": never_reached,
    })
}

fn cross_json(out: &CrossValidation) -> Value {
    let folds: Vec<Value> = out
        .folds
        .iter()
        .map(|fold| {
            let left_out = match &fold.left_out {
                LeftOut::Year(year) => json!(year),
                LeftOut::Site(site) => json!(site),
            };
            json!({
                "left_out": left_out,
                "lower_c": fold.lower_c,
                "sum_c": fold.sum.plain(),
                "scores": scores_json(&fold.scores),
            })
        })
        .collect();
    json!({
        "scores": scores_json(&out.scores),
        "calendar": scores_json(&out.calendar),
        "calendar_with_slope": out.calendar_with_slope.as_ref().map(scores_json),
        "skill": out.skill(),
        "turns": folds,
    })
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}
