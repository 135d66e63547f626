//! Where the outside material is, and how a check says loudly that it could not run.
#![allow(dead_code, reason = "each area uses its own part")]

use std::path::PathBuf;

/// The folder of shared reference material and real records beside the project, when present.
pub fn shared(relative: &str) -> Option<PathBuf> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared").join(relative);
    path.exists().then_some(path)
}

/// Says that a check was skipped. With `TREEBELL_REQUIRE_ALL=1`, as `.ci/run` sets it, a skip is a failure.
pub fn skipped(what: &str, needs: &str) {
    let line = format!("SKIPPED {what}: needs {needs}");
    assert!(std::env::var_os("TREEBELL_REQUIRE_ALL").is_none(), "{line}");
    // Written past the test harness's capture, so that it is seen in a passing run too.
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{line}");
}
