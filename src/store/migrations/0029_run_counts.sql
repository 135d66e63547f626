-- Of a cycle that ended: how many regions it was to serve, and how many faults it met in that. Null of other runs, and of cycles
-- before this was kept.
ALTER TABLE runs ADD COLUMN regions BIGINT;
ALTER TABLE runs ADD COLUMN faults BIGINT;
