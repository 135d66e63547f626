-- Answers of channels the moment they came, before they are booked: see `answers.rs`. On SQLite they stand in a file of their
-- own, since the database has one writer.
-- postgres only
CREATE TABLE answers (
    delivery_id TEXT NOT NULL,
    fence BIGINT NOT NULL,
    provider_ref TEXT,
    noted_at BIGINT NOT NULL,
    PRIMARY KEY (delivery_id, fence)
);
