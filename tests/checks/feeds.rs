//! Checks of this area.
