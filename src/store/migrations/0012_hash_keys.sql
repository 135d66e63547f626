-- Keys of the hashes of addresses and of links that this store has been used with, never the keys themselves: without one of
-- them, addresses that said stop would not be known again, or stop links would not work. An id of an address that a later key
-- than the first made begins with that key's number.
CREATE TABLE hash_keys (
    purpose TEXT NOT NULL,           -- address | link
    number BIGINT NOT NULL,          -- 1, 2, … in the order in which they came into use
    fingerprint TEXT NOT NULL,       -- HMAC of a fixed text under the key
    lay_inside BIGINT NOT NULL,      -- 1: it lay in the store once, and made the links of that time as well
    PRIMARY KEY (purpose, number),
    UNIQUE (purpose, fingerprint)
);
