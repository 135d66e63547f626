//! `treebell account` as an administrator types it, and what the check of the settings says of the desk.

use std::path::Path;
use std::process::{Command, Output};

fn treebell(folder: &Path, args: &[&str]) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("treebell")).current_dir(folder).args(args).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn printed(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

const SETTINGS: &str = "[messages]\npublic_url = \"https://pinyon.example.org\"\n[web]\nlisten = \"127.0.0.1:8480\"\n\
                        [desk]\nenabled = true\nkeys = [{ file = \"desk-key\" }]\n";

fn house(settings: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("treebell.toml"), settings).unwrap();
    folder
}

#[test]
fn accounts_are_made_listed_changed_locked_reset_and_removed() {
    let house = house(SETTINGS);
    let done = |args: &[&str]| {
        let output = treebell(house.path(), args);
        assert!(output.status.success(), "{args:?}: {}", said(&output));
        output
    };
    done(&["key", "new", "--to", "desk-key"]);
    done(&["store", "init"]);
    assert!(said(&done(&["account", "list"])).contains("there is no account yet"));
    let added =
        done(&["account", "add", "Maria", "--role", "staff", "--county", "Vista, Demo", "--why", "new colleague"]);
    assert!(said(&added).contains("no region lies in county Vista, Demo"), "{}", said(&added));
    let link = printed(&added);
    let token =
        link.trim().strip_prefix("https://pinyon.example.org/desk/invitation/").unwrap_or_else(|| panic!("{link}"));
    assert!(token.len() == 64 && said(&added).contains("shown only now"), "{}", said(&added));
    let listed = printed(&done(&["account", "list"]));
    assert!(
        listed.contains("maria") && listed.contains("county Vista, Demo") && listed.contains("invited until"),
        "{listed}"
    );
    assert!(!listed.contains(token));
    // Before, times were told in UTC: `invited until 2026-12-03T23:11:01Z`.
    let is_local = |told: &str| ["MST", "MDT"].iter().any(|zone| told.contains(zone));
    assert!(is_local(&listed) && is_local(&said(&added)), "{listed}{}", said(&added));
    done(&["account", "change", "maria", "--role", "administrator"]);
    assert!(printed(&done(&["account", "list", "--json"])).contains("\"role\": \"administrator\""));
    assert!(said(&done(&["account", "lock", "maria"])).contains("is locked"));
    assert!(said(&done(&["account", "lock", "maria"])).contains("was already locked"));
    let reset = done(&["account", "reset", "maria"]);
    assert!(said(&reset).contains("account unlock maria") && !printed(&reset).contains(token), "{}", said(&reset));
    assert!(said(&done(&["account", "unlock", "maria"])).contains("is open again"));
    assert!(said(&done(&["account", "end-sessions", "maria"])).contains("0 sessions"));
    done(&["account", "remove", "maria"]);
    let audit = printed(&done(&["audit", "list", "--about", "account/maria"]));
    for act in ["added", "invited", "changed", "locked", "reset", "unlocked", "removed"] {
        assert!(audit.contains(&format!("account-{act}")), "{act}: {audit}");
    }
    assert!(audit.contains("new colleague") && !audit.contains(token), "{audit}");
    assert!(audit.contains("good until") && !audit.contains("UTC"), "{audit}");

    for (args, says) in [
        (["account", "add", "maria", "--role", "observer"].as_slice(), "choose another name"),
        (&["account", "add", "olga@example.org", "--role", "observer"], "not an e-mail address"),
        (&["account", "add", "olga", "--role", "staff"], "--region or --county"),
        (&["account", "add", "olga", "--role", "observer", "--region", "north"], "leave --region"),
        (&["account", "add", "olga", "--role", "staff", "--region", "nowhere"], "is unknown"),
        (&["account", "lock", "nobody"], "there is no account `nobody`"),
    ] {
        let output = treebell(house.path(), args);
        assert!(!output.status.success() && said(&output).contains(says), "{args:?}: {}", said(&output));
        assert!(!said(&output).contains("panicked"), "{args:?}");
    }
}

#[test]
fn a_desk_that_cannot_be_safe_is_refused_in_the_check_and_at_the_start() {
    for (settings, says) in [
        (
            SETTINGS.replace("127.0.0.1:8480", "0.0.0.0:8480"),
            "web.listen: 0.0.0.0:8480 can be reached from other machines",
        ),
        (SETTINGS.replace("https://", "http://"), "messages.public_url"),
        (SETTINGS.replace("public_url = \"https://pinyon.example.org\"\n", ""), "messages.public_url: is missing"),
        (SETTINGS.replace("listen = \"127.0.0.1:8480\"\n", ""), "web.listen: is not set"),
        (SETTINGS.replace("keys = [{ file = \"desk-key\" }]\n", ""), "desk.keys: is empty"),
        (SETTINGS.to_owned(), "desk.keys[0]: secret file `desk-key` cannot be read"),
        (format!("{SETTINGS}invitation_hours = 0\n"), "desk.invitation_hours: 0 must be at least 1"),
    ] {
        let house = house(&settings);
        let output = treebell(house.path(), &["run"]);
        assert_eq!(output.status.code(), Some(2), "{settings}");
        assert!(said(&output).contains(says), "{settings}: {}", said(&output));
    }
    let house = house(SETTINGS);
    std::fs::write(house.path().join("desk-key"), "geheim").unwrap();
    let output = treebell(house.path(), &["check-config"]);
    assert!(
        said(&output).contains("desk.keys[0]: 64 hexadecimal digits") && !said(&output).contains("geheim"),
        "{}",
        said(&output)
    );
    // What is only worth a thought.
    treebell(house.path(), &["key", "new", "--to", "desk-key-2"]);
    let settings = SETTINGS.replace("desk-key", "desk-key-2").replace("example.org", "example.org/scale");
    let settings = format!("{}allow_clear_text = true\n", settings);
    std::fs::write(house.path().join("treebell.toml"), &settings).unwrap();
    let output = treebell(house.path(), &["check-config"]);
    assert!(output.status.success(), "{}", said(&output));
    let all = said(&output) + &printed(&output);
    assert!(
        all.contains("holds the path `/scale`") && all.contains("everybody behind the proxy is one place"),
        "{all}"
    );
    std::fs::write(house.path().join("treebell.toml"), settings.replace("127.0.0.1", "0.0.0.0")).unwrap();
    let output = treebell(house.path(), &["check-config"]);
    assert!(output.status.success(), "by its own word: {}", said(&output));
    // One that is off wants nothing.
    let off = SETTINGS.replace("enabled = true", "enabled = false");
    std::fs::write(house.path().join("treebell.toml"), off).unwrap();
    assert!(treebell(house.path(), &["check-config"]).status.success());
}
