//! A profile written as the file that reads back to it.

use toml::Value;

use super::{BIOFIX, BIOFIX_YEARS, CUTOFFS, LaidBy, METHODS, Names, Need, Profile, name_of};

impl Profile {
    /// The profile as a file that [`Profile::parse`] reads back to the same profile.
    pub fn to_toml(&self) -> String {
        let names = |names: &Names| format!("{{ en = {}, es = {} }}", quoted(&names.en), quoted(&names.es));
        let mut text = format!(
            "id = {}\nnames = {}\nscientific_name = {}\nhost = {}\nprovisional = {}\nnote = {}\nversion = {}\n{}\n\
             [biofix]\nmonth = {}\nday = {}\nyear = {}\norigin = {}\n\n\
             [heat]\nmethod = {}\nmethod_origin = {}\nlower_c = {:?}\nlower_origin = {}\n",
            quoted(&self.id),
            names(&self.names),
            quoted(&self.scientific_name),
            names(&self.host),
            self.provisional,
            quoted(&self.note),
            self.version,
            self.learned_through.map_or_else(String::new, |year| format!("learned_through = {year}\n")),
            self.biofix.month,
            self.biofix.day,
            quoted(name_of(&BIOFIX_YEARS, self.biofix.year)),
            quoted(&self.biofix.origin),
            quoted(name_of(&METHODS, self.heat.method())),
            quoted(&self.heat_origins.method),
            self.heat.lower_c(),
            quoted(&self.heat_origins.lower),
        );
        if let Some(upper) = self.heat.upper_c() {
            text += &format!(
                "upper_c = {upper:?}\ncutoff = {}\nupper_origin = {}\n",
                quoted(name_of(&CUTOFFS, self.heat.cutoff())),
                quoted(&self.heat_origins.upper)
            );
        }
        for stage in &self.stages {
            let need = match stage.need {
                Need::DegreeDays(sum) => format!("degree_days_c = {sum:?}"),
                Need::Days(days) => format!("days = {days}"),
            };
            text += &format!(
                "\n[[stages]]\nid = {}\nnames = {}\nafter = {}\n{need}\norigin = {}\n",
                quoted(&stage.id.0),
                names(&stage.names),
                quoted(stage.after.as_ref().map_or(BIOFIX, |after| &after.0)),
                quoted(&stage.origin),
            );
            if let Some(spread) = &stage.spread {
                text += &format!(
                    "[stages.spread]\nbelief_c = {:?}\nbelief_origin = {}\nplaces_c = {:?}\nplaces_origin = {}\n\
                     years_c = {:?}\nyears_origin = {}\n",
                    spread.belief_c,
                    quoted(&spread.belief_origin),
                    spread.places_c,
                    quoted(&spread.places_origin),
                    spread.years_c,
                    quoted(&spread.years_origin),
                );
            }
        }
        text += &format!(
            "\n[window]\nopens = {}\ncloses = {}\n",
            quoted(&self.window.opens.0),
            quoted(&self.window.closes.0)
        );
        if let Some(settles) = &self.window.settles {
            text += &format!("settles = {}\n", quoted(&settles.0));
        }
        if let Some(eggs) = &self.eggs {
            let laid = match &eggs.laid_by {
                None => format!("laid_over_c = {:?}", eggs.laid_over_c),
                Some(LaidBy { stage, share }) => format!("laid_by = {}\nlaid_share = {share:?}", quoted(&stage.0)),
            };
            text += &format!(
                "\n[eggs]\n{laid}\nlaid_over_origin = {}\nhatched_over_c = {:?}\nhatched_over_origin = {}\n",
                quoted(&eggs.laid_over_origin),
                eggs.hatched_over_c,
                quoted(&eggs.hatched_over_origin),
            );
        }
        for sight in &self.sights {
            text += &format!("\n[[sights]]\nid = {}\nnames = {}\n", quoted(&sight.id), names(&sight.names));
            for (key, stage) in [("shows", &sight.shows), ("not_yet", &sight.not_yet)] {
                if let Some(stage) = stage {
                    text += &format!("{key} = {}\n", quoted(&stage.0));
                }
            }
            text += &format!("infested = {}\n", sight.infested);
        }
        text
    }
}

fn quoted(text: &str) -> String {
    Value::String(text.to_owned()).to_string()
}
