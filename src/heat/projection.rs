//! When will a heat sum be reached? Past years as traces from today's sum.

/// Degree-days of one past year from the day after the issue day onward, °C·day per day, in order.
pub type Trace<'a> = &'a [f64];

/// For each trace: the 1-based number of days after the issue day on which `sum_so_far` plus the trace first reaches
/// `target`, or `None` when the trace ends before (censored, to be ranked last, never dropped).
pub fn crossing_days(sum_so_far: f64, target: f64, traces: &[Trace<'_>]) -> Vec<Option<u32>> {
    traces
        .iter()
        .map(|trace| {
            let mut sum = sum_so_far;
            trace
                .iter()
                .position(|dd| {
                    sum += dd;
                    sum >= target
                })
                .map(|at| at as u32 + 1)
        })
        .collect()
}
