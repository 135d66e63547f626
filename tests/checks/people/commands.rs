//! The commands that keep stations, regions, subscribers and field reports, as they are typed.

use std::path::Path;

use assert_cmd::Command;
use tempfile::TempDir;

/// A folder with station ALT-VIE and region dos-vientos (00201, 00202) in its store.
fn house() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let says = |line: &str| ok(folder.path(), line);
    says("store init");
    says(
        "station add ALT-VIE --name Vientos --lat 32.76 --lon -134.9 --elevation-ft 5130 --zone America/Denver --source plain-csv:vie.csv",
    );
    says(
        "region add dos-vientos --name DosVientos --zip 00201,00202 --lat 32.75 --lon -134.95 --elevation-m 1565 --station ALT-VIE --release at-once --yes",
    );
    folder
}

fn run(folder: &Path, line: &str) -> (i32, String, String) {
    // Words with blanks are written with `~` in place of them.
    let words = line.split_whitespace().map(|word| word.replace('~', " "));
    let output = Command::cargo_bin("treebell").unwrap().current_dir(folder).args(words).output().unwrap();
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

/// Runs a line that must succeed; gives what it printed, data before talk.
fn ok(folder: &Path, line: &str) -> String {
    let (code, out, err) = run(folder, line);
    assert_eq!(code, 0, "{line}\n{out}\n{err}");
    out + &err
}

/// Runs a line that must be refused as the user's mistake, and say so.
fn refused(folder: &Path, line: &str, wanted: &str) {
    let (code, out, err) = run(folder, line);
    assert_eq!(code, 2, "{line}\n{out}\n{err}");
    assert!(err.contains(wanted), "{line}: wanted `{wanted}` in\n{err}");
    assert_eq!(out, "", "{line}: data goes out only when all is well");
}

#[test]
fn mistakes_are_named_with_their_mend() {
    let house = house();
    let at_a = "--lat 32.7 --lon -134.9 --elevation-m 1500";
    let add = "field-report add --region dos-vientos";
    for (line, wanted) in [
        (
            format!("region add east --name East --zip 00202,00300 {at_a} --station ALT-VIE"),
            "ZIP code 00202 by region `dos-vientos`",
        ),
        (
            format!("region add east --name East --zip 00300 {at_a} --station ALT-VEI"),
            "station `ALT-VEI` is unknown, did you mean `ALT-VIE`?",
        ),
        (format!("region add East --name East --zip 00300 {at_a} --station ALT-VIE"), "lower case letters"),
        (
            format!("region add dos-vientos --name D --zip 00300 {at_a} --station ALT-VIE"),
            "`dos-vientos` is already there",
        ),
        (format!("region add east --name East --zip 300 {at_a} --station ALT-VIE"), "`300` is not a ZIP code"),
        (
            format!("region add east --name East --zip 00300 {at_a} --station ALT-VIE --release later"),
            "`later` is no way of release",
        ),
        (
            format!("region add east --name East --zip 00300 {at_a} --station ALT-VIE --profile pinyon-needle-scales"),
            "did you mean `pinyon-needle-scale`?",
        ),
        (
            format!("region add east --name East --zip 00300 {at_a} --station ALT-VIE --zone Amercia/Denver"),
            "did you mean `America/Denver`?",
        ),
        (
            "region add east --name East --zip 00300 --lat 32.7 --lon -134.9 --station ALT-VIE".into(),
            "--elevation-m or --elevation-ft",
        ),
        (
            "region add east --name East --zip 00300 --lat 10 --lon 20 --elevation-m 1500".into(),
            "it is the sea, or another country",
        ),
        ("region show dos-vientso".into(), "did you mean `dos-vientos`?"),
        ("region change dos-vientos --drop-zip 00399".into(), "does not have it"),
        ("region change dos-vientos --drop-zip 00201,00202".into(), "at least one ZIP code"),
        ("region retire nowhere".into(), "region `nowhere` is unknown"),
        ("region import missing.toml".into(), "`missing.toml` cannot be read"),
        ("station retire ALT-VIE".into(), "region dos-vientos"),
        ("station add logger --name L --lat 1 --lon 2 --elevation-m 3".into(), "no GHCN id"),
        ("station add logger --name L --lat 91 --lon 2 --elevation-m 3 --source plain-csv:x".into(), "latitude 91"),
        (
            "station add logger --name L --lat 1 --lon 2 --elevation-m 3 --source plaincsv:x".into(),
            "did you mean `plain-csv`?",
        ),
        ("station import list.txt".into(), "--state"),
        ("station near 32.75".into(), "LATITUDE,LONGITUDE"),
        ("subscriber add --zip 00201 --email owner --consent form".into(), "--email: an e-mail address is wanted"),
        ("subscriber add --zip 00201 --phone 555-0100 --consent form".into(), "ten digits"),
        ("subscriber add --zip 00201 --phone +447700900123 --consent form".into(), "United States and Canada"),
        (
            "subscriber add --zip 00201 --email a@example.org --consent from~a@example.org".into(),
            "--consent: it holds an e-mail address",
        ),
        ("subscriber add --zip 00201 --consent form".into(), "--email"),
        (
            "subscriber add --zip 00201 --email a@example.org --consent form --language fr".into(),
            "`fr` is not en or es",
        ),
        ("subscriber erase nobody@example.org".into(), "no subscriber has the address n***@example.org"),
        ("subscriber stop nobody@example.org".into(), "no subscriber has the address n***@example.org"),
        (
            "subscriber stop nobody@example.org --evidence by~a@example.org".into(),
            "--evidence: it holds an e-mail address",
        ),
        ("subscriber list --region dos".into(), "region `dos` is unknown"),
        ("field-report add --region dos-vientos --date 2026-02-30 --stage none".into(), "2026-02-30"),
        ("field-report add --region dos-vientos --date 2999-01-01 --stage none".into(), "yet to come"),
        ("field-report add --region dos-vientos --date 2026-04-18 --stage eggs-hatched".into(), "did you mean"),
        (format!("{add} --date 2026-04-18 --saw egs"), "did you mean `eggs`? (known: nothing (nothing new), old-lint"),
        (format!("{add} --date 2026-04-18"), "--saw"),
        (format!("{add} --date 2026-04-18 --saw eggs --stage none"), "cannot be used with"),
        (format!("{add} --date 0000-01-01 --saw eggs"), "a year from 1900 on"),
        (format!("{add} --date 9999-12-31 --saw eggs"), "yet to come"),
        (format!("{add} --date 2026-04-18 --saw eggs --nothing-on 2026-04-18"), "a day before 2026-04-18"),
        (format!("{add} --date 2026-04-18 --saw nothing --nothing-on 2026-04-10"), "belongs to a stage that was seen"),
        (format!("{add} --date 2026-04-18 --saw eggs --infested no"), "only on a tree that has the insect"),
        (format!("{add} --date 2026-04-18 --saw eggs --tree {}", "x".repeat(61)), "1 to 60 plain characters"),
        (format!("{add} --date 2026-04-18 --saw eggs --tree a\u{202E}b"), "1 to 60 plain characters"),
        (format!("{add} --date 2026-04-18 --saw eggs --by a\u{7}b"), "1 to 60 plain characters"),
        ("field-report confirm f-1".into(), "no field report `f-1`"),
        ("field-report set-aside f-1".into(), "--why"),
        ("field-report set-aside f-1 --why lint".into(), "no field report `f-1`"),
        ("field-report change f-1".into(), "--date"),
        ("field-report change f-1 --date 2026-04-18".into(), "no field report `f-1`"),
        ("region change dos-vientos --owner-reports now".into(), "`now` does not say when owners' reports count"),
    ] {
        refused(house.path(), &line, wanted);
    }
    let regions = ok(house.path(), "region list --json");
    assert_eq!(regions.matches("\"id\"").count(), 1, "no mistake left anything behind: {regions}");
    assert_eq!(ok(house.path(), "subscriber list --json").trim(), "[]");
}

#[test]
fn a_store_that_cannot_be_used_has_its_own_exit_code() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(
        folder.path().join("treebell.sqlite"),
        "not a database at all, but long enough to look like one".repeat(20),
    )
    .unwrap();
    let (code, _, err) = run(folder.path(), "region list");
    assert_eq!(code, 3, "{err}");
    std::fs::write(folder.path().join("treebell.toml"), "[store]\naddress = \"sqlite:missing/treebell.sqlite\"\n")
        .unwrap();
    refused(folder.path(), "region list", "create it");
}

#[test]
fn a_region_lives_from_add_to_retire() {
    let house = house();
    let path = house.path();
    let shown = ok(path, "region show dos-vientos");
    for word in [
        "DosVientos",
        "1565 m (5135 ft)",
        "America/Denver",
        "00201 00202",
        "ALT-VIE Vientos, 5 km away, 1 m lower",
        "at-once",
    ] {
        assert!(shown.contains(word), "{word}: {shown}");
    }
    // A station without a record is not taken unasked.
    let east = "region add east --name East --zip 00301 --lat 32.8 --lon -134.9 --elevation-m 1700";
    refused(path, east, "nothing of its record is in the store");
    let said = ok(path, &format!("{east} --station ALT-VIE --yes"));
    assert!(said.contains("ALT-VIE (Vientos)") && said.contains("given: 4 km away, 136 m lower"), "{said}");
    ok(path, "region change east --add-zip 00302 --release unless-held:12");
    assert!(ok(path, "region change east --release unless-held:12").contains("nothing to change"));
    let json: serde_json::Value = serde_json::from_str(&run(path, "region show east --json").1).unwrap();
    assert_eq!(json["zips"], serde_json::json!(["00301", "00302"]));
    assert_eq!(json["release"], serde_json::json!({"when": "unless-held", "hours": 12}));

    ok(path, "region retire east");
    assert!(!ok(path, "region list").contains("East"));
    assert!(ok(path, "region list --all").contains("East (retired)"));
    ok(path, "region change dos-vientos --add-zip 00301");
}

#[test]
fn regions_are_imported_whole_or_not_at_all() {
    let house = house();
    let file = |text: &str| std::fs::write(house.path().join("regions.toml"), text).unwrap();
    let entry = |id: &str, zip: &str| {
        format!(
            "[[region]]\nid = \"{id}\"\nname = \"{id}\"\nzips = [\"{zip}\"]\nlatitude = 32.7\nlongitude = -134.9\nelevation_m = 1500\nstations = [\"ALT-VIE\"]\n"
        )
    };
    file(&(entry("east", "00301") + &entry("west", "00201")));
    refused(house.path(), "region import regions.toml", "00201 by region `dos-vientos`");
    file(&(entry("east", "00301") + &entry("dos-vientos", "00302")));
    assert!(ok(house.path(), "region import regions.toml --yes").contains("1 added, 1 changed, 0 unchanged"));
    assert!(ok(house.path(), "region import regions.toml").contains("0 added, 0 changed, 2 unchanged"));
}

#[test]
fn stations_come_from_the_published_list() {
    let folder = tempfile::tempdir().unwrap();
    ok(folder.path(), "store init");
    // The layout of GHCN-Daily's ghcnd-stations.txt; the stations are invented.
    std::fs::write(
        folder.path().join("list.txt"),
        "USC00999001  35.6123 -135.0456 2103.1 XA EXAMPLE MESA 2 NW                  HCN\n\
         USC00999002  36.9000 -135.1000 1800.0 XA EXAMPLE WELLS\n\
         USC00999003  36.9500 -135.1000 -999.9 XA EXAMPLE NOWHERE\n\
         USC00999004  37.1000 -135.1000 2300.0 XB EXAMPLE GAP\n",
    )
    .unwrap();
    let said = ok(folder.path(), "station import list.txt --state xa");
    assert!(said.contains("1 station left out") && said.contains("2 stations added"), "{said}");
    let said = ok(folder.path(), "station import list.txt --near 37,-135.1 --within-km 20");
    assert!(said.contains("1 station added") && said.contains("1 there before"), "{said}");
    let near = run(folder.path(), "station near 37,-135.1 --elevation-m 2250 --json").1;
    let near: serde_json::Value = serde_json::from_str(&near).unwrap();
    let order: Vec<&str> = near.as_array().unwrap().iter().map(|one| one["station"]["id"].as_str().unwrap()).collect();
    assert_eq!(order, ["USC00999004", "USC00999002", "USC00999001"]);
    ok(folder.path(), "station change USC00999001 --observation-hour 7");
    assert!(ok(folder.path(), "station list").contains("7:00"));
    ok(folder.path(), "station retire USC00999001");
    assert!(!ok(folder.path(), "station list").contains("USC00999001"));
}

#[test]
fn a_list_of_people_is_taken_whole_or_the_good_lines_of_it() {
    let house = house();
    let path = house.path();
    let text = "zip,email,phone,language,consent\n\
                00201,a@example.org,,en,form 1\n\
                123,b@example.org,,en,form 2\n\
                00202,,505 555 0102,es,form 3\n\
                00202,c@example,,,\n";
    std::fs::write(path.join("people.csv"), text).unwrap();
    for wanted in ["line 3: zip: `123`", "line 5: email:", "line 5: consent:", "nothing was taken"] {
        refused(path, "subscriber import people.csv", wanted);
    }
    assert_eq!(ok(path, "subscriber list --json").trim(), "[]");
    let said = ok(path, "subscriber import people.csv --skip-bad");
    assert!(
        said.contains("line 3: zip") && said.contains("2 added, 0 known and extended, 0 unchanged, 2 bad"),
        "{said}"
    );
    let said = ok(path, "subscriber import people.csv --skip-bad");
    assert!(said.contains("0 added, 0 known and extended, 2 unchanged"), "{said}");
    // Who was known and what was new of them is found in the file again.
    std::fs::write(path.join("more.csv"), text.replace("00202,,505", "00201,,505")).unwrap();
    let said = ok(path, "subscriber import more.csv --skip-bad");
    assert!(said.contains("0 added, 1 known and extended (line 4), 1 unchanged"), "{said}");

    let masked = ok(path, "subscriber list --region dos-vientos");
    assert!(masked.contains("a***@example.org") && masked.contains("+***02"), "{masked}");
    assert!(!masked.contains("a@example.org") && !masked.contains("5550102"), "{masked}");
    assert!(ok(path, "subscriber list --show").contains("+15055550102"));
}

#[test]
fn a_person_lives_from_consent_to_erasure() {
    let house = house();
    let path = house.path();
    let add = "subscriber add --zip 00201 --zip 00399 --email a@example.org --language es --consent signed~form,~fair";
    let said = ok(path, add);
    assert!(said.contains("is added") && said.contains("no region has ZIP code 00399 yet"), "{said}");
    assert!(!said.contains("a@example.org"), "{said}");
    assert!(ok(path, add).contains("nothing is new"));
    let export: serde_json::Value = serde_json::from_str(&run(path, "subscriber export a@example.org").1).unwrap();
    assert_eq!(export["addresses"][0]["consents"][0]["evidence"], "signed form, fair");

    let stopped = ok(path, "subscriber stop A@example.org --only --evidence called~the~desk");
    assert!(stopped.contains("1 address is stopped; 0 messages called off"), "{stopped}");
    assert!(ok(path, "subscriber list --json").contains("\"stopped\""), "they stay on the list");
    assert!(ok(path, "audit list").contains("subscriber-stopped"));
    assert!(
        ok(path, "subscriber stop a@example.org").contains("0 addresses are stopped"),
        "a second time nothing is new"
    );

    let said = ok(path, "subscriber erase A@example.org --evidence called~the~desk");
    assert!(said.contains("1 address;") && said.contains("0 messages"), "{said}");
    refused(path, add, "--after-stop");
    refused(path, "subscriber export a@example.org", "no subscriber has");
    ok(path, &format!("{add} --after-stop"));
}

#[test]
fn a_field_report_is_entered_listed_and_judged() {
    let house = house();
    let path = house.path();
    let line = "field-report add --region dos-vientos --date 2026-04-18 --saw eggs --tree gate~tree --by RG \
                --nothing-on 2026-04-12 --note first~masses";
    let (code, id, err) = run(path, line);
    assert_eq!(code, 0, "{err}");
    assert!(err.contains("it counts once it is confirmed"), "{err}");
    assert_eq!(run(path, line).1, id, "entered again, it is the same report");
    let id = id.trim();
    let zero = run(path, "field-report add --region dos-vientos --date 2026-04-10 --saw nothing --confirmed");
    assert!(zero.2.contains("--infested yes"), "{}", zero.2);
    let clean =
        run(path, "field-report add --region dos-vientos --date 2026-04-11 --saw nothing --infested no --confirmed");
    assert!(clean.2.contains("it moves no date") && !clean.2.contains("counts"), "{}", clean.2);
    let zero = zero.1.trim().to_owned();
    let (_, old, _) = run(path, "field-report add --region dos-vientos --date 2026-05-12 --stage eggs-hatch");
    let old = old.trim();
    assert_eq!(
        run(path, "field-report list --year 2026 --csv").1,
        "station,year,stage,not_seen,seen\n",
        "not confirmed"
    );
    ok(path, &format!("field-report confirm {id} {old} --by RG"));
    let list = ok(path, "field-report list --year 2026");
    assert!(list.lines().all(|line| line.chars().count() <= 100), "{list}");
    for word in ["2026-04-18", "April 12", "fresh", "gate", "nothing new", "eggs-hatch", "confirmed", id, &zero] {
        assert!(list.contains(word), "{word}: {list}");
    }
    // Of an empty look nobody said that the tree has the insect: the look before the sighting is the last that counts.
    let csv = |not_seen: &str| {
        format!(
            "station,year,stage,not_seen,seen\nALT-VIE,2026,egg-laying-begins,{not_seen},2026-04-18\n\
             ALT-VIE,2026,eggs-hatch,,2026-05-12\n"
        )
    };
    assert_eq!(run(path, "field-report list --year 2026 --csv").1, csv("2026-04-12"));
    ok(path, &format!("field-report change {zero} --date 2026-04-14 --infested yes --by RG"));
    assert_eq!(run(path, "field-report list --year 2026 --csv").1, csv("2026-04-14"));
    let json: serde_json::Value = serde_json::from_str(&run(path, "field-report list --year 2026 --json").1).unwrap();
    let of = |id: &str| json.as_array().unwrap().iter().find(|one| one["id"] == id).unwrap().clone();
    let eggs = of(id);
    for (key, wanted) in [
        ("sight", "eggs"),
        ("stage", "egg-laying-begins"),
        ("tree", "gate tree"),
        ("person", "RG"),
        ("nothing_on", "2026-04-12"),
        ("standing", "confirmed"),
        ("standing_by", "RG"),
        ("source", "staff"),
        ("note", "first masses"),
    ] {
        assert_eq!(eggs[key], wanted, "{key}: {eggs}");
    }
    assert_eq!((&eggs["infested"], &eggs["day_known"]), (&true.into(), &true.into()));
    let mended = of(&zero);
    assert_eq!((&mended["not_yet"], &mended["infested"]), (&"egg-laying-begins".into(), &true.into()));
    assert_eq!(mended["standing_why"], "looked on 2026-04-14, tree has the insect");
    let noted = "field-report add --region dos-vientos --date 2026-04-18 --saw eggs --note call~505-555-0100";
    refused(path, noted, "--note: it holds a telephone number");
    refused(path, &format!("field-report set-aside {id} --why ask~a@example.org"), "--why: it holds an e-mail address");
    refused(path, &format!("field-report change {id} --infested no"), "only on a tree that has the insect");
    refused(path, &format!("field-report change {id} --date 2026-04-11"), "a day before 2026-04-11");
    ok(path, &format!("field-report set-aside {id} {zero} --why another~insect"));
    let list = ok(path, "field-report list --year 2026");
    assert_eq!(list.matches("set aside").count(), 2, "{list}");
    assert_eq!(
        run(path, "field-report list --year 2026 --csv").1,
        "station,year,stage,not_seen,seen\nALT-VIE,2026,eggs-hatch,,2026-05-12\n"
    );
    ok(path, &format!("field-report refuse {id} --why seen~wrong"));
}

#[test]
fn owners_reports_count_at_once_only_where_staff_said_so() {
    let house = house();
    let path = house.path();
    let json = || run(path, "region show dos-vientos --json").1;
    assert!(json().contains("\"owner_reports\": \"when-confirmed\""), "{}", json());
    ok(path, "region change dos-vientos --owner-reports at-once");
    assert!(json().contains("\"owner_reports\": \"at-once\""), "{}", json());
    ok(path, "region change dos-vientos --name Vientos");
    assert!(json().contains("\"owner_reports\": \"at-once\""), "another change leaves it: {}", json());
}

#[test]
fn a_zip_code_over_two_heights_is_kept_by_command() {
    let house = house();
    let path = house.path();
    ok(path, "region change dos-vientos --band-ft ..6500 --landmark Red~Rock --county Mesa --state XA");
    let add = "region add alta --name Alta --zip 00201 --lat 32.75 --lon -134.95 --station ALT-VIE --release at-once";
    refused(path, &format!("{add} --elevation-ft 7000"), "00201 by region `dos-vientos` (below 6,500 ft)");
    refused(path, &format!("{add} --elevation-ft 6000 --band-ft 6500.."), "6,000 ft lies outside its heights");
    refused(path, &format!("{add} --elevation-ft 7000 --band-ft 6500"), "`6500` is no band of heights");
    ok(path, &format!("{add} --elevation-ft 7000 --band-ft 6500.. --landmark High~Mesa --yes"));
    let said = ok(path, "region list");
    assert!(said.contains("below 6,500 ft") && said.contains("6,500 ft and above"), "{said}");
    let json: serde_json::Value = serde_json::from_str(&run(path, "region show dos-vientos --json").1).unwrap();
    assert_eq!(
        (&json["county"], &json["state"], &json["landmarks"][0]),
        (&"Mesa".into(), &"XA".into(), &"Red Rock".into())
    );
    assert_eq!(json["band"], serde_json::json!({"from_m": null, "to_m": 1981.2}));

    let subscribe = "subscriber add --zip 00201 --consent form";
    let said = ok(path, &format!("{subscribe} --email open@example.org"));
    assert!(
        said.contains("ZIP code 00201 has a region for trees below 6,500 ft (Red Rock), one for trees 6,500 ft"),
        "{said}"
    );
    refused(path, &format!("{subscribe} --email high@example.org --height-ft tall"), "`tall` is no height of trees");
    let said = ok(path, &format!("{subscribe} --email high@example.org --height-ft 7,100"));
    assert!(!said.contains("note:"), "{said}");
    std::fs::write(
        path.join("people.csv"),
        "zip,email,consent,height_ft\n00201,paper@example.org,form,8000\n00201,blank@example.org,form,\n",
    )
    .unwrap();
    ok(path, "subscriber import people.csv");
    let said = ok(path, "region list");
    assert!(said.contains("2 (2 have not said") && said.contains("their height)"), "{said}");
    let said = run(path, "subscriber list --height-unknown").1;
    assert_eq!(said.matches("00201 (dos-vientos, height not said)").count(), 2, "{said}");
    assert!(!said.contains("(alta"), "{said}");
    refused(path, "subscriber height open@example.org --zip 00202 --height-ft 7000", "theirs: 00201");
    refused(path, "subscriber height open@example.org --zip 00201", "--height-ft or --height-m");
    refused(path, "subscriber height nobody@example.org --zip 00201 --height-ft 7000", "no subscriber has the address");
    let said = ok(path, "subscriber height open@example.org --zip 00201 --height-m 2200");
    assert!(said.contains("told of region `alta` (6,500 ft and above)"), "{said}");
    ok(path, "region change alta --band-ft 6500..8500");
    refused(
        path,
        "subscriber height open@example.org --zip 00201 --height-ft 9000",
        "it has below 6,500 ft, 6,500 to 8,500 ft",
    );
    let said = ok(path, "audit list");
    assert!(said.contains("subscriber-changed"), "{said}");
    let people: serde_json::Value = serde_json::from_str(&run(path, "subscriber list --region alta --json").1).unwrap();
    assert_eq!(people.as_array().unwrap().len(), 3);
    ok(path, "region change dos-vientos --drop-zip 00201");
    ok(path, "region change alta --band-ft all");
    let json: serde_json::Value = serde_json::from_str(&run(path, "region show alta --json").1).unwrap();
    assert_eq!(json["band"], serde_json::Value::Null);
}
