//! The flags of GHCN-Daily, as its readme defines them; shared by all files and services that pass them on.

use crate::weather::excerpt::excerpt;
use crate::weather::reading::{Element, Reading};

/// Applies measurement and quality flag to a reading. Any quality flag speaks against the value, also a letter the
/// readme does not name: the lists differ between editions.
pub(super) fn apply(reading: &mut Reading, measurement: &str, quality: &str) {
    let measurement = measurement.trim();
    reading.lagged = measurement == "L";
    // H: highest or lowest of hourly temperatures, so the true extreme may lie beyond.
    reading.sampled = measurement == "H";
    let quality = quality.trim();
    if !quality.is_empty() {
        reading.source_rejects = Some(format!("GHCN quality flag {}: {}", excerpt(quality, 8), failed_check(quality)));
    }
}

fn failed_check(flag: &str) -> &'static str {
    match flag {
        "D" => "duplicate",
        "G" => "gap",
        "I" => "internal consistency",
        "K" => "streak or frequent value",
        "L" => "length of multiday period",
        "M" => "megaconsistency",
        "N" => "naught",
        "O" => "climatological outlier",
        "R" => "lagged range",
        "S" => "spatial consistency",
        "T" => "temporal consistency",
        "W" => "too warm for snow",
        "X" => "bounds",
        "Z" => "official investigation",
        _ => "a check without a name in the readme",
    }
}

/// `TMAX` and `TMIN`; all other elements of the archive are not ours.
pub(super) fn element_of(code: &str) -> Option<Element> {
    match code {
        "TMAX" => Some(Element::Max),
        "TMIN" => Some(Element::Min),
        _ => None,
    }
}
