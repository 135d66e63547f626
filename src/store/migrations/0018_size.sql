-- Raised with every write to a station's record or forecasts: what was worked out from them shows by it that it is old.
CREATE TABLE station_marks (
    station_id TEXT PRIMARY KEY REFERENCES stations (id),
    writes BIGINT NOT NULL,
    forecast_at BIGINT               -- when its newest forecast was received; null: it has none
);

INSERT INTO station_marks (station_id, writes, forecast_at)
SELECT s.id, 0, (SELECT MAX(f.received_at) FROM forecast_values f WHERE f.station_id = s.id) FROM stations s;

-- What the pages show of each region as it was last worked out, so that a start need not do so first.
CREATE TABLE region_views (
    region_id TEXT PRIMARY KEY REFERENCES regions (id),
    made_at BIGINT NOT NULL,
    sign TEXT NOT NULL,              -- digest of all that it comes from
    helper TEXT,                     -- the station whose years were borrowed
    body BYTEA NOT NULL
);

-- How far the deliveries of a released notice are queued, as `zip/subscriber`; null: all are, or none are to be.
ALTER TABLE notices ADD COLUMN queued_to TEXT;

-- Whom a ZIP code has, in their order, so that queueing can go on from any of them.
DROP INDEX subscriber_zips_by_zip;
CREATE INDEX subscriber_zips_by_zip ON subscriber_zips (zip, subscriber_id);
