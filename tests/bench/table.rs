//! What was measured, printed and written. Groups of rows may be measured in runs of their own: each is kept below `target/`, and
//! the file is put together from the newest of all of them.

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Alternative and figures of it.
type Other = Option<(String, Vec<f64>)>;

pub struct Table {
    /// Where groups are kept.
    folder: PathBuf,
    /// In the order in which they are shown.
    groups: &'static [&'static str],
    lines: Vec<String>,
    missing: Vec<String>,
}

impl Table {
    pub fn new(folder: &Path, groups: &'static [&'static str]) -> Self {
        let folder = folder.join("rows");
        std::fs::create_dir_all(&folder).unwrap();
        Self { folder, groups, lines: Vec::new(), missing: Vec::new() }
    }

    /// `other`: the alternative by name, measured in the same run. The ratio is ours to it.
    pub fn row(
        &mut self,
        work: impl Into<String>,
        unit: &'static str,
        ours: Vec<f64>,
        other: Option<(&str, Vec<f64>)>,
        reach: &str,
    ) {
        let other: Other = other.map(|(name, figures)| (name.to_owned(), figures));
        let line = line(&work.into(), unit, &ours, &other, reach);
        println!("{line}");
        self.lines.push(line);
    }

    /// A row, or a row's alternative, that could not be measured here.
    pub fn missing(&mut self, work: &str, why: &str) {
        println!("not measured: {work}: {why}");
        self.missing.push(format!("- {work}: {why}"));
    }

    /// Ends a group: keeps it in place of what was measured of it before.
    pub fn end(&mut self, group: &str, sizes: &str) {
        let mut text = format!("## {group}\n\n{}; {sizes}.\n\n", machine());
        if !self.lines.is_empty() {
            text.push_str("| work | ours | alternative | ratio of medians | to be reached |\n");
            text.push_str("| --- | --- | --- | --- | --- |\n");
            text.push_str(&self.lines.join("\n"));
            text.push('\n');
        }
        if !self.missing.is_empty() {
            writeln!(text, "\nNot measured here:\n\n{}", self.missing.join("\n")).unwrap();
        }
        std::fs::write(self.folder.join(format!("{group}.md")), text).unwrap();
        self.lines.clear();
        self.missing.clear();
        self.write();
    }

    /// Writes the newest of every group.
    fn write(&self) {
        let mut text = String::from(
            "# Speed\n\nAs printed by `cargo bench --bench speed`: minimum / median / maximum, or one figure where a row takes long. \
             SQLite with `synchronous = FULL` in every row of ours and of its alternatives; PostgreSQL with `synchronous_commit = on` and `autovacuum = on` \
             (but for the notes of answers, see `store/answers.rs`). What is said behind `load` is the load average of the machine when \
             the group ended: above two, it was busy with other work. How cost grows with size: [growth.svg](growth.svg).\n",
        );
        for group in self.groups {
            match std::fs::read_to_string(self.folder.join(format!("{group}.md"))) {
                Ok(group) => write!(text, "\n{group}").unwrap(),
                Err(_) => write!(text, "\n## {group}\n\nNot measured yet.\n").unwrap(),
            }
        }
        write!(text, "\n{}", include_str!("missed.md")).unwrap();
        let to = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/evidence/speed.md");
        std::fs::write(&to, text).unwrap();
    }
}

fn line(work: &str, unit: &str, ours: &[f64], other: &Other, reach: &str) -> String {
    let shown = |figures: &[f64]| {
        let (least, middle, most) = spread(figures);
        match figures.len() {
            1 => format!("{} {unit} (once)", round(middle)),
            _ => format!("{} / {} / {} {unit}", round(least), round(middle), round(most)),
        }
    };
    let (other, ratio) = match other {
        Some((name, figures)) => {
            let ratio = spread(ours).1 / spread(figures).1;
            (format!("{name}: {}", shown(figures)), format!("{ratio:.2}"))
        }
        None => ("-".to_owned(), "-".to_owned()),
    };
    format!("| {work} | {} | {other} | {ratio} | {reach} |", shown(ours))
}

/// Minimum, median, maximum.
fn spread(figures: &[f64]) -> (f64, f64, f64) {
    let mut sorted = figures.to_vec();
    sorted.sort_by(f64::total_cmp);
    (sorted[0], sorted[sorted.len() / 2], sorted[sorted.len() - 1])
}

/// The figure that so many of a hundred do not pass.
pub fn within(percent: usize, figures: &[f64]) -> f64 {
    let mut sorted = figures.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[(sorted.len() * percent / 100).min(sorted.len() - 1)]
}

fn round(figure: f64) -> String {
    if figure >= 100.0 { format!("{figure:.0}") } else { format!("{figure:.2}") }
}

fn machine() -> String {
    let cpu = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let cpu = cpu.lines().find_map(|line| line.strip_prefix("model name")).unwrap_or(": unknown");
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let said = |command: &mut Command| {
        command.output().map(|out| String::from_utf8_lossy(&out.stdout).trim().to_owned()).unwrap_or_default()
    };
    format!(
        "{}, {cores} cores of {}, {}, load {}",
        said(Command::new("date").args(["-u", "+%Y-%m-%d"])),
        cpu.trim_start_matches([' ', '\t', ':']).trim(),
        said(Command::new("rustc").arg("--version")),
        load.split_whitespace().take(3).collect::<Vec<_>>().join(" ")
    )
}
