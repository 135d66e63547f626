-- The season's chart as the e-mail of a notice shows it: PNG, kept with the words so that a message sent again is the same.
ALTER TABLE notice_texts ADD COLUMN chart_png BYTEA;
