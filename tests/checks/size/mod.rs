//! What is done otherwise at the size of a state or a country does the same as at the size of a village. Never timed: the times
//! stand in `tests/evidence/speed.md`.
//!
//! Each group of rows of the bench (`tests/bench/`), and what looks in a small run whether its work is right:
//!
//! | group | check |
//! | --- | --- |
//! | heat | [`heat`]: numpy's sum of the same days |
//! | outlook | [`heat`]: numpy's dates; [`seasons`]: the same again, and one new day, as from a store that keeps nothing |
//! | cycle, replay, verify | [`seasons`]: all together as each alone |
//! | weather | `feeds::import`, `feeds::program`: every value of every format, twice the same |
//! | people | [`lists`]: the rows of one by one |
//! | queue | [`notices`], [`rest`]: each recipient once, whatever comes between |
//! | mail | `delivery::readers`: what other programs read in it |
//! | drain | `delivery::postfix`, `delivery::kannel`, `delivery::smtp`, `delivery::gateway`: what arrived and what is booked |
//! | claims | `delivery::queue`: workers that share a queue, and on PostgreSQL eight that empty a long one, claim nothing twice |
//! | pages | [`pages`], [`first_pages`]: what is kept, what is made anew, what is still to be made |
//! | start | [`start`]: what is asked of the store until pages are there, with few people and with many |
//! | growth | as pages, people and queue |

mod first_pages;
mod heat;
mod lists;
mod notices;
mod outlooks;
mod pages;
mod rest;
mod seasons;
mod start;
