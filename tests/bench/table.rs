//! What was measured, printed and written.

use std::fmt::Write;
use std::path::PathBuf;
use std::process::Command;

/// Rows that the command knows of and does not measure, with the reason.
const NOT_MEASURED: [(&str, &str); 9] = [
    ("single-sine degree-days", "not in this command yet"),
    ("outlook of 300 regions; the same again; one new day", "not in this command yet"),
    ("3,000 regions on 1,000 stations", "not in this command yet"),
    ("replay of all seasons; replay of 33,000 regions", "not in this command yet"),
    ("verify of 14 stations", "not in this command yet"),
    ("pages beside nginx", "nginx is no part of the machine that measured"),
    ("drain of 100,000 e-mails beside Postfix", "not in this command yet"),
    ("drain of 100,000 texts beside wrk and Kannel", "not in this command yet"),
    ("both on PostgreSQL beside pgbench", "not in this command yet"),
];

#[derive(Default)]
pub struct Table {
    rows: Vec<Row>,
}

struct Row {
    work: String,
    unit: &'static str,
    ours: Vec<f64>,
    other: Option<(String, Vec<f64>)>,
    reach: String,
}

impl Table {
    /// `other`: the alternative by name, measured in the same run.
    pub fn row(
        &mut self,
        work: impl Into<String>,
        unit: &'static str,
        ours: Vec<f64>,
        other: Option<(&str, Vec<f64>)>,
        reach: &str,
    ) {
        let row = Row {
            work: work.into(),
            unit,
            ours,
            other: other.map(|(name, figures)| (name.to_owned(), figures)),
            reach: reach.to_owned(),
        };
        println!("{}", row.line());
        self.rows.push(row);
    }

    pub fn write(&self, only: &[String]) {
        let mut text = String::from(
            "# Speed\n\nAs printed by `cargo bench --bench speed`, minimum / median / maximum. SQLite with `synchronous = FULL` on both sides.\n\n",
        );
        writeln!(text, "{}\n", machine()).unwrap();
        if !only.is_empty() {
            writeln!(text, "Only these rows were run: {}.\n", only.join(", ")).unwrap();
        }
        text.push_str(
            "| work | ours | alternative | ratio of medians | to be reached |\n| --- | --- | --- | --- | --- |\n",
        );
        for row in &self.rows {
            writeln!(text, "{}", row.line()).unwrap();
        }
        text.push_str("\nNot measured:\n\n");
        for (work, why) in NOT_MEASURED {
            writeln!(text, "- {work}: {why}").unwrap();
        }
        let to = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/evidence/speed.md");
        std::fs::write(&to, text).unwrap();
        println!("written to {}", to.display());
    }
}

impl Row {
    fn line(&self) -> String {
        let shown = |figures: &[f64]| {
            let (least, middle, most) = spread(figures);
            match figures.len() {
                1 => format!("{} {} (once)", round(middle), self.unit),
                _ => format!("{} / {} / {} {}", round(least), round(middle), round(most), self.unit),
            }
        };
        let (other, ratio) = match &self.other {
            Some((name, figures)) => {
                let ratio = spread(&self.ours).1 / spread(figures).1;
                (format!("{name}: {}", shown(figures)), format!("{ratio:.2}"))
            }
            None => ("-".to_owned(), "-".to_owned()),
        };
        format!("| {} | {} | {other} | {ratio} | {} |", self.work, shown(&self.ours), self.reach)
    }
}

/// Minimum, median, maximum.
fn spread(figures: &[f64]) -> (f64, f64, f64) {
    let mut sorted = figures.to_vec();
    sorted.sort_by(f64::total_cmp);
    (sorted[0], sorted[sorted.len() / 2], sorted[sorted.len() - 1])
}

fn round(figure: f64) -> String {
    if figure >= 100.0 { format!("{figure:.0}") } else { format!("{figure:.2}") }
}

fn machine() -> String {
    let cpu = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let cpu = cpu.lines().find_map(|line| line.strip_prefix("model name")).unwrap_or(": unknown");
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let rustc =
        Command::new("rustc").arg("--version").output().map(|out| String::from_utf8_lossy(&out.stdout).into_owned());
    let day = Command::new("date").arg("-u").arg("+%Y-%m-%d").output();
    let day = day.map(|out| String::from_utf8_lossy(&out.stdout).into_owned()).unwrap_or_default();
    format!(
        "{}, {cores} cores of {}, {}; load before the end of the run {}.",
        day.trim(),
        cpu.trim_start_matches([' ', '\t', ':']).trim(),
        rustc.unwrap_or_default().trim(),
        load.split_whitespace().take(3).collect::<Vec<_>>().join(" ")
    )
}
