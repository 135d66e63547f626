-- Parts of long texts that phones sent, until all of a text are there or it is waited for no longer. A part of a text that
-- was acted upon is known for a day more, so that one that comes twice is no text of its own; then it goes.
CREATE TABLE text_parts (
    text_id TEXT NOT NULL,           -- keyed hash of sender, receiver, the phone's own number of the text and of its parts
    number BIGINT NOT NULL,          -- 1 to total
    digest TEXT NOT NULL,            -- keyed hash of what the part holds
    total BIGINT NOT NULL,
    sender TEXT NOT NULL,            -- in full while it waits; empty after, as the two others
    receiver TEXT NOT NULL,
    octets BYTEA NOT NULL,
    alphabet TEXT NOT NULL,          -- gsm-7 | ucs-2 | latin-1 | ascii
    received_at BIGINT NOT NULL,
    acted_at BIGINT,                 -- null while it waits
    PRIMARY KEY (text_id, number, digest)
);

CREATE INDEX text_parts_waiting ON text_parts (acted_at, received_at);
