-- Alarms: what staff and administrators must hear of. One row from its raising to its end; one that comes back within a day
-- is the same row.
CREATE TABLE alarms (
    id TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,           -- what it is about within its kind: a station, a notice, a channel
    machine TEXT NOT NULL,           -- of what each machine sees for itself; else empty
    region_id TEXT,
    urgent BIGINT NOT NULL,
    what TEXT NOT NULL,              -- as it was last observed
    mend TEXT NOT NULL,
    raised_at BIGINT NOT NULL,
    told_at BIGINT,
    times_told BIGINT NOT NULL,
    believed BIGINT NOT NULL,        -- 1: people were told last that it is there, and not that it is over
    seen_at BIGINT NOT NULL,
    ended_at BIGINT
);

CREATE INDEX alarms_open ON alarms (ended_at, raised_at);

-- The processes at work, each of which writes its row again and again: so it knows whether the store can be written.
CREATE TABLE watchers (
    process TEXT PRIMARY KEY,
    role TEXT NOT NULL,              -- all | schedule | deliver | web | once
    started_at BIGINT NOT NULL,
    seen_at BIGINT NOT NULL
);

-- Whether a delivery leaves at any hour. It was told by a priority below 0; answers to texts now leave at once and yet after
-- notices.
ALTER TABLE deliveries ADD COLUMN any_hour BIGINT NOT NULL DEFAULT 0;
UPDATE deliveries SET any_hour = 1 WHERE priority < 0;

-- What a run came to: good | partly | failed; null before this was kept, and while it is under way.
ALTER TABLE runs ADD COLUMN result TEXT;

-- Whether a text was answered with one: they cost money, and a day has so many.
ALTER TABLE inbound ADD COLUMN answered BIGINT NOT NULL DEFAULT 0;
