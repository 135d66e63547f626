-- How often in a row a job was begun and never ended: killed for memory, crashed, or ended by a fault of the store. It is begun
-- again after growing pauses. An end, or a stop that was asked for, takes the row away or counts it down.
CREATE TABLE unfinished_tries (
    job TEXT NOT NULL PRIMARY KEY,
    tries BIGINT NOT NULL,
    last_began_at BIGINT NOT NULL
);
