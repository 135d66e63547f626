//! The built program as a person types it: typos, missing things, exit codes, and what goes to which stream.

use std::path::Path;
use std::process::{Command, Output};

fn treebell(folder: &Path, args: &[&str]) -> Output {
    Command::new(assert_cmd::cargo::cargo_bin!("treebell")).current_dir(folder).args(args).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn settings(text: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("treebell.toml"), text).unwrap();
    folder
}

#[test]
fn a_mistyped_command_is_a_usage_error_that_names_the_near_one() {
    let folder = tempfile::tempdir().unwrap();
    let output = treebell(folder.path(), &["outlok"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("outlook"), "{}", said(&output));
}

#[test]
fn faulty_settings_stop_every_command_with_all_faults_and_leave_no_database_behind() {
    let folder = settings("[delivery]\nleese_s = 3\n[policy]\ninspect_chance = 80\n");
    for command in [["outlook"].as_slice(), &["run"], &["check-config"], &["replay", "--season", "2024"]] {
        let output = treebell(folder.path(), command);
        assert_eq!(output.status.code(), Some(2), "{command:?}");
        assert!(said(&output).contains("treebell.toml:2: delivery.leese_s: unknown key, did you mean `lease_s`?"));
    }
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, ["treebell.toml"]);
}

/// Before, settings that wanted a key kept `key new` from making it.
#[test]
fn a_key_is_made_whatever_the_settings_lack_and_is_never_written_over() {
    let folder = settings("[desk]\nenabled = true\n[alarms]\nqueue_min = \"x\"\n");
    let check = said(&treebell(folder.path(), &["check-config"]));
    assert!(check.contains("desk.keys: is empty") && check.contains("alarms.queue_min"), "{check}");
    let made = treebell(folder.path(), &["key", "new", "--to", "desk-key"]);
    assert_eq!(made.status.code(), Some(0), "{}", said(&made));
    assert!(said(&made).contains("desk.keys, in [desk]:       keys = [{ file = \"desk-key\" }]"), "{}", said(&made));
    let key = std::fs::read_to_string(folder.path().join("desk-key")).unwrap();
    let again = treebell(folder.path(), &["key", "new", "--to", "desk-key"]);
    assert_eq!(again.status.code(), Some(2), "{}", said(&again));
    assert_eq!(std::fs::read_to_string(folder.path().join("desk-key")).unwrap(), key);
}

/// Before, a sender that cannot be read was told by the settings and by the channel.
#[test]
fn a_fault_of_the_sender_is_told_once_with_what_to_write() {
    for text in ["[email]\nfrom = \"nobody\"\n", "[email]\nfrom = \"nobody\"\nhost = \"mail.example.org\"\n"] {
        let folder = settings(text);
        let told = said(&treebell(folder.path(), &["check-config"]));
        assert_eq!(told.matches("email.from").count(), 1, "{told}");
        assert!(
            told.contains("treebell.toml:2: email.from: `nobody` is not a sender: write `Name <local@example.org>`"),
            "{told}"
        );
    }
}

#[test]
fn a_missing_settings_file_that_was_named_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let output = treebell(folder.path(), &["--config", "nowhere.toml", "outlook"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("nowhere.toml: cannot be read"), "{}", said(&output));
}

#[test]
fn sound_settings_say_when_the_cycle_runs_and_print_no_secret() {
    let folder = settings(
        "[email]\nhost = \"mail.example.org\"\nuser = \"u\"\npassword = { env = \"TREEBELL_TEST_SECRET\" }\n\
         [messages]\npostal_address = \"1 Invented Way\"\nhelp_contact = \"505-555-0100\"\n[schedule]\ncycle = \"0 0 6 13 * Fri\"\n",
    );
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("treebell"));
    let output = command
        .current_dir(folder.path())
        .args(["check-config", "--print"])
        .env("TREEBELL_TEST_SECRET", "hunter2")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(said(&output).contains("it runs only on days that are both"), "{}", said(&output));
    assert!(said(&output).contains("the cycle next runs at"));
    assert!(!said(&output).contains("hunter2") && !String::from_utf8_lossy(&output.stdout).contains("hunter2"));
    let missing = treebell(folder.path(), &["check-config"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(said(&missing).contains("email.password: environment variable `TREEBELL_TEST_SECRET`"));
}

#[test]
fn with_nothing_set_up_the_commands_say_what_to_do_first() {
    let folder = tempfile::tempdir().unwrap();
    let wanted = "store.address: the store is not made yet";
    let checked = treebell(folder.path(), &["check-config"]);
    assert_eq!(checked.status.code(), Some(0), "{}", said(&checked));
    assert!(said(&checked).contains(wanted) && said(&checked).contains("`treebell store init`"), "{}", said(&checked));
    let outlook = treebell(folder.path(), &["outlook"]);
    assert_eq!(outlook.status.code(), Some(2));
    assert!(said(&outlook).contains("treebell store init"), "{}", said(&outlook));
    assert_eq!(treebell(folder.path(), &["store", "init"]).status.code(), Some(0));
    assert!(!said(&treebell(folder.path(), &["check-config"])).contains(wanted));
    let outlook = treebell(folder.path(), &["outlook"]);
    assert_eq!(outlook.status.code(), Some(0));
    assert!(said(&outlook).contains("treebell region add"), "{}", said(&outlook));
    let replay = treebell(folder.path(), &["replay", "--season", "2024"]);
    assert_eq!(replay.status.code(), Some(2));
    assert!(said(&replay).contains("treebell region add"), "{}", said(&replay));
}

#[test]
fn a_store_that_cannot_be_opened_is_told_with_its_place() {
    let folder = settings("[store]\naddress = \"sqlite:no/such/folder/treebell.sqlite\"\n");
    let output = treebell(folder.path(), &["outlook"]);
    assert_ne!(output.status.code(), Some(0));
    assert!(said(&output).contains("no/such/folder"), "{}", said(&output));
    // A file that is no database is left as it was.
    let folder = settings("[store]\naddress = \"sqlite:notes.txt\"\n");
    std::fs::write(folder.path().join("notes.txt"), "shopping list, long enough to be no database header at all\n")
        .unwrap();
    let output = treebell(folder.path(), &["outlook"]);
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    assert!(std::fs::read_to_string(folder.path().join("notes.txt")).unwrap().starts_with("shopping list"));
}

#[test]
fn secrets_that_open_the_webhooks_to_anybody_are_refused_in_the_check_and_at_the_start() {
    let folder = settings(
        "[web]\nlisten = \"127.0.0.1:0\"\n[hooks]\npath = { file = \"path\" }\nsecrets = [{ file = \"key\" }]\n",
    );
    assert_eq!(treebell(folder.path(), &["store", "init"]).status.code(), Some(0));
    let put = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    for (path, key, wanted) in [
        ("0123456789abcdef", "", "hooks.secrets[0]: is empty"),
        ("0123456789abcdef", "geheim", "hooks.secrets[0]: is 6 bytes long"),
        ("", "0123456789abcdef", "hooks.path: is empty"),
        ("a/0123456789abcdef", "0123456789abcdef", "hooks.path: has a '/' in it"),
    ] {
        put("path", path);
        put("key", key);
        for command in ["check-config", "run"] {
            let output = treebell(folder.path(), &[command]);
            assert_eq!(output.status.code(), Some(2), "{command}: {}", said(&output));
            assert!(said(&output).contains(wanted), "{command}: {}", said(&output));
        }
    }
    std::fs::remove_file(folder.path().join("path")).unwrap();
    for command in ["check-config", "run"] {
        assert!(said(&treebell(folder.path(), &[command])).contains("hooks.path: secret file `path` cannot be read"));
    }
}

#[cfg(unix)]
#[test]
fn a_secret_that_others_can_read_is_warned_of() {
    use std::os::unix::fs::PermissionsExt;
    let folder = settings(
        "[email]\nhost = \"mail.example.org\"\nuser = \"u\"\npassword = { file = \"word\" }\n\
         [messages]\npostal_address = \"1 Mesa Way\"\nhelp_contact = \"555-0100\"\n",
    );
    std::fs::write(folder.path().join("word"), "a word").unwrap();
    let check = |mode: u32| {
        std::fs::set_permissions(folder.path().join("word"), std::fs::Permissions::from_mode(mode)).unwrap();
        let output = treebell(folder.path(), &["check-config"]);
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        said(&output)
    };
    let told = check(0o644);
    assert!(told.contains("warning: email.password: `word` can be read") && told.contains("chmod o-rwx"), "{told}");
    assert!(!check(0o640).contains("can be read"));
}

#[test]
fn half_a_service_is_for_postgres_only() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(treebell(folder.path(), &["store", "init"]).status.code(), Some(0));
    let output = treebell(folder.path(), &["run", "--only", "deliver"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("PostgreSQL"), "{}", said(&output));
}

#[test]
fn the_demo_keeps_out_of_a_folder_that_is_not_its_own() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("thesis.txt"), "do not touch").unwrap();
    let output = treebell(folder.path(), &["demo", "--messages", ".", "--no-live"]);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("--messages"), "{}", said(&output));
    let output = treebell(folder.path(), &["demo", "--messages", "new", "--season", "1066"]);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("2000 to 2025"), "{}", said(&output));
    assert!(!folder.path().join("new").exists());
}

#[test]
fn a_key_that_cannot_sign_is_told_before_the_first_message_and_a_good_one_with_its_dns_record() {
    let folder =
        settings("[email.dkim]\ndomain = \"example.org\"\nselector = \"t2026\"\nkey = { file = \"key.pem\" }\n");
    std::fs::write(folder.path().join("key.pem"), "not a key").unwrap();
    let output = treebell(folder.path(), &["check-config"]);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("email.dkim.key: holds no private key in PEM form"), "{}", said(&output));

    let key = rcgen::KeyPair::generate_for(&rcgen::PKCS_ED25519).unwrap().serialize_pem();
    std::fs::write(folder.path().join("key.pem"), &key).unwrap();
    let output = treebell(folder.path(), &["check-config"]);
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    let told = said(&output);
    assert!(told.contains("t2026._domainkey.example.org  TXT  \"v=DKIM1; k=ed25519; p="), "{told}");
    assert!(!told.contains(key.lines().nth(1).unwrap()), "the private key is printed");
}
