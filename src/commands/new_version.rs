//! A profile's next version: the dates that it changes, and its way into use.

use super::ask::Said;
use super::dates::table;
use super::error::CommandError;
use crate::season::Profile;
use crate::service::app::App;
use crate::service::belief::dates::RegionDates;
use crate::service::belief::version;

pub fn dates_words(profile: &Profile, dates: &[RegionDates], after: &str) -> String {
    if dates.is_empty() { String::new() } else { format!("\nDates\n{}", table(profile, dates, after)) }
}

/// Names the regions that could not be looked at.
pub fn tell_left_out(faults: &[String]) {
    for fault in faults {
        eprintln!("left out: {fault}");
    }
}

/// Keeps a version, which the service takes up at its next cycle, and says so.
///
/// # Errors
/// When somebody kept that version before, or the store fails.
pub async fn keep(app: &App, made: &Profile, said: &Said) -> Result<(), CommandError> {
    version::keep(app, made, &said.by, &said.why).await?;
    tell_kept(made);
    Ok(())
}

pub fn tell_kept(made: &Profile) {
    eprintln!("version {} of profile `{}` is kept; the service takes it up at its next cycle", made.version, made.id);
}
