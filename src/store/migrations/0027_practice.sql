-- A practice store holds an invented season. Its one row marks it: no service runs on such a store, and nothing leaves it.
CREATE TABLE practice (
    id BIGINT PRIMARY KEY,           -- always 1
    season BIGINT NOT NULL,
    seed BIGINT NOT NULL,            -- what weather and people are made from
    now BIGINT NOT NULL              -- where its clock stands; only goes on
);
