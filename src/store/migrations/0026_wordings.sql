-- Words that staff give messages in the place of those that the program or the folder of the settings brings. Each change is a
-- row; none is ever changed or taken away, so that it can be told later what a message said and who wrote it.
CREATE TABLE wording_versions (
    text TEXT NOT NULL,              -- its name, such as wash-now.sms or care.part
    version BIGINT NOT NULL,         -- 1, 2, ... of each text; the newest is in use
    en TEXT,                         -- in the notation of the templates; null: the words that were there without ours
    es TEXT,
    changed_at BIGINT NOT NULL,
    changed_by TEXT NOT NULL,
    why TEXT NOT NULL,               -- empty where no reason was given
    PRIMARY KEY (text, version)
);
