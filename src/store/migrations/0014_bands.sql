-- Regions say their county, their state and the heights that they are for, and a ZIP code may belong to several regions whose
-- heights do not meet.
ALTER TABLE regions ADD COLUMN county TEXT;
ALTER TABLE regions ADD COLUMN state TEXT;
ALTER TABLE regions ADD COLUMN band_from_m DOUBLE PRECISION;          -- it belongs to the band; null: open below
ALTER TABLE regions ADD COLUMN band_to_m DOUBLE PRECISION;            -- it does not; null: open above
ALTER TABLE regions ADD COLUMN landmarks TEXT NOT NULL DEFAULT '[]';  -- JSON list of towns or landmarks of these heights

CREATE TABLE region_zips_by_band (
    zip TEXT NOT NULL,
    region_id TEXT NOT NULL REFERENCES regions (id),
    -- The lower end of the region's band, far below all land where that is open: whose rows tell of no height live in the
    -- region of the lowest.
    floor_m DOUBLE PRECISION NOT NULL DEFAULT -1000000,
    PRIMARY KEY (zip, region_id)
);
INSERT INTO region_zips_by_band (zip, region_id) SELECT zip, region_id FROM region_zips;
DROP TABLE region_zips;
ALTER TABLE region_zips_by_band RENAME TO region_zips;
CREATE INDEX region_zips_by_region ON region_zips (region_id);

-- The region of a person's place where its ZIP code has several: by their answer, or where they lived before it had. Null, or one
-- that no longer has the ZIP code: the lowest.
ALTER TABLE subscriber_zips ADD COLUMN region_id TEXT REFERENCES regions (id);
-- What they said of the height of their trees: both ends alike where they named one height, a null end is open.
ALTER TABLE subscriber_zips ADD COLUMN height_from_m DOUBLE PRECISION;
ALTER TABLE subscriber_zips ADD COLUMN height_to_m DOUBLE PRECISION;
ALTER TABLE subscriber_zips ADD COLUMN height_said_at BIGINT;         -- null: they have not answered
ALTER TABLE subscriber_zips ADD COLUMN height_asked_at BIGINT;
ALTER TABLE subscriber_zips ADD COLUMN height_asked_of TEXT;          -- the bands that the question named: asked once of the same

-- Of an open sign-up: JSON of ZIP code to the heights that were chosen on the form.
ALTER TABLE confirmations ADD COLUMN heights TEXT NOT NULL DEFAULT '{}';

-- Who lives in which region. Everything that asks this, asks here.
CREATE VIEW subscriber_regions AS
SELECT z.subscriber_id, z.zip, r.region_id, z.height_said_at
FROM subscriber_zips z JOIN region_zips r ON r.zip = z.zip
WHERE r.region_id = z.region_id
   OR (NOT EXISTS (SELECT 1 FROM region_zips o WHERE o.zip = z.zip AND o.region_id = z.region_id)
       AND NOT EXISTS (SELECT 1 FROM region_zips o WHERE o.zip = z.zip AND o.floor_m < r.floor_m));
