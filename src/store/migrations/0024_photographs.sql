-- Field reports are entered at the desk as well, and may come with a photograph.
ALTER TABLE field_reports ADD COLUMN entered_by TEXT;  -- account of the desk that entered it; null: a command, or an owner's answer
CREATE INDEX field_reports_by_account ON field_reports (entered_by, created_at);

-- The picture itself is a file in the folder that the settings name: written anew by us, without what a camera adds.
CREATE TABLE field_report_photographs (
    report_id TEXT PRIMARY KEY REFERENCES field_reports (id) ON DELETE CASCADE,
    file TEXT NOT NULL,              -- its name, drawn by chance: nothing of it comes from outside
    bytes BIGINT NOT NULL,
    width BIGINT NOT NULL,           -- pixels, as it is shown
    height BIGINT NOT NULL,
    added_at BIGINT NOT NULL
);
