//! New regions: where ZIP codes are, what services say of a place, and what becomes of all that.

mod add;
mod lists;
mod look_up;
mod real;
pub mod services;
mod table;

use treebell::region::{OwnerReports, RegionId, Release};
use treebell::service::new_region::{NewRegionError, Wish};

/// A region of which only the name and ZIP codes are known.
pub fn wish(id: &str, zips: &[&str]) -> Wish {
    Wish {
        id: RegionId::from(id),
        name: id.to_owned(),
        zips: zips.iter().map(|zip| (*zip).to_owned()).collect(),
        latitude: None,
        longitude: None,
        elevation_m: None,
        time_zone: None,
        county: None,
        state: None,
        band: None,
        landmarks: Vec::new(),
        stations: Vec::new(),
        take_grid_point: false,
        profile: "pinyon-needle-scale".into(),
        release: Release::AtOnce,
        owner_reports: OwnerReports::WhenConfirmed,
    }
}

fn refused(why: NewRegionError) -> String {
    match why {
        NewRegionError::Refused(faults) => faults.join("\n"),
        NewRegionError::NoStation(why) => why.to_string(),
        NewRegionError::Store(why) => panic!("the store: {why}"),
    }
}
