//! What is done otherwise at the size of a state or a country does the same as at the size of a village. Never timed: the times
//! stand in `tests/evidence/speed.md`.

mod first_pages;
mod heat;
mod lists;
mod notices;
mod pages;
mod rest;
