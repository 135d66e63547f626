//! What has had its time goes, and nothing before it: of each table that grows a canary just over its time and one just
//! under it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::TimeDelta;
use sqlx::AssertSqlSafe;
use treebell::clock::{Clock, ManualClock};
use treebell::people::retention::RetentionConfig;
use treebell::service::retention::keep_times;
use treebell::store::acts::{Act, Actor};
use treebell::store::places::ANSWERS_KEPT_DAYS;
use treebell::store::retention::{LASTING, NEVER_GOES, TIMED};
use treebell::store::{Store, ms};

use super::inbound::Desk;
use super::two_regions;
use crate::engines::{every_row, on_each_engine};

/// Rows of a table under an id (`ID`), aged to `$1`.
struct Canary {
    table: &'static str,
    rows: &'static [&'static str],
    days: fn(&RetentionConfig) -> u32,
}

const LETTER: &str = "INSERT INTO letters (id, kind, address_key, channel, address, language, body, created_at, erased_at) \
     VALUES ('ID', 'help', 'KEY', 'sms', '', 'en', '', $1, $1)";
const OF_LETTER: &str = "INSERT INTO deliveries (id, letter_id, address_id, channel, language, state, priority, not_before, \
         expires_at, time_zone, attempts, fence, uncertain_count, created_at, updated_at) \
     VALUES ('ID', 'ID', 'KEY', 'sms', 'en', 'sent', 1, $1, $1, 'UTC', 1, 1, 0, $1, $1)";
const OF_NOTICE: &str = "INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, \
         expires_at, time_zone, attempts, fence, uncertain_count, created_at, updated_at) \
     VALUES ('ID', 'n', 'KEY', 'sms', 'en', 'sent', 1, $1, $1, 'UTC', 1, 1, 0, $1, $1)";
const ATTEMPT: &str =
    "INSERT INTO attempts (delivery_id, fence, channel, started_at, detail) VALUES ('ID', 1, 'sms', $1, 'ID')";
const REPORT: &str = "INSERT INTO delivery_reports (channel, reference, outcome, received_at, delivery_id) \
     VALUES ('sms', 'ID', 'delivered', $1, 'ID')";
const SIGN_UP: &str = "INSERT INTO confirmations (id, address_key, channel, address, language, zips, words, evidence, \
         asked_at, proof_until, tries, ended_at, outcome) \
     VALUES ('ID', 'KEY', 'sms', '', 'en', '[\"00101\"]', 'w', 'e', $1, $1, 0, ENDED)";

fn canaries() -> Vec<Canary> {
    vec![
        Canary {
            table: "asks",
            rows: &["INSERT INTO asks (id, at, by_phone, channel, address_key) VALUES ('ID', $1, 0, 'sms', 'KEY')"],
            days: |times| times.requests_days,
        },
        Canary {
            table: "inbound",
            rows: &["INSERT INTO inbound (id, kind, at) VALUES ('ID', 'text', $1)"],
            days: |times| times.requests_days,
        },
        Canary {
            table: "delivery_reports",
            rows: &["INSERT INTO delivery_reports (channel, reference, outcome, received_at) \
                     VALUES ('sms', 'ID', 'delivered', $1)"],
            days: |times| times.requests_days,
        },
        Canary { table: "confirmations", rows: &["OPEN"], days: |times| times.unconfirmed_days },
        Canary { table: "confirmations", rows: &["CONFIRMED"], days: |times| times.requests_days },
        Canary {
            table: "consents",
            rows: &[
                "INSERT INTO consents (id, address_key, at, action, evidence) VALUES ('ID', 'KEY', $1, 'asked', 'form')",
            ],
            days: |times| times.unconfirmed_days,
        },
        Canary {
            table: "consents",
            rows: &[
                "INSERT INTO consents (id, address_key, at, action, evidence) VALUES ('ID', 'KEY', $1, 'confirmed', 'form')",
            ],
            days: |times| times.consents_days,
        },
        Canary { table: "letters", rows: &[LETTER, OF_LETTER, ATTEMPT, REPORT], days: |times| times.unconfirmed_days },
        Canary { table: "deliveries", rows: &[OF_NOTICE, ATTEMPT, REPORT], days: |times| times.messages_days },
        Canary {
            table: "follow_ups",
            rows: &["INSERT INTO follow_ups (id, notice_id, subscriber_id, address_key, asked_at, closes_at) \
                     VALUES ('ID', 'n', 's', 'KEY', $1, $1)"],
            days: |times| times.messages_days,
        },
        Canary {
            table: "subscribers",
            rows: &["INSERT INTO subscribers (id, language, created_at, removed_at) VALUES ('ID', 'en', $1, $1)"],
            days: |times| times.messages_days,
        },
        Canary {
            table: "addresses",
            rows: &["INSERT INTO addresses (id, subscriber_id, channel, address, status, status_at) \
                 VALUES ('ID', 's', 'email', 'ID@example.org', 'stopped', $1)"],
            days: |times| times.stopped_days,
        },
        Canary {
            table: "pulls",
            rows: &["INSERT INTO pulls (station_id, feed, started_at, taken, rejected, error) \
                     VALUES ('A', 'acis', $1, 0, 0, 'ID')"],
            days: |times| times.pulls_days,
        },
        Canary {
            table: "runs",
            rows: &["INSERT INTO runs (job, civil_time, started_at) VALUES ('cycle', '2000-ID', $1)"],
            days: |times| times.runs_days,
        },
        Canary {
            table: "alarms",
            rows: &[
                "INSERT INTO alarms (id, kind, subject, machine, urgent, what, mend, raised_at, times_told, believed, seen_at, \
                 ended_at) VALUES ('ID', 'disk', 'ID', '', 0, 'full', 'empty it', $1, 1, 0, $1, $1)",
            ],
            days: |times| times.staff_log_days,
        },
        Canary {
            table: "staff_log",
            rows: &["INSERT INTO staff_log (id, at, kind, text) VALUES ('ID', $1, 'text', 'ID')"],
            days: |times| times.staff_log_days,
        },
        // The day tells which.
        Canary {
            table: "forecast_values",
            rows: &["INSERT INTO forecast_values (station_id, day, element, received_at, value_tenths) \
                     VALUES ('A', DAY, 0, $1, 1)"],
            days: |times| times.forecasts_days,
        },
        Canary {
            table: "place_answers",
            rows: &["INSERT INTO place_answers (question, answer, answered_at) VALUES ('ID', '{}', $1)"],
            days: |_| ANSWERS_KEPT_DAYS,
        },
        Canary {
            table: "desk_sessions",
            rows: &[
                "INSERT INTO desk_sessions (hash, id, account, stage, wrong_codes, browser, network, created_at, seen_at) \
                     VALUES ('ID', 'ID', 'somebody', 'whole', 0, '', '', $1, $1)",
            ],
            days: |_| 1,
        },
        Canary {
            table: "sign_in_tries",
            rows: &["INSERT INTO sign_in_tries (bucket, wrong, first_at, last_at) VALUES ('ID', 1, $1, $1)"],
            days: |_| 2,
        },
        Canary {
            table: "account_invitations",
            rows: &[
                // Each account has one.
                "INSERT INTO account_invitations (hash, account, made_at, expires_at) SELECT 'ID', MIN(name), $1, $1 \
                 FROM accounts WHERE name IN ('first', 'second') AND name NOT IN (SELECT account FROM account_invitations)",
            ],
            days: |_| 30,
        },
        Canary {
            table: "access_tokens",
            rows: &[
                "INSERT INTO access_tokens (name, hash, scope, made_at, expires_at) VALUES ('ID', 'ID', 'see', $1, $1)",
            ],
            days: |_| 7 * 366,
        },
        Canary {
            table: "accounts",
            rows: &[
                "INSERT INTO accounts (name, role, factor_step, created_at, removed_at) VALUES ('ID', 'observer', 0, $1, $1)",
            ],
            days: |_| 7 * 366,
        },
    ]
}

/// Tables that are emptied by other means, which other checks look at: notes of answers and parts of texts after a day, and
/// what belongs to a subscriber with the subscriber.
const ELSEWHERE: [&str; 4] = ["answers", "subscriber_zips", "text_parts", "zip_waits"];

async fn plant(store: &Store, text: &str, at: i64) {
    let mut tx = store.begin().await.unwrap();
    sqlx::query(AssertSqlSafe(text.to_owned()))
        .bind(at)
        .execute(tx.conn())
        .await
        .unwrap_or_else(|why| panic!("{text}: {why}"));
    tx.commit().await.unwrap();
}

fn holding<'a>(rows: &'a BTreeMap<String, Vec<String>>, what: &str) -> BTreeSet<&'a str> {
    rows.iter().filter(|(_, rows)| rows.iter().any(|row| row.contains(what))).map(|(table, _)| table.as_str()).collect()
}

async fn ground(store: &Store) {
    two_regions(store).await;
    for text in [
        "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, expires_at, \
             priority) VALUES ('n', 'p', 'north', 2000, 'inspect-now', 'released', '{}', '{}', 0, $1, $1, 1)",
        "INSERT INTO subscribers (id, language, created_at) VALUES ('s', 'en', $1)",
        "INSERT INTO accounts (name, role, factor_step, created_at) VALUES ('somebody', 'observer', 0, $1)",
        "INSERT INTO accounts (name, role, factor_step, created_at) VALUES ('first', 'observer', 0, $1)",
        "INSERT INTO accounts (name, role, factor_step, created_at) VALUES ('second', 'observer', 0, $1)",
        // The newest of their kind stay, however old they are.
        "INSERT INTO pulls (station_id, feed, started_at, taken, rejected, error) VALUES ('A', 'nws', $1, 0, 0, 'lone pull')",
        "INSERT INTO runs (job, civil_time, started_at) VALUES ('lone run', '2000-01-01T00:00:00', $1)",
        "INSERT INTO suppressions (address_key, since, reason) VALUES ('stopped once', $1, 'said stop')",
        "INSERT INTO consents (id, address_key, at, action, evidence) VALUES ('c-stopped', 'stopped once', $1, 'stopped', 'STOP')",
    ] {
        plant(store, text, 1).await;
    }
}

#[tokio::test]
async fn a_canary_over_its_time_is_gone_and_one_under_it_stays() {
    on_each_engine("times of keeping", |store| async move {
        ground(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let (now, times) = (desk.clock.now(), desk.app.config.retention.clone());
        plant(
            &store,
            "INSERT INTO pulls (station_id, feed, started_at, taken, rejected) VALUES ('A', 'acis', $1, 0, 0)",
            ms(now),
        )
        .await;
        plant(&store, "INSERT INTO runs (job, civil_time, started_at) VALUES ('cycle', '2999', $1)", ms(now)).await;
        let mut wanted = Vec::new();
        for (nth, canary) in canaries().into_iter().enumerate() {
            let kept = TimeDelta::days(i64::from((canary.days)(&times)));
            for (name, day, at) in [
                ("old", 7_000_000 + nth, now - kept - TimeDelta::hours(1)),
                ("new", 8_000_000 + nth, now - kept + TimeDelta::hours(1)),
            ] {
                let id = format!("{name}-canary-{nth:02}.");
                for row in canary.rows {
                    let row = match *row {
                        "OPEN" => SIGN_UP.replace("ENDED", "NULL, NULL"),
                        "CONFIRMED" => SIGN_UP.replace("ENDED", "$1, 'confirmed'"),
                        other => other.to_owned(),
                    };
                    // Of notices to somebody who is gone, else they would be put under a pseudonym.
                    let key = if canary.table == "deliveries" { "erased-" } else { "key-" };
                    let row = row.replace("KEY", &format!("{key}{id}")).replace("DAY", &day.to_string());
                    plant(&store, &row.replace("ID", &id), ms(at)).await;
                }
                let mark = if canary.table == "forecast_values" { format!("day=Some({day})") } else { id };
                wanted.push((name, canary.table, mark));
            }
        }
        let before = every_row(&store).await;
        for (name, table, mark) in &wanted {
            assert!(holding(&before, mark).contains(table), "{name} {table}: the search works");
        }

        keep_times(&desk.app).await.unwrap();

        let rows = every_row(&store).await;
        let mut seen = BTreeSet::new();
        for (name, table, mark) in &wanted {
            let left = holding(&rows, mark);
            if *name == "new" {
                assert!(left.contains(table), "{table}: {mark} is not due");
            } else if *table == "addresses" {
                // What an address leaves is that it is never written to again.
                assert_eq!(left, BTreeSet::from(["consents", "suppressions"]), "{mark}");
            } else {
                assert_eq!(left, BTreeSet::new(), "{table}: {mark} has had its time");
            }
            seen.insert(*table);
        }
        for mark in ["lone pull", "lone run", "c-stopped"] {
            assert_eq!(holding(&rows, mark).len(), 1, "{mark}");
        }
        assert!(rows["suppressions"].iter().any(|row| row.contains("stopped once")), "never goes");

        // Every table is known to be timed or lasting, and every timed one has a canary.
        let mut known: BTreeSet<&str> = LASTING.iter().map(|(table, _)| *table).chain(TIMED).collect();
        known.insert(NEVER_GOES);
        let there: BTreeSet<&str> =
            rows.keys().map(String::as_str).filter(|table| !table.starts_with("sqlite_")).collect();
        let unknown: Vec<_> = there.difference(&known).collect();
        assert!(unknown.is_empty(), "say in store/retention.rs how long these are kept: {unknown:?}");
        // Attempts go with their deliveries; the audit has a check of its own.
        seen.extend(["attempts", "audit"]);
        seen.extend(ELSEWHERE);
        assert_eq!(TIMED.iter().copied().collect::<BTreeSet<_>>(), seen);

        let again = store.keep_times(&times, now).await.unwrap();
        assert_eq!(again, BTreeMap::new(), "a second run finds nothing");
    })
    .await;
}

#[tokio::test]
async fn many_rows_go_in_one_run_and_the_audit_after_seven_years() {
    on_each_engine("times of keeping at size", |store| async move {
        ground(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let now = desk.clock.now();
        let mut tx = store.begin().await.unwrap();
        for number in 0..1203 {
            sqlx::query("INSERT INTO inbound (id, kind, at) VALUES ($1, 'text', 1)")
                .bind(format!("text {number}"))
                .execute(tx.conn())
                .await
                .unwrap();
        }
        tx.commit().await.unwrap();
        for years in [6, 8] {
            let clock = Arc::new(ManualClock::at(now - TimeDelta::days(years * 366)));
            let actor = Actor { user: "maria".into(), account: None, why: None, clock };
            store.acting(actor).note_act(Act::WeatherImported, "weather", &format!("{years} years ago")).await.unwrap();
        }
        let gone = store.keep_times(&desk.app.config.retention, now).await.unwrap();
        assert_eq!(gone, BTreeMap::from([("audit", 1), ("inbound", 1203)]));
        let rows = every_row(&store).await;
        assert!(rows["audit"].iter().any(|row| row.contains("6 years ago")));
        assert!(rows["audit"].iter().all(|row| !row.contains("8 years ago")));
    })
    .await;
}

/// A message that a worker had in hand when its owner was erased comes under a pseudonym when it has ended; what somebody saw
/// is nobody's after the time of the messages.
#[tokio::test]
async fn what_is_kept_for_the_count_is_kept_without_whose_it_was() {
    on_each_engine("pseudonyms", |store| async move {
        ground(&store).await;
        let desk = Desk::on(store.clone(), |_| {});
        let (now, times) = (desk.clock.now(), desk.app.config.retention.clone());
        let (key, id) = ("a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0a0", "d0d0d0d0d0d0d0d0d0d0d0d0d0d0d0d0");
        for row in [OF_NOTICE, ATTEMPT] {
            plant(&store, &row.replace("ID", id).replace("KEY", key).replace("'sent'", "'leased'"), ms(now)).await;
        }
        let report = "INSERT INTO field_reports (id, region_id, observed_on, source, person, created_at) \
             VALUES ('ID', 'north', 0, 'SOURCE', 'WHO', $1)";
        let old = ms(now - TimeDelta::days(i64::from(times.messages_days) + 1));
        for (name, source, who, at) in [
            ("r-old", "subscriber", "b0b0b0b0", old),
            ("r-older", "subscriber", "b0b0b0b0", old - 5),
            ("r-new", "subscriber", "c0c0c0c0", ms(now)),
            ("r-staff", "staff", "M. Reyes", old),
        ] {
            let row = report.replace("ID", name).replace("SOURCE", source).replace("WHO", who);
            plant(&store, &row, at).await;
        }
        store.keep_times(&times, now).await.unwrap();
        let rows = every_row(&store).await;
        assert_eq!(holding(&rows, key), BTreeSet::from(["deliveries"]), "in a worker's hand");
        assert_eq!(holding(&rows, "b0b0b0b0"), BTreeSet::new());
        for who in ["c0c0c0c0", "M. Reyes"] {
            assert_eq!(holding(&rows, who), BTreeSet::from(["field_reports"]));
        }
        let person = |id: &str| {
            let row = rows["field_reports"].iter().find(|row| row.contains(&format!("\"{id}\""))).unwrap();
            row.split(' ').find(|cell| cell.starts_with("person=")).unwrap().to_owned()
        };
        assert!(person("r-old").contains("erased-"));
        assert_eq!(person("r-old"), person("r-older"), "one person's looks are one person's still");
        plant(&store, "UPDATE deliveries SET state = 'sent', updated_at = $1", ms(now)).await;
        store.keep_times(&times, now).await.unwrap();
        let rows = every_row(&store).await;
        for mark in [key, id] {
            assert_eq!(holding(&rows, mark), BTreeSet::new(), "{mark}");
        }
        assert_eq!((rows["deliveries"].len(), rows["attempts"].len()), (1, 1), "it is counted");
    })
    .await;
}
