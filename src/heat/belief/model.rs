//! The levels of the model that differ at all, and which looks belong to which.
//!
//! A level without spread is no level: without differences between seasons all places hang on the mean itself, without
//! differences between places each season is one place, and so on. What is left is always a lowest level, whose sums meet
//! the looks and are integrated in closed form, below none, one or two levels that are integrated over lattices.

use std::collections::BTreeMap;

use super::looks::{Look, SeasonLooks, StagePrior};
use super::steps::{Site, Steps};

/// An SD that is less than this part of the greatest counts as none.
const NOTHING: f64 = 1e-3;

/// SDs beyond which nothing is looked for.
const REACH: f64 = 9.0;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Levels {
    pub(super) mean: f64,
    /// SD of the mean itself where it is apart from the groups' middles.
    pub(super) outer: f64,
    /// SD of a group's middle.
    pub(super) middle: f64,
    /// SD of the sums that meet looks about their group's middle.
    pub(super) lowest: f64,
    /// The level that the mean itself is.
    pub(super) mean_is: MeanIs,
    seasons_are_groups: bool,
    by_season: bool,
    by_place: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MeanIs {
    Outer,
    Middle,
    Lowest,
}

/// Season and place, as far as sums differ by them.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct LeafKey {
    season: Option<i32>,
    place: Option<String>,
}

/// Which seasons share a middle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct GroupKey(Option<i32>);

impl Levels {
    pub(super) fn of(prior: &StagePrior) -> Self {
        let greatest = prior.belief_sd().max(prior.places_sd()).max(prior.years_sd());
        let of = |sd: f64| if sd < NOTHING * greatest { 0.0 } else { sd };
        let (belief, places, years) = (of(prior.belief_sd()), of(prior.places_sd()), of(prior.years_sd()));
        let mean = prior.mean();
        let nested = places > 0.0 && years > 0.0;
        let (outer, middle, lowest, mean_is) = if nested {
            (belief, years, places, MeanIs::Outer)
        } else if places > 0.0 || years > 0.0 {
            (0.0, belief, places + years, MeanIs::Middle)
        } else {
            (0.0, 0.0, belief, MeanIs::Lowest)
        };
        let (by_season, by_place) = (places > 0.0 || years > 0.0, places > 0.0);
        Self { mean, outer, middle, lowest, mean_is, seasons_are_groups: nested, by_season, by_place }
    }

    pub(super) fn group(&self, season: i32) -> GroupKey {
        GroupKey(self.seasons_are_groups.then_some(season))
    }

    pub(super) fn leaf(&self, season: i32, place: &str) -> LeafKey {
        LeafKey { season: self.by_season.then_some(season), place: self.by_place.then(|| place.to_owned()) }
    }
}

/// Looks that one sum of the lowest level answers for.
#[derive(Clone)]
pub(super) struct Leaf {
    pub(super) key: LeafKey,
    pub(super) sites: Vec<Located>,
    pub(super) steps: Steps,
}

#[derive(Clone)]
pub(super) struct Located {
    pub(super) season: i32,
    pub(super) place: String,
    pub(super) site: Site,
}

/// The least and the greatest sum that can matter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Range {
    pub(super) low: f64,
    pub(super) high: f64,
}

pub(super) struct Sorted {
    pub(super) range: Range,
    pub(super) groups: BTreeMap<GroupKey, Vec<Leaf>>,
}

/// All looks where they belong, in an order that does not depend on theirs.
pub(super) fn sort(levels: &Levels, seasons: &[SeasonLooks]) -> Sorted {
    let mut places: BTreeMap<(i32, &str), Vec<Site>> = BTreeMap::new();
    for season in seasons {
        for place in season.places.iter().filter(|place| !place.looks.is_empty()) {
            let sites = places.entry((season.season, place.place.as_str())).or_default();
            let new = Site::new(place.parent.as_ref());
            match sites.iter_mut().find(|site| site.same_parent(&new)) {
                Some(site) => site.add(&place.looks),
                None => {
                    let mut new = new;
                    new.add(&place.looks);
                    sites.push(new);
                    sites.sort_by(Site::order);
                }
            }
        }
    }
    let range = range(levels, places.values().flatten());
    let mut groups: BTreeMap<GroupKey, BTreeMap<LeafKey, Vec<Located>>> = BTreeMap::new();
    for ((season, place), sites) in places {
        let leaf = groups.entry(levels.group(season)).or_default().entry(levels.leaf(season, place)).or_default();
        leaf.extend(sites.into_iter().map(|site| Located { season, place: place.to_owned(), site }));
    }
    let leaf = |(key, sites): (LeafKey, Vec<Located>)| {
        let steps = steps(&sites, range, None);
        Leaf { key, sites, steps }
    };
    // Looks that say nothing leave no trace: an answer with them is the answer without, to the bit.
    let telling = |leaf: &Leaf| !leaf.steps.is_flat();
    let groups = groups
        .into_iter()
        .map(|(key, leaves)| (key, leaves.into_iter().map(leaf).filter(telling).collect::<Vec<_>>()))
        .filter(|(_, leaves)| !leaves.is_empty())
        .collect();
    Sorted { range, groups }
}

/// The likelihood of the looks at some sites, if need be without one look: the one so many-th of the site so many-th.
pub(super) fn steps(sites: &[Located], range: Range, without: Option<(usize, usize)>) -> Steps {
    let of = |(nth, located): (usize, &Located)| match without {
        Some((site, look)) if site == nth => located.site.where_nth(|nth| nth != look).steps(),
        _ => located.site.steps(),
    };
    let all: Vec<Steps> = sites.iter().enumerate().map(of).collect();
    Steps::product(&all).within(range.low, range.high)
}

/// Sightings may pull sums down to them, however unlikely that was; looks that saw nothing can be outweighed, and pull only
/// as far as the chance that they all missed lets them.
fn range<'a>(levels: &Levels, sites: impl Iterator<Item = &'a Site> + Clone) -> Range {
    let Levels { mean, outer, middle, lowest, .. } = *levels;
    let sd = outer.hypot(middle).hypot(lowest);
    let weight: f64 = sites.clone().map(|site| site.weight_of_misses(mean - REACH * sd)).sum();
    let farthest = mean + sd * (2.0 * (weight + 50.0)).sqrt();
    let least = sites.clone().filter_map(Site::least_bound).fold(f64::INFINITY, f64::min);
    let greatest = sites.filter_map(Site::greatest_bound).fold(f64::NEG_INFINITY, f64::max);
    Range {
        low: (least - REACH * lowest).min(mean - REACH * sd),
        high: (greatest.min(farthest) + REACH * lowest).max(mean + REACH * sd),
    }
}

impl Leaf {
    pub(super) fn looks(&self) -> impl Iterator<Item = (&Located, &Look, (usize, usize))> {
        self.sites.iter().enumerate().flat_map(|(site, located)| {
            located.site.looks().iter().enumerate().map(move |(nth, look)| (located, look, (site, nth)))
        })
    }
}
