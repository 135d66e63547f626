-- Who did what, when and why. Rows are only ever added; the retention job takes those of more than seven years, and both
-- engines refuse everything else. What is asked of the newest row and not of a clock, since SQL here has none: before the job
-- takes rows it writes one that says so. 220752000000 ms are seven times 365 days.
-- sqlite only
CREATE TABLE audit (
    number INTEGER PRIMARY KEY AUTOINCREMENT,  -- in the order of writing; a number that is missing in between was taken away
-- postgres only
CREATE TABLE audit (
    number BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
-- both
    at BIGINT NOT NULL,
    actor TEXT NOT NULL,             -- the user of the system who ran the program, with its number
    account TEXT,                    -- of staff, where they log in; null: the act came by the command line
    act TEXT NOT NULL,
    subject TEXT NOT NULL,           -- kind/id of what it was done to; of an address its keyed hash, never the address
    detail TEXT NOT NULL,            -- what was changed, in words; never an address
    why TEXT                         -- as it was given; null: none was
);

CREATE INDEX audit_by_time ON audit (at);
CREATE INDEX audit_by_subject ON audit (subject);

-- sqlite only
CREATE TRIGGER audit_is_never_changed BEFORE UPDATE ON audit
BEGIN
    SELECT RAISE(ABORT, 'the audit is only ever added to');
END;
CREATE TRIGGER audit_is_kept BEFORE DELETE ON audit
WHEN OLD.at > (SELECT MAX(at) FROM audit) - 220752000000
BEGIN
    SELECT RAISE(ABORT, 'the audit is kept for seven years');
END;
-- INSERT OR REPLACE takes the old row away without asking the trigger above.
CREATE TRIGGER audit_is_never_replaced BEFORE INSERT ON audit
WHEN EXISTS (SELECT 1 FROM audit WHERE number = NEW.number)
BEGIN
    SELECT RAISE(ABORT, 'the audit is only ever added to');
END;
-- postgres only
CREATE FUNCTION audit_refuses() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' THEN
        IF OLD.at <= (SELECT MAX(at) FROM audit) - 220752000000 THEN
            RETURN OLD;
        END IF;
        RAISE EXCEPTION 'the audit is kept for seven years';
    END IF;
    RAISE EXCEPTION 'the audit is only ever added to';
END
$$;
CREATE TRIGGER audit_is_kept BEFORE UPDATE OR DELETE ON audit FOR EACH ROW EXECUTE FUNCTION audit_refuses();
CREATE TRIGGER audit_is_never_emptied BEFORE TRUNCATE ON audit FOR EACH STATEMENT EXECUTE FUNCTION audit_refuses();
