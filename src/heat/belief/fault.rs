//! What is refused.

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BeliefError {
    #[error("the mean heat sum {mean} °C·day must be above 0")]
    Mean { mean: f64 },
    #[error(
        "the {what} SD {sd} °C·day must be 0, or from a thousandth of the mean heat sum {mean} °C·day to ten times of it"
    )]
    Sd { what: &'static str, sd: f64, mean: f64 },
    #[error("the heat sum {heat} °C·day of the look `{id}` must be 0 or more")]
    Heat { id: String, heat: f64 },
    #[error("the chance {detection} to see the stage of the look `{id}` must be above 0 and up to 1")]
    Detection { id: String, detection: f64 },
    #[error("heat sums as points need finite numbers, and weights of 0 or more that are not all 0")]
    Points,
}
