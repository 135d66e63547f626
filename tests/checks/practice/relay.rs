//! A practice that is open, in a place whose settings lead outside.

use std::sync::atomic::Ordering;

use super::Outside;
use super::client::Program;
use super::kept::{one_that_waits, send};

/// That a service with these settings calls the relay stands in
/// `run_and_once_refuse_a_practice_store_and_real_channels_are_never_used_with_it`.
#[test]
fn an_open_practice_writes_into_its_folder_alone_whatever_relay_the_settings_around_it_name() {
    let outside = Outside::open();
    let home = tempfile::tempdir().unwrap();
    // Those of the place where it is begun, and those that an earlier demo left and somebody changed.
    std::fs::write(home.path().join("treebell.toml"), outside.settings()).unwrap();
    std::fs::create_dir(home.path().join("practice")).unwrap();
    let left = "# Made by `treebell demo`: an invented state, to try the other commands on.\n";
    std::fs::write(home.path().join("practice/treebell.toml"), format!("{left}{}", outside.settings())).unwrap();
    let program = Program::start(home.path());
    let mut browser = program.signed_in();
    let notice = one_that_waits(&mut browser);
    send(&mut browser, &notice);
    browser.step("quarter");
    program.stop();

    let files = std::fs::read_dir(home.path().join("practice/messages")).unwrap();
    let mails = files.filter(|file| file.as_ref().unwrap().path().extension().is_some_and(|of| of == "eml")).count();
    assert!(mails > 0, "messages went by e-mail");
    assert_eq!(outside.calls.load(Ordering::SeqCst), 0, "nothing went outside");
}
