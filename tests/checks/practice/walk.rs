//! Practice in a browser on a phone: axe-core and html-validate on every page, by keyboard, in both looks.
//! `tests/browser/desk_practice.mjs` does the walking.

use std::path::Path;
use std::process::Command;

use super::client::Program;
use crate::web::browser::browser;

#[test]
fn a_walk_through_practice_finds_nothing_wrong() {
    let Some((modules, chromium)) = browser("the walk through practice") else { return };
    let home = tempfile::tempdir().unwrap();
    let program = Program::start(home.path());
    let walk = Command::new("node")
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/desk_practice.mjs"))
        .env("BASE", format!("http://{}", program.address))
        .env("PASSWORD", &program.password)
        .env("SECRET", &program.secret)
        .env("MODULES", &modules)
        .env("CHROMIUM", &chromium)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&walk.stdout);
    let findings: Vec<&str> = said.lines().filter(|line| line.starts_with("FINDING")).collect();
    assert!(
        walk.status.success() && findings.is_empty(),
        "{}\n{}\n{}",
        findings.join("\n"),
        said.lines().last().unwrap_or(""),
        String::from_utf8_lossy(&walk.stderr)
    );
    assert!(said.lines().filter(|line| line.starts_with("looking at")).count() >= 7, "{said}");
}
