-- Tokens by which programs ask the desk. The token itself is kept nowhere: `hash` is SHA-256 of 256 random bits.
CREATE TABLE access_tokens (
    name TEXT PRIMARY KEY,           -- what the audit calls the program; never given again while the row is kept
    hash TEXT NOT NULL UNIQUE,
    scope TEXT NOT NULL,             -- see | report
    made_at BIGINT NOT NULL,
    expires_at BIGINT NOT NULL,
    used_at BIGINT,                  -- the newest use, to the minute
    ended_at BIGINT                  -- ended before its time
);

-- The regions that a token is for; none: all of them.
CREATE TABLE access_token_regions (
    token TEXT NOT NULL REFERENCES access_tokens (name) ON DELETE CASCADE,
    region TEXT NOT NULL,
    PRIMARY KEY (token, region)
);
