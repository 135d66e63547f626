//! The public pages: what holds for every answer, then each page's own business.

pub mod support;

mod abuse;
mod browser;
mod contrast;
mod feeds;
mod gallery;
mod guard;
mod guide;
mod home;
mod hooks;
mod region_page;
mod season;
mod sign_up;
