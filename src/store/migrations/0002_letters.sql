-- Letters: personal messages to one address (a confirmation request, a welcome, the answer to a word). They go through
-- the same queue as notices.
CREATE TABLE letters (
    id TEXT PRIMARY KEY,             -- keyed hash of kind, address and the fact that asks for it: asked twice, written once
    kind TEXT NOT NULL,
    address_key TEXT NOT NULL,       -- keyed hash of channel and address
    channel TEXT NOT NULL,
    -- In full while it waits, also of somebody who is no subscriber; empty once it has ended. So is the wording then,
    -- which may hold a code or a link.
    address TEXT NOT NULL,
    language TEXT NOT NULL,
    subject TEXT,
    body TEXT NOT NULL,
    html TEXT,
    created_at BIGINT NOT NULL,
    erased_at BIGINT
);

CREATE INDEX letters_by_address ON letters (address_key, kind, created_at);
CREATE INDEX letters_to_erase ON letters (erased_at, created_at);

-- A delivery is of a notice or of a letter. PostgreSQL alters the table in place; SQLite cannot take a NOT NULL away, so
-- the table is made again and filled from a copy. The attempts point at it all the while, which is looked at again only at
-- the commit.
-- postgres only
ALTER TABLE deliveries ALTER COLUMN notice_id DROP NOT NULL;
ALTER TABLE deliveries ADD COLUMN letter_id TEXT REFERENCES letters (id);
ALTER TABLE deliveries ADD CONSTRAINT deliveries_of_one_kind CHECK ((notice_id IS NULL) <> (letter_id IS NULL));
-- sqlite only
PRAGMA defer_foreign_keys = ON;
CREATE TABLE deliveries_kept AS SELECT * FROM deliveries;
DROP TABLE deliveries;
CREATE TABLE deliveries (
    id TEXT PRIMARY KEY,             -- hash of notice and address, or of the letter: a second run meets the same row
    notice_id TEXT REFERENCES notices (id),
    address_id TEXT NOT NULL,
    channel TEXT NOT NULL,
    language TEXT NOT NULL,
    state TEXT NOT NULL,
    priority BIGINT NOT NULL,
    not_before BIGINT NOT NULL,
    expires_at BIGINT NOT NULL,
    time_zone TEXT NOT NULL,         -- of the region: quiet hours, which a letter does not have
    attempts BIGINT NOT NULL,
    fence BIGINT NOT NULL,
    lease_until BIGINT,
    lease_owner TEXT,
    uncertain_count BIGINT NOT NULL,
    answers_lost BIGINT NOT NULL DEFAULT 0,
    provider_ref TEXT,
    last_error TEXT,
    created_at BIGINT NOT NULL,
    updated_at BIGINT NOT NULL,
    letter_id TEXT REFERENCES letters (id),
    UNIQUE (notice_id, address_id),
    CONSTRAINT deliveries_of_one_kind CHECK ((notice_id IS NULL) <> (letter_id IS NULL))
);
INSERT INTO deliveries (id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, time_zone,
                        attempts, fence, lease_until, lease_owner, uncertain_count, answers_lost, provider_ref, last_error,
                        created_at, updated_at)
SELECT id, notice_id, address_id, channel, language, state, priority, not_before, expires_at, time_zone,
       attempts, fence, lease_until, lease_owner, uncertain_count, answers_lost, provider_ref, last_error,
       created_at, updated_at
FROM deliveries_kept;
DROP TABLE deliveries_kept;
CREATE INDEX deliveries_turn ON deliveries (channel, state, priority, not_before, id);
CREATE INDEX deliveries_wake ON deliveries (channel, state, not_before);
CREATE INDEX deliveries_end ON deliveries (state, expires_at);
CREATE INDEX deliveries_of_notice ON deliveries (notice_id, state);
CREATE INDEX deliveries_provider ON deliveries (provider_ref);
CREATE INDEX deliveries_by_address ON deliveries (address_id);
-- both
CREATE INDEX deliveries_of_letter ON deliveries (letter_id);
