//! What the invented insect really does in the demo's season: nobody in the state knows it, people see a little of it.
//!
//! The sums at which eggs are laid and hatch are drawn from the profile's own belief. So the demo shows what the notices
//! are worth *if that belief is right*; it says nothing of a real insect.

use chrono::{Days, NaiveDate};

use super::dice::{self, Dice};
use super::state::State;
use super::weather::StateWeather;
use crate::heat::DayTemperatures;
use crate::region::RegionId;
use crate::season::profile::{Eggs, Need, Profile, Stage};

/// One region's insect in one season.
#[derive(Clone, Debug, PartialEq)]
pub struct RegionTruth {
    pub region: RegionId,
    /// °C·day from the biofix at which the first egg is laid, and at which the first one hatches.
    pub laying: f64,
    pub hatch: f64,
    /// The biofix: the day of the first sum.
    pub first: NaiveDate,
    /// °C·day to the end of each day, by a faultless thermometer at the region's own station.
    sums: Vec<f64>,
}

/// Draws the season's truth for every region of the state that has a station; none for a profile whose window does not hang
/// on heat.
pub fn draw(state: &State, weather: &StateWeather, profile: &Profile, season: i32, seed: u64) -> Vec<RegionTruth> {
    let (Some(opens), Some(closes)) = (profile.stage(&profile.window.opens), profile.stage(&profile.window.closes))
    else {
        return Vec::new();
    };
    // What is true of the insect is so in every season, what is true of a season at every place.
    let mut of_insect = Dice::new(seed, dice::INSECT);
    let mut of_season = Dice::new(seed, dice::INSECT_SEASON + u64::from(season.unsigned_abs()));
    let insect = [of_insect.bell(), of_insect.bell()];
    let year = [of_season.bell(), of_season.bell()];
    let mut regions = Vec::new();
    for of in &state.regions {
        let place = [of_season.bell(), of_season.bell()];
        let sum = |stage: &Stage, at: usize| {
            let Need::DegreeDays(mean) = stage.need else { return None };
            let spread = stage.spread.as_ref();
            let part = |sd: Option<f64>, drawn: f64| sd.unwrap_or(0.0) * drawn;
            let off = part(spread.map(|of| of.belief_c), insect[at])
                + part(spread.map(|of| of.years_c), year[at])
                + part(spread.map(|of| of.places_c), place[at]);
            // A sum far from its mean is possible, one near nothing is not.
            Some((mean + off).max(mean / 4.0))
        };
        let (Some(laying), Some(after)) = (sum(opens, 0), sum(closes, 1)) else { continue };
        let own = of.region.stations.first();
        let station = own.and_then(|own| weather.stations.iter().find(|station| station.id == *own));
        let Some(station) = station else { continue };
        let first = profile.first_day(season);
        let day = |at: usize| {
            let extremes = station.truth.get(at)?;
            Some(DayTemperatures { min_c: extremes.min.c(), max_c: extremes.max.c() })
        };
        let Ok(from) = usize::try_from((first - weather.first).num_days()) else { continue };
        let sums = first.iter_days().take_while(|day| *day <= profile.last_day(season)).enumerate();
        let sums = sums.map_while(|(at, _)| {
            Some(profile.heat.degree_days(day(from + at)?, day(from + at + 1).map(|next| next.min_c)))
        });
        let sums = sums
            .scan(0.0, |sum, degree_days| {
                *sum += degree_days;
                Some(*sum)
            })
            .collect();
        regions.push(RegionTruth { region: of.region.id.clone(), laying, hatch: laying + after, first, sums });
    }
    regions
}

impl RegionTruth {
    /// Sum at the end of a day; 0 before the biofix.
    pub fn heat(&self, day: NaiveDate) -> f64 {
        let at = usize::try_from((day - self.first).num_days()).ok();
        at.map_or(0.0, |at| self.sums.get(at).or(self.sums.last()).copied().unwrap_or(0.0))
    }

    /// The first day on which the sum stands at `heat`.
    pub fn day_of(&self, heat: f64) -> Option<NaiveDate> {
        let at = self.sums.iter().position(|sum| *sum >= heat)?;
        self.first.checked_add_days(Days::new(at as u64))
    }

    /// Share (0-1) of a tree's eggs laid by the end of a day.
    pub fn laid(&self, eggs: &Eggs, day: NaiveDate) -> f64 {
        ((self.heat(day) - self.laying) / eggs.laid_over_c).clamp(0.0, 1.0)
    }

    /// Share (0-1) of a tree's eggs hatched by the end of a day.
    pub fn hatched(&self, eggs: &Eggs, day: NaiveDate) -> f64 {
        ((self.heat(day) - self.hatch) / eggs.hatched_over_c).clamp(0.0, 1.0)
    }

    /// Share (0-1) of a tree's eggs that washes on these days take, in their order: each takes what was laid since the one
    /// before and has not hatched, since eggs hatch in the order in which they were laid.
    pub fn taken(&self, eggs: &Eggs, washes: &[NaiveDate]) -> f64 {
        let (mut taken, mut washed_up_to) = (0.0, 0.0_f64);
        for day in washes {
            let (laid, gone) = (self.laid(eggs, *day), self.hatched(eggs, *day).max(washed_up_to));
            taken += (laid - gone).max(0.0);
            washed_up_to = washed_up_to.max(laid);
        }
        taken
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn truth() -> (RegionTruth, Eggs) {
        let first = NaiveDate::from_ymd_opt(2025, 1, 1).unwrap();
        let sums = (1..=100).map(|day| f64::from(day) * 10.0).collect();
        let truth = RegionTruth { region: "cedar-flat".into(), laying: 200.0, hatch: 450.0, first, sums };
        let eggs = Profile::pinyon_needle_scale().eggs.expect("the shipped profile says it");
        (truth, eggs)
    }

    fn day(ordinal: u32) -> NaiveDate {
        NaiveDate::from_yo_opt(2025, ordinal).unwrap()
    }

    #[test]
    fn a_second_wash_takes_what_was_laid_after_the_first_and_nothing_twice() {
        let (truth, eggs) = truth();
        let taken = |washes: &[u32]| {
            let washes: Vec<NaiveDate> = washes.iter().map(|ordinal| day(*ordinal)).collect();
            (truth.taken(&eggs, &washes) * 100.0).round() / 100.0
        };
        // Laid from the 20th to the 30th day, hatched from the 45th to the 55th.
        assert_eq!(taken(&[20]), 0.0);
        assert_eq!(taken(&[25]), 0.5);
        assert_eq!(taken(&[35]), 1.0);
        assert_eq!(taken(&[50]), 0.5);
        assert_eq!(taken(&[25, 35]), 1.0);
        assert_eq!(taken(&[25, 52]), 0.8, "the first half is gone, of the second a fifth has hatched");
        assert_eq!(taken(&[35, 40]), 1.0);
        assert_eq!(truth.day_of(200.0), Some(day(20)));
    }

    #[test]
    fn a_seed_has_one_insect_and_each_season_and_place_its_own_turn_of_it() {
        let state = State::built_in().unwrap();
        let weather = crate::demo::weather::make(&state, 7);
        let profile = Profile::pinyon_needle_scale();
        let (first, again) = (draw(&state, &weather, &profile, 2025, 7), draw(&state, &weather, &profile, 2025, 7));
        assert_eq!(first.len(), state.regions.len());
        assert_eq!(first, again);
        let other = draw(&state, &weather, &profile, 2024, 7);
        assert!(first.iter().zip(&other).all(|(a, b)| a.laying != b.laying));
        assert!(first.iter().all(|of| of.hatch > of.laying && of.day_of(of.hatch).is_some()));
        assert!(first.windows(2).any(|pair| pair[0].laying != pair[1].laying));
    }
}
