-- The words somebody agreed to, once a wording: consents name them, so that every agreement can be shown with its words.
CREATE TABLE consent_words (
    id TEXT PRIMARY KEY,             -- hash of language and words
    language TEXT NOT NULL,
    words TEXT NOT NULL
);

ALTER TABLE consents ADD COLUMN words TEXT;      -- consent_words.id; null before this was kept, and where there are none
ALTER TABLE consents ADD COLUMN ip_hash TEXT;    -- keyed hash of the network it was asked from, a day at a time

-- A wish to be told, until its owner confirms it or it is too old. Nothing of it is in `subscribers` before.
CREATE TABLE confirmations (
    id TEXT PRIMARY KEY,
    address_key TEXT NOT NULL,       -- keyed hash of channel and address
    channel TEXT NOT NULL,
    address TEXT NOT NULL,           -- in full while it is open; empty after
    language TEXT NOT NULL,
    zips TEXT NOT NULL,              -- JSON list
    words TEXT NOT NULL,             -- consent_words.id of what was shown or sent
    evidence TEXT NOT NULL,
    ip_hash TEXT,
    asked_at BIGINT NOT NULL,
    code_hash TEXT,                  -- keyed; six digits, of a text message
    token_hash TEXT,                 -- keyed; 128 bits, of an e-mail's link
    proof_until BIGINT NOT NULL,     -- last instant at which code or link is taken
    tries BIGINT NOT NULL,           -- wrong codes
    ended_at BIGINT,
    outcome TEXT                     -- confirmed | replaced | locked | stopped | expired
);

CREATE INDEX confirmations_by_address ON confirmations (address_key, asked_at);
CREATE UNIQUE INDEX confirmations_by_token ON confirmations (token_hash);
CREATE INDEX confirmations_open ON confirmations (ended_at, asked_at);

-- Every asking that reached us, for limits: also those that were held back. No address, no network in plain.
CREATE TABLE asks (
    id TEXT PRIMARY KEY,
    at BIGINT NOT NULL,
    by_phone BIGINT NOT NULL,        -- 1: a text from the phone itself; 0: a form
    channel TEXT NOT NULL,
    address_key TEXT NOT NULL,
    ip_hash TEXT,
    held TEXT                        -- null: a letter was queued; else why not
);

CREATE INDEX asks_by_time ON asks (at);
CREATE INDEX asks_by_address ON asks (address_key, at);
CREATE INDEX asks_by_network ON asks (ip_hash, at);

-- ZIP codes whose owners confirmed before any region had them: they are told once when one has.
CREATE TABLE zip_waits (
    subscriber_id TEXT NOT NULL REFERENCES subscribers (id),
    zip TEXT NOT NULL,
    since BIGINT NOT NULL,
    PRIMARY KEY (subscriber_id, zip)
);

-- Texts and calls that came in, by a keyed hash of what their sender calls them: what comes twice has one effect. The
-- words are not kept.
CREATE TABLE inbound (
    id TEXT PRIMARY KEY,
    kind TEXT NOT NULL,              -- text | call
    at BIGINT NOT NULL,
    meaning TEXT                     -- of a text: what it was taken for
);

CREATE INDEX inbound_by_time ON inbound (at);

-- Who was asked what they saw after a notice, and what they said. Once a person, season and region.
CREATE TABLE follow_ups (
    id TEXT PRIMARY KEY,             -- hash of notice and subscriber
    notice_id TEXT NOT NULL REFERENCES notices (id),
    subscriber_id TEXT NOT NULL REFERENCES subscribers (id),
    address_key TEXT NOT NULL,
    asked_at BIGINT NOT NULL,
    closes_at BIGINT NOT NULL,       -- answers count until then
    answer TEXT,                     -- eggs | none | not-looked
    answered_at BIGINT
);

CREATE INDEX follow_ups_by_address ON follow_ups (address_key, asked_at);
