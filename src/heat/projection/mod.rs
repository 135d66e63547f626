//! When will a heat sum be reached? Past years as futures that start from today.
//!
//! Every whole past season of the station's own record is one future of this one (the ensemble streamflow idea of river
//! forecasting), after two corrections and with one enlargement:
//!
//! * **Warming and other slow change.** Each season's temperatures are split into a level and an anomaly. The level is
//!   the mean for the time of year plus a smooth deviation of the seasons around it, weighted by their distance in years;
//!   a future is the past season's anomaly on *this* season's level. Unlike a straight line this follows a climate that
//!   warms by fits and a station that was moved.
//! * **Today's weather goes on.** A warm spell outlasts the day. The anomaly of the newest day decays as a first-order
//!   vector autoregression of minimum and maximum towards a share of the last weeks' mean; every future has its own
//!   anomaly of its own day exchanged for this season's.
//! * **Few years, more futures.** The anomalies are used again some days earlier and later in the year.
//!
//! A weather forecast takes the place of the first days' mean, and the spread about it shrinks to the forecast's own
//! error. Everything is arithmetic on the record: the same input gives the same dates.
//!
//! The constants were chosen on the odd years of every second of fourteen stations of GHCN-Daily and confirmed on the
//! even years of the others; the score is flat around each of them. Weighting the past years by likeness of the season so
//! far was tried and scored no better, so it is left out.

mod crossings;
mod forecast;
mod futures;
mod persistence;
mod projector;
mod slots;
mod station_fit;
mod traces;

pub use crossings::{Crossings, DRESSED, Dressing};
pub use forecast::{FORECAST_ERRORS_C, error_share, forecast_bias};
pub use futures::{Expected, Future, Now, SeasonProjector};
pub use projector::{PastSeason, Projector};
pub use station_fit::{BorrowedBy, StationFit};
pub use traces::Traces;
