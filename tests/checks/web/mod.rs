//! The public pages: what holds for every answer, then each page's own business.

pub mod support;

mod abuse;
mod alerts;
mod browser;
mod contrast;
mod feeds;
mod gallery;
mod guard;
mod guide;
mod home;
mod hooks;
mod region_page;
mod returned_mail;
mod scanners;
mod season;
pub mod sign_up;
mod timing;
