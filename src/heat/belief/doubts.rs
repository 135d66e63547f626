//! Looks that do not go with the others, and how much one report weighs.

use super::lattice::Care;
use super::looks::Look;
use super::model::{Leaf, Located, steps};
use super::posterior::{Posterior, Weighted, integrate};

/// A look whose chance, given all others, is below this is a surprise (own choice: about what people call "hardly").
pub const SURPRISE: f64 = 0.02;

/// Sums that are likely without a look may be this unlikely with it; the chance of it is good to a ten-thousandth.
const WITHOUT_A_LOOK: Care = Care { negligible: 700.0, step: 1.25 };

/// A look that speaks against others.
#[derive(Clone, Debug, PartialEq)]
pub struct Contradiction {
    pub season: i32,
    pub place: String,
    pub look: Look,
    pub against: Against,
    /// The chance of it, given all other looks: of a sighting, that the stage had come by then; of a look that saw nothing,
    /// that it had not or was missed.
    pub chance: f64,
}

/// What a look speaks against.
#[derive(Clone, Debug, PartialEq)]
pub enum Against {
    /// It saw nothing after this one, the earliest there, had seen the stage.
    Sighting(Look),
    /// All others together make it a surprise.
    Others,
}

/// By how much a report moves what is believed, °C·day; above 0 is later.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pull {
    /// The mean of the belief of the mean sum.
    pub belief_mean: f64,
    /// The median of a place's sum.
    pub place_median: f64,
}

impl Posterior {
    /// What the looks of one report move, there and at any place: the belief with them less the belief without.
    pub fn pull(&self, id: &str, season: i32, place: &str) -> Pull {
        let without = self.without(id);
        Pull {
            belief_mean: self.belief().mean() - without.belief().mean(),
            place_median: self.of_place(season, place).median() - without.of_place(season, place).median(),
        }
    }

    /// Looks that speak against others, by season, place and heat: those that saw nothing at more heat than there was at
    /// a sighting, and those that are less likely than [`SURPRISE`]. One entry a look.
    pub fn contradictions(&self) -> Vec<Contradiction> {
        let groups: Vec<Vec<Leaf>> =
            self.groups.values().map(|group| group.leaves.iter().map(|of| of.leaf.clone()).collect()).collect();
        let all: Vec<&[Leaf]> = groups.iter().map(Vec::as_slice).collect();
        // Where sums would lie without a look, little may be left of them with it.
        let wide = integrate(&self.levels, self.range, &all, WITHOUT_A_LOOK);
        let mut found = Vec::new();
        for (leaves, (log_means, middles)) in all.iter().zip(&wide.groups) {
            for (leaf, log_means) in leaves.iter().zip(log_means) {
                let of = Told { leaf, log_means, middles };
                found.extend(leaf.looks().filter_map(|look| self.contradiction(&of, look)));
            }
        }
        found.sort_by(|a, b| {
            a.season.cmp(&b.season).then_with(|| a.place.cmp(&b.place)).then_with(|| a.look.order(&b.look))
        });
        found
    }

    fn contradiction(
        &self,
        of: &Told,
        (located, look, at): (&Located, &Look, (usize, usize)),
    ) -> Option<Contradiction> {
        let Located { season, place, .. } = located;
        let chance = self.chance(of, at);
        let first =
            earliest_sighting(of.leaf, *season, place).filter(|first| !look.seen() && first.heat() < look.heat());
        let against = match first {
            Some(first) => Against::Sighting(first.clone()),
            None if chance < SURPRISE => Against::Others,
            None => return None,
        };
        Some(Contradiction { season: *season, place: place.clone(), look: look.clone(), against, chance })
    }

    /// The chance of one look given all others: what it takes from the mean likelihood, undone at each middle.
    fn chance(&self, of: &Told, at: (usize, usize)) -> f64 {
        if self.levels.lowest == 0.0 {
            // Nothing differs: other looks tell nothing.
            let alone = of.leaf.sites.get(at.0).map(|located| located.site.where_nth(|nth| nth == at.1).steps());
            return alone.map_or(1.0, |steps| steps.log_value_at(self.levels.mean).exp());
        }
        let without = steps(&of.leaf.sites, self.range, Some(at));
        let middles = of.middles.lattice.nodes().zip(&of.middles.log_weights);
        let undone: f64 = middles
            .zip(of.log_means)
            .map(|((middle, log_weight), log_mean)| {
                (log_weight + without.log_mean(middle, self.levels.lowest) - log_mean).exp()
            })
            .sum();
        // What is certain by all others is so to rounding.
        undone.recip().min(1.0)
    }
}

/// A leaf with its mean likelihood about each of its group's middles.
struct Told<'a> {
    leaf: &'a Leaf,
    log_means: &'a [f64],
    middles: &'a Weighted,
}

fn earliest_sighting<'a>(leaf: &'a Leaf, season: i32, place: &str) -> Option<&'a Look> {
    let here = |located: &Located| located.season == season && located.place == place;
    let seen = leaf.looks().filter(|(located, look, _)| here(located) && look.seen()).map(|(_, look, _)| look);
    seen.min_by(|a, b| a.order(b))
}
