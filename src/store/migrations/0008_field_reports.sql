-- A field report says what was seen and not only which stage, and each change of its standing is a row with its time.
ALTER TABLE regions ADD COLUMN reports_teach TEXT NOT NULL DEFAULT 'when-confirmed';  -- when-confirmed | at-once: of owners

ALTER TABLE field_reports ADD COLUMN sight TEXT;         -- id of a sight of the profile; null: told as a stage
ALTER TABLE field_reports ADD COLUMN not_yet TEXT;       -- a stage that had not begun, if the tree has the insect
ALTER TABLE field_reports ADD COLUMN infested BIGINT;    -- whether the tree has the insect; null: not known
ALTER TABLE field_reports ADD COLUMN tree TEXT;          -- the tree or the place, in words
ALTER TABLE field_reports ADD COLUMN nothing_on BIGINT;  -- the look before, on which nothing of this was there
ALTER TABLE field_reports ADD COLUMN day_known BIGINT NOT NULL DEFAULT 1;  -- 0: observed_on is the day of the answer
ALTER TABLE field_reports ADD COLUMN person TEXT;        -- an owner's address_key; of staff a name as it was typed
ALTER TABLE field_reports ADD COLUMN question TEXT;      -- follow_ups.id that it answers
ALTER TABLE field_reports ADD COLUMN changed_at BIGINT;  -- when what it says was last changed; null: never

CREATE INDEX field_reports_by_question ON field_reports (question);

CREATE TABLE field_report_standings (
    report_id TEXT NOT NULL REFERENCES field_reports (id),
    number BIGINT NOT NULL,          -- 1, 2, … in the order of the changes; the newest holds
    standing TEXT NOT NULL,          -- new | confirmed | refused (set aside)
    at BIGINT NOT NULL,
    said_by TEXT NOT NULL,           -- teller (as it came in, or taken back) | rule (of the region) | staff
    who TEXT,                        -- of staff, as typed
    why TEXT,
    PRIMARY KEY (report_id, number)
);

-- When an older report was confirmed or set aside is not known: it counts as said when the report came.
INSERT INTO field_report_standings (report_id, number, standing, at, said_by)
SELECT id, 1, status, created_at, CASE WHEN status = 'new' THEN 'teller' ELSE 'staff' END FROM field_reports;

-- Stages of the built-in profile become what must have been seen; those of other profiles stay as they are.
UPDATE field_reports SET sight = 'eggs', infested = 1
WHERE stage IN ('egg-laying-begins', 'egg-laying-ends')
  AND region_id IN (SELECT id FROM regions WHERE profile = 'pinyon-needle-scale');
UPDATE field_reports SET sight = 'crawlers', infested = 1
WHERE stage IN ('eggs-hatch', 'crawlers-settled')
  AND region_id IN (SELECT id FROM regions WHERE profile = 'pinyon-needle-scale');
UPDATE field_reports SET sight = 'nothing', not_yet = 'egg-laying-begins'
WHERE stage IS NULL AND region_id IN (SELECT id FROM regions WHERE profile = 'pinyon-needle-scale');

-- Answers were kept under the day of the answer. Where staff confirmed one, they stood behind its day.
UPDATE field_reports SET day_known = 0 WHERE source = 'subscriber' AND status = 'new';
-- An answer's report had the first half of its question's id, which is hexadecimal, in its own.
UPDATE field_reports SET
    question = (SELECT MIN(f.id) FROM follow_ups f
                WHERE f.id >= SUBSTR(field_reports.id, 3) AND f.id < SUBSTR(field_reports.id, 3) || 'g'),
    person = (SELECT MIN(f.address_key) FROM follow_ups f
              WHERE f.id >= SUBSTR(field_reports.id, 3) AND f.id < SUBSTR(field_reports.id, 3) || 'g')
WHERE source = 'subscriber';

ALTER TABLE field_reports DROP COLUMN status;

-- answer: eggs | none | crawlers | not-looked
ALTER TABLE follow_ups ADD COLUMN looked_on BIGINT;      -- null: the day was not told
ALTER TABLE follow_ups ADD COLUMN infested BIGINT;
