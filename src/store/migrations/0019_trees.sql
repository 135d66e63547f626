-- Which tree an owner's answer is about, in the owner's own words. They go when the owner goes; `tree`, by which staff say which
-- reports belong together, stays.
ALTER TABLE field_reports ADD COLUMN owner_tree TEXT;
ALTER TABLE follow_ups ADD COLUMN tree TEXT;
