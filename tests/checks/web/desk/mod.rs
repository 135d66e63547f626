//! The staff's desk: signing in, staying in, and who may do what.

mod support;

mod browser;
mod commands;
mod forms;
mod guessing;
mod matrix;
mod notice_pages;
mod notices;
mod sessions;
mod sign_in;
