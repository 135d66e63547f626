//! To be filled in by its owner.
