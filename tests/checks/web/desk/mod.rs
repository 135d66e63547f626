//! The staff's desk: signing in, staying in, and who may do what.

mod support;

mod browser;
mod commands;
mod forms;
mod guessing;
mod matrix;
mod notice_pages;
mod notices;
mod photographs;
mod regions;
mod report_walk;
pub mod reports;
mod sessions;
mod sign_in;
