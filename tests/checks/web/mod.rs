//! The public pages: what holds for every answer, then each page's own business.

pub mod support;

mod abuse;
mod alerts;
mod bands;
pub mod browser;
mod contrast;
pub mod desk;
mod doors;
mod feeds;
mod gallery;
mod guard;
mod guide;
mod home;
mod hooks;
mod joining;
mod links;
mod region_page;
mod returned_mail;
mod scanners;
mod season;
mod seen;
pub mod sign_up;
mod surfaces;
mod timing;
