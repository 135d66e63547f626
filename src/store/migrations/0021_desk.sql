-- The staff's desk: accounts, how they sign in, and who is signed in. Nothing here opens anything by itself: passwords are
-- argon2id, secrets of second factors sealed by a key outside of the store, all else that lets in is kept as SHA-256 of at least
-- 120 random bits. The audit names accounts by `name`, so a name is never given to a second person while its rows are kept.
CREATE TABLE accounts (
    name TEXT PRIMARY KEY,
    role TEXT NOT NULL,              -- observer | staff | administrator
    password TEXT,                   -- a PHC string; null: invited, or reset
    password_at BIGINT,
    factor TEXT,                     -- secret of the second factor, sealed; null: none
    factor_step BIGINT NOT NULL,     -- of the last code taken, so that none is taken twice
    created_at BIGINT NOT NULL,
    locked_at BIGINT,
    removed_at BIGINT
);

-- What staff may act on.
CREATE TABLE account_reach (
    account TEXT NOT NULL REFERENCES accounts (name),
    kind TEXT NOT NULL,              -- region | county
    value TEXT NOT NULL,             -- id of a region; `Name` or `Name, State` of a county
    PRIMARY KEY (account, kind, value)
);

CREATE TABLE account_invitations (
    hash TEXT PRIMARY KEY,
    account TEXT NOT NULL UNIQUE REFERENCES accounts (name),  -- a new one takes the place of the old
    made_at BIGINT NOT NULL,
    expires_at BIGINT NOT NULL
);

-- A row goes when its code is used.
CREATE TABLE recovery_codes (
    hash TEXT PRIMARY KEY,
    account TEXT NOT NULL REFERENCES accounts (name)
);
CREATE INDEX recovery_codes_by_account ON recovery_codes (account);

CREATE TABLE desk_sessions (
    hash TEXT PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,         -- by which it is named on pages; opens nothing
    account TEXT NOT NULL REFERENCES accounts (name),
    stage TEXT NOT NULL,             -- code | set-up | whole
    pending TEXT,                    -- secret of a second factor that is being set up, sealed
    wrong_codes BIGINT NOT NULL,
    browser TEXT NOT NULL,           -- in words, such as `Firefox on Android`
    network TEXT NOT NULL,           -- the first part of the address
    created_at BIGINT NOT NULL,
    seen_at BIGINT NOT NULL
);
CREATE INDEX desk_sessions_by_account ON desk_sessions (account);

-- Wrong tries, counted by keyed hashes of where they came from and whom they named.
CREATE TABLE sign_in_tries (
    bucket TEXT PRIMARY KEY,
    wrong BIGINT NOT NULL,
    first_at BIGINT NOT NULL,
    last_at BIGINT NOT NULL
);
