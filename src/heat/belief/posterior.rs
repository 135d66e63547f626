//! What is believed of sums once looks are known.

use std::collections::BTreeMap;

use super::lattice::{Care, Lattice, log_normal};
use super::looks::{PlaceLooks, SeasonLooks, StagePrior};
use super::mixture::Mixture;
use super::model::{GroupKey, Leaf, Levels, MeanIs, Range, Sorted, sort};
use super::normal::log_sum;
use super::steps::Steps;
use super::sums::Sums;

/// Errors of about 1e-12 of the whole.
const EXACT: Care = Care { negligible: 30.0, step: 0.5 };

/// What is believed of a stage's sums, given all looks.
#[derive(Clone)]
pub struct Posterior {
    pub(super) prior: StagePrior,
    pub(super) seasons: Vec<SeasonLooks>,
    pub(super) levels: Levels,
    pub(super) range: Range,
    pub(super) groups: BTreeMap<GroupKey, Group>,
    /// The mean itself, where it is apart from the groups' middles.
    outer: Weighted,
    belief: Sums,
}

/// Points with the logarithms of their weights, which add to 1.
#[derive(Clone)]
pub(super) struct Weighted {
    pub(super) lattice: Lattice,
    pub(super) log_weights: Vec<f64>,
}

/// Places that share a middle: those of one season, as a rule.
#[derive(Clone)]
pub(super) struct Group {
    pub(super) middles: Weighted,
    pub(super) leaves: Vec<LeafMeans>,
}

#[derive(Clone)]
pub(super) struct LeafMeans {
    pub(super) leaf: Leaf,
    /// The logarithm of its mean likelihood about each middle.
    pub(super) log_means: Vec<f64>,
}

/// What is believed once looks are known. Places, seasons and looks may come in any order, with the same answer to the bit.
pub fn posterior(prior: &StagePrior, seasons: &[SeasonLooks]) -> Posterior {
    let levels = Levels::of(prior);
    let Sorted { range, groups } = sort(&levels, seasons);
    let all: Vec<&[Leaf]> = groups.values().map(Vec::as_slice).collect();
    let anything = all.iter().any(|leaves| count_telling(leaves) > 0);
    let integrated = integrate(&levels, range, &all, EXACT);
    let groups: BTreeMap<GroupKey, Group> = groups
        .into_iter()
        .zip(integrated.groups)
        .map(|((key, leaves), (log_means, middles))| {
            let leaves = leaves.into_iter().zip(log_means).map(|(leaf, log_means)| LeafMeans { leaf, log_means });
            (key, Group { middles, leaves: leaves.collect() })
        })
        .collect();
    let belief = anything.then(|| belief(&levels, &integrated.outer, &groups)).flatten();
    Posterior {
        prior: *prior,
        seasons: seasons.to_vec(),
        levels,
        range,
        groups,
        outer: integrated.outer,
        belief: belief.unwrap_or_else(|| normal(levels.mean, prior.belief_sd())),
    }
}

impl Posterior {
    /// Of the mean sum itself, over all places and seasons.
    pub fn belief(&self) -> &Sums {
        &self.belief
    }

    /// Of the sum at one place in one season, from where the stage counts. Looks there have their part in it; of a place or
    /// season without looks it is what is to be expected there.
    pub fn of_place(&self, season: i32, place: &str) -> Sums {
        self.told_of_place(season, place).unwrap_or_else(|| self.prior_of_place())
    }

    /// The same before any look.
    pub fn prior_of_place(&self) -> Sums {
        let Levels { outer, middle, lowest, .. } = self.levels;
        normal(self.levels.mean, outer.hypot(middle).hypot(lowest))
    }

    /// Without the looks of one report.
    pub fn without(&self, id: &str) -> Posterior {
        let place = |place: &PlaceLooks| PlaceLooks {
            looks: place.looks.iter().filter(|look| look.id() != id).cloned().collect(),
            ..place.clone()
        };
        let season = |of: &SeasonLooks| SeasonLooks { places: of.places.iter().map(place).collect(), ..of.clone() };
        posterior(&self.prior, &self.seasons.iter().map(season).collect::<Vec<_>>())
    }

    /// `None` where looks say nothing.
    fn told_of_place(&self, season: i32, place: &str) -> Option<Sums> {
        let Levels { middle, lowest, .. } = self.levels;
        let telling = |group: &&Group| group.leaves.iter().any(|of| !of.leaf.steps.is_flat());
        if lowest == 0.0 || !self.groups.values().any(|group| telling(&group)) {
            return None;
        }
        let flat = Steps::flat();
        let Some(group) = self.groups.get(&self.levels.group(season)).filter(telling) else {
            let Weighted { lattice, log_weights } = &self.outer;
            let sd = middle.hypot(lowest);
            return Mixture { middles: *lattice, log_weights, log_means: None, sd, steps: &flat }.distribution();
        };
        let key = self.levels.leaf(season, place);
        let leaf = group.leaves.iter().find(|of| of.leaf.key == key);
        let Weighted { lattice, log_weights } = &group.middles;
        let log_means = leaf.map(|of| of.log_means.as_slice());
        let steps = leaf.map_or(&flat, |of| &of.leaf.steps);
        Mixture { middles: *lattice, log_weights, log_means, sd: lowest, steps }.distribution()
    }
}

fn belief(levels: &Levels, outer: &Weighted, groups: &BTreeMap<GroupKey, Group>) -> Option<Sums> {
    let certain = || Some(Sums::certain(levels.mean));
    let shown =
        |of: &Weighted| if of.lattice.count == 1 { certain() } else { of.lattice.distribution(&of.log_weights) };
    match levels.mean_is {
        MeanIs::Outer => shown(outer),
        MeanIs::Middle => shown(&groups.values().next()?.middles),
        MeanIs::Lowest if levels.lowest == 0.0 => certain(),
        MeanIs::Lowest => {
            let group = groups.values().next()?;
            let LeafMeans { leaf, log_means } = group.leaves.first()?;
            let Weighted { lattice, log_weights } = &group.middles;
            let log_means = Some(log_means.as_slice());
            Mixture { middles: *lattice, log_weights, log_means, sd: levels.lowest, steps: &leaf.steps }.distribution()
        }
    }
}

fn normal(mean: f64, sd: f64) -> Sums {
    let told =
        Mixture { middles: Lattice::single(mean), log_weights: &[0.0], log_means: None, sd, steps: &Steps::flat() };
    (sd > 0.0).then(|| told.distribution()).flatten().unwrap_or_else(|| Sums::certain(mean))
}

fn count_telling(leaves: &[Leaf]) -> usize {
    leaves.iter().filter(|leaf| !leaf.steps.is_flat()).count()
}

/// All levels integrated. Where there is anything is found over lattices that become closer and closer.
pub(super) fn integrate(levels: &Levels, range: Range, groups: &[&[Leaf]], care: Care) -> Pass {
    // No likelihood of a group is narrower than all its places' spreads together, which bounds how fine to look.
    let narrowest = |sd: f64, count: usize, of: f64| (sd.powi(-2) + count as f64 * of.powi(-2)).sqrt().recip();
    let groups_telling = groups.iter().filter(|leaves| count_telling(leaves) > 0).count();
    let outer_sd = narrowest(levels.outer, groups_telling, levels.middle);
    let middle_sd = |leaves: &[Leaf]| narrowest(levels.middle, count_telling(leaves), levels.lowest);

    let first = |sd: f64, narrowest: f64| {
        if sd > 0.0 { Lattice::coarse(range.low, range.high, narrowest) } else { Lattice::single(levels.mean) }
    };
    let mut outer = first(levels.outer, outer_sd);
    let mut middles: Vec<Lattice> = groups.iter().map(|leaves| first(levels.middle, middle_sd(leaves))).collect();
    loop {
        let pass = Pass::over(levels, groups, outer, &middles);
        let hidden: f64 = groups.iter().zip(&middles).map(|(leaves, lattice)| lattice.hidden(middle_sd(leaves))).sum();
        // Beside what is hidden between points, sums over so few of them are off by a factor.
        let less = care.negligible + hidden + outer.hidden(outer_sd) + 2.0 * (groups_telling + 2) as f64;
        let part_of_outer = outer.part(&pass.outer.log_weights, less);
        let parts: Vec<(f64, f64)> = pass.groups.iter().map(|(_, of)| of.lattice.part(&of.log_weights, less)).collect();
        let closer_outer = outer.closer(part_of_outer, outer_sd);
        let closer: Vec<Option<Lattice>> = groups
            .iter()
            .zip(&middles)
            .zip(&parts)
            .map(|((leaves, lattice), part)| lattice.closer(*part, middle_sd(leaves)))
            .collect();
        if closer_outer.is_none() && closer.iter().all(Option::is_none) {
            let shown = levels.mean_is == MeanIs::Middle;
            for ((leaves, lattice), part) in groups.iter().zip(&mut middles).zip(parts) {
                *lattice = lattice.fine(part, care.step * middle_sd(leaves), shown);
            }
            return Pass::over(levels, groups, outer.fine(part_of_outer, care.step * outer_sd, true), &middles);
        }
        outer = closer_outer.unwrap_or(outer);
        for (lattice, closer) in middles.iter_mut().zip(closer) {
            *lattice = closer.unwrap_or(*lattice);
        }
    }
}

/// All levels integrated once, over given lattices.
pub(super) struct Pass {
    outer: Weighted,
    /// The means of each leaf's likelihood, by leaf, and the group's middles.
    pub(super) groups: Vec<(Vec<Vec<f64>>, Weighted)>,
}

impl Pass {
    fn over(levels: &Levels, groups: &[&[Leaf]], outer: Lattice, middles: &[Lattice]) -> Self {
        let groups: Vec<_> = groups
            .iter()
            .zip(middles)
            .map(|(leaves, lattice)| {
                let of = |leaf: &Leaf| lattice.nodes().map(|at| leaf.steps.log_mean(at, levels.lowest)).collect();
                let log_means: Vec<Vec<f64>> = leaves.iter().map(of).collect();
                let log_products: Vec<f64> =
                    (0..lattice.count).map(|at| log_means.iter().filter_map(|of| of.get(at)).sum()).collect();
                let log_of_outer = outer.smoothed(levels.middle, lattice, &log_products);
                (*lattice, log_means, log_products, log_of_outer)
            })
            .collect();
        let log_outer = outer.nodes().enumerate().map(|(at, node)| {
            let told: f64 = groups.iter().filter_map(|(_, _, _, of)| of.get(at)).sum();
            log_normal(node - levels.mean, levels.outer) + told
        });
        let outer = Weighted::of(outer, log_outer.collect());
        let groups = groups
            .into_iter()
            .map(|(lattice, log_means, log_products, log_of_outer)| {
                // What all but this group say of its middle.
                let others: Vec<f64> =
                    outer.log_weights.iter().zip(&log_of_outer).map(|(all, own)| all - own).collect();
                let others = lattice.smoothed(levels.middle, &outer.lattice, &others);
                let log_weights = log_products.iter().zip(others).map(|(own, others)| own + others).collect();
                (log_means, Weighted::of(lattice, log_weights))
            })
            .collect();
        Self { outer, groups }
    }
}

impl Weighted {
    fn of(lattice: Lattice, mut log_weights: Vec<f64>) -> Self {
        let all = log_sum(&log_weights);
        for log in &mut log_weights {
            *log -= all;
        }
        Self { lattice, log_weights }
    }
}
