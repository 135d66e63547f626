-- One text for SQLite and PostgreSQL: TEXT, BIGINT and DOUBLE PRECISION mean the same in both.
-- Instants are BIGINT milliseconds since 1970 UTC, civil days are BIGINT days since 1970-01-01, flags are 0/1.
-- Keys are text made by the program, so that writing the same fact twice meets the same row.

-- Made once when the store is made. `address-hash`: key of the hash by which an address is known after its erasure.
CREATE TABLE secrets (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL              -- hexadecimal
);

CREATE TABLE stations (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    latitude DOUBLE PRECISION NOT NULL,
    longitude DOUBLE PRECISION NOT NULL,
    elevation_m DOUBLE PRECISION NOT NULL,
    time_zone TEXT NOT NULL,
    observation_hour BIGINT,
    sources TEXT NOT NULL,           -- JSON list, in order of trust
    retired_at BIGINT                -- kept after retirement: old seasons stand on its record
);

-- Every version of every value. A changed value is a new row; nothing is overwritten, so "as of T" stays answerable.
CREATE TABLE daily_values (
    station_id TEXT NOT NULL REFERENCES stations (id),
    day BIGINT NOT NULL,             -- the day it is attributed to
    element BIGINT NOT NULL,         -- 0 maximum, 1 minimum
    feed TEXT NOT NULL,
    received_at BIGINT NOT NULL,
    value_tenths BIGINT NOT NULL,
    day_reported BIGINT NOT NULL,    -- the day the source filed it under
    sampled BIGINT NOT NULL,
    bulk BIGINT NOT NULL,            -- history without a true time of receipt
    rejected TEXT,                   -- why it is never summed
    -- Two readings may be attributed to one day: a morning observer's of the next day beside one of that evening.
    PRIMARY KEY (station_id, day, element, feed, day_reported, received_at)
) /*clustered*/;

-- Forecast values are kept apart: they are never part of the record.
CREATE TABLE forecast_values (
    station_id TEXT NOT NULL REFERENCES stations (id),
    day BIGINT NOT NULL,
    element BIGINT NOT NULL,
    received_at BIGINT NOT NULL,
    value_tenths BIGINT NOT NULL,
    PRIMARY KEY (station_id, day, element, received_at)
) /*clustered*/;

-- What each pull of each source came to: `weather status` and staff pages read it.
CREATE TABLE pulls (
    station_id TEXT NOT NULL,
    feed TEXT NOT NULL,
    started_at BIGINT NOT NULL,
    taken BIGINT NOT NULL,
    rejected BIGINT NOT NULL,
    error TEXT,
    PRIMARY KEY (station_id, feed, started_at)
);

CREATE TABLE regions (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    latitude DOUBLE PRECISION NOT NULL,
    longitude DOUBLE PRECISION NOT NULL,
    elevation_m DOUBLE PRECISION NOT NULL,
    time_zone TEXT NOT NULL,
    profile TEXT NOT NULL,
    release_policy TEXT NOT NULL,    -- at-once | unless-held | when-confirmed
    hold_hours BIGINT NOT NULL,      -- used by unless-held
    created_at BIGINT NOT NULL,
    retired_at BIGINT                -- a retired region keeps its seasons; its ZIP codes are free again
);

CREATE TABLE region_zips (
    zip TEXT PRIMARY KEY,            -- a ZIP code belongs to one region at most
    region_id TEXT NOT NULL REFERENCES regions (id)
);

CREATE TABLE region_stations (
    region_id TEXT NOT NULL REFERENCES regions (id),
    rank BIGINT NOT NULL,            -- 0 is the region's own station, the others fill its gaps
    station_id TEXT NOT NULL REFERENCES stations (id),
    PRIMARY KEY (region_id, rank),
    UNIQUE (region_id, station_id)
);

CREATE TABLE subscribers (
    id TEXT PRIMARY KEY,
    language TEXT NOT NULL,
    created_at BIGINT NOT NULL,
    removed_at BIGINT                -- kept without addresses: replay needs to know how many were told
);

CREATE TABLE subscriber_zips (
    subscriber_id TEXT NOT NULL REFERENCES subscribers (id),
    zip TEXT NOT NULL,
    PRIMARY KEY (subscriber_id, zip)
);

CREATE INDEX subscriber_zips_by_zip ON subscriber_zips (zip);

CREATE TABLE addresses (
    id TEXT PRIMARY KEY,             -- the keyed hash of channel and address: a second entry meets the same row
    subscriber_id TEXT NOT NULL REFERENCES subscribers (id),
    channel TEXT NOT NULL,           -- email | sms
    address TEXT NOT NULL,           -- normalised: E.164 or lower-cased domain
    status TEXT NOT NULL,            -- unconfirmed | confirmed | stopped | dead
    status_at BIGINT NOT NULL,
    UNIQUE (channel, address)
);

CREATE INDEX addresses_by_subscriber ON addresses (subscriber_id);

-- Who agreed to what, when and how; rows are only ever added.
CREATE TABLE consents (
    id TEXT PRIMARY KEY,
    address_key TEXT NOT NULL,       -- keyed hash of channel and address: survives erasure
    at BIGINT NOT NULL,
    action TEXT NOT NULL,            -- asked | confirmed | stopped | erased | resumed
    evidence TEXT NOT NULL           -- form, file and line, keyword, link; never the address itself
);

CREATE INDEX consents_by_address ON consents (address_key);

-- An address that said stop is never written to again, also after erasure.
CREATE TABLE suppressions (
    address_key TEXT PRIMARY KEY,
    since BIGINT NOT NULL,
    reason TEXT NOT NULL
);

-- One decision a season, region and kind.
CREATE TABLE notices (
    id TEXT PRIMARY KEY,             -- profile/region/year/kind
    profile TEXT NOT NULL,
    region_id TEXT NOT NULL REFERENCES regions (id),
    season BIGINT NOT NULL,
    kind TEXT NOT NULL,
    status TEXT NOT NULL,            -- waiting | held | released | skipped | cancelled
    reason TEXT NOT NULL,            -- JSON of the verdict's reason
    facts TEXT NOT NULL,             -- JSON of what the templates may say
    decided_on BIGINT NOT NULL,      -- civil day of the outlook
    decided_at BIGINT NOT NULL,
    release_at BIGINT,               -- when it goes out unless held; null = only when confirmed
    word_needed TEXT,                -- JSON: why it needs a word of staff; null = it leaves by itself
    released_at BIGINT,
    released_by TEXT,
    expires_at BIGINT NOT NULL,      -- after this it is of no use
    priority BIGINT NOT NULL,        -- of its deliveries: lower goes first
    staff_note TEXT,
    UNIQUE (profile, region_id, season, kind)
);

-- The notice in words, once a language and channel; personal parts are filled in when it is sent.
CREATE TABLE notice_texts (
    notice_id TEXT NOT NULL REFERENCES notices (id),
    language TEXT NOT NULL,
    channel TEXT NOT NULL,
    subject TEXT,
    body TEXT NOT NULL,
    html TEXT,
    calendar TEXT,                   -- iCalendar entry to attach to the e-mail
    PRIMARY KEY (notice_id, language, channel)
);

CREATE TABLE deliveries (
    id TEXT PRIMARY KEY,             -- hash of notice and address: a second run meets the same row
    notice_id TEXT NOT NULL REFERENCES notices (id),
    address_id TEXT NOT NULL,
    channel TEXT NOT NULL,
    language TEXT NOT NULL,
    state TEXT NOT NULL,             -- queued | leased | uncertain | sent | delivered | bounced | failed | expired | cancelled
    priority BIGINT NOT NULL,        -- lower goes first
    not_before BIGINT NOT NULL,
    expires_at BIGINT NOT NULL,
    time_zone TEXT NOT NULL,         -- of the region: quiet hours
    attempts BIGINT NOT NULL,
    fence BIGINT NOT NULL,           -- raised by every claim; finishing counts only with the same number
    lease_until BIGINT,
    lease_owner TEXT,
    uncertain_count BIGINT NOT NULL, -- how often bytes went out and no answer was booked
    answers_lost BIGINT NOT NULL DEFAULT 0, -- of those, how often by the channel and not by a crash of our own
    provider_ref TEXT,
    last_error TEXT,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    UNIQUE (notice_id, address_id)
);

-- Whose turn it is; when the next one comes; what has had its time; which one a provider speaks of.
CREATE INDEX deliveries_turn ON deliveries (channel, state, priority, not_before, id);
CREATE INDEX deliveries_wake ON deliveries (channel, state, not_before);
CREATE INDEX deliveries_end ON deliveries (state, expires_at);
CREATE INDEX deliveries_of_notice ON deliveries (notice_id, state);
CREATE INDEX deliveries_provider ON deliveries (provider_ref);
CREATE INDEX deliveries_by_address ON deliveries (address_id);

-- Committed before the first byte leaves, so that a kill is seen as uncertain and not as never tried.
CREATE TABLE attempts (
    delivery_id TEXT NOT NULL REFERENCES deliveries (id),
    fence BIGINT NOT NULL,
    channel TEXT NOT NULL,
    started_at BIGINT NOT NULL,
    ended_at BIGINT,
    outcome TEXT,                    -- accepted | not-now | refused | uncertain
    detail TEXT,                     -- never an address or number
    PRIMARY KEY (delivery_id, fence)
);

-- The limits of a channel are kept by counting what began in the last second, minute and day.
CREATE INDEX attempts_pace ON attempts (channel, started_at);

-- What providers said of a message, in any order, also before our own booking of their answer.
CREATE TABLE delivery_reports (
    channel TEXT NOT NULL,
    reference TEXT NOT NULL,         -- the provider's, or our own key
    outcome TEXT NOT NULL,           -- accepted | delivered | undelivered
    received_at BIGINT NOT NULL,
    delivery_id TEXT,                -- null: not known yet whose it is
    PRIMARY KEY (channel, reference, outcome)
);

CREATE TABLE field_reports (
    id TEXT PRIMARY KEY,
    region_id TEXT NOT NULL REFERENCES regions (id),
    zip TEXT,
    observed_on BIGINT NOT NULL,
    stage TEXT,                      -- null: looked and saw none
    status TEXT NOT NULL,            -- new | confirmed | refused
    source TEXT NOT NULL,            -- staff | subscriber
    note TEXT,
    created_at BIGINT NOT NULL
);

-- What was said on each day, so that it can be shown and judged later.
CREATE TABLE outlooks (
    profile TEXT NOT NULL,
    region_id TEXT NOT NULL,
    day BIGINT NOT NULL,
    made_at BIGINT NOT NULL,
    body TEXT NOT NULL,              -- JSON
    PRIMARY KEY (profile, region_id, day)
);

-- One row a scheduled run: the key makes a second one impossible.
CREATE TABLE runs (
    job TEXT NOT NULL,
    civil_time TEXT NOT NULL,
    started_at BIGINT NOT NULL,
    ended_at BIGINT,
    outcome TEXT,
    PRIMARY KEY (job, civil_time)
);

-- Things staff should know: skipped notices, revised data, failing stations.
CREATE TABLE staff_log (
    id TEXT PRIMARY KEY,             -- made from the fact, so that it is told once
    at BIGINT NOT NULL,
    region_id TEXT,
    kind TEXT NOT NULL,
    text TEXT NOT NULL,
    seen_at BIGINT
);
