-- How often the days of a calendar year were written to in a station's record; no row: not since this table is there.
-- What was made of past years is found again as long as the sum over them stays.
CREATE TABLE record_years (
    station_id TEXT NOT NULL REFERENCES stations (id),
    year BIGINT NOT NULL,
    writes BIGINT NOT NULL,
    PRIMARY KEY (station_id, year)
) /*clustered*/;

-- A station's past as a season sees it, as it was made of its record: kept under a digest of all it came from. A row
-- that cannot be read is made anew.
CREATE TABLE kept_pasts (
    station_id TEXT NOT NULL REFERENCES stations (id),
    subject TEXT NOT NULL,           -- the profile whose past seasons it has; empty: it has none
    digest TEXT NOT NULL,
    kept_at BIGINT NOT NULL,
    content BYTEA NOT NULL,
    PRIMARY KEY (station_id, subject, digest)
);
