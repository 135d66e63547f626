-- From when on the field reports of a season teach nothing new, and when that ended: the newest row counts.
CREATE TABLE learning_freezes (
    profile TEXT NOT NULL,
    season BIGINT NOT NULL,
    changed_at BIGINT NOT NULL,
    frozen BIGINT NOT NULL,          -- 1: reports count as they stood at that instant; 0: as they stand
    changed_by TEXT NOT NULL,
    why TEXT NOT NULL,
    PRIMARY KEY (profile, season, changed_at)
);

-- Beliefs that staff adopted as a profile's numbers. Outlooks and notices say with which version they were made, so none is
-- ever changed or taken away.
CREATE TABLE profile_versions (
    profile TEXT NOT NULL,
    version BIGINT NOT NULL,
    text TEXT NOT NULL,              -- the whole profile, TOML
    adopted_at BIGINT NOT NULL,
    adopted_by TEXT NOT NULL,
    why TEXT NOT NULL,
    PRIMARY KEY (profile, version)
);
