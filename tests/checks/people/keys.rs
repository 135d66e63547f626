//! Keys of hashes: whoever copies a store without them learns nobody's number and makes no link; whoever runs it keeps every
//! stop through every change of them.

use std::path::Path;

use assert_cmd::Command;
use sqlx::Row;
use treebell::people::{AddressHash, GivenKeys, Key, Language};
use treebell::randomness::Randomness;
use treebell::service::subscribe::tokens::{self, Purpose};
use treebell::store::{Conflict, Engine, ServerTrust, Store, StoreError};

use super::{address, at, say_stop, subscriber, two_regions};
use crate::engines::{at_each_address, every_row};
use crate::support::open_store;

fn key(seed: u64) -> Key {
    Key::draw(&Randomness::seeded(seed))
}

fn given(addresses: &[u64], links: &[u64]) -> GivenKeys {
    let keys = |seeds: &[u64]| seeds.iter().map(|seed| key(*seed)).collect();
    GivenKeys { addresses: keys(addresses), links: keys(links) }
}

async fn opened(store_address: &str, keys: &GivenKeys) -> Result<Store, StoreError> {
    Store::make(store_address, &ServerTrust::default(), Some(keys), &Randomness::of_system()).await
}

fn phone(number: usize) -> String {
    format!("+150555501{number:02}")
}

/// What somebody learns from a copy of a store: every cell of every table is tried as the key, over all numbers there are.
async fn numbers_found(store: &Store) -> usize {
    let rows = every_row(store).await;
    let stopped = rows["suppressions"].join("\n");
    let cells = rows.values().flatten().flat_map(|row| row.split(['=', ' ', '"', '(', ')', ',']));
    let mut keys: Vec<Vec<u8>> = cells.filter(|cell| cell.len() >= 16).map(|cell| cell.as_bytes().to_vec()).collect();
    keys.extend(keys.clone().iter().filter_map(|cell| hex::decode(cell).ok()));
    keys.sort_unstable();
    keys.dedup();
    assert!(keys.len() > 20, "there is something to try");
    (0..100)
        .filter(|number| {
            let number = address(&phone(*number));
            keys.iter().any(|key| stopped.contains(AddressHash::with_key(key).of(&number).as_str()))
        })
        .count()
}

async fn stop_some(store: &Store) {
    two_regions(store).await;
    for number in 0..20 {
        say_stop(store, &address(&phone(number)), "STOP", at("2026-03-01T12:00:00Z")).await;
    }
}

#[tokio::test]
async fn a_copy_of_a_store_gives_no_number_away_where_the_key_lies_apart() {
    at_each_address("a copied store", |store_address| async move {
        let keys = given(&[1], &[2]);
        let store = opened(&store_address, &keys).await.unwrap();
        assert!(!store.key_lies_inside());
        stop_some(&store).await;
        assert_eq!(numbers_found(&store).await, 0);
        let all = format!("{:?}", every_row(&store).await);
        for key in keys.addresses.iter().chain(&keys.links) {
            assert!(!all.contains(&key.expose()));
        }
        store.close().await;
    })
    .await;
}

/// A store of the time when the key lay inside gives all numbers away; moved out, none; and all that was made with it is good.
#[tokio::test]
async fn a_key_that_lies_inside_is_moved_out_and_nothing_is_lost() {
    at_each_address("a moved key", |store_address| async move {
        let store = open_store(&store_address).await.unwrap();
        assert!(store.key_lies_inside());
        stop_some(&store).await;
        assert_eq!(numbers_found(&store).await, 20, "the attack works where the key lies inside");
        let stopped = address(&phone(3));
        let id = store.address_hash().of(&stopped);
        let link = |purpose| tokens::make(store.address_hash(), purpose, id.as_str());
        let (stop, preferences) = (link(Purpose::Stop), link(Purpose::Preferences));
        let inside = store.inside_key().await.unwrap();

        let refused = opened(&store_address, &given(&[1], &[2])).await;
        assert!(matches!(&refused, Err(StoreError::Keys { what }) if what.contains("key move")), "{refused:?}");
        store.take_key_out(&inside).await.unwrap();
        assert!(matches!(store.take_key_out(&inside).await, Err(StoreError::Keys { .. })), "once only");
        assert_eq!(numbers_found(&store).await, 0);
        if store.engine() == Engine::Sqlite {
            let path = store_address.strip_prefix("sqlite:").unwrap();
            for side in ["", "-wal"] {
                let bytes = std::fs::read(format!("{path}{side}")).unwrap_or_default();
                assert!(!String::from_utf8_lossy(&bytes).contains(&inside.expose()), "{path}{side}");
            }
        }
        store.close().await;

        for wrong in [given(&[1], &[2]), GivenKeys { addresses: vec![], links: vec![key(2)] }] {
            assert!(matches!(opened(&store_address, &wrong).await, Err(StoreError::Keys { .. })));
        }
        let without = Store::open(&store_address, &ServerTrust::default(), None, &Randomness::of_system()).await;
        assert!(matches!(without, Err(StoreError::Keys { .. })), "no second key is made: {without:?}");

        let moved = GivenKeys { addresses: vec![inside.clone()], links: vec![key(2)] };
        let store = opened(&store_address, &moved).await.unwrap();
        assert_eq!(store.address_id(&stopped).await.unwrap(), id);
        let back = subscriber(&["00101"], &[&phone(3)], Language::En);
        let again = store.add_subscriber(&back, at("2026-04-01T12:00:00Z")).await;
        assert!(matches!(again, Err(StoreError::Conflict(Conflict::Suppressed { .. }))));
        let opens = |purpose, token: &str| tokens::open(store.address_hash(), purpose, token).is_some();
        assert!(opens(Purpose::Stop, &stop), "stop links never end");
        assert!(!opens(Purpose::Preferences, &preferences), "the old key lets nobody in");
        let minted = tokens::make(
            &AddressHash::with_key(&hex::decode(inside.expose()).unwrap()),
            Purpose::Preferences,
            id.as_str(),
        );
        assert!(!opens(Purpose::Preferences, &minted));
        let fresh = tokens::make(store.address_hash(), Purpose::Preferences, id.as_str());
        assert!(opens(Purpose::Preferences, &fresh));
        store.close().await;
    })
    .await;
}

/// A key is changed: who was erased under the old one is known still, and the old one may not be left out.
#[tokio::test]
async fn keys_change_and_every_stop_holds() {
    at_each_address("changed keys", |store_address| async move {
        let now = at("2026-04-01T12:00:00Z");
        let store = opened(&store_address, &given(&[1], &[11])).await.unwrap();
        two_regions(&store).await;
        let (stays, goes, phone_goes) = ("stays@example.org", "goes@example.org", "+15055550155");
        store.add_subscriber(&subscriber(&["00101"], &[stays, goes, phone_goes], Language::En), now).await.unwrap();
        let ids = [stays, goes, phone_goes].map(|who| store.address_hash().of(&address(who)));
        store.remove_subscriber(&address(goes), "asked by letter", now).await.unwrap();
        store.add_subscriber(&subscriber(&["00101"], &[stays], Language::En), now).await.unwrap_err();
        let old_stop = tokens::make(store.address_hash(), Purpose::Stop, ids[0].as_str());
        let old_preferences = tokens::make(store.address_hash(), Purpose::Preferences, ids[0].as_str());
        store.close().await;

        for (lost, what) in
            [(given(&[2], &[12, 11]), "stop would not be known"), (given(&[2, 1], &[12]), "would not work")]
        {
            let refused = opened(&store_address, &lost).await;
            assert!(matches!(&refused, Err(StoreError::Keys { what: told }) if told.contains(what)), "{refused:?}");
        }
        let store = opened(&store_address, &given(&[2, 1], &[12, 11])).await.unwrap();
        for (who, id) in [(stays, &ids[0]), (goes, &ids[1]), (phone_goes, &ids[2])] {
            assert_eq!(store.address_id(&address(who)).await.unwrap(), *id, "{who}");
            let back = store.add_subscriber(&subscriber(&["00101"], &[who], Language::En), now).await;
            assert!(matches!(back, Err(StoreError::Conflict(Conflict::Suppressed { .. }))), "{who}: {back:?}");
        }
        let mut tx = store.begin().await.unwrap();
        assert_eq!(tx.sender_id("505-555-0155").await.unwrap().as_ref(), Some(&ids[2]), "a text from the phone");
        drop(tx);
        let opens = |purpose, token: &str| tokens::open(store.address_hash(), purpose, token).is_some();
        assert!(opens(Purpose::Stop, &old_stop));
        assert!(!opens(Purpose::Preferences, &old_preferences));

        // Who comes now is known by the new key, and rows tell so.
        let comes = address("comes@example.org");
        store.add_subscriber(&subscriber(&["00101"], &["comes@example.org"], Language::En), now).await.unwrap();
        let id = store.address_id(&comes).await.unwrap();
        assert!(id.as_str().starts_with("k2-"), "{id}");
        let stop = tokens::make(store.address_hash(), Purpose::Stop, id.as_str());
        assert_eq!(tokens::open(store.address_hash(), Purpose::Stop, &stop), Some(id.as_str()));
        store.remove_subscriber(&comes, "asked by letter", now).await.unwrap();
        let row = sqlx::query("SELECT COUNT(*) AS n FROM suppressions WHERE address_key = $1")
            .bind(id.as_str())
            .fetch_one(&mut *store.read().await.unwrap())
            .await
            .unwrap();
        assert_eq!(row.get::<i64, _>("n"), 1);
        let numbers: Vec<(String, u32)> =
            store.known_keys().await.unwrap().into_iter().map(|key| (key.purpose, key.number)).collect();
        let wanted = [("address", 1), ("address", 2), ("link", 1), ("link", 2)];
        assert_eq!(numbers, wanted.map(|(purpose, number)| (purpose.to_owned(), number)));
        store.close().await;
    })
    .await;
}

fn treebell(folder: &Path, words: &[&str]) -> (i32, String, String) {
    let mut command = Command::cargo_bin("treebell").unwrap();
    let output = command.current_dir(folder).env("CREDENTIALS_DIRECTORY", folder).args(words).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
}

#[tokio::test(flavor = "multi_thread")]
async fn the_commands_make_and_move_keys_and_the_start_warns_until_then() {
    at_each_address("keys by commands", |store_address| async move {
        let folder = tempfile::tempdir().unwrap();
        let settings = |keys: &str| {
            let text = format!(
                "[store]\naddress = \"{store_address}\"\n[feeds]\ncontact = \"test@example.org\"\n[log]\nlevel = \"warn\"\n{keys}"
            );
            std::fs::write(folder.path().join("treebell.toml"), text).unwrap();
        };
        let ok = |words: &[&str]| {
            let (code, out, err) = treebell(folder.path(), words);
            assert_eq!(code, 0, "{words:?}\n{out}\n{err}");
            out + &err
        };
        settings("");
        let store = open_store(&store_address).await.unwrap();
        say_stop(&store, &address("+15055550101"), "STOP", at("2026-03-01T12:00:00Z")).await;
        store.close().await;
        let warning = "lies in the store beside them";
        assert!(ok(&["once"]).contains(warning));
        assert!(ok(&["check-config"]).contains(warning));

        ok(&["key", "move", "--to", "address-key", "--why", "issue of the key"]);
        let text = std::fs::read_to_string(folder.path().join("address-key")).unwrap();
        let inside = Key::parse(&text).unwrap();
        #[cfg(unix)]
        {
            let of = std::fs::metadata(folder.path().join("address-key")).unwrap().permissions();
            assert_eq!(std::os::unix::fs::PermissionsExt::mode(&of) & 0o777, 0o600);
        }
        let (code, _, err) = treebell(folder.path(), &["key", "move", "--to", "again"]);
        assert_eq!(code, 2, "{err}");
        let (code, _, err) = treebell(folder.path(), &["once"]);
        assert!(code == 2 && err.contains("keys.addresses") && err.contains(&inside.fingerprint()), "{code} {err}");

        let made = ok(&["key", "new", "--to", "link-key"]);
        assert!(["keys.addresses", "keys.links", "desk.keys"].iter().all(|setting| made.contains(setting)), "{made}");
        let (code, _, err) = treebell(folder.path(), &["key", "new", "--to", "link-key"]);
        assert!(code == 2 && err.contains("is there already"), "{err}");
        settings("[keys]\naddresses = [{ credential = \"address-key\" }]\nlinks = [{ file = \"link-key\" }]\n");
        assert!(!ok(&["once"]).contains(warning));
        assert!(!ok(&["check-config"]).contains(warning));
        let listed = ok(&["key", "list"]);
        assert!(listed.contains(&inside.fingerprint()) && listed.contains("lay in the store once"), "{listed}");
        // Before, only `check-config` and a start warned of it.
        #[cfg(unix)]
        {
            let open = |mode: u32| {
                let rights = <std::fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(mode);
                std::fs::set_permissions(folder.path().join("link-key"), rights).unwrap();
            };
            let listed = || treebell(folder.path(), &["key", "list"]).1;
            assert!(!listed().contains("chmod"), "{}", listed());
            open(0o644);
            assert_eq!(listed().matches("chmod").count(), 1, "{}", listed());
            let (_, json, _) = treebell(folder.path(), &["key", "list", "--json"]);
            let json: serde_json::Value = serde_json::from_str(&json).unwrap();
            let open_files: Vec<_> = json.as_array().unwrap().iter().map(|key| &key["file_open_to_others"]).collect();
            assert!(open_files[0].is_null() && open_files[1].as_str().unwrap().ends_with("link-key"), "{json}");
            open(0o600);
        }
        let told = ok(&["audit", "list", "--act", "key-moved"]);
        assert!(told.contains("issue of the key"), "{told}");

        let of_desk = |key: &str| {
            format!(
                "[keys]\naddresses = [{{ file = \"address-key\" }}]\nlinks = [{{ file = \"link-key\" }}]\n\
                 [messages]\npublic_url = \"https://pinyon.example.org\"\n[web]\nlisten = \"127.0.0.1:8480\"\n\
                 [desk]\nenabled = true\nkeys = [{{ file = \"{key}\" }}]\n"
            )
        };
        for (keys, wanted) in [
            ("[keys]\naddresses = [{ credential = \"address-key\" }]\n", "belong together"),
            (
                "[keys]\naddresses = [{ file = \"address-key\" }]\nlinks = [{ file = \"address-key\" }]\n",
                "is a key of addresses as well",
            ),
            ("[keys]\naddresses = [{ credential = \"../address-key\" }]\nlinks = [{ file = \"link-key\" }]\n", "without its folder"),
            ("[keys]\naddresses = [{ file = \"gone\" }]\nlinks = [{ file = \"link-key\" }]\n", "keys.addresses[0]"),
            (&of_desk("address-key"), "the desk wants one of its own"),
            (&of_desk("link-key"), "the desk wants one of its own"),
            ("[keys]\naddresses = [{ file = \"treebell.toml\" }]\nlinks = [{ file = \"link-key\" }]\n", "64 hexadecimal digits"),
        ] {
            settings(keys);
            for words in [["check-config"].as_slice(), &["once"]] {
                let (code, _, err) = treebell(folder.path(), words);
                assert!(code == 2 && err.contains(wanted), "{words:?} {keys}: {code} {err}");
                assert!(!err.contains(text.trim()), "no key is printed");
            }
        }
    })
    .await;
}

/// A move that was cut off between the file and the store is done again.
#[tokio::test(flavor = "multi_thread")]
async fn a_move_that_was_cut_off_goes_on_and_no_other_file_is_written_over() {
    at_each_address("a key move that was cut off", |store_address| async move {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("treebell.toml"), format!("[store]\naddress = \"{store_address}\"\n"))
            .unwrap();
        let store = open_store(&store_address).await.unwrap();
        let inside = store.inside_key().await.unwrap();
        store.close().await;
        std::fs::write(folder.path().join("other"), key(5).expose()).unwrap();
        let (code, _, err) = treebell(folder.path(), &["key", "move", "--to", "other"]);
        assert!(code == 2 && err.contains("is there already"), "{err}");
        let (code, _, err) = treebell(folder.path(), &["key", "move", "--to", "no-such-folder/key"]);
        assert_eq!(code, 2, "{err}");
        std::fs::write(folder.path().join("key"), inside.expose()).unwrap();
        let (code, _, err) = treebell(folder.path(), &["key", "move", "--to", "key"]);
        assert_eq!(code, 0, "{err}");
        let moved = GivenKeys { addresses: vec![inside], links: vec![key(2)] };
        opened(&store_address, &moved).await.unwrap().close().await;
    })
    .await;
}
