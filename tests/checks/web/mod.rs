//! The public pages: what holds for every answer, then each page's own business.

pub mod support;

mod guard;
mod sign_up;
