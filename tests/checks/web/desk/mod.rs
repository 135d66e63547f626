//! The staff's desk: signing in, staying in, and who may do what.

pub mod support;

mod browser;
mod commands;
mod date_doubts;
mod forms;
mod guessing;
mod learned;
pub mod matrix;
mod new_regions;
mod notice_pages;
mod notices;
mod people;
mod people_lists;
mod photographs;
mod programs;
mod region_changes;
mod region_drafts;
mod region_walk;
mod regions;
mod report_days;
mod report_since;
mod report_walk;
pub mod reports;
mod same_days;
mod sessions;
mod sign_in;
mod wording;
mod wording_walk;
