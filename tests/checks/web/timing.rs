//! What an answer costs and how long it takes must not tell whom the store knows.

use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::Request;
use futures::StreamExt;
use rand::SeedableRng;
use rand::seq::SliceRandom;
use treebell::people::Language;
use treebell::service::subscribe::preferences;
use treebell::service::subscribe::sign_up;
use treebell::service::subscribe::sign_up::SignUpRequest;

use super::support::World;
use crate::engines::on_each_engine;
use crate::people::{address, say_stop, subscribe, zip};
use crate::support;

/// The pages on which anybody may type anybody's address.
const PAGES: [&str; 3] = ["/sign-up", "/wish", "/preferences"];

async fn send(world: &World, page: &str, network: usize, email: &str, token: &str) -> u16 {
    let form = [("zip", "00101"), ("email", email), ("language", "en"), ("token", token)];
    let body = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
    let request = Request::post(page)
        .header("content-type", "application/x-www-form-urlencoded")
        .header("x-forwarded-for", format!("10.{}.{}.1", network / 250, network % 250))
        .body(Body::from(body));
    world.ask(request.unwrap()).await.status.as_u16()
}

fn behind_a_proxy(store: treebell::store::Store) -> World {
    World::on(store, |config| {
        config.web.trusted_proxies = vec!["127.0.0.1".parse().unwrap()];
        config.limits.asks_per_hour = u32::MAX;
    })
}

#[tokio::test]
async fn the_store_is_asked_as_often_for_those_it_knows_as_for_others() {
    on_each_engine("costs of an answer", |store| async move {
        let world = behind_a_proxy(store.clone()).with_regions().await;
        for (number, page) in PAGES.into_iter().enumerate() {
            let who = |kind: &str| format!("{kind}{number}@example.org");
            let token = world.token_of(page).await;
            for kind in ["confirmed", "stopped"] {
                world.subscribe(&who(kind)).await;
            }
            say_stop(&store, &address(&who("stopped")), "link", world.app.clock.now()).await;
            send(&world, page, 900 + number, &who("asked"), &token).await;
            let mut costs = Vec::new();
            for (at, kind) in ["unknown", "confirmed", "stopped", "asked"].into_iter().enumerate() {
                let before = store.lent();
                assert_eq!(send(&world, page, number * 10 + at, &who(kind), &token).await, 200, "{page} {kind}");
                let after = store.lent();
                costs.push((after.0 - before.0, after.1 - before.1));
            }
            assert!(costs[0].0 > 0 && costs.iter().all(|cost| *cost == costs[0]), "{page}: {costs:?}");
        }
    })
    .await;
}

/// The measurement behind it, with TREEBELL_TIMINGS=2000 for so many known and as many unknown addresses, in any order: the
/// time until the answer, and that of the work before it. Without the variable there is nothing to measure, since a time
/// taken on a busy machine says nothing.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn answers_take_as_long_for_those_we_know_as_for_others() {
    let samples = support::size("TREEBELL_TIMINGS", 0);
    if samples == 0 {
        return;
    }
    on_each_engine("times of an answer", |store| async move {
        let world = behind_a_proxy(store.clone()).with_regions().await;
        let mut chance = rand_chacha::ChaCha8Rng::seed_from_u64(20_260_401);
        let mut fresh = 0;
        let mut telling = Vec::new();
        for page in ["/sign-up", "/preferences"] {
            for with_answer in [true, false] {
                let mut people: Vec<(bool, String, usize)> = (0..2 * samples)
                    .map(|at| (at % 2 == 0, format!("person{:06}@example.org", fresh + at), at))
                    .collect();
                fresh += people.len();
                for (_, email, _) in people.iter().filter(|(known, _, _)| *known) {
                    subscribe(&store, &["00101"], &[email]).await;
                }
                people.shuffle(&mut chance);
                let token = world.token_of(page).await;
                // The counters of networks have an hour.
                world.clock.advance(chrono::Duration::hours(2));
                let token = if with_answer { world.token_of(page).await } else { token };
                let lanes = if with_answer { 4 } else { 1 };
                let timed = people.iter().map(|(known, email, network)| {
                    let (world, token) = (&world, &token);
                    async move {
                        let begun = Instant::now();
                        match (with_answer, page) {
                            (true, _) => assert_eq!(send(world, page, *network, email, token).await, 200),
                            (false, "/sign-up") => drop(sign_up::ask(&world.app, &wish(email)).await.unwrap()),
                            (false, _) => preferences::send_link(&world.app, &address(email)).await.unwrap(),
                        }
                        (*known, begun.elapsed())
                    }
                });
                let timed: Vec<(bool, Duration)> = futures::stream::iter(timed).buffer_unordered(lanes).collect().await;
                let of = |wanted: bool| -> Vec<f64> {
                    let own = timed.iter().filter(|(known, _)| *known == wanted);
                    own.map(|(_, time)| time.as_secs_f64() * 1000.0).collect()
                };
                let (known, unknown) = (of(true), of(false));
                let (p, gap) = (mann_whitney(&known, &unknown), median(&known) - median(&unknown));
                println!(
                    "{:?} {page}, {}: known {:.3} ms, unknown {:.3} ms, gap {gap:+.3} ms, p = {p:.3}, {samples} each",
                    store.engine(),
                    if with_answer { "to the answer" } else { "the work alone" },
                    median(&known),
                    median(&unknown),
                );
                if with_answer && (p <= 0.01 || gap.abs() > 1.0) {
                    telling.push(page);
                }
            }
        }
        assert!(telling.is_empty(), "the time of an answer tells whom we know: {telling:?}");
    })
    .await;
}

fn wish(email: &str) -> SignUpRequest {
    SignUpRequest {
        address: address(email),
        zips: vec![zip("00101")],
        heights: Vec::new(),
        language: Language::En,
        words: "Send me pinyon notices".into(),
        evidence: "sign-up page".into(),
        network: None,
    }
}

fn median(times: &[f64]) -> f64 {
    let mut sorted = times.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let half = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) { (sorted[half - 1] + sorted[half]) / 2.0 } else { sorted[half] }
}

/// Two-sided p by the normal approximation with its correction for ties (Mann and Whitney 1947).
fn mann_whitney(a: &[f64], b: &[f64]) -> f64 {
    let mut all: Vec<(f64, bool)> =
        a.iter().map(|time| (*time, true)).chain(b.iter().map(|time| (*time, false))).collect();
    all.sort_unstable_by(|x, y| x.0.total_cmp(&y.0));
    let (n, m, total) = (a.len() as f64, b.len() as f64, all.len() as f64);
    let (mut rank_sum, mut ties, mut before) = (0.0, 0.0, 0.0);
    for equal in all.chunk_by(|x, y| x.0 == y.0) {
        let count = equal.len() as f64;
        let mean_rank = before + (count + 1.0) / 2.0;
        rank_sum += mean_rank * equal.iter().filter(|(_, first)| *first).count() as f64;
        ties += count.powi(3) - count;
        before += count;
    }
    let u = rank_sum - n * (n + 1.0) / 2.0;
    let variance = n * m / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)));
    if variance == 0.0 {
        return 1.0;
    }
    let z = ((u - n * m / 2.0).abs() - 0.5).max(0.0) / variance.sqrt();
    erfc(z / std::f64::consts::SQRT_2)
}

/// For x ≥ 0, to 1.5e-7 (Abramowitz and Stegun, 7.1.26).
fn erfc(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let series = [0.254_829_592, -0.284_496_736, 1.421_413_741, -1.453_152_027, 1.061_405_429];
    let sum: f64 = series.iter().rev().fold(0.0, |sum, term| (sum + term) * t);
    sum * (-x * x).exp()
}

// The two values are those of scipy.stats.mannwhitneyu 1.17.1 with method="asymptotic".
#[test]
fn the_test_of_ranks_is_the_textbooks() {
    let a: Vec<f64> = (0..40).map(f64::from).collect();
    let b: Vec<f64> = (0..40).map(|n| f64::from(n) + 5.0).collect();
    assert!((mann_whitney(&a, &a) - 1.0).abs() < 1e-6);
    assert!((mann_whitney(&a, &b) - 0.071_895_773_4).abs() < 1e-6, "{}", mann_whitney(&a, &b));
    let tied = mann_whitney(&[1.0, 2.0, 2.0, 3.0, 9.0], &[2.0, 4.0, 5.0, 5.0, 7.0, 8.0]);
    assert!((tied - 0.229_963_800_7).abs() < 1e-6, "{tied}");
    assert!((median(&[3.0, 1.0, 2.0]), median(&[4.0, 1.0, 2.0, 3.0])) == (2.0, 2.5));
}
