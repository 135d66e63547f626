-- Raised with every write to days long past: seasons that are over changed.
ALTER TABLE station_marks ADD COLUMN past_writes BIGINT NOT NULL DEFAULT 0;

-- The stations beside the region's own whose past seasons its view comes from, as a JSON list.
ALTER TABLE region_views ADD COLUMN others TEXT NOT NULL DEFAULT '[]';
