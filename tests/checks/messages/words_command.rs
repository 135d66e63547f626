//! `treebell message set`, `history`, `restore` and `list` as somebody types them.

use std::path::Path;
use std::process::{Command, Output};

fn treebell(folder: &Path, args: &[&str]) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("treebell")).current_dir(folder).args(args).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout)
}

#[test]
fn words_are_set_if_they_keep_the_rules_and_read_where_messages_are_made() {
    let house = tempfile::tempdir().unwrap();
    let done = |args: &[&str]| {
        let output = treebell(house.path(), args);
        assert!(output.status.success(), "{args:?}: {}", said(&output));
        said(&output)
    };
    let shipped =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/messages/en/wash-now.sms.txt"))
            .unwrap();
    std::fs::write(house.path().join("good.txt"), shipped.replace("Scale in", "Eggs in")).unwrap();
    std::fs::write(house.path().join("bad.txt"), shipped.replace("{{ wash_by }}", "soon")).unwrap();
    // Without a store there are the shipped words.
    assert!(done(&["message", "preview", "wash-now", "--channel", "sms", "--language", "en"]).contains("Scale in"));
    done(&["store", "init"]);
    let bad =
        treebell(house.path(), &["message", "set", "wash-now.sms", "--en", "bad.txt", "--why", "shorter", "--yes"]);
    assert_eq!(bad.status.code(), Some(4), "{}", said(&bad));
    assert!(said(&bad).contains("in English: does not say the last day to wash"), "{}", said(&bad));
    let set = ["message", "set", "wash-now.sms", "--en", "good.txt", "--why", "clearer", "--by", "M. Reyes"];
    assert!(done(&[&set[..], &["--dry-run"]].concat()).contains("[-Scale -]{+Eggs +}"));
    assert!(done(&["message", "history", "wash-now.sms"]).contains("was never changed"));
    assert!(done(&[&set[..], &["--yes"]].concat()).contains("version 1 of `wash-now.sms` is kept"));
    assert!(done(&["message", "preview", "wash-now", "--channel", "sms", "--language", "en"]).contains("Eggs in"));
    let history = done(&["message", "history", "wash-now.sms"]);
    // Before, in UTC: `2026-12-03T23:11:01Z`.
    assert!(["MST", "MDT"].iter().any(|zone| history.contains(zone)), "{history}");
    assert!(history.contains("M. Reyes") && history.contains("clearer") && history.contains("English"), "{history}");
    assert!(done(&["message", "history", "wash-now.sms", "--show", "1"]).contains("{+Eggs +}"));
    assert!(done(&["message", "list", "--json"]).contains("\"en\": \"ours\""));
    assert!(done(&["message", "check"]).contains("no faults"));
    done(&["message", "restore", "wash-now.sms", "--why", "it was fine"]);
    assert!(done(&["message", "preview", "wash-now", "--channel", "sms", "--language", "en"]).contains("Scale in"));
    done(&["message", "restore", "wash-now.sms", "--to", "1", "--why", "no, it was not"]);
    assert!(done(&["message", "preview", "wash-now", "--channel", "sms", "--language", "en"]).contains("Eggs in"));
    let audit = done(&["audit", "list", "--about", "wording/wash-now.sms"]);
    assert_eq!(audit.matches("wording-changed").count(), 3, "{audit}");
    let none = treebell(house.path(), &["message", "history", "wash-now.smz"]);
    assert!(said(&none).contains("did you mean `wash-now.sms`?"), "{}", said(&none));
}
