-- How good projections have been at a station, as it was worked out: kept under a digest of all it came from, so that it is
-- found again as long as nothing of that changes. A row that cannot be read is worked out anew.
CREATE TABLE kept_skills (
    station_id TEXT NOT NULL,
    digest TEXT NOT NULL,
    kept_at BIGINT NOT NULL,
    content BYTEA NOT NULL,
    PRIMARY KEY (station_id, digest)
);
