//! Stores with a queue to drain, on either engine.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::AssertSqlSafe;
use treebell::dispatch::settings::{EmailConfig, SmtpSecurity};
use treebell::message::Message;
use treebell::people::{AddressId, Channel, Language};
use treebell::season::NoticeId;
use treebell::store::Store;
use treebell::store::notices::{NoticeText, delivery_id};

/// An e-mail as notices have it: words in both forms, and a chart.
pub fn texts() -> Vec<NoticeText> {
    let chart: Vec<u8> = (0..20_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    let email = |language| NoticeText {
        language,
        message: Message::Email {
            subject: "Look at your trees".into(),
            text: "Look at your trees today. ".repeat(60),
            html: "<p>Look at your trees today.</p>".repeat(60),
            calendar: None,
            chart_png: Some(chart.clone().into()),
        },
    };
    let sms = |language| NoticeText { language, message: Message::Sms { text: "Look at your trees".into() } };
    vec![email(Language::En), email(Language::Es), sms(Language::En), sms(Language::Es)]
}

/// A relay on this machine.
pub fn relay(port: u16) -> EmailConfig {
    EmailConfig {
        host: Some("127.0.0.1".into()),
        port: Some(port),
        security: SmtpSecurity::Plain,
        ..EmailConfig::default()
    }
}

/// Subscribers of one notice: there are no more invented phone numbers than that.
const OF_ONE_NOTICE: usize = 50_000;

/// Queues so many deliveries: regions, notices in words, people and rows as releases leave them.
pub async fn fill(store: &Store, channel: Channel, count: usize, now: DateTime<Utc>) {
    let mut left = count;
    let mut notices = 0;
    while left > 0 {
        let some = left.min(OF_ONE_NOTICE);
        fill_one(store, channel, &format!("speed-{notices}"), some, now).await;
        (left, notices) = (left - some, notices + 1);
    }
}

async fn fill_one(store: &Store, channel: Channel, region: &str, count: usize, now: DateTime<Utc>) {
    let notice: NoticeId = format!("pinyon-needle-scale/{region}/2026/inspect-now").into();
    let (at, ends) = (now.timestamp_millis(), (now + TimeDelta::days(21)).timestamp_millis());
    let mut tx = store.begin().await.unwrap();
    for statement in [
        format!(
            "INSERT INTO regions (id, name, latitude, longitude, elevation_m, time_zone, profile, release_policy, hold_hours, created_at)
             VALUES ('{region}', '{region}', 35, -135, 2000, 'America/Denver', 'pinyon-needle-scale', 'at-once', 0, 0)"
        ),
        format!(
            "INSERT INTO notices (id, profile, region_id, season, kind, status, reason, facts, decided_on, decided_at, released_at, released_by, expires_at, priority)
             VALUES ('{notice}', 'pinyon-needle-scale', '{region}', 2026, 'inspect-now', 'released', '{{}}', '{{}}', 20000, {at}, {at}, 'policy', {ends}, 1)"
        ),
    ] {
        sqlx::query(AssertSqlSafe(statement)).execute(tx.conn()).await.unwrap();
    }
    for text in texts() {
        let (channel, subject, body, html, chart) = match text.message {
            Message::Email { subject, text, html, chart_png, .. } => {
                ("email", Some(subject), text, Some(html), chart_png.map(|png| png.to_vec()))
            }
            Message::Sms { text } => ("sms", None, text, None, None),
        };
        sqlx::query(
            "INSERT INTO notice_texts (notice_id, language, channel, subject, body, html, chart_png) VALUES ($1, $2, $3, $4, $5, $6, $7)",
        )
        .bind(notice.to_string())
        .bind(text.language.code())
        .bind(channel)
        .bind(subject)
        .bind(body)
        .bind(html)
        .bind(chart)
        .execute(tx.conn())
        .await
        .unwrap();
    }
    // In the order of the addresses, as releases write them.
    let mut people: Vec<(AddressId, String)> = (0..count)
        .map(|n| {
            let address = match channel {
                Channel::Email => format!("owner{n}.{region}@example.org"),
                Channel::Sms => format!("+1{}55501{:02}", 200 + n / 100, n % 100),
            };
            // As evenly spread as keyed hashes.
            let digest = <sha2::Sha256 as sha2::Digest>::digest(&address);
            (AddressId(hex::encode(&digest[..16])), address)
        })
        .collect();
    people.sort();
    for part in people.chunks(500) {
        let mut subscribers = Vec::new();
        let mut addresses = Vec::new();
        let mut deliveries = Vec::new();
        for (id, address) in part {
            let own = format!("{region}-{id}");
            subscribers.push(format!("('{own}', 'en', 0)"));
            addresses.push(format!("('{id}', '{own}', '{}', '{address}', 'confirmed', 0)", channel.name()));
            deliveries.push(format!(
                "('{}', '{notice}', '{id}', '{}', 'en', 'queued', 1, {at}, {ends}, 'America/Denver', 0, 0, 0, {at}, {at})",
                delivery_id(&notice, id),
                channel.name(),
            ));
        }
        for (head, rows) in [
            ("subscribers (id, language, created_at)", subscribers),
            ("addresses (id, subscriber_id, channel, address, status, status_at)", addresses),
            (
                "deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, time_zone, attempts, fence, uncertain_count, created_at, updated_at)",
                deliveries,
            ),
        ] {
            let statement = format!("INSERT INTO {head} VALUES {} ON CONFLICT DO NOTHING", rows.join(", "));
            sqlx::query(AssertSqlSafe(statement)).execute(tx.conn()).await.unwrap();
        }
    }
    tx.commit().await.unwrap();
}
