//! A digest of the sources that word and draw what is kept: who changes a word of a chart need not think of the kept ones.

use std::sync::LazyLock;

use sha2::{Digest, Sha256};

macro_rules! sources {
    ($($path:literal),+ $(,)?) => {
        [$(($path, include_str!(concat!("../../", $path)))),+]
    };
}

/// All of `chart/` and `season/phrases/` but what draws other charts and tests, and who joins them to a region.
const SOURCES: [(&str, &str); 13] = sources![
    "chart/figures.rs",
    "chart/mod.rs",
    "chart/palette.rs",
    "chart/season/legend.rs",
    "chart/season/mod.rs",
    "chart/season/names.rs",
    "chart/season/plot.rs",
    "chart/season/window.rs",
    "chart/svg.rs",
    "chart/words.rs",
    "season/phrases/mod.rs",
    "season/phrases/range.rs",
    "service/season_chart.rs",
];

static DIGEST: LazyLock<String> = LazyLock::new(|| {
    let mut digest = Sha256::new();
    for (_, text) in SOURCES {
        digest.update(text.len().to_be_bytes());
        digest.update(text);
    }
    hex::encode(digest.finalize())
});

pub(super) fn digest() -> &'static str {
    &DIGEST
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// Neither is part of what is kept.
    const OTHERS: [&str; 6] = [
        "chart/belief.rs",
        "chart/error_profile.rs",
        "chart/png.rs",
        "chart/ribbon.rs",
        "chart/wash.rs",
        "season/phrases/tests.rs",
    ];

    #[test]
    fn every_source_of_charts_and_phrases_counts() {
        let src = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut found = BTreeSet::from(["service/season_chart.rs".to_owned()]);
        for folder in ["chart", "chart/season", "season/phrases"] {
            for entry in std::fs::read_dir(src.join(folder)).unwrap() {
                let name = entry.unwrap().file_name().into_string().unwrap();
                if name.ends_with(".rs") && !OTHERS.contains(&format!("{folder}/{name}").as_str()) {
                    found.insert(format!("{folder}/{name}"));
                }
            }
        }
        assert_eq!(SOURCES.iter().map(|(path, _)| (*path).to_owned()).collect::<BTreeSet<_>>(), found);
    }
}
