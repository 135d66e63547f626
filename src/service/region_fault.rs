//! What can be wrong with one region.

use crate::message::RenderError;
use crate::store::StoreError;

/// Why one region could not be served; the rest of the cycle goes on.
#[derive(Debug, thiserror::Error)]
pub enum RegionFault {
    #[error("its profile `{0}` is not known: put its file into the folder that profiles.folder names")]
    NoProfile(String),
    #[error("it has no station: give it one with `treebell region change`")]
    NoStation,
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the work on its past years was cut off")]
    CutOff(#[from] tokio::task::JoinError),
    #[error("its notice could not be worded")]
    Words(#[from] RenderError),
    #[error("what stands in the store cannot be read")]
    Stored(#[from] serde_json::Error),
}
