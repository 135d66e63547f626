//! Laws of the belief, and cases that a plain sum over a fine grid answers too.

use proptest::prelude::*;

use super::*;

fn prior(mean: f64, belief_sd: f64, places_sd: f64, years_sd: f64) -> StagePrior {
    StagePrior::new(mean, belief_sd, places_sd, years_sd).unwrap()
}

fn seen(heat: f64) -> Look {
    Look::new(format!("seen at {heat}"), heat, true, 0.7).unwrap()
}

fn not_seen(heat: f64) -> Look {
    Look::new(format!("not seen at {heat}"), heat, false, 0.7).unwrap()
}

fn sure(look: Look) -> Look {
    Look::new(look.id(), look.heat(), look.seen(), 1.0).unwrap()
}

fn at(place: &str, looks: Vec<Look>) -> PlaceLooks {
    PlaceLooks { place: place.into(), parent: None, looks }
}

fn season(season: i32, places: Vec<PlaceLooks>) -> SeasonLooks {
    SeasonLooks { season, places }
}

/// Looks at one place in one season.
fn one_place(looks: Vec<Look>) -> Vec<SeasonLooks> {
    vec![season(2001, vec![at("A", looks)])]
}

fn close(got: f64, wanted: f64, within: f64, what: &str) {
    assert!((got - wanted).abs() <= within, "{what}: got {got}, wanted {wanted}");
}

/// Shares of the standard normal distribution and where they end (any table of it).
const NORMAL: [(f64, f64); 5] =
    [(0.1, -1.2815515655), (0.5, 0.0), (0.8413447461, 1.0), (0.975, 1.9599639845), (0.999, 3.0902323062)];

fn is_normal(sums: &Sums, mean: f64, sd: f64, what: &str) {
    close(sums.mean(), mean, 1e-9 * mean, what);
    close(sums.sd(), sd, 1e-6 * sd.max(1e-9), what);
    for (share, z) in NORMAL {
        close(sums.quantile(share), mean + z * sd, 1e-5 * sd, what);
        if sd > 0.0 {
            close(sums.share_below(mean + z * sd), share, 1e-6, what);
        }
    }
}

/// Each SD there or not.
fn shapes() -> Vec<StagePrior> {
    let both = |sd: f64| [0.0, sd];
    both(30.0)
        .into_iter()
        .flat_map(|belief| both(15.0).map(|places| (belief, places)))
        .flat_map(|(belief, places)| both(20.0).map(|years| prior(300.0, belief, places, years)))
        .collect()
}

fn total_sd(prior: &StagePrior) -> f64 {
    prior.belief_sd().hypot(prior.places_sd()).hypot(prior.years_sd())
}

/// Mean, SD and median of a normal sum that only one place's looks bear on, by plain summation.
fn by_grid(mean: f64, sd: f64, looks: &[Look], parent: &[(f64, f64)]) -> (f64, f64, f64) {
    let step = 0.01;
    let likelihood = |sum: f64| {
        let one = |look: &Look| match (look.seen(), sum <= look.heat()) {
            (true, come) => f64::from(u8::from(come)),
            (false, come) => {
                if come {
                    1.0 - look.detection()
                } else {
                    1.0
                }
            }
        };
        looks.iter().map(one).product::<f64>()
    };
    // Middles of cells, whose ends heats of looks are.
    let count = (20.0 * sd / step) as i64;
    let from = ((mean - 10.0 * sd) / step).round() * step + step / 2.0;
    let cells: Vec<(f64, f64)> = (0..count)
        .map(|nth| {
            let sum = from + nth as f64 * step;
            let told: f64 = parent.iter().map(|(heat, weight)| weight * likelihood(heat + sum)).sum();
            (sum, told * (-0.5 * ((sum - mean) / sd).powi(2)).exp())
        })
        .collect();
    let total: f64 = cells.iter().map(|(_, weight)| weight).sum();
    let mean = cells.iter().map(|(sum, weight)| sum * weight).sum::<f64>() / total;
    let variance = cells.iter().map(|(sum, weight)| (sum - mean).powi(2) * weight).sum::<f64>() / total;
    let mut below = 0.0;
    let median = cells.iter().find(|(_, weight)| {
        below += weight / total;
        below >= 0.5
    });
    (mean, variance.sqrt(), median.unwrap().0)
}

#[test]
fn without_looks_the_prior_comes_back() {
    for prior in shapes() {
        for looks in [Vec::new(), one_place(Vec::new()), one_place(vec![seen(9000.0), not_seen(0.0)])] {
            let told = posterior(&prior, &looks);
            let what = format!("{prior:?}");
            is_normal(told.belief(), 300.0, prior.belief_sd(), &what);
            for place in [told.of_place(2001, "A"), told.of_place(1999, "B"), told.prior_of_place()] {
                is_normal(&place, 300.0, total_sd(&prior), &what);
            }
            assert_eq!(told.contradictions(), []);
        }
    }
}

#[test]
fn one_place_is_what_a_plain_sum_says_whichever_spreads_there_are() {
    let looks = [
        vec![not_seen(330.0), not_seen(330.0), not_seen(330.0)],
        vec![not_seen(260.0), seen(290.0)],
        vec![seen(270.0), not_seen(250.0), not_seen(320.0)],
        vec![not_seen(340.0), not_seen(340.0), not_seen(346.0), seen(352.0)],
    ];
    for prior in shapes() {
        let sd = total_sd(&prior);
        for looks in looks.iter().filter(|_| sd > 0.0) {
            let (mean, spread, median) = by_grid(300.0, sd, looks, &[(0.0, 1.0)]);
            let told = posterior(&prior, &one_place(looks.clone()));
            let place = told.of_place(2001, "A");
            let what = format!("{prior:?} {looks:?}");
            close(place.mean(), mean, 1e-4, &what);
            close(place.sd(), spread, 1e-4, &what);
            close(place.median(), median, 0.006, &what);
            // The mean sum follows by its part in the variance.
            let part = prior.belief_sd().powi(2) / sd.powi(2);
            close(told.belief().mean(), 300.0 + part * (mean - 300.0), 1e-4, &what);
            let variance = prior.belief_sd().powi(2) * (1.0 - part) + (part * spread).powi(2);
            close(told.belief().sd(), variance.sqrt(), 1e-4, &what);
            // Another place of that season shares all but its own effect.
            let shared = 1.0 - prior.places_sd().powi(2) / sd.powi(2);
            close(told.of_place(2001, "B").mean(), 300.0 + shared * (mean - 300.0), 1e-4, &what);
            close(told.of_place(2002, "A").mean(), told.belief().mean(), 1e-4, &what);
        }
    }
}

#[test]
fn three_looks_at_infested_trees_without_eggs_move_the_median_later() {
    // Nothing seen at the median on three trees with a chance of 70 % each: 3 % that eggs were there all the same, so the
    // median is that of a normal curve whose lower half weighs 0.027. Its z solves 1 - Φ(z) = 1.027 / 4: 0.6534.
    let told = posterior(&prior(300.0, 30.0, 15.0, 20.0), &one_place(vec![not_seen(300.0); 3]));
    let sd = 30f64.hypot(15.0).hypot(20.0);
    let (_, _, median) = by_grid(300.0, sd, &vec![not_seen(300.0); 3], &[(0.0, 1.0)]);
    let got = told.of_place(2001, "A").median();
    close(got, median, 0.006, "median by a grid");
    close(got, 300.0 + 0.6534 * sd, 0.01, "median by the table of the normal distribution");
}

#[test]
fn an_uncertain_parent_is_averaged_over() {
    let parent = [(180.0, 0.2), (200.0, 0.5), (231.0, 0.3)];
    let looks = vec![not_seen(310.0), not_seen(322.0), seen(340.0)];
    for prior in shapes().into_iter().filter(|prior| total_sd(prior) > 0.0) {
        let prior = StagePrior::new(120.0, prior.belief_sd(), prior.places_sd(), prior.years_sd()).unwrap();
        let place = PlaceLooks { parent: Some(Sums::of_points(&parent).unwrap()), ..at("A", looks.clone()) };
        let told = posterior(&prior, &[season(2001, vec![place])]).of_place(2001, "A");
        let (mean, sd, median) = by_grid(120.0, total_sd(&prior), &looks, &parent);
        close(told.mean(), mean, 1e-4, "mean");
        close(told.sd(), sd, 1e-4, "SD");
        close(told.median(), median, 0.006, "median");
    }
    // What is known of the parent for certain only moves the sums.
    let parent = PlaceLooks { parent: Sums::exactly(200.0), ..at("A", looks) };
    let moved = posterior(&prior(120.0, 20.0, 8.0, 9.0), &[season(2001, vec![parent])]);
    let plain =
        posterior(&prior(120.0, 20.0, 8.0, 9.0), &one_place(vec![not_seen(110.0), not_seen(122.0), seen(140.0)]));
    assert_eq!(moved.belief(), plain.belief());
}

#[test]
fn a_parent_with_a_density_is_as_good_as_its_two_spreads_together() {
    // The parent's sum is normal and so is the sum from there on, so one look sees the sum of both.
    let parent = posterior(&prior(200.0, 12.0, 0.0, 0.0), &[]).prior_of_place();
    is_normal(&parent, 200.0, 12.0, "parent");
    let place = PlaceLooks { parent: Some(parent), ..at("A", vec![sure(not_seen(320.0))]) };
    let told = posterior(&prior(120.0, 0.0, 16.0, 0.0), &[season(2001, vec![place])]).of_place(2001, "A");
    let (mean, _, _) = by_grid(320.0, 20.0, &[sure(not_seen(320.0))], &[(0.0, 1.0)]);
    close(told.mean(), 120.0 + 0.64 * (mean - 320.0), 0.02, "its part of what the look says");
}

#[test]
fn a_sure_look_without_and_one_with_confine_the_sum_between_them() {
    for prior in shapes().into_iter().filter(|prior| total_sd(prior) > 0.0) {
        let told = posterior(&prior, &one_place(vec![sure(not_seen(310.0)), sure(seen(318.5))]));
        let place = told.of_place(2001, "A");
        close(place.share_below(310.0), 0.0, 1e-7, "below");
        assert_eq!(place.share_below(318.5), 1.0);
        assert!(310.0 < place.quantile(0.0001) && place.quantile(1.0) <= 318.5);
        assert!(310.0 < place.mean() && place.mean() < 318.5 && place.sd() < 8.5 / 2.0);
    }
}

#[test]
fn seasons_that_do_not_differ_are_one() {
    let (early, late) = (at("A", vec![not_seen(250.0), seen(280.0)]), at("B", vec![not_seen(320.0)]));
    let prior = prior(300.0, 30.0, 15.0, 0.0);
    let two = posterior(&prior, &[season(2001, vec![early.clone()]), season(2002, vec![late.clone()])]);
    let one = posterior(&prior, &[season(2001, vec![early, late])]);
    assert_eq!(two.belief(), one.belief());
    assert_eq!(two.of_place(2002, "B"), one.of_place(2001, "B"));
    assert_eq!(two.of_place(2003, "C"), one.of_place(2001, "C"));
}

#[test]
fn places_that_do_not_differ_are_one() {
    let prior = prior(300.0, 30.0, 0.0, 20.0);
    let apart = [season(2001, vec![at("A", vec![not_seen(280.0)]), at("B", vec![seen(310.0)])])];
    let together = posterior(&prior, &one_place(vec![seen(310.0), not_seen(280.0)]));
    let apart = posterior(&prior, &apart);
    assert_eq!(apart.belief(), together.belief());
    assert_eq!(apart.of_place(2001, "B"), together.of_place(2001, "A"));
    assert_eq!(apart.of_place(2001, "C"), together.of_place(2001, "A"));
}

#[test]
fn a_spread_that_hardly_is_there_is_hardly_felt() {
    let looks = [
        season(2001, vec![at("A", vec![not_seen(250.0), seen(280.0)]), at("B", vec![not_seen(290.0)])]),
        season(2002, vec![at("A", vec![seen(300.0)])]),
    ];
    for (least, none) in [
        (prior(300.0, 30.0, 15.0, 0.31), prior(300.0, 30.0, 15.0, 0.0)),
        (prior(300.0, 30.0, 0.31, 20.0), prior(300.0, 30.0, 0.0, 20.0)),
        (prior(300.0, 0.31, 15.0, 20.0), prior(300.0, 0.0, 15.0, 20.0)),
    ] {
        let (least, none) = (posterior(&least, &looks), posterior(&none, &looks));
        close(least.belief().mean(), none.belief().mean(), 0.02, "mean sum");
        for place in ["A", "B", "C"] {
            let (least, none) = (least.of_place(2001, place), none.of_place(2001, place));
            close(least.mean(), none.mean(), 0.02, place);
            close(least.sd(), none.sd(), 0.02, place);
        }
    }
}

#[test]
fn two_hundred_looks_that_contradict_each_other_give_an_answer() {
    let looks = |detection: f64| -> Vec<Look> {
        (0..200)
            .map(|nth| {
                let heat = 150.0 + f64::from(nth % 50) * 6.0;
                Look::new(format!("{nth}"), heat, nth % 3 == 0, detection).unwrap()
            })
            .collect()
    };
    for prior in shapes().into_iter().chain([prior(300.0, 0.3, 0.3, 0.3), prior(300.0, 600.0, 3.0, 3.0)]) {
        for (detection, places) in [(1e-12, 4), (0.7, 1), (1.0, 4)] {
            let place = |(nth, look): (usize, Look)| at(["A", "B", "C", "D"][nth % places], vec![look]);
            let places: Vec<PlaceLooks> = looks(detection).into_iter().enumerate().map(place).collect();
            let told = posterior(&prior, &[season(2001, places.clone()), season(2002, places)]);
            for sums in [told.belief().clone(), told.of_place(2001, "A"), told.of_place(2003, "A")] {
                let what = format!("{prior:?}, {detection}: {} {}", sums.mean(), sums.sd());
                assert!(sums.mean().is_finite() && sums.sd() >= 0.0, "{what}");
                assert!(sums.quantile(0.1) <= sums.quantile(0.9), "{what}");
            }
            assert!(told.contradictions().iter().all(|found| (0.0..=1.0).contains(&found.chance)));
        }
    }
}

#[test]
fn a_sighting_far_from_all_that_was_believed_is_taken_at_its_word() {
    for prior in shapes().into_iter().filter(|prior| total_sd(prior) > 0.0) {
        let told = posterior(&prior, &one_place(vec![seen(20.0)]));
        let place = told.of_place(2001, "A");
        // What is left of a normal curve z SDs out lies 1/z - 2/z³ + 10/z⁵ - 74/z⁷ SDs farther, from the series of Mills'
        // ratio.
        let sd = total_sd(&prior);
        let z = 280.0 / sd;
        let farther = 1.0 / z - 2.0 / z.powi(3) + 10.0 / z.powi(5) - 74.0 / z.powi(7);
        close(place.mean(), 20.0 - sd * farther, sd * 710.0 / z.powi(9) + 1e-4, &format!("{prior:?}"));
        assert_eq!(place.share_below(20.0), 1.0);
        let found = told.contradictions();
        assert_eq!((found.len(), &found[0].against), (1, &Against::Others));
        assert!(found[0].chance < 1e-10, "{found:?}");
    }
}

#[test]
fn a_look_after_a_sighting_and_a_surprise_are_named() {
    let surprising = Look::new("surprise", 215.0, true, 0.7).unwrap();
    let looks = [season(
        2001,
        vec![
            at("A", vec![not_seen(270.0), seen(300.0), not_seen(310.0), not_seen(320.0)]),
            at("B", vec![surprising.clone()]),
            at("C", vec![not_seen(290.0), seen(310.0)]),
        ],
    )];
    let found = posterior(&prior(300.0, 20.0, 10.0, 10.0), &looks).contradictions();
    let told: Vec<_> = found.iter().map(|of| (of.place.as_str(), of.look.clone(), of.against.clone())).collect();
    let after = |heat: f64| ("A", not_seen(heat), Against::Sighting(seen(300.0)));
    assert_eq!(told, [after(310.0), after(320.0), ("B", surprising, Against::Others)]);
    // That they were missed has the chance that a look misses.
    close(found[0].chance, 0.3, 1e-9, "the first");
    close(found[1].chance, 0.3, 1e-9, "the second");
    assert!(found[2].chance < SURPRISE);

    // With one look only, its chance is what the prior says.
    let alone = posterior(&prior(300.0, 20.0, 10.0, 10.0), &one_place(vec![seen(240.0)])).contradictions();
    close(alone[0].chance, 0.0071529392, 1e-6, "a sighting 60 below, of an SD of 24.49: Φ(-2.4495)");
    let alone = posterior(&prior(300.0, 20.0, 10.0, 10.0), &one_place(vec![sure(not_seen(360.0))])).contradictions();
    close(alone[0].chance, 0.0071529392, 1e-6, "nothing seen 60 above");
}

#[test]
fn where_nothing_is_uncertain_a_look_that_cannot_be_is_named() {
    let told = posterior(&prior(300.0, 0.0, 0.0, 0.0), &one_place(vec![seen(200.0), not_seen(100.0), seen(310.0)]));
    assert_eq!((told.belief().mean(), told.of_place(2001, "A").sd()), (300.0, 0.0));
    let found = told.contradictions();
    assert_eq!((found.len(), found[0].look.heat(), found[0].chance), (1, 200.0, 0.0));
}

#[test]
fn a_pull_is_what_taking_the_report_away_undoes() {
    let prior = prior(300.0, 30.0, 15.0, 20.0);
    let late = |heat: f64| Look::new("late", heat, false, 0.7).unwrap();
    let with = [season(2001, vec![at("A", vec![seen(330.0), late(310.0), late(315.0)]), at("B", vec![late(300.0)])])];
    let without = posterior(&prior, &one_place(vec![seen(330.0)]));
    let told = posterior(&prior, &with);
    let pull = told.pull("late", 2001, "A");
    let median = |of: &Posterior| of.of_place(2001, "A").median();
    close(pull.belief_mean, told.belief().mean() - without.belief().mean(), 1e-12, "mean");
    close(pull.place_median, median(&told) - median(&without), 1e-12, "median");
    assert!(pull.belief_mean > 1.0 && pull.place_median > 1.0, "{pull:?}");
    assert_eq!(told.pull("no such report", 2001, "A"), Pull { belief_mean: 0.0, place_median: 0.0 });
}

#[test]
fn what_makes_no_sense_is_refused() {
    for (mean, sd) in [(0.0, 1.0), (-3.0, 1.0), (f64::NAN, 1.0), (f64::INFINITY, 1.0)] {
        assert!(matches!(StagePrior::new(mean, sd, sd, sd), Err(BeliefError::Mean { .. })));
    }
    for sd in [-1.0, f64::NAN, f64::INFINITY, 0.001, 1e5] {
        for [belief, places, years] in [[sd, 1.0, 1.0], [1.0, sd, 1.0], [1.0, 1.0, sd]] {
            assert!(matches!(StagePrior::new(300.0, belief, places, years), Err(BeliefError::Sd { .. })), "{sd}");
        }
    }
    for heat in [-0.1, f64::NAN, f64::INFINITY] {
        assert!(matches!(Look::new("7", heat, true, 0.5), Err(BeliefError::Heat { .. })));
    }
    for detection in [0.0, -0.1, 1.1, f64::NAN] {
        assert!(matches!(Look::new("7", 5.0, true, detection), Err(BeliefError::Detection { .. })));
    }
    for points in
        [vec![], vec![(1.0, 0.0)], vec![(1.0, -1.0), (2.0, 3.0)], vec![(f64::NAN, 1.0)], vec![(1.0, f64::NAN)]]
    {
        assert_eq!(Sums::of_points(&points), Err(BeliefError::Points));
    }
    assert_eq!(Sums::exactly(f64::NAN), None);
}

#[test]
fn sums_of_points_rise_in_straight_lines_between_them() {
    let sums = Sums::of_points(&[(30.0, 1.0), (10.0, 2.0), (20.0, 0.5), (20.0, 0.5)]).unwrap();
    assert_eq!(sums.mean(), 17.5);
    close(sums.sd(), 68.75f64.sqrt(), 1e-12, "SD");
    for (heat, share) in
        [(9.9, 0.0), (10.0, 0.25), (15.0, 0.4375), (20.0, 0.625), (25.0, 0.75), (30.0, 1.0), (31.0, 1.0)]
    {
        close(sums.share_below(heat), share, 1e-12, &format!("{heat}"));
    }
    for (share, heat) in [(-1.0, 10.0), (0.2, 10.0), (0.4375, 15.0), (0.75, 25.0), (0.9, 30.0), (2.0, 30.0)] {
        close(sums.quantile(share), heat, 1e-9, &format!("{share}"));
    }
    assert_eq!(sums.quantiles(2), [sums.quantile(0.25), sums.quantile(0.75)]);
    let certain = Sums::exactly(5.0).unwrap();
    assert_eq!((certain.quantile(0.1), certain.quantile(0.9), certain.mean(), certain.sd()), (5.0, 5.0, 5.0, 0.0));
    assert_eq!((certain.share_below(4.9), certain.share_below(5.0)), (0.0, 1.0));
}

fn any_prior() -> impl Strategy<Value = StagePrior> {
    let sd = |most: f64| prop_oneof![1 => Just(0.0), 5 => 2.0..most];
    (200.0..400.0, sd(60.0), sd(30.0), sd(30.0))
        .prop_map(|(mean, belief, places, years)| prior(mean, belief, places, years))
}

/// As it is with real heat: a sum of 0 is out of the question.
fn any_narrow_prior() -> impl Strategy<Value = StagePrior> {
    let sd = |most: f64| prop_oneof![1 => Just(0.0), 5 => 2.0..most];
    (200.0..400.0, sd(15.0), sd(10.0), sd(10.0))
        .prop_map(|(mean, belief, places, years)| prior(mean, belief, places, years))
}

fn any_look() -> impl Strategy<Value = Look> {
    let detection = prop_oneof![Just(1.0), Just(0.7), 0.1..1.0];
    (100.0..500.0, any::<bool>(), detection, 0..1000)
        .prop_map(|(heat, seen, detection, id)| Look::new(format!("{id}"), heat, seen, detection).unwrap())
}

fn any_seasons() -> impl Strategy<Value = Vec<SeasonLooks>> {
    let place = prop::collection::vec(any_look(), 0..4);
    let places = prop::collection::vec(place, 1..4);
    prop::collection::vec(places, 1..3).prop_map(|seasons| {
        let of =
            |places: Vec<Vec<Look>>| ["A", "B", "C"].into_iter().zip(places).map(|(place, looks)| at(place, looks));
        (2001..).zip(seasons).map(|(year, places)| season(year, of(places).collect())).collect()
    })
}

/// What is believed of all that can be asked.
fn everything(told: &Posterior) -> Vec<Sums> {
    let places = [(2001, "A"), (2001, "B"), (2002, "A"), (2002, "other"), (2009, "A")];
    [told.belief().clone()].into_iter().chain(places.map(|(year, place)| told.of_place(year, place))).collect()
}

/// At no sum is the share below greater in the second than in the first.
fn no_earlier(first: &Posterior, second: &Posterior) -> Result<(), TestCaseError> {
    for (first, second) in everything(first).iter().zip(everything(second)) {
        for share in [0.001, 0.01, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99, 0.999] {
            for heat in [first.quantile(share), second.quantile(share)] {
                let (before, after) = (first.share_below(heat), second.share_below(heat));
                prop_assert!(after <= before + 2e-5, "at {heat}: {before} below, then {after}");
            }
        }
        prop_assert!(second.mean() >= first.mean() - 1e-4, "mean {} then {}", first.mean(), second.mean());
    }
    Ok(())
}

fn with(seasons: &[SeasonLooks], look: Look) -> Vec<SeasonLooks> {
    let mut seasons = seasons.to_vec();
    seasons[0].places[0].looks.push(look);
    seasons
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn a_look_that_says_nothing_new_changes_nothing(prior in any_narrow_prior(), seasons in any_seasons()) {
        let before = posterior(&prior, &seasons);
        for look in [seen(1e5), sure(not_seen(0.0))] {
            let after = posterior(&prior, &with(&seasons, look));
            for (before, after) in everything(&before).iter().zip(everything(&after)) {
                for share in [0.05, 0.5, 0.95] {
                    prop_assert!((before.quantile(share) - after.quantile(share)).abs() < 1e-9 * before.mean().abs());
                }
                prop_assert!((before.mean() - after.mean()).abs() < 1e-9 * before.mean().abs());
            }
        }
    }

    #[test]
    fn a_sighting_at_less_heat_never_makes_anything_later(
        prior in any_prior(), seasons in any_seasons(), heat in 100.0..500.0_f64, less in 0.0..200.0_f64
    ) {
        let early = posterior(&prior, &with(&seasons, seen((heat - less).max(0.0))));
        let late = posterior(&prior, &with(&seasons, seen(heat)));
        no_earlier(&early, &late)?;
        no_earlier(&late, &posterior(&prior, &seasons))?;
    }

    #[test]
    fn a_look_that_saw_nothing_never_makes_anything_earlier(
        prior in any_prior(), seasons in any_seasons(), heat in 100.0..500.0
    ) {
        no_earlier(&posterior(&prior, &seasons), &posterior(&prior, &with(&seasons, not_seen(heat))))?;
    }

    #[test]
    fn order_does_not_matter_to_the_bit(prior in any_prior(), seasons in any_seasons()) {
        let mut turned = seasons.clone();
        turned.reverse();
        for season in &mut turned {
            season.places.reverse();
            // A place's looks may also come apart.
            let halves = season.places.iter_mut().map(|place| {
                place.looks.reverse();
                let rest = place.looks.split_off(place.looks.len() / 2);
                at(&place.place, rest)
            });
            let halves: Vec<PlaceLooks> = halves.collect();
            season.places.splice(0..0, halves);
        }
        let (told, again) = (posterior(&prior, &seasons), posterior(&prior, &turned));
        prop_assert_eq!(everything(&told), everything(&again));
        prop_assert_eq!(told.contradictions(), again.contradictions());
    }

    #[test]
    fn whatever_is_asked_gets_a_sound_answer(
        mean in 1.0..2000.0_f64,
        parts in prop::array::uniform3(prop_oneof![Just(0.0), 0.001..0.02, 0.02..1.0, 1.0..10.0]),
        looks in prop::collection::vec(
            (prop_oneof![0.0..3000.0, Just(0.0), Just(f64::MAX)], any::<bool>(), prop_oneof![1e-300..1.0, Just(1.0)]), 0..12),
    ) {
        let prior = StagePrior::new(mean, mean * parts[0], mean * parts[1], mean * parts[2]);
        // At the edges the product may round to just outside.
        let Ok(prior) = prior else { return Ok(()) };
        let places = looks.into_iter().enumerate().map(|(nth, (heat, seen, detection))| {
            at(["A", "B", "C"][nth % 3], vec![Look::new(format!("{nth}"), heat, seen, detection).unwrap()])
        });
        let told = posterior(&prior, &[season(2001, places.collect())]);
        for sums in everything(&told) {
            prop_assert!(sums.mean().is_finite() && sums.sd() >= 0.0 && sums.sd().is_finite(), "{:?}", prior);
            let quantiles = sums.quantiles(9);
            prop_assert!(quantiles.is_sorted() && quantiles.iter().all(|heat| heat.is_finite()));
        }
        prop_assert!(told.contradictions().iter().all(|found| (0.0..=1.0).contains(&found.chance)));
    }
}
