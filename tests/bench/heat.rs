//! Degree-days of many days beside numpy.

use std::path::{Path, PathBuf};
use std::process::Command;

use treebell::heat::{Cutoff, HeatRule, Method};
use treebell::randomness::Randomness;

use crate::Place;
use crate::table::Table;

const LOWER: f64 = 4.0;
const UPPER: f64 = 30.0;

/// One processor, CPU time on both sides.
pub fn heat(place: &Place, table: &mut Table) {
    // At the bench's full size, 10 million.
    let (days, times) = (place.sizes.people * 10, place.sizes.times);
    let rule = HeatRule::new(Method::SingleSine, LOWER, Some(UPPER), Cutoff::Horizontal).unwrap();
    let random = Randomness::seeded(14);
    let min_c: Vec<f64> = (0..days).map(|_| random.between(-10.0, 15.0)).collect();
    let max_c: Vec<f64> = min_c.iter().map(|min_c| min_c + random.between(5.0, 20.0)).collect();
    let mut heat = vec![0.0; days];
    let ours: Vec<f64> = (0..times)
        .map(|_| {
            let before = own_cpu();
            rule.degree_days_of(&min_c, &max_c, &mut heat);
            days as f64 / (own_cpu() - before) / 1e6
        })
        .collect();
    let work = format!("single-sine degree-days, {days} days");
    let Some(python) = python() else {
        table.row(work, "M/s", ours, None, "8 times numpy");
        return;
    };
    let (low, high) = (written(&place.folder, "min", &min_c), written(&place.folder, "max", &max_c));
    let mut command = Command::new(python);
    command.arg(script("heat.py")).args([low, high]).args([LOWER.to_string(), UPPER.to_string(), times.to_string()]);
    let done = command.output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let text = String::from_utf8(done.stdout).unwrap();
    let mut figures: Vec<f64> = text.lines().map(|line| line.parse().unwrap()).collect();
    let (theirs, sum) = (figures.pop().unwrap(), heat.iter().sum::<f64>());
    assert!((theirs - sum).abs() <= 1e-9 * sum, "numpy has {theirs}, we {sum}");
    let numpy = figures.iter().map(|seconds| days as f64 / seconds / 1e6).collect();
    table.row(work, "M/s", ours, Some(("numpy", numpy)), "8 times numpy");
}

/// CPU time of this thread, s: the first field of `schedstat`, in nanoseconds (the kernel's scheduler/sched-stats.rst).
pub fn own_cpu() -> f64 {
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    stat.split(' ').next().unwrap().parse::<f64>().unwrap() / 1e9
}

/// A Python with numpy, if one is named.
pub fn python() -> Option<PathBuf> {
    std::env::var_os("TREEBELL_PYTHON").map(PathBuf::from)
}

/// A program that we wrote to be measured beside ours.
pub fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench").join(name)
}

fn written(folder: &Path, name: &str, values: &[f64]) -> PathBuf {
    let file = folder.join(format!("heat-{name}.f64"));
    let bytes: Vec<u8> = values.iter().flat_map(|value| value.to_le_bytes()).collect();
    std::fs::write(&file, bytes).unwrap();
    file
}
