//! The commands that look at profiles.

use assert_cmd::Command;
use predicates::prelude::*;

use super::midge::LANTERN_MIDGE;

fn treebell() -> (Command, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut command = Command::cargo_bin("treebell").expect("built");
    command.current_dir(folder.path()).arg("profile");
    (command, folder)
}

#[test]
fn a_shown_profile_names_its_numbers_their_origin_and_that_they_are_provisional() {
    let (mut command, _folder) = treebell();
    let shows = |text: &'static str| predicate::str::contains(text);
    command.arg("show").assert().success().stdout(
        shows("PROVISIONAL")
            .and(shows("214 °C·day (385 °F·day) after biofix"))
            .and(shows("lower threshold 4 °C (39.2 °F)"))
            .and(shows("Baskerville and Emin 1969")),
    );
}

#[test]
fn a_second_insect_is_a_second_file() {
    let (mut command, folder) = treebell();
    std::fs::create_dir(folder.path().join("insects")).expect("made");
    std::fs::write(folder.path().join("insects/midge.toml"), LANTERN_MIDGE).expect("written");
    std::fs::write(folder.path().join("treebell.toml"), "[profiles]\nfolder = \"insects\"\n").expect("written");
    command.args(["show", "lantern-midge"]).assert().success().stdout(
        predicate::str::contains("lantern midge (mosquito farol)")
            .and(predicate::str::contains("October 1 of the year before the season's name")),
    );
}

#[test]
fn a_printed_profile_passes_the_check_and_a_faulty_one_says_where_with_exit_code_4() {
    let (mut command, folder) = treebell();
    let printed = command.args(["show", "pinyon-needle-scale", "--toml"]).output().expect("ran").stdout;
    let printed = String::from_utf8(printed).expect("text");
    std::fs::write(folder.path().join("good.toml"), &printed).expect("written");
    let faulty = printed.replace("closes =", "closs =").replace("days = 14", "days = 0");
    std::fs::write(folder.path().join("bad.toml"), faulty).expect("written");
    let check = |files: &[&str]| {
        let mut command = Command::cargo_bin("treebell").expect("built");
        command.current_dir(folder.path()).args(["profile", "check"]).args(files).assert()
    };
    check(&["good.toml"]).success().stdout(predicate::str::contains("good.toml: sound: profile pinyon-needle-scale"));
    check(&["good.toml", "bad.toml"]).code(4).stderr(
        predicate::str::contains("bad.toml: stages[3].days: 0 is not what is wanted: a whole number from 1 to 366")
            .and(predicate::str::contains("good.toml").not()),
    );
    check(&["none.toml"]).code(2).stderr(predicate::str::contains("`none.toml` cannot be read"));
}

#[test]
fn an_unknown_profile_is_refused_with_those_that_are_known() {
    let (mut command, _folder) = treebell();
    let says = predicate::str::contains("no profile `scale`; known: pinyon-needle-scale");
    command.args(["show", "scale"]).assert().code(2).stderr(says);
}
