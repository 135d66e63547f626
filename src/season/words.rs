//! Outlooks as a person would say them.
