-- Whole records that were fetched, one row a station and feed, written with the values themselves: a run over many stations
-- that was killed goes on where it was, and asks no source twice for what it gave.
CREATE TABLE backfills (
    station_id TEXT NOT NULL,
    feed TEXT NOT NULL,
    done_at BIGINT NOT NULL,
    -- Of the values taken; none where the source had nothing.
    first_day BIGINT,
    last_day BIGINT,
    taken BIGINT NOT NULL,
    requests BIGINT NOT NULL,
    PRIMARY KEY (station_id, feed)
);
