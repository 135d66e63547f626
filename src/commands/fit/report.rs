//! What a fit found, in words: the answer, how well it does, and what to mind.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use chrono::Days;

use super::{Fit, Setting};
use crate::commands::format::{counted, paragraph, wrapped};
use crate::heat::closed_forms::{ClosedForms, Estimate, Period};
use crate::heat::fit::{self as fitting, CrossValidation, Flat, Scores, Search, SumRange};
use crate::season::profile::{Biofix, BiofixYear, Profile};
use crate::service::fit_data::Gathered;
use crate::units::{c_to_f, dd_c_to_f};
use crate::weather::StationId;

/// A fit with all that it was made from.
pub(super) struct FitReport<'a> {
    pub(super) args: &'a Fit,
    pub(super) base: &'a Profile,
    pub(super) setting: &'a Setting,
    pub(super) gathered: &'a Gathered,
    pub(super) fit: &'a fitting::Fit,
    pub(super) flat: Flat,
}

impl FitReport<'_> {
    pub(super) fn text(&self) -> String {
        let fit = self.fit;
        let best = &fit.best;
        let sum = best.sum.plain();
        let mut text = wrapped(&format!("{}: {}\n{}\n\n", self.what(), self.records_words(), self.method_words()));
        let fixed = if self.args.lower.is_some() { ", given" } else { "" };
        let _ = writeln!(
            text,
            "Lower threshold  {} °C ({:.1} °F){fixed}\nHeat sum         {sum} °C·day ({:.1} °F·day){}\n",
            best.lower_c,
            c_to_f(best.lower_c),
            dd_c_to_f(sum),
            range_words(best.sum)
        );
        let _ = writeln!(text, "{:52} {:>7} {:>7} {:>7}", "Error in days", "RMSE", "MAE", "bias");
        let mut row = |name: &str, scores: &Scores| {
            let Scores { rmse_days, mae_days, bias_days, .. } = scores;
            let _ = writeln!(text, "{name:52} {rmse_days:7.2} {mae_days:7.2} {bias_days:+7.2}");
        };
        row("heat sum, on the records it was fitted to", &best.scores);
        if let Some(out) = &fit.without_year {
            row("heat sum, each year predicted without it", &out.scores);
        }
        if let Some(out) = &fit.without_site {
            row("heat sum, each station predicted without it", &out.scores);
        }
        row(&format!("calendar date alone ({})", self.date_words(fit.calendar.day)), &fit.calendar.scores);
        if let Some(out) = &fit.without_year {
            row("calendar date, each year predicted without it", &out.calendar);
        }
        if let Some(line) = &fit.calendar_with_slope {
            row(&format!("calendar with {:.1} days per 100 m", line.days_per_km / 10.0), &line.scores);
        }
        if let Some(slope) = fit.without_year.as_ref().and_then(|out| out.calendar_with_slope.as_ref()) {
            row("calendar with slope, each year without it", slope);
        }
        if let Some(out) = &fit.without_site {
            row("calendar date, each station without it", &out.calendar);
            if let Some(slope) = &out.calendar_with_slope {
                row("calendar with slope, each station without it", slope);
            }
        }
        let _ = writeln!(
            text,
            "\nRecords of one season and station are {:.2} days apart: no model that gives them one day can do better.",
            fit.floor_rmse_days
        );
        if let Some(out) = &fit.without_year {
            let skill = out.skill().map_or(String::new(), |skill| format!(", skill {skill:.2} against the calendar"));
            let _ = writeln!(
                text,
                "Quote the error of years predicted without themselves: {:.2} days{skill}.",
                out.scores.rmse_days
            );
        }
        if self.args.closed_forms {
            text.push('\n');
            text.push_str(&self.closed_form_lines());
        }
        for warning in self.warnings() {
            let _ = write!(text, "\n{}", paragraph(0, &format!("Note: {warning}")));
        }
        text
    }

    /// The stage, or what stands for it.
    pub(super) fn what(&self) -> &str {
        self.args.stage.as_deref().unwrap_or("the event")
    }

    pub(super) fn records_words(&self) -> String {
        let stations: BTreeSet<&StationId> = self.gathered.about.iter().map(|about| &about.station).collect();
        let seasons: BTreeSet<i32> = self.gathered.about.iter().map(|about| about.season).collect();
        let years = match (seasons.first(), seasons.last()) {
            (Some(first), Some(last)) if first != last => {
                format!("{} from {first} to {last}", counted(seasons.len(), "season", "seasons"))
            }
            (Some(only), _) => format!("season {only}"),
            _ => "no season".into(),
        };
        format!(
            "{} of {}, {years}",
            counted(self.fit.best.scores.records, "record", "records"),
            counted(stations.len(), "station", "stations")
        )
    }

    pub(super) fn method_words(&self) -> String {
        let Search { method, cutoff, upper_c, .. } = &self.setting.search;
        let upper = upper_c.map_or("no upper threshold".into(), |upper| format!("{cutoff} upper threshold {upper} °C"));
        let Biofix { year, .. } = &self.setting.frame.biofix;
        let before = if *year == BiofixYear::Before { " of the year before" } else { "" };
        format!("heat from {}{before}, {method}, {upper}", self.date_words(0.0))
    }

    /// A day counted from the biofix, in a common year.
    fn date_words(&self, day: f64) -> String {
        let first = self.setting.frame.first_day(2023);
        let days = day.round().clamp(0.0, 1000.0) as u64;
        first.checked_add_days(Days::new(days)).unwrap_or(first).format("%-d %B").to_string()
    }

    pub(super) fn warnings(&self) -> Vec<String> {
        let (fit, flat, gathered) = (self.fit, self.flat, self.gathered);
        let mut warnings = Vec::new();
        if flat.to_c - flat.from_c >= 1.0 {
            warnings.push(format!(
                "the data cannot tell thresholds between {} and {} °C apart: with its own best sum each errs within {:.2} days of the least. Do not quote the threshold to the tenth; a threshold known from elsewhere can be given with --lower.",
                flat.from_c, flat.to_c, flat.tolerance_days
            ));
        }
        let edges = [fit.valley.first(), fit.valley.last()];
        if self.args.lower.is_none() && edges.iter().flatten().any(|edge| edge.lower_c == fit.best.lower_c) {
            warnings.push(format!(
                "the best threshold, {} °C, is at the end of those tried: widen --lower-from or --lower-to.",
                fit.best.lower_c
            ));
        } else if flat.open && self.args.lower.is_none() {
            warnings.push("thresholds at the end of those tried do nearly as well as the best.".into());
        }
        match &fit.without_year {
            None => {
                warnings.push("all records are of one year: how the fit would do in another cannot be report.".into())
            }
            Some(out) => {
                if out.folds.len() < 5 {
                    warnings.push(format!(
                        "{} only: errors of years predicted without themselves are rough.",
                        counted(out.folds.len(), "year", "years")
                    ));
                }
                if out.skill().is_some_and(|skill| skill <= 0.0) {
                    warnings.push(
                        "in years left out the heat sum does no better than a calendar date: do not use it yet.".into(),
                    );
                }
                if let Some((low, high)) = range_of(out).filter(|(low, high)| high - low >= 1.0) {
                    warnings
                        .push(format!("leaving one year out moves the best threshold between {low} and {high} °C."));
                }
                if out.scores.never_reached > 0 {
                    warnings.push(format!(
                        "for {} of years left out the sum would never have been reached; each counts as predicted for day {}.",
                        counted(out.scores.never_reached, "record", "records"),
                        fitting::NEVER_DAY
                    ));
                }
            }
        }
        if fit.best.scores.never_reached > 0 {
            warnings.push(format!(
                "for {} the sum is never reached; each counts as predicted for day {}.",
                counted(fit.best.scores.never_reached, "record", "records"),
                fitting::NEVER_DAY
            ));
        }
        let seen = || self.gathered.site_years.iter().flat_map(|of| &of.seen);
        let wide = seen().filter(|seen| seen.after().zip(seen.by()).is_none_or(|(after, by)| by - after > 1)).count();
        if wide > 0 {
            warnings.push(format!(
                "{} of {} are intervals, inside which any prediction counts as right: errors would be larger against exact dates.",
                wide,
                counted(fit.best.scores.records, "record", "records")
            ));
        }
        if gathered.filled > 0 {
            warnings.push(format!(
                "{} of the {} days up to the events had no temperatures and were filled.",
                gathered.filled, gathered.days
            ));
        }
        if !gathered.ends_soon.is_empty() {
            warnings.push(format!(
                "temperatures end soon after the event, so that late predictions look like none: {}.",
                gathered.ends_soon.join(", ")
            ));
        }
        warnings
    }

    /// Periods from the biofix to each record's day, or the middle of its interval.
    pub(super) fn closed_forms(&self) -> ClosedForms {
        let mut periods = Vec::new();
        for site_year in &self.gathered.site_years {
            for seen in &site_year.seen {
                let (Some(after), Some(by)) = (seen.after(), seen.by()) else { continue };
                // The days up to and with the event's.
                let count = usize::try_from((after + 1 + by) / 2 + 1).unwrap_or(0);
                let Some(days) = site_year.days.get(..count).filter(|days| !days.is_empty()) else { continue };
                let mean = days.iter().map(|day| (day.min_c + day.max_c) / 2.0).sum::<f64>() / count as f64;
                periods.push(Period { mean_temperature: mean, days: count as f64 });
            }
        }
        ClosedForms::of(&periods)
    }

    fn closed_form_lines(&self) -> String {
        let mut text = String::from(
            "Closed formulas, from the mean temperature of each period; biased where days are colder than the threshold:\n",
        );
        for (name, estimate) in named(&self.closed_forms()) {
            let words = estimate
                .map_or("cannot be told".into(), |Estimate { lower, sum }| format!("{lower:7.2} °C {sum:9.1} °C·day"));
            let _ = writeln!(text, "  {name:38} {words}");
        }
        text
    }
}

fn range_words(range: SumRange) -> String {
    if range.up_to.is_finite() {
        format!("; any above {:.2} up to {:.2} predicts the same", range.above, range.up_to)
    } else {
        format!("; any above {:.2} predicts the same", range.above)
    }
}

/// The lowest and highest threshold of the turns.
fn range_of(out: &CrossValidation) -> Option<(f64, f64)> {
    let lowers = || out.folds.iter().map(|fold| fold.lower_c);
    Some((lowers().reduce(f64::min)?, lowers().reduce(f64::max)?))
}

pub(super) fn named(forms: &ClosedForms) -> [(&'static str, Option<Estimate>); 5] {
    [
        ("least spread in degree-days", forms.least_sd_heat),
        ("least spread in days", forms.least_sd_days),
        ("least coefficient of variation", forms.least_cv),
        ("regression coefficient", forms.regression),
        ("x-intercept", forms.x_intercept),
    ]
}
