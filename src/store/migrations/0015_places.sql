-- The table of ZIP areas that staff imported, in the place of the one inside the program: one row or none.
CREATE TABLE place_tables (
    id TEXT NOT NULL PRIMARY KEY,    -- always 'zip-areas'
    source TEXT NOT NULL,            -- who says so
    areas BIGINT NOT NULL,           -- how many
    content BYTEA NOT NULL,          -- packed: see src/places/mod.rs
    imported_at BIGINT NOT NULL
);

-- What services outside said of a place, so that a list of regions that was cut off asks only for what is missing.
CREATE TABLE place_answers (
    question TEXT NOT NULL PRIMARY KEY,  -- such as 'nws-point 32.75,-134.95'
    answer TEXT NOT NULL,                -- JSON of what was taken from it
    answered_at BIGINT NOT NULL
);
