//! The profile with the fitted stage in it, as a file.

use std::fmt::Write as _;
use std::fs::File;
use std::io::Write as _;
use std::path::Path;

use chrono::NaiveDate;

use super::report::FitReport;
use crate::commands::error::CommandError;
use crate::season::StageId;
use crate::season::profile::{HeatOrigins, Profile};
use crate::season::refit::{FITTED, Fitted, refit};
use crate::service::fit_data::{Temperatures, season_weather};

impl FitReport<'_> {
    /// `version`: above all that are in use, so that it can be put in their place.
    pub(super) fn write_profile(
        &self,
        path: &Path,
        stage: &str,
        temperatures: &Temperatures,
        today: NaiveDate,
        version: u32,
    ) -> Result<(), CommandError> {
        let (fit, base) = (self.fit, self.base);
        let mut origin = format!(
            "{FITTED} {}, on {today} by treebell fit: RMSE {:.2} days",
            self.records_words(),
            fit.best.scores.rmse_days
        );
        match &fit.without_year {
            Some(out) => {
                let _ = write!(
                    origin,
                    ", leave-one-year-out {:.2} days (calendar date alone {:.2})",
                    out.scores.rmse_days, out.calendar.rmse_days
                );
            }
            None => origin.push_str(", one year only: not tried on another"),
        }
        let heat = self.setting.rule(fit.best.lower_c)?;
        let given = |same: bool, was: &str| if same { was.to_owned() } else { "given to treebell fit".to_owned() };
        let of = &base.heat;
        let lower = match self.args.lower {
            Some(lower) => given(lower == of.lower_c(), &base.heat_origins.lower),
            None => format!("{origin}; {} to {} °C do nearly as well", self.flat.from_c, self.flat.to_c),
        };
        let upper = if heat.upper_c().is_none() {
            String::new()
        } else {
            given((heat.upper_c(), heat.cutoff()) == (of.upper_c(), of.cutoff()), &base.heat_origins.upper)
        };
        let fitted = Fitted {
            stage: StageId(stage.to_owned()),
            biofix: self.setting.frame.biofix.clone(),
            heat,
            heat_origins: HeatOrigins {
                method: given(heat.method() == of.method(), &base.heat_origins.method),
                lower,
                upper,
            },
            sum: fit.best.sum.plain(),
            origin,
        };
        let seasons = season_weather(&self.gathered.about, temperatures, &self.setting.frame, base);
        let mut made = refit(base, &fitted, &seasons).map_err(|why| CommandError::CheckSaidNo(why.to_string()))?;
        made.profile.version = version;
        let text = made.profile.to_toml();
        // What we write we must be able to read.
        if let Err(faults) = Profile::parse(&text) {
            let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
            return Err(CommandError::CheckSaidNo(format!("this makes no profile: {}", faults.join("; "))));
        }
        let fail = |why| CommandError::Failed(format!("`{}` cannot be written: {why}", path.display()));
        let mut file = File::create_new(path).map_err(fail)?;
        file.write_all(text.as_bytes()).map_err(fail)?;
        eprintln!("profile {}, version {version}, written to {}", made.profile.id, path.display());
        for carried in &made.carried {
            eprintln!(
                "  {}: {} °C·day became {} for the new threshold, the same dates within {:.1} days; it is not fitted",
                carried.what, carried.from, carried.to, carried.scores.rmse_days
            );
        }
        eprintln!(
            "to see what it would change: `treebell profile add {0} --why … --dry-run`; without --dry-run it asks and then puts it in use",
            path.display()
        );
        Ok(())
    }
}
