//! The belief as a picture: SVG and PNG.

use std::path::Path;

use crate::chart::belief::draw;
use crate::chart::{Look, png};
use crate::commands::args::DegreeUnit;
use crate::commands::error::CommandError;
use crate::commands::files::write_file;
use crate::language::Language;
use crate::region::Region;
use crate::season::{Profile, StageId};
use crate::service::belief::learn::Belief;
use crate::service::belief::picture::chart;

/// Sharp on paper and on most screens.
const PNG_SCALE: f32 = 2.0;

/// How the picture is wanted.
pub struct Wish {
    pub language: Language,
    pub width: u32,
    pub unit: DegreeUnit,
}

pub fn write(
    profile: &Profile,
    belief: &Belief,
    regions: &[Region],
    stage: &StageId,
    wish: &Wish,
    svg: Option<&Path>,
    as_png: Option<&Path>,
) -> Result<(), CommandError> {
    let chart = chart(profile, belief, regions, stage, wish.language).map_err(CommandError::Usage)?;
    let unit = wish.unit.into();
    let look = Look { width: wish.width, language: wish.language, unit, dark_too: true, id: "belief".into() };
    if let Some(path) = svg {
        write_file(path, draw(&chart, &look).as_bytes())?;
    }
    if let Some(path) = as_png {
        // A PNG is a page of its own: it stays light whatever the reader prefers.
        let drawn = draw(&chart, &Look { dark_too: false, ..look });
        let bytes =
            png::draw(&drawn, PNG_SCALE).map_err(|why| CommandError::Failed(crate::weather::feeds::chain(&why)))?;
        write_file(path, &bytes)?;
    }
    Ok(())
}
