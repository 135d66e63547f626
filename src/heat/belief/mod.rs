//! What is believed of the heat sum at which a stage comes, and how looks in the field sharpen it.
//!
//! The model. At a place r in season t a stage comes at the sum x = μ + u + v, counted from where the stage counts from:
//! the mean μ is known to the profile only as normal about a number; u, shared by all places of a season, is normal about 0
//! with the SD between years; v is normal about 0 with the SD between places, drawn anew for each place and season. A place
//! that is early every year is not part of it: that is the work of its station or of a profile of its own, and without it the
//! posterior is exact by nested integrals over one number each, for any number of places and seasons.
//!
//! A look that saw the stage says that its sum is no more than the heat then. One that saw nothing says that the stage had
//! not come, or that it was missed, whose chance is 1 less the chance of detection. A sighting of what is not there is not
//! modelled, so that an early sighting never makes a date later; staff set wrong reports aside. Where the stage counts from a
//! parent whose sum is uncertain, likelihoods are means over what that may be, place by place on its own.
//!
//! For stages that count from the biofix this has a law: a look that saw nothing never makes any quantile earlier, at its
//! place or elsewhere, and a sighting at less heat never makes one later than at more. (Sums that are normal with positive
//! correlations are totally positive, and stay so when each has a likelihood of its own: Karlin & Rinott 1980, J.
//! Multivariate Anal. 10:467-498, from memory.)
//!
//! The sums v are integrated in closed form, since likelihoods are steps; u and μ by sums over even points. Logarithms
//! throughout, so that looks that flatly contradict each other give an answer too. Whether posteriors are calibrated is
//! checked by simulation: Talts, Betancourt, Simpson, Vehtari & Gelman 2018, arXiv:1804.06788.

mod doubts;
mod fault;
mod lattice;
mod looks;
mod mixture;
mod model;
mod normal;
mod posterior;
mod steps;
mod sums;

pub use doubts::{Against, Contradiction, Pull, SURPRISE};
pub use fault::BeliefError;
pub use looks::{Look, PlaceLooks, SeasonLooks, StagePrior};
pub use posterior::{Posterior, posterior};
pub use sums::Sums;

#[cfg(test)]
mod tests;
