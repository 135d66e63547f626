//! The distribution of a place's sum: normal about each of many middles, cut to what was seen there.

use super::lattice::Lattice;
use super::normal::{density, log_share_between, log_sum, share_between};
use super::steps::Steps;
use super::sums::{Knot, Sums};

/// Knots of the table in an SD.
const KNOTS: f64 = 8.0;

/// SDs beyond the outermost middles that the table goes.
const REACH: f64 = 9.0;

/// A likelihood whose mean over places, as a logarithm, is nowhere less than this leaves all numbers within range.
const DEEP: f64 = -300.0;

/// SDs from a middle beyond which nothing of it matters while no likelihood is deep: exp(-27²/2) is below exp(-300 - 45).
const BAND: f64 = 27.0;

/// SDs out in a tail from which on what is left of it falls off so fast beside a cut that it needs knots of its own.
const STEEP: f64 = 0.5;

/// With more breaks than this none of them is a sharp cut.
const SHARP: usize = 8;

/// Middles with the logarithms of their weights, and of the mean likelihood about each, which the weights contain.
pub(super) struct Mixture<'a> {
    pub(super) middles: Lattice,
    pub(super) log_weights: &'a [f64],
    pub(super) log_means: Option<&'a [f64]>,
    pub(super) sd: f64,
    pub(super) steps: &'a Steps,
}

impl Mixture<'_> {
    /// `None` when there is nothing left of it.
    pub(super) fn distribution(&self) -> Option<Sums> {
        let (sd, steps) = (self.sd, self.steps);
        let log_weights: Vec<f64> = match self.log_means {
            Some(log_means) => self.log_weights.iter().zip(log_means).map(|(weight, mean)| weight - mean).collect(),
            None => self.log_weights.to_vec(),
        };
        let top = log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let log_weights: Vec<f64> = log_weights.iter().map(|log| log - top).collect();
        let deep = self.log_means.into_iter().flatten().any(|log| log - steps.log_top() < DEEP);
        let knots = self.knots();
        let spread = Spread {
            middles: self.middles,
            weights: log_weights.iter().map(|log| log.exp()).collect(),
            log_weights,
            sd,
        };
        let (log_shares, log_densities) = if deep { spread.by_logs(&knots) } else { spread.by_numbers(&knots) };

        // Of each interval, with the likelihood there.
        let values: Vec<f64> = knots.places.iter().skip(1).map(|place| steps.log_value_at(place.heat)).collect();
        let top = log_shares.iter().zip(&values).map(|(share, value)| share + value).fold(f64::NEG_INFINITY, f64::max);
        let before = [f64::NEG_INFINITY].iter().chain(&values);
        let after = values.iter().chain(&[f64::NEG_INFINITY]);
        let mut below = 0.0;
        let mut table = Vec::with_capacity(knots.places.len());
        for (nth, ((place, log_density), (before, after))) in
            knots.places.iter().zip(&log_densities).zip(before.zip(after)).enumerate()
        {
            let of = |log_value: &f64| (log_density + log_value - top).exp();
            table.push(Knot { heat: place.heat, below, before: of(before), after: of(after) });
            below += log_shares.get(nth).map_or(0.0, |share| (share + after - top).exp());
        }
        Sums::of_knots(table)
    }

    /// How many SDs out the likelihood cuts, where anything is left.
    fn depth(&self) -> f64 {
        let log_means = self.log_means.into_iter().flatten();
        let weighty = self.log_weights.iter().zip(log_means).filter(|(weight, _)| **weight > -20.0);
        weighty.map(|(_, mean)| 2.0 * (self.steps.log_top() - mean)).fold(0.0, f64::max).sqrt()
    }

    /// Where the table has its knots: evenly, at each break, and close to breaks ever more of them where they cut off a tail.
    fn knots(&self) -> Knots {
        let Self { middles, sd, steps, .. } = self;
        let wanted = sd / KNOTS;
        // One step is a multiple of the other, so that distances between knots and middles recur.
        let (every, parts, unit) = if middles.count == 1 {
            (1, 1, wanted)
        } else if middles.step <= wanted {
            ((wanted / middles.step).floor() as i64, 1, middles.step)
        } else {
            let parts = (middles.step / wanted).ceil();
            (1, parts as i64, middles.step / parts)
        };
        let step = every as f64 * unit;
        let breaks = steps.breaks();
        let last = middles.node(middles.count - 1);
        let low = breaks.first().map_or(middles.first, |at| at.min(middles.first)) - REACH * sd;
        let high = breaks.last().map_or(last, |at| at.max(last)) + REACH * sd;
        let index = |heat: f64| ((heat - middles.first) / step) as i64;
        let even = (index(low) - 1..=index(high) + 1)
            .map(|nth| Place { heat: middles.first + nth as f64 * step, nth: Some(nth) });
        // From a cut that deep, shares fall off as an exponential to an SD / depth: from a tenth of that on, each knot is
        // farther off by a tenth, until the even ones are closer.
        let depth = self.depth();
        let closer = if depth > STEEP && breaks.len() <= SHARP { (12.5 * depth).ln() / 1.1_f64.ln() } else { 0.0 };
        let offs: Vec<f64> = (0..closer as i32).map(|nth| 1.25 * sd * 1.1_f64.powi(-nth)).collect();
        let close = |at: &f64| {
            let at = *at;
            offs.iter().flat_map(|off| [-off, *off]).chain([0.0]).map(move |off| Place { heat: at + off, nth: None })
        };
        let mut places: Vec<Place> = even.chain(breaks.iter().flat_map(close)).collect();
        places.sort_by(|a, b| a.heat.total_cmp(&b.heat).then(b.nth.cmp(&a.nth)));
        places.dedup_by(|next, kept| next.heat == kept.heat);
        // Nothing lies above the last break where a sighting rules it out.
        if let Some(end) = breaks.last()
            && steps.log_value_at(f64::INFINITY) == f64::NEG_INFINITY
        {
            places.retain(|place| place.heat <= *end);
        }
        Knots { places, every, parts, unit }
    }
}

struct Knots {
    places: Vec<Place>,
    /// Units from one even knot to the next, and from one middle to the next; one of them is 1.
    every: i64,
    parts: i64,
    unit: f64,
}

struct Place {
    heat: f64,
    /// Its number among the even ones; that at the first middle is 0.
    nth: Option<i64>,
}

/// Normal curves about middles, without a likelihood.
struct Spread {
    middles: Lattice,
    weights: Vec<f64>,
    log_weights: Vec<f64>,
    sd: f64,
}

impl Spread {
    /// Logarithms of the shares between knots and of the densities at them.
    fn by_numbers(&self, knots: &Knots) -> (Vec<f64>, Vec<f64>) {
        let Self { middles, weights, sd, .. } = self;
        let Knots { places, every, parts, unit } = knots;
        let band = (BAND * sd / unit).ceil() as i64 + every;
        let off = |units: i64| units as f64 * unit / sd;
        let densities: Vec<f64> = (-band..=band).map(|units| density(off(units)) / sd).collect();
        let shares: Vec<f64> = (-band..=band).map(|units| share_between(off(units), off(units + every))).collect();
        let of_even = |nth: i64, table: &[f64]| {
            // Middles within the band, by their distances in the table.
            let here = nth * every;
            let from = (here - band + parts - 1).div_euclid(*parts).max(0);
            let to = (here + band).div_euclid(*parts).min(middles.count as i64 - 1);
            (from..=to)
                .filter_map(|middle| {
                    let weight = weights.get(usize::try_from(middle).ok()?)?;
                    Some(weight * table.get(usize::try_from(here - middle * parts + band).ok()?)?)
                })
                .sum::<f64>()
        };
        let sum =
            |of: &dyn Fn(f64) -> f64| middles.nodes().zip(weights).map(|(at, weight)| weight * of(at)).sum::<f64>();
        let log_densities = places.iter().map(|place| match place.nth {
            Some(nth) => of_even(nth, &densities).ln(),
            None => sum(&|middle| density((place.heat - middle) / sd) / sd).ln(),
        });
        let log_shares = places.windows(2).map(|pair| match pair {
            [Place { nth: Some(from), .. }, Place { nth: Some(to), .. }] if from + 1 == *to => {
                of_even(*from, &shares).ln()
            }
            [from, to] => sum(&|middle| share_between((from.heat - middle) / sd, (to.heat - middle) / sd)).ln(),
            _ => f64::NEG_INFINITY,
        });
        (log_shares.collect(), log_densities.collect())
    }

    /// The same where numbers would vanish.
    fn by_logs(&self, knots: &Knots) -> (Vec<f64>, Vec<f64>) {
        let Self { middles, log_weights, sd, .. } = self;
        let sum = |of: &dyn Fn(f64) -> f64| {
            log_sum(&middles.nodes().zip(log_weights).map(|(at, log)| log + of(at)).collect::<Vec<_>>())
        };
        let log_factor = density(0.0).ln() - sd.ln();
        let log_densities =
            knots.places.iter().map(|place| log_factor + sum(&|middle| -0.5 * ((place.heat - middle) / sd).powi(2)));
        let log_shares = knots.places.windows(2).map(|pair| match pair {
            [from, to] => sum(&|middle| log_share_between((from.heat - middle) / sd, (to.heat - middle) / sd)),
            _ => f64::NEG_INFINITY,
        });
        (log_shares.collect(), log_densities.collect())
    }
}
